"""Sites and maps that are right: what ships loads, and what is left out has its default."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path

import pytest

from poller.model.nameplate import ATTRIBUTES
from poller.model.problems import Faulty
from poller.model.status import LIFECYCLE_FLAGS, OTHER_FLAGS, Behaviour, Health, Status
from poller.site.builtin import ANY
from poller.site.load import load_map, load_site
from poller.site.register_map import Enumerated, RegisterMap
from poller.site.settings import Intervals, Pace, RelayEntry, Site, pace

CONFIG = Path(__file__).parents[2] / "config"
SHIPPED = sorted((CONFIG / "maps").glob("*.yaml"))
MAPS = {path.stem: load_map(path.read_text(encoding="utf-8"), path.name) for path in SHIPPED}


def _read(path: str) -> str:
    return Path(path).read_text(encoding="utf-8")


# What ships.


def test_the_site_that_ships_has_no_fault_and_uses_every_map_that_ships() -> None:
    site = load_site(str(CONFIG / "site.yaml"), _read)
    assert len(site.file.relays) == 24
    assert sorted(site.maps) == sorted(MAPS)


@pytest.mark.parametrize("attribute", ATTRIBUTES)
def test_every_attribute_of_the_nameplate_is_told_by_a_map_that_ships(attribute: str) -> None:
    def tells(one: RegisterMap) -> bool:
        return bool(getattr(one.identity, attribute) or getattr(one.nameplate, attribute))

    assert any(tells(one) for one in MAPS.values())


@pytest.mark.parametrize("name", [one.name for one in fields(Status)])
def test_every_value_of_the_status_is_told_by_a_map_that_ships(name: str) -> None:
    assert any(getattr(one.status, name) for one in MAPS.values())


@pytest.mark.parametrize("word", [*Health, *Behaviour], ids=lambda word: word.name)
def test_every_word_of_the_standard_is_told_by_a_map_that_ships(word: Health | Behaviour) -> None:
    key = "health" if isinstance(word, Health) else "behaviour"
    found = [getattr(one.status, key) for one in MAPS.values()]
    assert word.name.lower() in {
        name for one in found if isinstance(one, Enumerated) for name in one.names.values()
    }


@pytest.mark.parametrize("flag", [*LIFECYCLE_FLAGS, *OTHER_FLAGS])
def test_every_flag_that_bayroll_knows_is_told_by_a_map_that_ships(flag: str) -> None:
    assert any(flag in one.flags for one in MAPS.values())


@pytest.mark.parametrize("name", MAPS)
def test_a_map_that_ships_calls_itself_as_its_file(name: str) -> None:
    assert MAPS[name].map == name


# A site in memory: files by path.

TEXT = """\
format: 1
site: tarnby
name: Tarnby 33 kV
relays:
  - {id: q01-main1, bay: Q01, function: main 1, host: 127.1.1.1, maps: [larch]}
