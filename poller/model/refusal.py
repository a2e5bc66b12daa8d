"""What can't be done, told to the person who asked for it."""


class Refusal(Exception):
    """The text says why, and where it can how to mend it."""
