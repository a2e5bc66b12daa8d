"""Watching one relay: when to ask what, what the answers mean, what is believed.

A machine with no clock and no socket: `poll` yields requests, is sent each Heard, and returns the
findings. All it holds is live; `Memory` is what survives a restart of the poller, and comes from
the events. The order of a visit: identity first, since firmware moves registers; then the rest of
the nameplate; then the status, under the map that the identity chose.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Final, NamedTuple, TypeAlias

from poller.judging import confirm, silence
from poller.judging.confirm import NO_NAMES, Claim, Known, Pending
from poller.judging.findings import (
    Believed,
    Finding,
    Moment,
    NoMapFits,
    Noted,
    Readable,
    Reread,
    Seen,
    Unreadable,
)
from poller.judging.last_read import Answered, Block, LastRead
from poller.judging.routine import Routine
from poller.judging.status_seen import Sighting, StatusSeen
from poller.judging.uptime import Start
from poller.model.nameplate import Nameplate, flat
from poller.model.status import Quality, StatusReading
from poller.reading import run as asking
from poller.reading.choose import choose
from poller.reading.decode import decode_identity, decode_nameplate, image
from poller.reading.exchange import Outcome
from poller.reading.frames import Request
from poller.reading.read_plan import CompiledMap, Pass
from poller.reading.run import PassRead
from poller.site.settings import Pace

BUSY: Final = "busy"
LATER_S: Final = 5.0  # after "busy": soon, but not at once


NOTHING_KNOWN: Final = Known()
NEVER: Final = Moment(0.0, datetime.fromtimestamp(0, UTC))


class Heard(NamedTuple):
    """An outcome and when it came."""

    outcome: Outcome
    at: Moment


Dialogue: TypeAlias = Generator[Request, Heard, tuple[Finding, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """What events have told of this relay.

    nameplate: the last one told; it outlives an identity that fits no map.
    """

    believed: Claim | None = None
    nameplate: Nameplate | None = None
    known: Known = NOTHING_KNOWN
    answering: bool | None = None
    unreadable: bool = False
    seen_day: str | None = None
    findings: frozenset[str] = NO_NAMES


@dataclass(slots=True, kw_only=True)
class Watch:
    """maps: as the site lists them, the first that fits is used; all share one identity block.

    next_status, next_nameplate: monotonic seconds.
    """

    pace: Pace
    maps: Sequence[CompiledMap]
    memory: Memory
    next_status: float
    next_nameplate: float

    map: CompiledMap | None = None
    now: Moment = NEVER  # when anything was heard last, or somebody looked
    _findings: list[Finding] = field(default_factory=list)
    _answered: bool = False
    _reason: str = ""

    _hearing: silence.Hearing = field(init=False)
    _pending: Pending | None = None
    _restarted_mono: float | None = None
    _unreadable_since: Moment | None = None
    _last_old: Moment | None = None
    _reread: bool = False  # told since the start, or since it was polled again
    _identity: Pass = field(init=False)
    _reads: int = 0

    _seen: StatusSeen = field(default_factory=StatusSeen)
    _fresh: bool = False  # the last visit read a status
    _answered_last: dict[Block, Answered] = field(default_factory=dict)
    _routine: Routine | None = None  # None: the next visit is not sure to be one

    def __post_init__(self) -> None:
        self._hearing = silence.Hearing(answering=self.memory.answering)
        self._identity = self.maps[0].identity

    # For the scheduler and the page.

    @property
    def due(self) -> float:
        """Monotonic seconds of the next visit."""
        status, nameplate = self.next_status, self.next_nameplate
        return status if status < nameplate else nameplate

    @property
    def misses(self) -> int:
        return self._hearing.misses

    def reading(self, now: Moment) -> StatusReading | None:
        """The last status reading; stale while no other can be had."""
        self._take_in(now)
        seen = self._seen
        status = seen.shown(self.map)
        if status is None or seen.at is None:
            return None
        return StatusReading(
            status=status,
            quality=Quality.GOOD if self._fresh else Quality.STALE,
            at=seen.at.utc,
            bad=seen.bad,
        )

    def last_read(self, now: Moment) -> LastRead:
        """For who looks at raw registers."""
        self._take_in(now)
        blocks = dict(self._answered_last)
        return LastRead(map=self.map, first=self.maps[0], blocks=blocks)

    def forget_unconfirmed(self, memory: Memory, now: Moment, next_nameplate: float) -> None:
        """Starts again from what events have told: findings since then were not recorded, and what
        they told of is not to wait for its own interval. next_nameplate: monotonic seconds."""
        self._end_routine(now)
        self.memory, self._findings = memory, []  # those of a visit under way build upon the lost
        self._hearing = self._hearing._replace(answering=memory.answering)
        self._pending = self._last_old = None  # when that was read last is not known any more
        self._seen.forget()
        self._reread = False
        self.next_nameplate = next_nameplate

    def look_again(self, now_mono: float) -> None:
        """At once and with a restart's patience: somebody has worked on it."""
        self._reread = False
        self._pending = self._seen.sighting = None
        self._hearing = self._hearing._replace(misses=0)  # those in a row were before
        self._restarted_mono = now_mono
        self.next_status = self.next_nameplate = now_mono

    # The visit that nearly all are.

    def routine(self, now_mono: float) -> Request | None:
        """The one request of a visit that is due, where nothing but the status is and nothing is
        open."""
        if self._routine is None or not self.next_status <= now_mono < self.next_nameplate:
            return None
        return self._routine.request

    def unchanged(self, pdu: bytes, started: float, answered: float) -> bool:
        """Whether that reply tells nothing new; then the visit is over, and nothing came of it.
        Else it is the first answer of the dialogue that poll() makes. started, answered: monotonic
        seconds.
        """
        if self._routine is None or not self._routine.repeats(pdu, started, answered):
            return False
        self._keep_phase(started)
        return True

    def _find_routine(self) -> None:
        """After a visit that left nothing open."""
        status = None if self.map is None else self.map.status
        if (
            status is not None
            and len(status.requests) == 1
            and status.identification is None
            and self._fresh
            and not self._reason
        ):
            self._routine = self._seen.routine(status)

    def _take_in(self, now: Moment) -> None:
        """What was learned by routine, for who looks, and before anything else is."""
        routine = self._routine
        if routine is None or routine.pdu is None:
            return
        self._hear(now)
        at = now.earlier(routine.answered)
        pass_, replies = routine.pass_, (routine.pdu,)
        routine.pdu = None
        self._seen.take_in(routine, replies[0], at)
        self._hearing, _ = silence.heard(self._hearing, at)
        read = PassRead(begun=pass_, pass_=pass_, replies=replies, objects={})
        self._answered_last[Block.STATUS] = Answered(read=read, at=at)

    def _end_routine(self, now: Moment) -> None:
        self._take_in(now)
        self._routine = None

    # Time.

    def _hear(self, now: Moment) -> None:
        """Whatever is kept is told by the clock of now: it may have been set since."""
        by = now.clock_set(self.now)
        if by is not None:
            self._tell_anew(now, by)
        self.now = now

    def _tell_anew(self, now: Moment, by: timedelta) -> None:
        def anew(before: Moment | None) -> Moment | None:
            return None if before is None else now.earlier(before.mono)

        self._findings = [one.later(by) for one in self._findings]
        self._seen.tell_anew(now)
        self._last_old, self._unreadable_since = anew(self._last_old), anew(self._unreadable_since)
        self._hearing = self._hearing._replace(last_answer_at=anew(self._hearing.last_answer_at))
        if self._pending is not None:
            since, last = now.earlier(self._pending.since.mono), anew(self._pending.last_old_at)
            self._pending = replace(self._pending, since=since, last_old_at=last)
        for block, answered in self._answered_last.items():
            self._answered_last[block] = replace(answered, at=now.earlier(answered.at.mono))

    # One visit.

    def poll(self, now: Moment) -> Dialogue:
        """Asks what is due. The dialogue's result: what came to be believed."""
        self._end_routine(now)
        self._hear(now)
        self._findings, self._answered, self._reason = [], False, ""
        checked, waited = False, self._pending is not None
        if self.next_nameplate <= now.mono or self._hearing.misses or not self._has_status():
            if self._hearing.misses:
                self._restarted_mono = now.mono
            checked = yield from self._read_nameplate()
            if self._reason:  # it broke off, and is owed as before
                self.next_nameplate = min(self.next_nameplate, now.mono)
        # who was never met is asked for its status when it is asked who it is once more
        met = waited or self._pending is None or self.memory.believed is not None
        if self.map is not None and self._has_status() and not self._reason and met:
            yield from self._read_status(self.map, checked)
        read = self._seen.at
        self._fresh = read is not None and (
            read.mono >= now.mono
            # busy is no fault; a relay that is busy for ever is not read all the same
            or (self._reason == BUSY and now.mono - read.mono < 2 * self.pace.status_s)
        )
        self._listen()
        self._schedule(now.mono)
        self._find_routine()
        return tuple(self._findings)

    def _has_status(self) -> bool:
        """Without one (no map fits, or the map tells none) the nameplate shows who answers."""
        return self.map is not None and bool(self.map.status.requests)

    def _listen(self) -> None:
        told: Finding | None
        if self._answered:
            at = self._hearing.last_answer_at
            assert at is not None, "noted as it came"
            self._hearing, told = silence.heard(self._hearing, at)
        else:
            self._hearing, told = silence.missed(
                self._hearing, self._reason, self.pace.silent_misses
            )
        if told is not None:
            self._findings.append(told)

    def _keep_phase(self, started: float) -> None:
        """Intervals count from when the visit was due."""
        late = started - self.next_status
        if late >= 0:
            status_s = self.pace.status_s
            self.next_status += (late // status_s + 1) * status_s

    def _schedule(self, started: float) -> None:
        self._keep_phase(started)
        status_s = self.pace.status_s
        if self._reason == BUSY:
            self.next_status = started + min(LATER_S, status_s)
        elif not self._answered:  # a miss is a miss once an interval, whatever was asked
            self.next_status = max(self.next_status, started + status_s)
        if self.next_nameplate <= started or self._reason == BUSY or not self._answered:
            self.next_nameplate = max(self.next_nameplate, self.next_status)

    def _ask(self, block: Block, pass_: Pass) -> Generator[Request, Heard, PassRead]:
        dialogue = asking.run(pass_)
        try:
            request = next(dialogue)
            while True:
                heard = yield request
                self._hear(heard.at)
                if not asking.is_away(heard.outcome):
                    self._answered = True
                    # at once, since a visit may be given up before it is over
                    self._hearing = self._hearing._replace(last_answer_at=self.now)
                request = dialogue.send(heard.outcome)
        except StopIteration as end:
            read: PassRead = end.value
        if read.replies or read.objects:
            self._answered_last[block] = Answered(read=read, at=self.now)
        if asking.is_later(read.trouble):
            self._reason = BUSY
        elif asking.is_away(read.trouble):
            self._reason = asking.describe(read.trouble)
        if read.learned != pass_:
            self._note("block_split", "refused a block of registers; its fields are read singly")
        return read

    def _note(self, finding: str, says: str) -> None:
        if finding not in self.memory.findings:
            self.memory = replace(self.memory, findings=self.memory.findings | {finding})
            self._findings.append(Noted(finding=finding, says=says))

    # The nameplate.

    def _read_nameplate(self) -> Generator[Request, Heard, bool]:
        """True when the identity was read and fits the map that the status is read under."""
        read = yield from self._ask(Block.IDENTITY, self._identity)
        self._identity = read.learned
        if not read.complete:
            return self._not_read(read)
        first = self.maps[0]
        seen = image(read.pass_, read.replies, read.objects)
        identity = decode_identity(first, seen)
        if identity.implausible or identity.absent:
            return self._not_read(read, *identity.implausible, *_missing(identity.absent))
        chosen = choose([compiled.map for compiled in self.maps], identity.nameplate)
        same = self.map is None or self.map.map is chosen
        self._use(next((c for c in self.maps if c.map is chosen), None))
        if self.map is None:
            self._weigh(Claim(nameplate=identity.nameplate, map=None))
            return False
        rest = yield from self._ask(Block.NAMEPLATE, self.map.nameplate)
        self._remember(self.map, replace(self.map, nameplate=rest.learned))
        if not rest.complete:
            self._not_read(rest)
            return same
        seen = seen.joined(image(rest.pass_, rest.replies, rest.objects))
        told = decode_nameplate(self.map, seen)
        gone = _gone(told.absent, self.memory.nameplate)
        if told.implausible or gone:
            self._not_read(rest, *told.implausible, *_missing(gone))
        else:
            self._weigh(Claim(nameplate=told.nameplate, map=self.map.map.map))
        return same

    def _use(self, chosen: CompiledMap | None) -> None:
        """Another map: nothing read under the one before says anything about this one."""
        if chosen is not self.map:
            self._seen.other_map()
            self._answered_last.pop(Block.NAMEPLATE, None)
            self._answered_last.pop(Block.STATUS, None)
        self.map = chosen

    def _remember(self, compiled: CompiledMap, kept: CompiledMap) -> None:
        """Keeps a split of one of its passes."""
        if kept == compiled:
            return
        self.maps = [kept if one is compiled else one for one in self.maps]
        if self.map is compiled:
            self.map = kept

    def _not_read(self, read: PassRead, *why: object) -> bool:
        """why: what was read instead; who tells such a thing does not tell what was told before."""
        if why:
            self._pending = None
        if self._answered:
            since = self._unreadable_since = self._unreadable_since or self.now
            waited = self.now.mono - since.mono
            if waited >= self.pace.unreadable_s and not self.memory.unreadable:
                reason = "; ".join(str(part) for part in why) or asking.describe(read.trouble)
                self._findings.append(Unreadable(since=since.utc, reason=reason))
                self.memory = replace(self.memory, unreadable=True)
        return False

    def _weigh(self, claim: Claim) -> None:
        self._count()
        restarted = (
            self._restarted_mono is not None
            and self.now.mono - self._restarted_mono < self.pace.confirm_after_restart_s
        )
        self._pending, now_believed = confirm.weigh(
            self.memory.believed,
            self._pending,
            claim,
            self.now,
            need_s=self.pace.confirm_after_restart_s if restarted else self.pace.confirm_s,
            last_old_at=self._last_old,
        )
        if now_believed:
            self._believe(claim)
        if self._pending is None:
            self._readable()
            if not self._reread and self.map is not None:
                self._reread = True
                self._findings.append(Reread(at=self.now.utc))
            self._last_old = self.now
            self.next_nameplate = self.now.mono + self.pace.nameplate_s
        else:
            self.next_nameplate = self._pending.due_mono

    def _readable(self) -> None:
        """Only what is believed ends it: text that a boot program is writing reads well, too."""
        self._unreadable_since = None
        if self.memory.unreadable:
            self._findings.append(Readable())
            self.memory = replace(self.memory, unreadable=False)

    def _count(self) -> None:
        self._reads += 1
        day = self.now.utc.date().isoformat()
        if day != self.memory.seen_day:
            self._findings.append(Seen(day=day, reads=self._reads))
            self.memory = replace(self.memory, seen_day=day)
            self._reads = 0

    def _believe(self, claim: Claim) -> None:
        assert self._pending is not None
        old = self._pending.last_old_at
        if claim.map is None or self.map is None:
            self._findings.append(NoMapFits(identity=claim.nameplate))
        else:
            self._findings.append(
                Believed(
                    nameplate=claim.nameplate,
                    map=claim.map,
                    covers=self.map.covers,
                    last_old_at=old.utc if old is not None else None,
                    first_new_at=self._pending.since.utc,
                    relay_time=self._seen.changed_at,
                )
            )
            self.memory = replace(self.memory, nameplate=claim.nameplate)
        self.memory = replace(self.memory, believed=claim)
        self._pending = None

    # The status.

    def _read_status(self, compiled: CompiledMap, checked: bool) -> Generator[Request, Heard, None]:
        asked = self.now.mono
        read = yield from self._ask(Block.STATUS, compiled.status)
        self._remember(compiled, replace(compiled, status=read.learned))
        if self._reason:
            return
        uptime_s = read.pass_.uptime(read.replies)
        if uptime_s is not None:
            step_s = read.pass_.uptime_place.scale if read.pass_.uptime_place else 1.0
            start = Start.told(uptime_s, asked=asked, answered=self.now.mono, step_s=step_s)
            self._follow_uptime(start)
        status = self._seen.take(compiled, read, self.now)
        if not any(read.replies):  # refused as a whole: its registers may have moved
            if not checked:
                yield from self._read_nameplate()
            return
        seen = self._seen
        if confirm.settled(self.memory.known, status):
            seen.sighting = None
            seen.settle(status, self.now)
            return
        read_s = self.now.mono
        if not checked:
            checked = yield from self._read_nameplate()
        if not checked:
            seen.sighting = None
            return
        first, at = seen.sighting, self.now.earlier(read_s)
        if first is None:
            seen.sighting = Sighting(status=status, at=at)
            return
        found = confirm.edges(
            self.memory.known,
            first.status,
            status,
            last_old_at=seen.settled_at.utc if seen.settled_at else None,
            first_at=first.at.utc,
        )
        if found is not None:
            self._findings.append(found)
            self.memory = replace(self.memory, known=confirm.learned(self.memory.known, found))
            seen.settled_at = None  # what was settled before is not what is known now
        done = confirm.settled(self.memory.known, status)
        seen.sighting = None if done else Sighting(status=status, at=at)
        if done:
            seen.settle(status, at)

    def _follow_uptime(self, start: Start) -> None:
        uptimes = self._seen.uptimes
        restarted = uptimes.follow(start)
        if restarted is not None:
            self._findings.append(restarted)
        elif uptimes.sign:
            self._restarted_mono = self.now.mono
            self.next_nameplate = self.now.mono


def _missing(absent: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(f"{name}: nothing stands there" for name in absent)


def _gone(absent: tuple[str, ...], told: Nameplate | None) -> tuple[str, ...]:
    """Absent now: erased or half-written if it stood before, or if no relay is without it."""
    stood = flat(told).keys() if told is not None else set()
    return tuple(name for name in absent if name == "swRev" or name in stood)
