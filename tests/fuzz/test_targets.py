"""Every target with inputs that begin as valid ones, and with those that failed once."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.fuzz.found import FOUND, Found
from tests.fuzz.seeds import SEED_MAX, seeds, words
from tests.fuzz.targets import SLOW, TARGETS
from tests.quiet import quietly

QUICK_RUNS, SLOW_RUNS = 150, 25  # the rest is done by hand: python -m tests.fuzz


@st.composite
def changed(draw: st.DrawFn, target: str) -> bytes:
    """A valid example with up to four pieces of it replaced."""
    data = draw(st.sampled_from(seeds(target)))
    piece = st.sampled_from(words(target)) | st.binary(max_size=4)
    for _ in range(draw(st.integers(0, 4))):
        at = draw(st.integers(0, len(data)))
        end = at + draw(st.integers(0, 20))
        data = data[:at] + draw(piece) * draw(st.sampled_from((1, 1, 1, 30))) + data[end:]
    return data[: 2 * SEED_MAX]


@pytest.mark.parametrize("target", TARGETS)
def test_nothing_that_is_read_makes_it_fail(target: str) -> None:
    @settings(
        max_examples=SLOW_RUNS if target in SLOW else QUICK_RUNS,
        deadline=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(changed(target) | st.binary(max_size=300))
    def run(data: bytes) -> None:
        TARGETS[target](data)

    with quietly():
        run()


@pytest.mark.parametrize("one", FOUND, ids=[f"{one.target}: {one.was[:40]}" for one in FOUND])
def test_what_failed_once_does_not_again(one: Found) -> None:
    TARGETS[one.target](one.data)
