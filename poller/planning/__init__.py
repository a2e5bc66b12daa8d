"""The year of updates: what advisories concern, what is due, how to get there."""
