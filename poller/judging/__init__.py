"""From what was read to what is believed, and what a believed change is."""
