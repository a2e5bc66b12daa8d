"""What the service and the outputs need from a journal; the real one and the trial's keep it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from poller.model.events import Event, Recorded
from poller.model.standing import State


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """The last event: seq 0 and 64 zeros before the first."""

    seq: int
    hash: str


class CommitFailed(Exception):
    """Nothing of this batch is durable; the caller keeps it and tries again."""


class Committer(Protocol):
    """The one writer. Batches are committed in the order they were given."""

    async def commit(
        self, events: Sequence[Event], *, command: tuple[str, str] | None = None
    ) -> tuple[Recorded, ...]:
        """Makes events durable, all or none, and returns them with seq, id and hash.

        command: a command's id and its answer (JSON), kept in the same transaction.
        Raises CommitFailed when nothing was written (disk full, file gone).
        """

    async def note_cursor(self, output: str, seq: int) -> None:
        """The output has acknowledged everything up to and including seq."""

    async def note_retained(self, output: str, digests: dict[str, str | None]) -> None:
        """Topic (or other name) to the digest last published; None: cleared, forget it."""

    async def keep(self, output: str, name: str, value: str | None) -> None:
        """As note_retained of one name, but durable when it returns. Raises CommitFailed."""

    async def save_snapshot(self, state: State) -> None:
        """Keeps the state after state.seq."""


class Reader(Protocol):
    """Short read transactions; safe beside the writer, in other processes too."""

    def head(self) -> Head: ...

    def read(self, after: int, limit: int = 500) -> list[Recorded]:
        """Events with seq > after, in order, at most limit."""

    def load_state(self) -> State:
        """The newest usable snapshot and the tail folded onto it."""

    def answer(self, command: str) -> str | None:
        """The answer a command with this id got before."""

    def cursor(self, output: str) -> int:
        """The last acknowledged seq; 0 for a new output."""

    def retained(self, output: str) -> dict[str, str]: ...
