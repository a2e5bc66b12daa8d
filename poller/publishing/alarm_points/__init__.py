"""Alarm points: a read-only Modbus TCP server."""
