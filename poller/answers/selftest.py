"""The self-test: what is well, what is to be looked at and how to mend it, what is not known."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any, Final

from poller.answers.words import age_s, count, moment, place, span
from poller.model import limits
from poller.model.problems import Problem
from poller.model.standing import Relay, State
from poller.model.status import Quality, StatusReading
from poller.model.text import shown
from poller.site.settings import Site

MB: Final = 1_000_000
# common practice, no published source: time to have one signed, and an outage in which to put it in
ENDS_SOON: Final = timedelta(days=30)
OTHERS_WRITE: Final = 0o002  # a group may well write a site file
OTHERS_READ: Final = 0o037  # a group may read a key, as some keep them
ONLY_OWNER: Final = 0o077


class Found(StrEnum):
    OK = "ok"
    LOOK = "to be looked at"
    UNKNOWN = "not known"


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """check: one of a handful of words; about: which of several. mend: only where there is need."""

    check: str
    about: str = ""
    found: Found
    says: str
    mend: str | None = None


def ok(check: str, says: str, about: str = "") -> Line:
    return Line(check=check, about=about, found=Found.OK, says=says)


def look(check: str, says: str, mend: str, about: str = "") -> Line:
    return Line(check=check, about=about, found=Found.LOOK, says=says, mend=mend)


def unknown(check: str, says: str, about: str = "") -> Line:
    return Line(check=check, about=about, found=Found.UNKNOWN, says=says)


# The service and its journal.

NO_SERVICE: Final = ("no service runs", "start it: bayroll run SITE")


def of_service(
    status: Mapping[str, Any] | None, version: str, why_not: tuple[str, str] = NO_SERVICE
) -> Iterator[Line]:
    """status: as the control socket tells it; None: no service answers, and why_not says why and
    how to mend it."""
    if status is None:
        yield look("service", *why_not)
        return
    runs = shown(str(status["version"]))
    if runs != version:
        says = f"it runs as Bayroll {runs}; this command is of {version}"
        yield look("service", says, "restart the service, so that it runs what is installed")
    else:
        yield ok("service", f"it runs, Bayroll {version}")
    failing = status["journal"]["failing"]
    if failing is not None:
        says = f"it can't be written: {shown(str(failing))}"
        yield look("journal", says, "see to its disk and its folder", "writing")
    else:
        yield ok("journal", f"written up to event {status['journal']['seq']}", "writing")


def of_journal(problem: Problem | None, schema: int) -> Line:
    """problem: why it can't be read."""
    if problem is not None:
        return look("journal", problem.what, problem.mend, "schema")
    return ok("journal", f"version {schema}, which this Bayroll writes", "schema")


def of_site(problems: Sequence[Problem], site: Site | None, state: State | None) -> Line:
    """problems: of its files as they are now."""
    if site is None:
        faults = count(len(problems), "fault", "faults")
        return look("site file", f"its files have {faults}", "see: bayroll check SITE")
    if state is None or state.site_sha256 is None:
        return unknown("site file", "no faults; whether it is in force is not known")
    if state.site_sha256 != site.sha256:
        says = "its files were changed since they were read last"
        return look("site file", says, "have it read again: systemctl reload, or SIGHUP")
    return ok("site file", "no faults, and in force")


# The machine.


def of_clock(kept: bool | None) -> Line:
    if kept is None:
        return unknown("clock", "the system does not tell whether a time service keeps it")
    if not kept:
        mend = "set up a time service (NTP or PTP) on this computer"
        return look("clock", "no time service keeps it: times of changes can't be relied on", mend)
    return ok("clock", "a time service keeps it")


def of_disk(free: int | None) -> Line:
    """free: bytes beside the journal."""
    if free is None:
        return unknown("disk", "the room beside the journal can't be told")
    says = f"{free // MB:,} MB are free beside the journal"
    if free < limits.DISK_FREE_MIN:
        mend = f"make room for {limits.DISK_FREE_MIN // MB:,} MB at least, which last for a year"
        return look("disk", says, mend)
    return ok("disk", says)


@dataclass(frozen=True, slots=True, kw_only=True)
class FileSeen:
    """mode: permission bits, None where it is not there. why: it can't be looked at. denied: what
    this user, who is the service's as a rule, would have to be permitted."""

    path: str
    mode: int | None = None
    why: str | None = None
    denied: str | None = None


def of_file(seen: FileSeen, not_for_others: int) -> Line:
    """not_for_others: permission bits that nobody else should have."""
    path = shown(seen.path)
    if seen.why is not None:
        return unknown("file", f"it can't be looked at: {shown(seen.why)}", path)
    if seen.mode is None:
        mend = "put it there, or correct its name; a credential of systemd is there only while "
        return look("file", "it is not there", mend + "the service runs", path)
    if seen.denied is not None:
        says = f"mode {seen.mode:04o}: who runs this test may not {seen.denied}"
        mend = (
            f"run it as the service's user; else give that one the right, as by chown USER {path}"
        )
        return look("file", says, mend, path)
    wrong = seen.mode & not_for_others
    if not wrong:
        return ok("file", f"mode {seen.mode:04o}", path)
    may = "read or change" if wrong & 0o044 and wrong & 0o022 else None
    may = may or ("read" if wrong & 0o044 else "change" if wrong & 0o022 else "run")
    mend = f"chmod {seen.mode & ~not_for_others:04o} {path}"
    return look("file", f"mode {seen.mode:04o}: others may {may} it", mend, path)


