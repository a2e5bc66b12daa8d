"""A scenario made ready: its files read, its relays built, its story rehearsed once.

Opens no file itself. What is wrong with the scenario comes as Problems, all at once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import PurePosixPath
from random import Random
from typing import Final, TypeAlias

from poller.model import limits
from poller.model.nameplate import flat, from_flat
from poller.model.problems import Faulty, Problem
from poller.site.builtin import ANY
from poller.site.load import lined, load_map, load_site, parse
from poller.site.register_map import RegisterMap
from poller.site.settings import RelayEntry
from poller.site.yaml_lines import Lined, Path
from simulator.acts import Impossible
from simulator.bench import Bench
from simulator.draw import draw_nameplate
from simulator.encoding import DoesNotFit
from simulator.image import nameplate_fields
from simulator.misbehaviour import KINDS
from simulator.relay import Relay
from simulator.scenario import Box, Busy, Counted, Misbehaves, Own, Scenario, Silent, TestMode
from simulator.story import Story, meant, write_story

ReadText: TypeAlias = Callable[[str], str]
REHEARSED: Final = datetime(2026, 1, 1, tzinfo=UTC)
COUNTED_PORT: Final = 15_020  # above 1023, so that nobody needs rights
HOSTS_PER_NET: Final = 250


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """entries: the relays as a site lists them. Make a bench for each run: it changes.

    boxes: None for those of the scenario alone.
    """

    scenario: Scenario
    entries: tuple[RelayEntry, ...]
    maps: Mapping[str, RegisterMap]
    boxes: tuple[Box, ...] | None = None

    def bench(self, now: datetime) -> Bench:
        """The relays as they are when the story begins, switched on at `now`.

        Raises DoesNotFit where a map can't carry what the scenario says, naming the relay.
        """
        bench = Bench(Random(self.scenario.seed))
        draws = Random(self.scenario.seed)
        for number, entry in enumerate(self.entries, 1):
            relay = self._relay(entry, draws, number, now)
            try:
                bench.add(entry.id, relay, {name: self.maps[name] for name in entry.maps})
            except DoesNotFit as why:
                raise DoesNotFit(f"{entry.id}: {why}") from None
        return bench

    def story(self) -> Story:
        draws = Random(self.scenario.seed + 1)
        known = {entry.id: entry for entry in self.entries}
        drawn = iter(range(len(self.entries) + 1, 1_000_000))

        def new_serial(relay: str) -> str | None:
            box = self._box(known[relay])
            layout = self.maps[box.map]
            return draw_nameplate(layout, box.nameplate, draws, next(drawn)).serNum

        return write_story(self.scenario, list(known), new_serial)

    def _box(self, entry: RelayEntry) -> Box:
        """The one the relay asks for, else the first whose map is one of its own."""
        own = self.scenario.relays.get(entry.id, Own())
        wanted = [own.map] if own.map is not None else entry.maps
        boxes = self.scenario.boxes if self.boxes is None else self.boxes
        for name in wanted:
            for box in boxes:
                if box.map == name:
                    return box
        return Box(map=wanted[0])

    def _relay(self, entry: RelayEntry, draws: Random, number: int, now: datetime) -> Relay:
        box = self._box(entry)
        layout = self.maps[box.map]
        own = self.scenario.relays.get(entry.id, Own()).nameplate
        drawn = flat(draw_nameplate(layout, box.nameplate, draws, number))
        return Relay(
            layout=layout,
            nameplate=from_flat({**drawn, **own}),
            padding=box.padding,
            objects=box.objects,
            reply_octets_max=box.reply_octets_max,
            started=now.replace(microsecond=0),
            now=now.replace(microsecond=0),
        )


def load_stage(path: str, read: ReadText, site: str | None = None) -> Stage:
    """The scenario of that file. site: another site file than the one it names.

    Raises Faulty with every problem, OSError where `read` does.
    """
    scenario, source = lined(Scenario, read(path), path)
    report = Report(path, source)
    beside = PurePosixPath(path).parent
    mend = "give either site: PATH or fleet: {count: N}"
    if scenario.site is not None and scenario.fleet is not None:
        raise Faulty([report("scenario-two-fleets", ("fleet",), "its relays come twice", mend)])
    if site is not None or scenario.site is not None:
        loaded = load_site(site or str(beside / str(scenario.site)), read)
        stage = Stage(scenario=scenario, entries=loaded.file.relays, maps=loaded.maps)
    elif scenario.fleet is not None:
        stage = _counted(scenario, scenario.fleet, beside, read)
    else:
        raise Faulty([report("scenario-no-fleet", (), "there are no relays in it", mend)])
    if scenario.boxes_of is not None:
        file = str(beside / scenario.boxes_of)
        more = parse(Scenario, read(file), file).boxes
        stage = replace(stage, boxes=(*scenario.boxes, *more))
    problems = list(_faults(stage, report, other_site=site is not None))
    problems = problems or list(_rehearsal(stage, report))
    if problems:
        raise Faulty(sorted(problems, key=lambda one: one.line or 0)[: limits.PROBLEMS_MAX])
    return stage


@dataclass(frozen=True, slots=True)
class Report:
    """Makes Problems of one file: a path of keys and list numbers becomes a line and a name."""

    file: str
    source: Lined

    def __call__(self, code: str, path: Path, what: str, mend: str) -> Problem:
        at = "".join(f"[{key}]" if isinstance(key, int) else f".{key}" for key in path)
        return Problem(
            code=code,
            file=self.file,
            line=self.source.line(path),
            at=at.removeprefix("."),
            what=what,
            mend=mend,
        )

    def unknown(self, code: str, path: Path, name: str, known: Iterable[str]) -> Problem:
        few = sorted(known)
        listed = ", ".join(few[:12]) + (f" and {len(few) - 12} more" if len(few) > 12 else "")
        return self(code, path, f"{name} is not known here", f"use one of: {listed or 'none'}")


def _counted(scenario: Scenario, fleet: Counted, beside: PurePosixPath, read: ReadText) -> Stage:
    maps = {}
    for name in fleet.maps:
        file = str(beside / fleet.maps_folder / f"{name}.yaml")
        maps[name] = ANY if name == ANY.map else load_map(read(file), file)
    entries = []
    for number in range(fleet.count):
        place, unit = divmod(number, fleet.behind_gateway or 1)
        entries.append(
            RelayEntry(
                id=f"r{number + 1:04}",
                bay=f"Q{number // 2 + 1:02}",
                function=f"main {number % 2 + 1}",
                host=loopback(place),
                port=COUNTED_PORT,
                unit=unit + 1 if fleet.behind_gateway else 255,
                maps=(fleet.maps[number % len(fleet.maps)],),
                client_slots=fleet.client_slots,
                behind_serial=fleet.behind_gateway > 0,
            )
        )
    return Stage(scenario=scenario, entries=tuple(entries), maps=maps)


def loopback(number: int) -> str:
    """An address of this machine only, another one for each number from 0."""
    net, host = divmod(number, HOSTS_PER_NET)
    return f"127.1.{net + 1}.{host + 1}"


def _faults(stage: Stage, report: Report, *, other_site: bool) -> Iterator[Problem]:
    """What can be seen without trying. other_site: it need not have all maps of the scenario."""
    scenario, ids = stage.scenario, [entry.id for entry in stage.entries]
    for number, box in enumerate(scenario.boxes):
        if box.map not in stage.maps and not other_site:
            at: Path = ("boxes", number, "map")
            yield report.unknown("scenario-map-unknown", at, box.map, stage.maps)
        if box.map not in stage.maps:
            continue
        known = {name for name, _ in nameplate_fields(stage.maps[box.map])}
        for name in box.nameplate.keys() - known:
            at = ("boxes", number, "nameplate", name)
            yield report.unknown("scenario-attribute-unknown", at, name, known)
    for relay, own in scenario.relays.items():
        if relay not in ids:
            yield report.unknown("scenario-relay-unknown", ("relays", relay), relay, ids)
        elif own.map is not None and own.map not in stage.maps:
            at = ("relays", relay, "map")
            yield report.unknown("scenario-map-unknown", at, own.map, stage.maps)
    for number, scene in enumerate(scenario.story):
        if not meant(scene.relay, ids):
            at = ("story", number, "relay")
            yield report.unknown("scenario-relay-unknown", at, scene.relay, ids)
        until = scene.until if isinstance(scene, Silent | Busy | TestMode | Misbehaves) else None
        if until is not None and until <= scene.at:
            yield report(
                "scenario-ends-before-start",
                ("story", number, "until"),
                f"it ends at {until:g} s and begins at {scene.at:g} s",
                "set `until` after `at`; both count from the start of the story",
            )
        if isinstance(scene, Misbehaves):
            yield from _kind_faults(scene, ("story", number), report)


def _kind_faults(scene: Misbehaves, at: Path, report: Report) -> Iterator[Problem]:
    if scene.kind not in KINDS:
        code = "scenario-misbehaviour-unknown"
        yield report.unknown(code, (*at, "kind"), scene.kind, KINDS)
        return
    known = KINDS[scene.kind].parameters
    for name, value in scene.parameters.items():
        where = (*at, "parameters", name)
        if name not in known:
            yield report.unknown("scenario-parameter-unknown", where, name, known)
        elif not known[name].least <= value <= known[name].most:
            what = f"{value:g} is out of bounds"
            mend = f"give {known[name].least:g} to {known[name].most:g}: {known[name].says}"
            yield report("scenario-parameter-bound", where, what, mend)


def _rehearsal(stage: Stage, report: Report) -> Iterator[Problem]:
    """The whole story once, without anyone watching: what a relay can't do comes out here."""
    try:
        bench = stage.bench(REHEARSED)
    except DoesNotFit as why:
        mend = "give a value that its map can carry, in boxes or relays"
        relay = str(why).partition(":")[0]
        place: Path = ("relays", relay) if relay in stage.scenario.relays else ("boxes",)
        yield report("scenario-value", place, str(why), mend)
        return
    told: set[int] = set()
    for cue in stage.story().cues:
        try:
            bench.do(cue.relay, cue.act, REHEARSED + timedelta(seconds=cue.at_s))
        except (Impossible, DoesNotFit) as why:
            if cue.scene in told:
                continue
            told.add(cue.scene)
            code = why.code if isinstance(why, Impossible) else "scenario-value"
            what = f"{cue.relay} at {cue.at_s:g} s: {why}"
            mend = "name what the map of that relay has at that time"
            yield report(code, ("story", cue.scene), what, mend)
