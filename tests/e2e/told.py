"""What was told against what truly happened, as sets of (relay, attribute, before, after)."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from datetime import datetime
from typing import Any, TypeAlias

Fact: TypeAlias = tuple[str, str, Any, Any]


def happened(truth: Iterable[dict[str, Any]], silent_s: float) -> Counter[Fact]:
    """The simulator's lines. A relay away for less than the silence delay is not to be told."""
    facts: list[Fact] = []
    left: dict[str, datetime] = {}
    for line in truth:
        relay, attribute = line["relay"], line["attribute"]
        at = datetime.fromisoformat(line["at"])
        if attribute != "answering":
            facts.append((relay, attribute, line["before"], line["after"]))
        elif not line["after"]:
            left[relay] = at
        elif (at - left.pop(relay)).total_seconds() > silent_s + 1:
            facts += [(relay, "answering", True, False), (relay, "answering", False, True)]
    return Counter(facts)


def told(events: Iterable[dict[str, Any]]) -> Counter[Fact]:
    """Journal events as published. What was first read is no change."""
    facts: list[Fact] = []
    for event in events:
        relay, body = event["subject"], event["body"]
        match event["kind"]:
            case "nameplate_changed":
                facts += [
                    (relay, one["attribute"], one["before"], one["after"])
                    for one in body["changes"]
                ]
            case "flag_rose":
                facts.append((relay, f"flag:{body['flag']}", False, True))
            case "flag_fell":
                facts.append((relay, f"flag:{body['flag']}", True, False))
            case "health_changed" if body["before"] is not None:
                facts.append((relay, "health", body["before"], body["after"]))
            case "behaviour_changed" if body["before"] is not None:
                facts.append((relay, "behaviour", body["before"], body["after"]))
            case "relay_silent":
                facts.append((relay, "answering", True, False))
            case "relay_answering" if body["silent_since"] is not None:
                facts.append((relay, "answering", False, True))
    return Counter(facts)