@dataclass(frozen=True, slots=True, kw_only=True)
class CertificateSeen:
    """begins, ends: None where it can't be read; why says it."""

    path: str
    begins: datetime | None = None
    ends: datetime | None = None
    why: str | None = None


def of_certificate(seen: CertificateSeen, now: datetime) -> Line:
    path = shown(seen.path)
    renew = "have it renewed, and put the new one there"
    if seen.begins is None or seen.ends is None:
        why = shown(seen.why or "it is not there")
        return look("certificate", f"it can't be read: {why}", "name a PEM file", path)
    if now < seen.begins:
        says = f"it is good from {moment(seen.begins)} on only"
        return look("certificate", says, "see to the clock; else have it made anew", path)
    if now >= seen.ends:
        return look("certificate", f"it ended {moment(seen.ends)}", renew, path)
    left = span(int((seen.ends - now).total_seconds()))
    if seen.ends - now < ENDS_SOON:
        return look("certificate", f"it ends {moment(seen.ends)}, in {left}", renew, path)
    return ok("certificate", f"good until {moment(seen.ends)}", path)


def of_pair(certificate: str, key: str, why: str | None) -> Iterator[Line]:
    """why: they can't be used together; None: they can, of which nothing needs to be said."""
    if why is not None:
        says = f"it can't be used with {shown(key)}: {shown(why)}; the next start would fail"
        mend = "put certificate and key of one pair there, the key without a password"
        yield look("certificate", says, mend, shown(certificate))


# What is outside.


def of_outputs(status: Mapping[str, Any] | None, names: Iterable[str]) -> Iterator[Line]:
    """names: of the site file, for when no service tells."""
    if status is None:
        for name in names:
            yield unknown("output", "no service tells", shown(name))
        return
    for line in status["outputs"]:
        name, says = shown(str(line["output"])), shown(str(line["says"]))
        behind = count(line["lag"], "event", "events")
        if line["connected"] is None:
            yield unknown("output", f"{says}; {behind} behind", name)
        elif not line["connected"]:
            mend = "see to the other side, the way there, and its settings under outputs:"
            yield look("output", f"{says}; {behind} behind", mend, name)
        elif line["lag"] > limits.OUTPUT_BATCH_MAX:
            mend = "look again in a minute; if it stays so, the other side is too slow"
            yield look("output", f"{behind} behind", mend, name)
        else:
            yield ok("output", f"connected, {behind} behind", name)


def of_relays(
    state: State | None, live: Mapping[str, StatusReading] | None, now: datetime
) -> Iterator[Line]:
    """As the running service knows it. live: None where none runs."""
    for name, relay in (state.relays if state is not None else {}).items():
        if relay.listed:
            assert state is not None, "it has the relay"
            about = f"{place(relay.bay, relay.function)} ({name})"
            if live is None:
                yield unknown("relay", "no service asks it", about)
            elif state.rests(name):
                yield unknown("relay", "it is not polled: it is paused, or worked on", about)
            else:
                yield _of_relay(relay, live.get(name), about, name, now)


def _of_relay(
    relay: Relay, reading: StatusReading | None, about: str, name: str, now: datetime
) -> Line:
    if relay.answering is None:
        return unknown("relay", "it was not asked yet", about)
    if not relay.answering:
        since = relay.answering_since
        says = "it does not answer" + (f", since {moment(since)}" if since else "")
        mend = f"see to cable, address, unit id and client slots; bayroll show {name}"
        return look("relay", says, mend, about)
    if reading is None:
        return ok("relay", "it answers", about)
    age = span(age_s(reading.at, now) or 0)
    if reading.quality != Quality.GOOD:
        mend = f"look again in a minute; bayroll show {name}"
        return look("relay", f"its last visit brought nothing; read {age} ago", mend, about)
    return ok("relay", f"it answers; read {age} ago", about)


def together(lines: Iterable[Line]) -> tuple[Line, ...]:
    """For people: relays and files that are well in one line each, the rest as it is."""
    told: list[Line] = []
    well: dict[str, list[Line]] = {"relay": [], "file": []}
    lines = tuple(lines)
    for line in lines:
        if line.found is Found.OK and line.check in well:
            well[line.check].append(line)
        else:
            told.append(line)
    if well["file"]:
        all_well = all(line.found is Found.OK for line in lines if line.check == "file")
        others = ("file", "files") if all_well else ("other file", "other files")
        files = count(len(well["file"]), *others)
        told.append(ok("file", f"{files}, kept from others as they should be"))
    if well["relay"]:
        number = len(well["relay"])
        told.append(ok("relay", f"{count(number, 'answers', 'answer')}"))
    return tuple(told)
