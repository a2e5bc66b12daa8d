"""Bugs planted on purpose, to score the trial: each must fail a named check, and not crash.

Fixed before the trial was tuned; what is not found improves the trial, not this list. They exist
nowhere but here: a bug is a piece of a module's text and what stands in its place, put there while
the module is imported in a process of its own.
"""

from __future__ import annotations

import importlib.abc
import importlib.util
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.machinery import ModuleSpec, PathFinder
from types import ModuleType
from typing import Final


@dataclass(frozen=True, slots=True, kw_only=True)
class Bug:
    """checks: those of which at least one must fail. beside: planted with it in another module.
    finder: a seed that is known to find it and is tried first; any other will do.
    """

    name: str
    module: str
    old: str
    new: str
    checks: tuple[int, ...] = ()
    beside: Bug | None = None
    also: tuple[tuple[str, str], ...] = ()  # further pieces of the same module
    finder: int = 0


BUGS: Final[tuple[Bug, ...]] = (
    Bug(
        name="late reply taken for the next",
        module="poller.edges.wire",
        old="if transaction == self._transaction and fits and done",
        new="if done",
        beside=Bug(
            name="not closed after a time-out",
            module="poller.edges.link",
            old="""            if not self._gateway:
                self._drop()
            return NoReply(reason=str(end))""",
            new="""            return NoReply(reason=str(end))""",
        ),
        checks=(1, 2),
    ),
    Bug(
        name="transaction unchecked",
        module="poller.edges.wire",
        old="if transaction == self._transaction and fits and done",
        new="if fits and done",
        checks=(1, 2),
    ),
    Bug(
        name="transaction and time-out unchecked: a late reply is the next one's",
        module="poller.edges.link",
        old="self._transaction = self._transaction % TRANSACTIONS + 1",
        new="self._transaction = 1",
        checks=(1, 2),
    ),
    Bug(
        name="busy read as zero",
        module="poller.reading.exchange",
        old="            return Refused(code=pdu[1])",
        new="            if pdu[1] == 6 and request.table is not None:\n"
        "                octets = reply_octets(request)\n"
        "                zeros = bytes([request.function, octets]) + bytes(octets)\n"
        "                return Reply(pdu=zeros)\n"
        "            return Refused(code=pdu[1])",
        finder=3,
        checks=(1, 2),
    ),
    Bug(
        name="erased memory believed",
        module="poller.judging.watch",
        old='    return tuple(name for name in absent if name == "swRev" or name in stood)',
        new="    return ()",
        checks=(1, 2),
    ),
    Bug(
        name="confirmation skipped",
        module="poller.judging.confirm",
        old="    if pending is None or pending.claim != claim:\n"
        "        waiting = Pending(claim=claim, since=now, last_old_at=last_old_at, need_s=need_s)\n"
        "        return waiting, False",
        new="    if pending is None or pending.claim != claim:\n"
        "        waiting = Pending(claim=claim, since=now, last_old_at=last_old_at, need_s=need_s)\n"
        "        return waiting, True",
        checks=(2,),
    ),
    Bug(
        name="a flag believed at first sight",
        module="poller.judging.watch",
        old="        if first is None:\n            seen.sighting = Sighting(status=status, at=at)\n"
        "            return\n",
        new="        first = first or Sighting(status=status, at=at)\n",
        finder=12,
        checks=(2,),
    ),
    Bug(
        name="a flag read under the map of the old firmware",
        module="poller.judging.watch",
        old="        if not checked:\n            checked = yield from self._read_nameplate()\n",
        new="        checked = True\n",
        finder=22,
        checks=(2,),
    ),
    Bug(
        name="cursor moved before the acknowledgement",
        module="poller.publishing.port",
        old="            acked = deliver.result()",
        new="            acked = deliver.result()\n"
        "            acked = events[-1].seq if events else acked",
        checks=(3,),
    ),
    Bug(
        name="event published before it is durable",
        module="poller.service",
        old="        return self._waiting.put(made.events, command)",
        new="        self._durable.set(self.state, ())\n"
        "        return self._waiting.put(made.events, command)",
        checks=(3, 4),
    ),
    Bug(
        name="clock step shortens an interval",
        module="poller.edges.clock",
        old="    return Moment(clock.mono(), clock.utc())",
        new="    utc = clock.utc()\n    return Moment(mono=utc.timestamp() % 1e6, utc=utc)",
        checks=(1, 2, 5),
    ),
    Bug(
        name="reconnect forgotten",
        module="poller.edges.link",
        old="        if wire is None or wire.lost is not None:\n",
        new="        if wire is None:\n",
        also=(
            ("wire is None or wire.lost is not None or wire.ended", "wire is None or wire.ended"),
            # else the time-out that a dead connection ends in would mend it
            (
                """            if not self._gateway:
                self._drop()
            return NoReply(reason=str(end))""",
                "            return NoReply(reason=str(end))",
            ),
        ),
        finder=3,
        checks=(1, 2),
    ),
    Bug(
        name="unit ids mixed up",
        module="poller.edges.schedule",
        old="self.link.ask(unit.unit, request, unit.watch",
        new="self.link.ask(self.units[0].unit, request, unit.watch",
        checks=(1, 2),
    ),
    Bug(
        name="flag edge lost across a restart",
        module="poller.edges.fleet",
        old="            flags=frozenset(relay.flags) or NO_NAMES,",
        new="            flags=NO_NAMES,",
        checks=(1, 2, 4),
    ),
    Bug(
        name="gateway closed for one absent unit, and all are held back",
        module="poller.edges.schedule",
        old="        if watch.misses and self.gateway:\n            watch.next_status = max(",
        new="        if watch.misses and self.gateway:\n"
        "            for other in self.units:\n"
        "                other.watch.next_status = self.clock.mono() + 3_600\n"
        "                other.watch.next_nameplate = self.clock.mono() + 3_600\n"
        "            watch.next_status = max(",
        checks=(1, 2),
    ),
    Bug(
        name="no rest before the retry",
        module="poller.edges.link",
        old="                if held and self._lost and not self._told_to_close:\n"
        "                    await self._rest()\n",
        new="                if held and self._lost and not self._told_to_close:\n",
        also=((" or wire.ended + self._rest_s > now", ""),),  # it is seen there, too
        checks=(5,),
    ),
    Bug(
        name="connection not closed after a visit",
        module="poller.edges.schedule",
        old="    def _stays_open(self, unit: Unit | None) -> bool:\n",
        new="    def _stays_open(self, unit: Unit | None) -> bool:\n        return True\n",
        checks=(5, 6),
    ),
    Bug(
        name="what fails to commit is dropped",
        module="poller.journal.waiting",
        old="            self.failing = str(reason)\n            await asyncio.sleep(AGAIN_S)\n"
        "            return\n",
        new="            self._take(head)\n            await asyncio.sleep(AGAIN_S)\n            return\n",
        finder=3,
        checks=(1, 2, 3, 4),
    ),
    Bug(
        name="the fold forgets that a flag fell",
        module="poller.state",
        old="return replace(relay, flags={k: v for k, v in relay.flags.items() if k != body.flag})",
        new="return relay",
        checks=(1, 2, 4),
    ),
    Bug(
        name="a downgrade called newer",
        module="poller.judging.judge",
        old="            order(difference.before, difference.after, scheme)",
        new="            order(difference.after, difference.before, scheme)",
        checks=(2,),
    ),
    Bug(
        name="one lost reply is silence",
        module="poller.judging.silence",
        old="after.misses < silent_misses",
        new="after.misses < 1",
        checks=(2,),
    ),
    Bug(
        name="the nameplate is not read again after silence",
        module="poller.judging.watch",
        old="if self.next_nameplate <= now.mono or self._hearing.misses or not self._has_status():",
        new="if self.next_nameplate <= now.mono or not self._has_status():",
        finder=11,
        checks=(1, 2),
    ),
    # Of the visit that compares octets; added with it.
    Bug(
        name="a reply is taken for unchanged",
        module="poller.judging.routine",
        old="        if pass_.still(0, pdu) != self.still:\n            return False\n",
        new="",
        checks=(1, 2),
    ),
    # Of planned work; added with it.
    Bug(
        name="a relay is polled while somebody works on it",
        module="poller.model.standing",
        old="        return self.relays[relay].paused or any(",
        new="        return self.relays[relay].paused and any(",
        checks=(5,),
    ),
    Bug(
        name="verified without a test",
        module="poller.work.attending",
        old="case Seen.AS_PLANNED if proven and _ok(lines, TEST):",
        new="case Seen.AS_PLANNED if proven:",
        finder=4,
        checks=(2,),
    ),
    Bug(
        name="verified without a soak",
        module="poller.work.attending",
        old="    proven = holds and _ok(lines, SOAK)",
        new="    proven = holds",
        finder=1,
        checks=(2,),
    ),
    Bug(
        name="changes are judged without the work that was planned",
        module="poller.work.watching",
        old="    works = [one for one in state.works_of(relay) if _could_be(one, first_new_at)]",
        new="    works: list[Work] = []",
        finder=4,
        checks=(1, 2),
    ),
    Bug(
        name="no investigation is opened",
        module="poller.work.watching",
        old="    if not changes:\n        return None\n    unanswered",
        new="    if changes or not changes:\n        return None\n    unanswered",
        checks=(1,),
    ),
    # Of alarms; added with them.
    Bug(
        name="suppression outlives the work",
        module="poller.alarms.covers",
        old="    return work.state in COVERING and at < work.plan.end",
        new="    return work.state not in NOT_BEGUN and at < work.plan.end",
        finder=3,
        checks=(7,),
    ),
    Bug(
        name="suppression outlives the window of the work",
        module="poller.alarms.covers",
        old="    return work.state in COVERING and at < work.plan.end",
        new="    return work.state in COVERING",
        finder=1,
        checks=(7,),
    ),
    Bug(
        name="an acknowledged alarm that returns to normal stays acknowledged",
        module="poller.alarms.states",
        old="    (S.ACKNOWLEDGED, H.RETURNS): S.NORMAL,",
        new="    (S.ACKNOWLEDGED, H.RETURNS): S.ACKNOWLEDGED,",
        checks=(7,),
    ),
    Bug(
        name="shelving never ends",
        module="poller.alarms.following",
        old="        if shelved is not None and shelved.until is not None and shelved.until <= self.at:",
        new="        if shelved is None and self.at is None:",
        checks=(7,),
    ),
    Bug(
        name="a shelved alarm is told all the same",
        module="poller.alarms.following",
        old="                annunciated=alarm.inhibits.shown is None,",
        new="                annunciated=alarm.inhibits.shown != Inhibit.OUT_OF_SERVICE,",
        checks=(7,),
    ),
    Bug(
        name="the on-delay is forgotten over a restart",
        module="poller.alarms.book",
        old="        if alarm.on_until is not None and alarm.on_until <= at",
        new="        if alarm.on_until is not None",
        finder=2,
        checks=(7,),
    ),
    Bug(
        name="a delay that ran out while the poller was dead is over at its start",
        module="poller.alarms.book",
        old="    for name, alarm in over.items():",
        new="    for name, alarm in ():",
        finder=1,
        checks=(7,),
    ),
    Bug(
        name="nobody is told of a second occurrence",
        module="poller.alarms.following",
        old="        if alarm.latched or condition.is_new_to(alarm.occurrence):",
        new="        if alarm.latched:",
        finder=1,
        checks=(7,),
    ),
    Bug(
        name="a chattering alarm never rests",
        module="poller.alarms.following",
        old="        rest = self.catalogue.chattering.within_s if self.alarm.chattering else 0",
        new="        rest = 10 * self.catalogue.chattering.within_s if self.alarm.chattering else 0",
        checks=(7,),
    ),
    Bug(
        name="chattering is not seen",
        module="poller.alarms.following",
        old="        return lately + 1 >= limit.count",
        new="        return lately > limit.count",
        checks=(7,),
    ),
    Bug(
        name="the network's alarm comes beside those of its relays",
        module="poller.alarms.silence",
        old="        alone=frozenset(gone.keys() - many - {name for one in gateways for name in one.relays}),",
        new="        alone=frozenset(gone.keys() - {name for one in gateways for name in one.relays}),",
        finder=2,
        checks=(7,),
    ),
    Bug(
        name="a gateway's alarm comes beside those of its relays",
        module="poller.alarms.silence",
        old="        alone=frozenset(gone.keys() - many - {name for one in gateways for name in one.relays}),",
        new="        alone=frozenset(gone.keys() - many),",
        finder=2,
        checks=(7,),
    ),
    Bug(
        name="the off-delay is forgotten",
        module="poller.alarms.following",
        old="        return max(delay, rest)",
        new="        return rest",
        checks=(7,),
    ),
    Bug(
        name="a latch holds nothing",
        module="poller.alarms.following",
        old="        if latching:\n            self.tell(",
        new="        if latching and self.alarm.latched:\n            self.tell(",
        finder=2,
        checks=(7,),
    ),
    Bug(
        name="a notice is told as an alarm of high priority",
        module="poller.alarms.following",
        old="                priority=alarm.priority if entry is None else entry.urgency,",
        new="                priority=Priority.HIGH,",
        also=(("    Happening,\n    Inhibit,\n", "    Happening,\n    Inhibit,\n    Priority,\n"),),
        checks=(7,),
    ),
    Bug(
        name="a clock that is set moves the ends of delays",
        module="poller.clock_set",
        old="alarms = folds.stepped(state.alarms, by_ms)",
        new="alarms = state.alarms",
        checks=(7,),
    ),
    Bug(
        name="a clock that is set holds up the checks of work",
        module="poller.clock_set",
        old="{name: _work(work, told) for name, work in state.works.items()}",
        new="state.works",
        checks=(1, 2),
        finder=17,
    ),
    Bug(
        name="what was read before a clock was set is told by the clock of then",
        module="poller.judging.watch",
        old="        if by is not None:\n            self._tell_anew",
        new="        if False:\n            self._tell_anew",
        checks=(1, 2, 7),
        finder=10,
    ),
)


