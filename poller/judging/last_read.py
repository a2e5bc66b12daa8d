"""What a relay last answered, as it came: kept for who looks at raw registers, decoded by nobody
else."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from poller.judging.findings import Moment
from poller.reading.read_plan import CompiledMap
from poller.reading.run import PassRead


class Block(StrEnum):
    """Parts of a visit, in the order in which they are asked for."""

    IDENTITY = "identity"
    NAMEPLATE = "nameplate"
    STATUS = "status"


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """The last answers to one part, whole or not. at: when they came."""

    read: PassRead
    at: Moment


@dataclass(frozen=True, slots=True, kw_only=True)
class LastRead:
    """map: under which it is read; None: not chosen yet, or none fits. first: the first of its
    maps, under which its identity is asked for."""

    map: CompiledMap | None
    first: CompiledMap
    blocks: Mapping[Block, Answered]
