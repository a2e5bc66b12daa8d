"""What a version pattern must keep to before it meets text from a device.

The regular expressions of the standard library go back and try again. A repeated group, or many
repeats in a row, can make them try for hours, so a pattern is refused that could.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Sequence
from typing import Final

from poller.model import limits, pattern_ways

ESCAPED: Final = re.compile(r"\\.", re.DOTALL)
CLASS: Final = re.compile(r"\[\^?\]?[^\]]*\]")
OPENING: Final = re.compile(r"\(\?")
VERBOSE: Final = re.compile(r"\(\?[a-zA-Z-]*x[a-zA-Z-]*[:)]")
REPEATED_GROUP: Final = re.compile(r"\)[*+{]")
REPEAT: Final = re.compile(r"[*+]|\{\d*,\d*\}")
OPTION: Final = re.compile(r"(?<![*+}?])\?")


def faults(pattern: str, order: Sequence[str]) -> tuple[str, ...]:
    """What is wrong with a pattern and its order of groups, in words; empty: nothing.

    order: names of groups of the pattern, each once.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # a class that a later Python reads otherwise
            groups = re.compile(pattern, re.ASCII).groupindex
    except (re.error, ValueError, OverflowError, RecursionError, Warning) as reason:
        return (f"not a regular expression: {reason}",)
    found = [f"order names {one}, no group of the pattern" for one in order if one not in groups]
    found += [f"order names {one} twice" for one in sorted(set(order)) if order.count(one) > 1]
    bare = CLASS.sub("_", ESCAPED.sub("_", pattern))
    if VERBOSE.search(bare):
        found.append("the flag x is not taken, since it hides what is repeated")
    if REPEATED_GROUP.search(bare):
        found.append("a group is repeated; only ? may follow a group")
    bare = OPENING.sub("(", bare)
    if len(REPEAT.findall(bare)) > limits.VERSION_PATTERN_REPEATS_MAX:
        found.append(f"more than {limits.VERSION_PATTERN_REPEATS_MAX} repeats")
    if len(OPTION.findall(bare)) > limits.VERSION_PATTERN_OPTIONS_MAX:
        found.append(f"more than {limits.VERSION_PATTERN_OPTIONS_MAX} optional parts")
    return tuple(found or _astray(pattern))


def _astray(pattern: str) -> list[str]:
    try:
        many = pattern_ways.ways(pattern) > limits.VERSION_PATTERN_WAYS_MAX
    except pattern_ways.Unbounded as reason:
        return [str(reason)]
    says = "a text can be tried in too many ways; let what repeats end where the next part begins"
    return [says] if many else []
