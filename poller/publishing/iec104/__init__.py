"""IEC 60870-5-104: an outstation of single points."""
