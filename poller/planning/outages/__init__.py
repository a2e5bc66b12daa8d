"""Which step of an update goes into which outage."""
