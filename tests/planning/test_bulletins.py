"""Service bulletins against boxes."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from poller.model.due import Bulletin, Severity
from poller.planning.boxes import Box
from poller.planning.bulletins import concerned
from poller.planning.matching import Truth
from tests.planning.documents import FAMILIES, box

THEN = datetime(2026, 3, 1, tzinfo=UTC)


def bulletin(**more: Any) -> Bulletin:
    given: dict[str, Any] = {
        "id": "b1",
        "title": "may stay blocked",
        "severity": Severity.FAILURE_TO_TRIP,
        "at": THEN,
        "by": "J. Kral",
    }
    return Bulletin(**(given | more))


CASES: list[tuple[Bulletin, Box, Truth]] = [
    (bulletin(family="larch"), box(), Truth.YES),
    (bulletin(family="larch"), box(model="OTTER-6"), Truth.NO),
    (bulletin(family="larch", versions="vers:generic/<5.1%20SP3"), box(), Truth.YES),
    (bulletin(family="larch", versions="vers:generic/<5.1"), box(), Truth.NO),
    (bulletin(family="larch", versions="vers:generic/<5.1"), box(swRev=None), Truth.MAYBE),
    (bulletin(family="larch", fixed_in="5.1 SP3"), box(), Truth.YES),
    (bulletin(family="larch", fixed_in="5.1 SP2"), box(), Truth.NO),
    (bulletin(family="larch", fixed_in="5.1 SP2"), box(swRev="?"), Truth.MAYBE),
    (bulletin(family="larch", fixed_in="5.1 SP2"), box(swRev=None), Truth.MAYBE),
    (bulletin(family="gone"), box(), Truth.MAYBE),
    (bulletin(relays=("q01-main1",)), box(model=None), Truth.YES),
    (bulletin(relays=("q02-main1",)), box(), Truth.NO),
    (bulletin(family="larch", closed_at=THEN), box(), Truth.NO),
]


@pytest.mark.parametrize(("one", "about", "truth"), CASES)
def test_a_bulletin_concerns_a_box_or_not_or_a_person_says(
    one: Bulletin, about: Box, truth: Truth
) -> None:
    found = [each.match.truth for each in concerned([one], FAMILIES, [about])]
    assert found == ([] if truth is Truth.NO else [truth])
