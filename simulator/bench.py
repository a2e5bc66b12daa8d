"""The relays as they stand, what is done to them, and the truth about what became readable.

Pure: acts and requests in, truths and steps out; time is passed in, chance is seeded. A story and
a person at the control socket do the same acts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from random import Random

from poller.model.canonical import stamp
from poller.model.nameplate import flat, from_flat
from poller.reading.frames import adu
from poller.site.register_map import RegisterMap
from simulator.acts import (
    Act,
    Away,
    Back,
    Behave,
    Boot,
    Flag,
    How,
    Impossible,
    Misbehave,
    Show,
    Write,
)
from simulator.image import Fact, known_flags, nameplate_fields
from simulator.misbehaviour import Spoiler, Step
from simulator.relay import Relay


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """A change that a reader could see from `at` on. attribute: as Relay.facts, or answering."""

    at: datetime
    relay: str
    attribute: str
    before: Fact
    after: Fact

    def plain(self) -> dict[str, Fact]:
        return {
            "at": stamp(self.at),
            "relay": self.relay,
            "attribute": self.attribute,
            "before": self.before,
            "after": self.after,
        }


@dataclass(slots=True, kw_only=True)
class Post:
    """A relay in its position. shown: the facts that were readable last."""

    id: str
    relay: Relay
    layouts: Mapping[str, RegisterMap]
    spoiler: Spoiler
    away: How | None = None
    shown: dict[str, Fact] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.shown = self.relay.facts()


@dataclass(slots=True)
class Bench:
    random: Random
    posts: dict[str, Post] = field(default_factory=dict)

    def add(self, name: str, relay: Relay, layouts: Mapping[str, RegisterMap]) -> None:
        """Raises DoesNotFit where the map can't carry the values of the relay."""
        _ = relay.image
        spoiler = Spoiler(Random(self.random.getrandbits(64)))
        self.posts[name] = Post(id=name, relay=relay, layouts=layouts, spoiler=spoiler)

    def answer(
        self, name: str, transaction: int, unit: int, pdu: bytes, now: datetime
    ) -> list[Step]:
        """What goes out for one request to a relay that is there."""
        post = self.posts[name]
        post.relay.advance(now)
        return post.spoiler.steps(adu(transaction, unit, post.relay.reply(pdu)))

    def do(self, name: str, act: Act, now: datetime) -> list[Truth]:
        """Raises KeyError for an unknown relay, Impossible or DoesNotFit for what can't be."""
        post = self.posts[name]
        post.relay.advance(now)
        self._do(post, act, now)
        return self._truths(post, now)

    def _do(self, post: Post, act: Act, now: datetime) -> None:
        relay = post.relay
        match act:
            case Away(how=how):
                post.away = how
            case Back(restarted=restarted):
                post.away = None
                if restarted:
                    relay.restart(None)
            case Boot(running=running):
                relay.restart(Random(self.random.getrandbits(64)) if running else None)
            case Write():
                self._write(post, act, now)
            case Flag(flag=flag, standing=standing):
                if flag not in known_flags(relay.layout):
                    known = ", ".join(sorted(known_flags(relay.layout))) or "no flag"
                    raise Impossible(
                        "scenario-flag-unknown", f"its map tells no flag {flag}; it tells {known}"
                    )
                flags = (
                    relay.condition.flags | {flag} if standing else relay.condition.flags - {flag}
                )
                relay.present(condition=replace(relay.condition, flags=flags))
            case Show(health=health, behaviour=behaviour):
                condition = relay.condition
                relay.present(
                    condition=replace(
                        condition,
                        health=health or condition.health,
                        behaviour=behaviour or condition.behaviour,
                    )
                )
            case Misbehave(plan=plan):
                post.spoiler.put_on(plan)
            case Behave(kind=kind):
                post.spoiler.take_off(kind)

    def _write(self, post: Post, act: Write, now: datetime) -> None:
        relay = post.relay
        layout = relay.layout
        if act.map is not None:
            if act.map not in post.layouts:
                raise Impossible(
                    "scenario-map-unknown",
                    f"no map {act.map}; it has {', '.join(sorted(post.layouts))}",
                )
            layout = post.layouts[act.map]
        known = {name for name, _ in nameplate_fields(layout)}
        for name in act.values:
            if name not in known:
                raise Impossible(
                    "scenario-attribute-unknown",
                    f"its map has no field for {name}; it has {', '.join(sorted(known))}",
                )
        values: dict[str, str | None] = {**flat(relay.nameplate), **act.values}
        relay.present(
            layout=layout,
            nameplate=from_flat(values),
            condition=replace(relay.condition, changed_at=now.replace(microsecond=0)),
        )

    def _truths(self, post: Post, now: datetime) -> list[Truth]:
        told: list[Truth] = []

        def tell(attribute: str, before: Fact, after: Fact) -> None:
            told.append(
                Truth(at=now, relay=post.id, attribute=attribute, before=before, after=after)
            )

        answered = post.shown.get("answering", True)
        answers = post.away is None
        if answers != answered:
            tell("answering", answered, answers)
        shown: dict[str, Fact] = {**post.shown, "answering": answers}
        if answers:
            facts = post.relay.facts()
            booting = post.relay.nonsense is not None
            hidden = {name for name, _ in nameplate_fields(post.relay.layout)} if booting else set()
            for name in sorted((facts.keys() | post.shown.keys()) - hidden - {"answering"}):
                before, after = post.shown.get(name), facts.get(name)
                if before != after:
                    tell(name, before, after)
                shown[name] = after
        post.shown = shown
        return told
