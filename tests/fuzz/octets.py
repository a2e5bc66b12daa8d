"""Octets of a fuzzer as the choices of a test: numbers, picks and pieces, and zeros at the end."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

T = TypeVar("T")


class Octets:
    """Takes from the front; what is not there reads as zero, so that no input is too short."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    @property
    def left(self) -> int:
        return max(0, len(self._data) - self._at)

    def number(self, most: int = 255) -> int:
        """0 to most; one octet, or two where most needs them."""
        width = 1 if most < 256 else 2
        return int.from_bytes(self.exactly(width)) % (most + 1)

    def pick(self, among: Sequence[T]) -> T:
        return among[self.number(len(among) - 1)]

    def some(self, most: int) -> bytes:
        """What is there, at most so many."""
        taken = self._data[self._at : self._at + most]
        self._at += len(taken)
        return taken

    def exactly(self, count: int) -> bytes:
        return self.some(count).ljust(count, b"\0")

    def rest(self) -> bytes:
        return self.some(self.left)
