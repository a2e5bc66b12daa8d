"""Every normative statement of Sparkplug 3.0.0 is tested, or told why it is not ours to keep.

tests/checks/sparkplug_tck_ids.csv: the ids. sparkplug_demands.csv: of each, whether it applies to
an edge node like ours (yes; host, server: others do it; unused: of what we never send; unknown: not
found out), and what it demands in our words, or why it does not apply.
"""

from __future__ import annotations

from collections import Counter

import pytest

from tests.publishing.sparkplug import (
    test_flow,
    test_payload_statements,
    test_topics,
)
from tests.publishing.sparkplug.checks import DEMANDS, all_said
from tests.publishing.sparkplug.lives import recorded
from tests.publishing.sparkplug.peer import rows

GROUPS = [
    test_topics.CHECKS,
    test_topics.ONLY_311,
    test_topics.ONLY_5,
    test_flow.CHECKS,
    test_flow.HOST_CHECKS,
    test_flow.ON_ALL,
    test_flow.REQUESTS,
    test_payload_statements.CHECKS,
    test_payload_statements.ONLY_311,
    test_payload_statements.ONLY_5,
]
REASONS = {"yes", "host", "server", "unused", "unknown"}
NOT_SENT = {16: "data sets", 19: "templates"}


def test_every_statement_is_accounted_for_once() -> None:
    ids = [row["tck_id"] for row in rows("sparkplug_tck_ids.csv")]
    assert list(DEMANDS) == ids
    assert Counter(ids).most_common(1)[0][1] == 1
    assert {row["applies"] for row in DEMANDS.values()} <= REASONS
    assert all(row["demand_or_reason"] for row in DEMANDS.values())


def test_what_applies_is_tested_and_nothing_else() -> None:
    tested = [tck_id for group in GROUPS for tck_id in group]
    assert len(tested) == len(set(tested))
    assert set(tested) == {name for name, row in DEMANDS.items() if row["applies"] == "yes"}


@pytest.mark.parametrize("life", ["5", "3.1.1", "host"])
def test_what_is_unused_is_never_sent(life: str) -> None:
    """No data set, template or alias, of which the unused statements speak; no DCMD is heard."""
    for said in all_said(recorded(life)):
        for one in said.metrics:
            assert one.get("datatype") not in NOT_SENT
            assert "alias" not in one
    for session in recorded(life).sessions:
        assert not any("/DCMD/" in topic for topic, _ in session.subscribed)
