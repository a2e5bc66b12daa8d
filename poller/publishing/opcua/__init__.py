"""OPC UA Alarms and Conditions, served by a process of its own."""
