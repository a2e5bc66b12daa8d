"""Many seeds at once, each in one of as many processes as there are cores."""

from __future__ import annotations

import hashlib
import os
from collections import defaultdict
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from traceback import format_exc

from tests.quiet import quietly
from tests.trials.drawing import draw
from tests.trials.oracle import CHECKS, judge
from tests.trials.telling import story
from tests.trials.trial import Ran, run

FAILURES_MAX = 12  # of a seed that are told


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """failures: each as a line, with its short story behind it; none where the seed passed.

    journal: SHA-256 of the whole journal, byte for byte. subjects: the same of the events of each
    subject by itself, whatever their order between subjects.
    """

    seed: int
    failures: tuple[tuple[str, tuple[str, ...]], ...]
    requests: int
    events: int
    journal: str
    subjects: str


def outcome(seed: int, hours: float | None = None) -> Outcome:
    """Runs one seed. What raises is a failure as well, told with its traceback."""
    try:
        with quietly():
            ran = run(draw(seed, hours))
        failures = judge(ran)
    except Exception:
        told = (("it crashed", tuple(format_exc().splitlines()[-30:])),)
        return Outcome(seed=seed, failures=told, requests=0, events=0, journal="", subjects="")
    return Outcome(
        seed=seed,
        failures=tuple(
            (f"check {one.check}, {CHECKS[one.check]}: {one.says}", tuple(story(ran, one)))
            for one in failures[:FAILURES_MAX]
        ),
        requests=len(ran.net.asked),
        events=len(ran.events),
        journal=hashlib.sha256(b"\n".join(one.stored for one in ran.events)).hexdigest(),
        subjects=_subjects(ran),
    )


def outcomes(seeds: Sequence[int], hours: float | None = None) -> Iterator[Outcome]:
    """In the order of the seeds."""
    if len(seeds) == 1:
        yield outcome(seeds[0], hours)
        return
    workers = min(len(seeds), os.cpu_count() or 1)
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        yield from pool.map(partial(outcome, hours=hours), seeds)


def _subjects(ran: Ran) -> str:
    by_subject: dict[str, list[str]] = defaultdict(list)
    for one in ran.events:
        by_subject[one.event.subject].append(repr(one.event))
    whole = hashlib.sha256()
    for subject in sorted(by_subject):
        whole.update("\n".join([subject, *by_subject[subject]]).encode())
    return whole.hexdigest()
