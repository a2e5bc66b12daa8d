"""The pictures of README: `python -m tests.pictures` plays the demo and takes them anew."""
