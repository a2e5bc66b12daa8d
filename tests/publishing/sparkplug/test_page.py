"""The page for integrators names what there is, and nothing else."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

from poller.publishing.sparkplug.settings import SparkplugSettings
from tests.publishing.sparkplug.lives import recorded
from tests.publishing.sparkplug.peer import DATATYPES

PAGE: Final = (Path(__file__).parents[3] / "config/scada/sparkplug.md").read_text()


def tables() -> dict[str, list[list[str]]]:
    """By heading, the cells of every row of its tables."""
    found: dict[str, list[list[str]]] = {}
    for part in re.split(r"^#+ ", PAGE, flags=re.MULTILINE)[1:]:
        rows = [line.strip("|").split("|") for line in part.splitlines() if line.startswith("| `")]
        found[part.partition("\n")[0]] = [[cell.strip(" `") for cell in row] for row in rows]
    return found


def general(name: str) -> str:
    """A metric's name as the page has it."""
    for pattern, general_name in (
        (r"Gateway/[^/]+/Alarm/[^/]+", "Gateway/NAME/Alarm/ENTRY"),
        (r"^Alarm/[^/]+", "Alarm/ENTRY"),
        (r"components/[^/]+", "components/PART"),
        (r"flag/[^/]+", "flag/FLAG"),
    ):
        name = re.sub(pattern, general_name, name)
    return name


def born(verb: str) -> dict[str, str]:
    """Metrics of births in a recorded life, as the page has them, to their types."""
    return {
        general(one["name"]): DATATYPES[one["datatype"]]["name"]
        for said in recorded("5").said(verb)
        for one in said.metrics
    }


def test_every_metric_of_the_node_is_there_with_its_type() -> None:
    assert {row[0]: row[1] for row in tables()["Metrics of the node"]} == born("NBIRTH")


def test_every_metric_of_a_relay_is_there_with_its_type() -> None:
    assert {row[0]: row[1] for row in tables()["Metrics of a relay"]} == born("DBIRTH")


def test_every_setting_is_there() -> None:
    named = [row[0] for row in tables()["Sparkplug 3.0.0"]]
    assert sorted(named) == sorted(SparkplugSettings.model_fields)


def test_every_topic_is_there() -> None:
    named = {row[0].split("/")[2] for row in tables()["Topics"] if "GROUP" in row[0]}
    life = recorded("5")
    heard = {topic.split("/")[2] for topic, _ in life.first.subscribed}
    assert named == {said.verb for one in life.sessions for said in one.said} | heard
