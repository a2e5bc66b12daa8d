"""What engineers keep beside a site: approved lists, alarm catalogues, relay lists, SCL files."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from poller.model.firmware_version import readable
from poller.model.problems import Faulty
from poller.site import yaml_lines
from poller.site.approved import Approved, is_approved, revision, rule_for, step_for, withdrawn
from poller.site.load import load_alarms, load_approved
from poller.site.relay_csv import read_csv, relays_yaml, write_csv
from poller.site.scl import draft_site
from tests.answers.world import PRESENT
from tests.fuzz.octets import Octets
from tests.fuzz.on_files import told

ODD: Final = ("V2.10.00", "5.1 SP2", "AA", "", "\u00b2", "9" * 64, "x" * 300)


def approved_file(data: bytes) -> None:
    try:
        found = load_approved(data.decode("utf-8", "surrogateescape"), "approved.yaml")
    except Faulty as faulty:
        told(faulty, data)
    else:
        _asked(found)


def _asked(approved: Approved) -> None:
    for attribute in ("swRev", "components.boot.swRev"):
        rule_for(approved, PRESENT, attribute)
    for rule in approved.rules:
        for text in ODD:
            readable(text, rule.version_scheme)
            is_approved(rule, text)
            withdrawn(rule, text)
            step_for(rule, text, rule.target)
            revision(text)


def alarms_file(data: bytes) -> None:
    try:
        load_alarms(data.decode("utf-8", "surrogateescape"), "alarms.yaml")
    except Faulty as faulty:
        told(faulty, data)


def relay_list(data: bytes) -> None:
    """A list as a spreadsheet saves it: what is read can be written and is the same again."""
    try:
        relays = read_csv(data, "relays.csv")
    except Faulty as faulty:
        told(faulty, data)
        return
    assert read_csv(write_csv(relays), "relays.csv") == relays
    yaml_lines.read(relays_yaml(relays), "site.yaml")


def scl_file(data: bytes) -> None:
    """A station description, torn as its first octet says: a draft that is YAML, or problems."""
    given = Octets(data)
    size = 1 + given.number(254)
    text = given.rest()
    pieces = [text[at : at + 16 * size] for at in range(0, len(text), 16 * size)]
    try:
        draft = draft_site(pieces, "station.scd")
    except Faulty as faulty:
        told(faulty, data)
        return
    yaml_lines.read(draft.text, "site.yaml")
    assert all(one.isprintable() for one in draft.text.splitlines())


TARGETS: Final[dict[str, Callable[[bytes], None]]] = {
    "approved_file": approved_file,
    "alarms_file": alarms_file,
    "relay_list": relay_list,
    "scl_file": scl_file,
}
