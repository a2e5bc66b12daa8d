"""What can be done to a simulated relay, by a story or by a person at the control socket."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

from poller.model.status import Behaviour, Health
from simulator.misbehaviour import Plan

How: TypeAlias = Literal["no_reply", "refuse"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Away:
    """how: connections are taken and nothing is said, or they are refused."""

    how: How = "no_reply"


@dataclass(frozen=True, slots=True, kw_only=True)
class Back:
    """restarted: its uptime begins again, as after a loss of power and not of the network."""

    restarted: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Boot:
    """The boot program runs and shows nonsense for a nameplate, until it does not."""

    running: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Write:
    """Other nameplate values, by flat name; map: the layout that the new firmware presents."""

    values: Mapping[str, str | None] = field(default_factory=dict)
    map: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    flag: str
    standing: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Show:
    health: Health | None = None
    behaviour: Behaviour | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Misbehave:
    plan: Plan


@dataclass(frozen=True, slots=True, kw_only=True)
class Behave:
    """kind: of the fault that ends; None ends all."""

    kind: str | None = None


Act: TypeAlias = Away | Back | Boot | Write | Flag | Show | Misbehave | Behave


class Impossible(ValueError):
    """An act that this relay can't do; the text says why. code: of the problem in a scenario."""

    def __init__(self, code: str, says: str) -> None:
        super().__init__(says)
        self.code = code
