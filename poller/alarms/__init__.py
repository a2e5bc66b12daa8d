"""Alarms: which conditions hold, and how each alarm follows its own."""
