"""Sparkplug 3.0.0: the poller as an edge node, relays as its devices."""
