"""Planned work on relays: what is meant, what stands in the way, whether it took."""
