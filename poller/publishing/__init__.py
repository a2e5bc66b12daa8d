"""The world out: outputs, each with its own cursor, none in another's way."""
