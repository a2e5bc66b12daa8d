"""Which events are meant, found by the file's indexes; a question takes as long as its answer."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final, Literal, TypeAlias

Ask: TypeAlias = Callable[[str, Sequence[Any]], list[tuple[Any, ...]]]
Column: TypeAlias = Literal["kind", "subject"]
SEQ_MAX: Final = 2**63 - 1
UNITED_MAX: Final = 100  # SQLite takes 500 parts of one question


def numbers(
    ask: Ask,
    column: Column,
    values: Sequence[str],
    *,
    after: int,
    before: int,
    limit: int,
    rising: bool = False,
) -> list[int]:
    """Of at most limit events with one of these values and after < seq < before, falling.

    One short look into the column's index for each value: asked for several at once, SQLite would
    sort all that there ever were.
    """
    one = (
        f"SELECT * FROM (SELECT seq FROM event WHERE {column} = ? "  # noqa: S608 - our own column
        f"AND seq > ? AND seq < ? ORDER BY seq {_way(rising)} LIMIT ?)"
    )
    found: list[int] = []
    for at in range(0, len(values), UNITED_MAX):
        some = values[at : at + UNITED_MAX]
        given = [part for value in some for part in (value, after, before, limit)]
        found += [row[0] for row in ask(" UNION ALL ".join([one] * len(some)), given)]
    return sorted(found, reverse=not rising)[:limit]


def newest(ask: Ask, *, after: int, before: int, limit: int) -> list[int]:
    """Of events with after < seq < before, falling."""
    sql = "SELECT seq FROM event WHERE seq > ? AND seq < ? ORDER BY seq DESC LIMIT ?"
    return [row[0] for row in ask(sql, (after, before, limit))]


def events(
    ask: Ask, seqs: Sequence[int], kinds: Sequence[str], *, rising: bool
) -> list[tuple[Any, ...]]:
    """seq, stored and hash of each that is of these kinds; none: of any."""
    of_kind = f" AND kind IN ({_places(kinds)})" if kinds else ""
    return ask(
        f"SELECT seq, stored, hash FROM event WHERE seq IN ({_places(seqs)}){of_kind} "  # noqa: S608 - question marks
        f"ORDER BY seq {_way(rising)}",
        (*seqs, *kinds),
    )


def number_at(ask: Ask, at: str) -> int | None:
    """Of the first event at or after a moment, given as by stamp(); None: all are older."""
    rows = ask("SELECT seq FROM event WHERE at >= ? ORDER BY at, seq LIMIT 1", (at,))
    return rows[0][0] if rows else None


def _last(before: int) -> int:
    return SEQ_MAX if before is None else before


def _way(rising: bool) -> str:
    return "ASC" if rising else "DESC"


def _places(values: Sequence[object]) -> str:
    return ", ".join("?" * len(values))
