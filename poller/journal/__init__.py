"""Durable events: the chain, its one writer, snapshots, samples, and what outputs remember."""
