"""Peers that are not ours: pymodbus's server, C libmodbus both ways, and a server by script."""
