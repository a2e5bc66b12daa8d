"""Plain random changes of valid examples: what fuzzing is without a guide."""

from __future__ import annotations

from collections.abc import Sequence
from random import Random
from typing import Final

from tests.fuzz.seeds import seeds, words

LENGTHS: Final = (0, 1, 2, 5, 20)


def mutated(target: str, random: Random) -> bytes:
    """One of the target's seeds with one to five changes; now and then nothing but chance."""
    if random.random() < 0.05:
        return random.randbytes(random.randrange(300))
    every = seeds(target)
    data = random.choice(every)
    for _ in range(random.choice((1, 1, 2, 3, 5))):
        data = _changed(data, every, words(target), random)
    return data


def _changed(data: bytes, every: Sequence[bytes], known: Sequence[bytes], random: Random) -> bytes:
    at = random.randrange(len(data) + 1)
    end = at + random.choice(LENGTHS)
    match random.randrange(6):
        case 0:
            new = random.choice(known)
        case 1:
            new = b""
        case 2:
            new = random.randbytes(random.randrange(4))
        case 3:
            other = random.choice(every)
            begin = random.randrange(len(other) + 1)
            new = other[begin : begin + random.choice((5, 20, 60))]
        case 4:
            new = data[at:end] * random.choice((2, 3, 20))
        case _:
            return _with_line_moved(data, random)
    return data[:at] + new + data[end:]


def _with_line_moved(data: bytes, random: Random) -> bytes:
    lines = data.split(b"\n")
    lines.insert(random.randrange(len(lines) + 1), random.choice(lines))
    return b"\n".join(lines)