class _Planter(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    def __init__(self, bug: Bug) -> None:
        self.bug = bug

    def find_spec(
        self, name: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        if name != self.bug.module:
            return None
        found = PathFinder.find_spec(name, path)
        assert found is not None
        assert found.origin is not None
        self.origin = found.origin
        return importlib.util.spec_from_file_location(name, found.origin, loader=self)

    def create_module(self, spec: ModuleSpec) -> None:
        return None

    def exec_module(self, module: ModuleType) -> None:
        with open(self.origin, encoding="utf-8") as source:  # noqa: PTH123
            text = source.read()
        exec(compile(planted(self.bug, text), self.origin, "exec"), module.__dict__)  # noqa: S102 - our own program, with a bug


def planted(bug: Bug, text: str) -> str:
    """The module's text with the bug in it. Raises where it does not apply exactly once."""
    for old, new in ((bug.old, bug.new), *bug.also):
        if text.count(old) != 1:
            raise LookupError(
                f"{bug.name}: its place stands {text.count(old)} times in {bug.module}"
            )
        text = text.replace(old, new)
    return text


def plant(name: str) -> Bug:
    """Before the program is imported. Raises KeyError for an unknown bug."""
    bug = {one.name: one for one in BUGS}[name]
    for one in (bug, bug.beside):
        if one is not None:
            assert one.module not in sys.modules, "planted too late"
            sys.meta_path.insert(0, _Planter(one))
    return bug
