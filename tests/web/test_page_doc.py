"""config/page.md says what is so."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from ruamel.yaml import YAML

from poller.model import limits
from poller.model.events import KINDS
from poller.model.users import Role
from poller.site.settings import Page

TEXT = (Path(__file__).parents[2] / "config/page.md").read_text()
WORDS = " ".join(TEXT.split())

SAYS = (
    f"has {limits.PASSWORD_MIN} to {limits.PASSWORD_MAX} characters",
    f"After {limits.PAGE_TRIES_OF_NAME_MAX} wrong passwords for a name or "
    f"{limits.PAGE_TRIES_OF_ADDRESS_MAX} from an address",
)
IN_WORDS = {
    "within five minutes": (limits.PAGE_TRIES_S, 5 * 60),
    "after half an hour without a hand": (limits.PAGE_ACTING_IDLE_S, 30 * 60),
    "Twenty comings": (limits.PAGE_NOTED_MAX, 20),
    "one by one in ten minutes": (limits.PAGE_NOTED_S, 10 * 60),
}


@pytest.mark.parametrize("says", SAYS)
def test_a_number_is_that_of_the_program(says: str) -> None:
    assert says in WORDS


@pytest.mark.parametrize("says", IN_WORDS)
def test_a_number_in_words_is_that_of_the_program(says: str) -> None:
    limit, meant = IN_WORDS[says]
    assert (says in WORDS, limit) == (True, meant)


def test_its_settings_can_be_read() -> None:
    block = re.search(r"```yaml\n(.*?)```", TEXT, re.DOTALL)
    assert block is not None
    page = Page.model_validate(YAML(typ="safe").load(block[1])["page"])
    assert not page.on_loopback
    longest = Page.model_json_schema()["properties"]["session_h"]["maximum"]
    assert f"up to {longest}" in TEXT


def test_every_role_stands_in_its_table() -> None:
    assert re.findall(r"^\| (\w+) \| (?:and |look)", TEXT, re.MULTILINE) == list(Role)


def test_its_events_are_there() -> None:
    named = set(re.findall(r"^\| `(\w+)` \|", TEXT, re.MULTILINE))
    assert named == {"user_changed", "session_changed", "access_refused"}
    assert named <= {kind for kind, _ in KINDS}