"""
LARCH = (CONFIG / "maps" / "larch.yaml").read_text(encoding="utf-8")
OTTER = (CONFIG / "maps" / "otter.yaml").read_text(encoding="utf-8")
PIKE = (CONFIG / "maps" / "pike.yaml").read_text(encoding="utf-8")
PIKE_3 = (CONFIG / "maps" / "pike-3.yaml").read_text(encoding="utf-8")


def loaded(text: str, **maps: str) -> Site:
    """maps: name to text, an underscore for a dash."""
    folder = {f"maps/{name.replace('_', '-')}.yaml": one for name, one in maps.items()}
    return load_site("site.yaml", _from({"site.yaml": text} | folder))


def _from(files: dict[str, str]) -> Callable[[str], str]:
    def read(path: str) -> str:
        if path not in files:
            raise FileNotFoundError(2, "No such file or directory", path)
        return files[path]

    return read


def test_what_is_left_out_of_a_relay_has_its_default() -> None:
    relay = loaded(TEXT, larch=LARCH).relay("q01-main1")
    assert (relay.port, relay.unit, relay.client_slots, relay.behind_serial) == (502, 255, 1, False)


@pytest.mark.parametrize(("slots", "held"), [(1, False), (2, False), (3, True), (4, True)])
def test_a_connection_is_held_where_it_takes_no_slot_from_others(slots: int, held: bool) -> None:
    relay = loaded(TEXT, larch=LARCH).relay("q01-main1")
    assert relay.model_copy(update={"client_slots": slots}).held is held


def test_what_is_left_out_of_a_site_has_its_default() -> None:
    site = loaded(TEXT, larch=LARCH).file
    assert (site.broker, dict(site.outputs), site.source_address) == (None, {}, None)
    assert (site.asset_class, site.maps_folder, site.status_publish_s) == ("none", "maps", 300)
    assert (site.journal.file, site.journal.keep_days) == ("bayroll.journal", 1_095)


def test_what_is_left_out_of_a_broker_has_its_default() -> None:
    broker = loaded(f"{TEXT}broker: {{host: b}}\n", larch=LARCH).file.broker
    assert broker is not None
    assert (broker.port, broker.protocol, broker.tls, broker.user) == (1883, "5", None, None)


def test_a_relay_that_is_not_listed_is_not_found() -> None:
    with pytest.raises(KeyError):
        loaded(TEXT, larch=LARCH).relay("q01-main2")


def test_the_map_any_needs_no_file() -> None:
    assert loaded(TEXT.replace("larch", "any")).maps == {"any": ANY}


def test_the_map_any_is_not_taken_from_a_file() -> None:
    site = loaded(TEXT.replace("larch", "any"), any=LARCH)
    assert (site.maps["any"], sorted(site.texts)) == (ANY, ["site.yaml"])


def test_maps_that_read_one_identity_go_together() -> None:
    site = loaded(TEXT.replace("[larch]", "[pike, pike-3]"), pike=PIKE, pike_3=PIKE_3)
    assert list(site.maps) == ["pike", "pike-3"]


def test_maps_lie_where_the_site_says() -> None:
    read = _from({"a/site.yaml": TEXT + "maps_folder: m\n", "a/m/larch.yaml": LARCH})
    assert sorted(load_site("a/site.yaml", read).texts) == ["maps/larch.yaml", "site.yaml"]


def test_an_absolute_folder_of_maps_is_not_beside_the_site() -> None:
    read = _from({"a/site.yaml": TEXT + "maps_folder: /m\n", "/m/larch.yaml": LARCH})
    assert list(load_site("a/site.yaml", read).maps) == ["larch"]


def test_a_site_file_that_is_not_there_is_told() -> None:
    with pytest.raises(Faulty) as faulty:
        load_site("site.yaml", _from({}))
    assert str(faulty.value) == (
        "site.yaml: site.yaml can't be read: No such file or directory [site-file-unreadable]\n"
        "    mend: name a site file that can be read"
    )


def test_a_site_file_in_another_encoding_is_told() -> None:
    def read(path: str) -> str:
        return b"name: Fellm\xf6r".decode("utf-8")

    with pytest.raises(Faulty, match="it is not UTF-8 text"):
        load_site("site.yaml", read)


@pytest.mark.parametrize("kept", ["site.yaml", "maps/larch.yaml"])
def test_a_file_kept_too_close_is_not_told_as_one_to_leave_out(kept: str) -> None:
    texts = {"site.yaml": TEXT, "maps/larch.yaml": LARCH}

    def read(path: str) -> str:
        if path == kept:
            raise PermissionError(13, "Permission denied", path)
        return texts[path]

    with pytest.raises(Faulty) as told:
        load_site("site.yaml", read)
    [problem] = told.value.problems
    assert f"{kept} can't be read: Permission denied" in problem.what
    assert problem.mend == "let the user who runs Bayroll read it, and enter its folder"


# The digest names what was loaded.


def test_the_texts_are_those_of_the_files() -> None:
    assert loaded(TEXT, larch=LARCH).texts == {"site.yaml": TEXT, "maps/larch.yaml": LARCH}


@pytest.mark.parametrize("changed", ["site", "larch"])
def test_the_digest_changes_with_any_file(changed: str) -> None:
    texts = {"site": TEXT, "larch": LARCH} | {
        changed: f"{TEXT if changed == 'site' else LARCH}# seen\n"
    }
    assert loaded(TEXT, larch=LARCH).sha256 != loaded(texts["site"], larch=texts["larch"]).sha256


def test_the_digest_does_not_change_with_a_file_that_is_not_used() -> None:
    with_pike = loaded(TEXT, larch=LARCH, pike=PIKE)
    assert loaded(TEXT, larch=LARCH).sha256 == with_pike.sha256


def test_the_digest_does_not_change_with_the_order_in_which_files_are_read() -> None:
    relay = TEXT.splitlines(keepends=True)[-1]
    other = relay.replace("main1", "main2").replace("127.1.1.1", "127.1.1.2")
    both = relay.replace("larch", "pike") + other.replace("larch", "otter")
    site = loaded(TEXT.replace(relay, both), pike=PIKE, otter=OTTER)
    assert list(site.texts) == ["site.yaml", "maps/pike.yaml", "maps/otter.yaml"]
    inside = json.dumps(site.texts, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert site.sha256 == hashlib.sha256(inside.encode()).hexdigest()


# Pace: the intervals in force for one relay.

DIRECT = Pace(
    status_s=60,
    nameplate_s=3_600,
    confirm_s=60,
    confirm_after_restart_s=300,
    reply_timeout_s=3,
    rest_ms=100,
    silent_misses=3,
    unreadable_s=1_800,
)


def entry(*, serial: bool = False, own: Intervals | None = None) -> RelayEntry:
    return RelayEntry(
        id="q01-main1",
        bay="Q01",
        function="main 1",
        host="127.1.1.1",
        unit=1,
        maps=("larch",),
        behind_serial=serial,
        intervals=own,
    )


def test_a_relay_that_speaks_tcp_itself_has_these_intervals() -> None:
    assert pace(Intervals(), entry()) == DIRECT


def test_a_relay_behind_serial_is_asked_less_often_and_more_patiently() -> None:
    slow = pace(Intervals(), entry(serial=True))
    assert (slow.status_s, slow.reply_timeout_s, slow.rest_ms) == (300, 10, 250)


@pytest.mark.parametrize("serial", [False, True])
@pytest.mark.parametrize("name", [one.name for one in fields(Pace)])
def test_a_relays_own_interval_stands_above_the_sites(name: str, serial: bool) -> None:
    site = Intervals.model_validate({name: 20})
    own = Intervals.model_validate({name: 30})
    kept = pace(site, entry(serial=serial, own=own))
    assert getattr(kept, name) == (60 if name == "confirm_after_restart_s" else 30)


@pytest.mark.parametrize("name", [one.name for one in fields(Pace)])
def test_the_sites_interval_stands_where_the_relay_has_none_of_its_own(name: str) -> None:
    other = "nameplate_s" if name != "nameplate_s" else "unreadable_s"
    site = Intervals.model_validate({name: 50})
    kept = pace(site, entry(own=Intervals.model_validate({other: 40})))
    assert getattr(kept, name) == (60 if name == "confirm_after_restart_s" else 50)


def test_no_rest_at_all_is_a_wish_and_not_a_gap() -> None:
    assert pace(Intervals(rest_ms=0), entry()).rest_ms == 0


def test_after_a_restart_confirming_is_never_quicker() -> None:
    assert pace(Intervals(confirm_s=400), entry()).confirm_after_restart_s == 400
