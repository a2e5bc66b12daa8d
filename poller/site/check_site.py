"""What a site file must hold together, with the maps it names."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import Final

from poller.model.problems import Problem
from poller.site import check_groups, check_hosts
from poller.site.builtin import ANY
from poller.site.faults import Check, Fault, run
from poller.site.register_map import RegisterMap
from poller.site.settings import Pace, SiteFile, pace
from poller.site.whole import Whole
from poller.site.yaml_lines import Lined, Path

ALIKE: Final = (
    "write the same identity, numbering, identification, byte and word order in both; "
    "the identity is read before the map is known"
)
ALONE: Final = "name any alone: it is for relays that nobody has mapped, and asks in its own way"


def check_site(
    site: SiteFile,
    maps: Mapping[str, RegisterMap],
    source: Lined,
    file: str,
    cut: tuple[Path, ...] = (),
) -> list[Problem]:
    """Every fault that the checks find. maps: those that could be loaded."""
    return run(CHECKS, Whole(site=site, maps=maps), source, file, cut)


def _ids(whole: Whole) -> Iterator[Fault]:
    seen: set[str] = set()
    for at, relay in enumerate(whole.site.relays):
        if relay.id in seen:
            yield Fault(
                path=("relays", at, "id"),
                code="site-relay-twice",
                what=f"{relay.id} is the id of another relay already",
                mend="give it an id of its own; ids are permanent",
            )
        seen.add(relay.id)


def _identities(whole: Whole) -> Iterator[Fault]:
    """The identity is read before the map is known, so a relay's maps must read the same one."""
    maps = whole.maps
    for at, relay in enumerate(whole.site.relays):
        known = [maps[name] for name in relay.maps if name in maps]
        for one, other in pairwise(known):
            if _identity(one) != _identity(other):
                yield Fault(
                    path=("relays", at, "maps"),
                    code="site-maps-identity",
                    what=f"{one.map} and {other.map} read the identity in different ways",
                    mend=ALONE if ANY in (one, other) else ALIKE,
                )


def _identity(one: RegisterMap) -> tuple[object, ...]:
    return (one.identity, one.numbering, one.byte_order, one.word_order, one.identification)


def _maps_twice(whole: Whole) -> Iterator[Fault]:
    for at, relay in enumerate(whole.site.relays):
        if len(set(relay.maps)) < len(relay.maps):
            yield Fault(
                path=("relays", at, "maps"),
                code="site-map-twice",
                what="a map stands twice in the list",
                mend="keep the first of them",
            )


def _paces(whole: Whole) -> Iterator[tuple[Path, Pace]]:
    """Each relay that has intervals of its own, and the site's once for each way to be reached."""
    told: set[bool] = set()
    for at, relay in enumerate(whole.site.relays):
        if relay.intervals is not None:
            yield ("relays", at, "intervals"), pace(whole.site.intervals, relay)
        elif relay.behind_serial not in told:
            told.add(relay.behind_serial)
            yield ("intervals",), pace(whole.site.intervals, relay)


def _confirming(whole: Whole) -> Iterator[Fault]:
    for path, kept in _paces(whole):
        if kept.confirm_s > kept.nameplate_s:
            yield Fault(
                path=(*path, "confirm_s"),
                code="site-intervals",
                what=f"confirm_s {kept.confirm_s:g} is longer than nameplate_s "
                f"{kept.nameplate_s:g}",
                mend="confirm within one nameplate interval",
            )


def _answering(whole: Whole) -> Iterator[Fault]:
    for path, kept in _paces(whole):
        if kept.reply_timeout_s > kept.status_s:
            yield Fault(
                path=(*path, "reply_timeout_s"),
                code="site-intervals",
                what=f"reply_timeout_s {kept.reply_timeout_s:g} is longer than status_s "
                f"{kept.status_s:g}",
                mend="a reply must be given up before the next is due",
            )


def _secrets(whole: Whole) -> Iterator[Fault]:
    broker = whole.site.broker
    given = {} if broker is None else {"user": broker.user, "password": broker.password}
    for key, secret in given.items():
        if secret is not None and (secret.env is None) == (secret.file is None):
            yield Fault(
                path=("broker", key),
                code="site-secret",
                what="a secret comes from an environment variable or from a file, exactly one",
                mend="keep env: NAME or file: PATH",
            )


def _user(whole: Whole) -> Iterator[Fault]:
    broker = whole.site.broker
    if broker is not None and broker.password is not None and broker.user is None:
        yield Fault(
            path=("broker", "password"),
            code="site-secret",
            what="a password without a user",
            mend="add user: with env: or file:",
        )


def _tls(whole: Whole) -> Iterator[Fault]:
    tls = whole.site.broker.tls if whole.site.broker else None
    if tls is not None and (tls.certificate is None) != (tls.key is None):
        yield Fault(
            path=("broker", "tls"),
            code="site-tls",
            what="a client certificate and its key go together",
            mend="give both certificate: and key:, or neither",
        )


def _broker(whole: Whole) -> Iterator[Fault]:
    mqtt = whole.site.outputs.get("mqtt")
    if mqtt is not None and "broker" not in mqtt and whole.site.broker is None:
        yield Fault(
            path=("outputs", "mqtt"),
            code="site-no-broker",
            what="the output mqtt has no broker to go to",
            mend="add broker: with host: and port:",
        )


CHECKS: Final[tuple[Check[Whole], ...]] = (
    *check_hosts.CHECKS,
    *check_groups.CHECKS,
    Check(_ids),
    Check(_identities),
    Check(_maps_twice),
    Check(_confirming),
    Check(_answering),
    Check(_secrets),
    Check(_user, needs=("broker",)),
    Check(_tls),
    Check(_broker, needs=("broker",)),
)
