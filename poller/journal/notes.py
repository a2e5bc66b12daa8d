"""What is written beside events and may be lost in a crash: it is only ever asked for again."""

from __future__ import annotations

from dataclasses import dataclass, field

from poller.model.standing import State
from poller.model.status import StatusReading


@dataclass(slots=True)
class Notes:
    """Collects until written; a later note on the same thing takes the place of the earlier one.

    retained: (output, name) to digest, None: forget it. samples: (relay, reading), in order.
    """

    cursors: dict[str, int] = field(default_factory=dict)
    retained: dict[tuple[str, str], str | None] = field(default_factory=dict)
    snapshot: State | None = None
    samples: list[tuple[str, StatusReading]] = field(default_factory=list)

    def __bool__(self) -> bool:
        return bool(self.cursors or self.retained or self.snapshot or self.samples)

    def before(self, later: Notes) -> None:
        """Puts these notes, which could not be written, under later ones; into later."""
        later.cursors = self.cursors | later.cursors
        later.retained = self.retained | later.retained
        later.snapshot = later.snapshot or self.snapshot
        later.samples = self.samples + later.samples
