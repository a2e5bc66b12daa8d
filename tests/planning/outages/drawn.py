"""Small questions, drawn: every rule of plans can bite in them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any, Final

from hypothesis import strategies as st

from poller.planning.outages.question import Bar, Family, Job, Pair, Question, Slot, Step, Unit

NOW: Final = datetime(2027, 1, 1, tzinfo=UTC)
DAY: Final = timedelta(days=1)


def slot(day: int, minutes: int = 300, teams: int = 1, **more: Any) -> Slot:
    """From eight o'clock of a day, counted from NOW; five hours, or as long as its crew works."""
    start = NOW + timedelta(days=day, hours=8)
    return Slot(
        id=f"o{day}",
        start=start,
        end=start + timedelta(minutes=max(300, minutes)),
        bays=frozenset(more.get("bays", ())),
        groups=frozenset(),
        teams=teams,
        minutes=minutes,
        days=day + 1,
    )


def question(
    slots: list[Slot],
    jobs: list[dict[str, Any]],
    *,
    pairs: tuple[tuple[int, int, int], ...] = (),
    together: tuple[int, ...] = (),
    named: dict[str, str] | None = None,
    free_from: dict[str, datetime] | None = None,
    hold_days: int = 30,
    shared: bool = False,
) -> Question:
    """jobs: relay, family, weight, minutes (of each step), barred (windows) and after.

    pairs: two jobs whose relays stand in for one another, and the hours between them. together:
    jobs at the ends of one line.
    """
    steps: list[Step] = []
    made: list[Job] = []
    last: dict[str, int] = {}
    for number, given in enumerate(jobs):
        relay = given.get("relay", f"r{number}")
        minutes = given.get("minutes", [100])
        first = len(steps)
        bars = {at: Bar(rule="bay", says="its bay is in service") for at in given.get("barred", ())}
        steps += [
            Step(
                job=number,
                relay=relay,
                version_from=str(at),
                to=str(at + 1),
                direction="update",
                minutes=each,
                bars=bars,
            )
            for at, each in enumerate(minutes)
        ]
        made.append(
            Job(
                relay=relay,
                bay="Q01",
                family=given.get("family", f"f{number}"),
                attribute="swRev" if relay not in last else "components.boot.swRev",
                target="9",
                weight=given.get("weight", 1),
                steps=tuple(range(first, len(steps))),
                after=last.get(relay),
            )
        )
        last[relay] = number
    alone = [Unit(jobs=(at,), together=False) for at in range(len(made)) if at not in together]
    units = [*alone, Unit(jobs=together, together=True)] if together else alone
    families = dict.fromkeys(job.family for job in made)
    return Question(
        now=NOW,
        slots=tuple(sorted(slots, key=lambda one: (one.start, one.end, one.id))),
        steps=tuple(steps),
        jobs=tuple(made),
        units=tuple(units),
        families=tuple(
            Family(id=one, named=(named or {}).get(one), free_from=(free_from or {}).get(one))
            for one in families
        ),
        pairs=tuple(
            Pair(
                group="g",
                one=made[one].relay,
                other=made[other].relay,
                soak=timedelta(hours=hours),
                both_in=frozenset(range(len(slots)) if shared else ()),
            )
            for one, other, hours in pairs
        ),
        hold=timedelta(days=hold_days),
    )


@st.composite
def questions(draw: st.DrawFn, steps_max: int = 4) -> Question:
    days = draw(st.lists(st.integers(0, 40), min_size=1, max_size=4, unique=True))
    slots = [
        slot(day, minutes=draw(st.sampled_from([90, 150, 300])), teams=1) for day in sorted(days)
    ]
    if draw(st.booleans()):
        slots[0] = slot(days[0], minutes=150, teams=2)
    jobs: list[dict[str, Any]] = []
    left = draw(st.integers(1, steps_max))
    while left > 0:
        count = draw(st.integers(1, min(2, left)))
        left -= count
        jobs.append(
            {
                "relay": draw(st.sampled_from(["a", "b", "c", "d"])),
                "family": draw(st.sampled_from(["f", "g"])),
                "weight": draw(st.integers(1, 9)),
                "minutes": draw(st.lists(st.sampled_from([60, 90, 150]), min_size=count,
                                         max_size=count)),
                "barred": draw(st.sets(st.integers(0, len(slots) - 1), max_size=2)),
            }
        )  # fmt: skip
    relays = [job["relay"] for job in jobs]
    apart = [at for at in range(1, len(jobs)) if relays[at] != relays[0]]
    pairs = ()
    if apart and draw(st.booleans()):
        pairs = ((0, apart[0], draw(st.sampled_from([0, 24, 200]))),)
    together = ()
    if apart and draw(st.booleans()):
        ends = {relays[0], relays[apart[-1]]}
        together = tuple(at for at, relay in enumerate(relays) if relay in ends)
    free = {"g": NOW + draw(st.integers(0, 30)) * DAY} if draw(st.booleans()) else {}
    named = {"f": draw(st.sampled_from(relays))} if draw(st.booleans()) else {}
    return question(
        slots,
        jobs,
        pairs=pairs,
        together=together,
        named=named,
        free_from=free,
        hold_days=draw(st.sampled_from([0, 10])),
        shared=draw(st.booleans()),
    )
