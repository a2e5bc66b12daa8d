"""Published schemas against their dialect, the bodies they describe, and AsyncAPI's own schema."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any, get_args, get_type_hints

import jsonschema
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator, FormatChecker

from poller.journal.chain import START, record
from poller.model import events as ev
from poller.model.canonical import plain
from poller.model.standing import Relay
from poller.publishing.bodies import event_body, poller_body
from poller.publishing.mqtt.topics import EVENT, TOPICS, Topic
from poller.publishing.projections import Source
from poller.publishing.schema import asyncapi, schemas
from tests.journal.made import ANY_EVENT, BODIES, of
from tests.publishing.world import Q07, T0, site

SCHEMAS = schemas()
DOCUMENT = asyncapi()
SPECIFICATION = Path(__file__).parents[2] / ".ci/node_modules/@asyncapi/specs/schemas/3.0.0.json"
DATES = FormatChecker(formats=())


def _is_rfc3339(text: object) -> bool:
    return not isinstance(text, str) or text.endswith("Z")


DATES.checks("date-time")(_is_rfc3339)
VALIDATORS = {
    name: Draft202012Validator(schema, format_checker=DATES) for name, schema in SCHEMAS.items()
}
# the AsyncAPI document's schemas, asked for by its own references
WITHIN = {
    topic.name: Draft202012Validator(
        {**DOCUMENT, **DOCUMENT["components"]["messages"][topic.name]["payload"]}
    )
    for topic in TOPICS
}


def holds(name: str, payload: bytes) -> None:
    said = json.loads(payload)
    VALIDATORS[f"message/{name}"].validate(said)
    WITHIN[name].validate(said)


@pytest.mark.parametrize("name", SCHEMAS)
def test_each_schema_is_one_of_2020_12(name: str) -> None:
    assert SCHEMAS[name]["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    Draft202012Validator.check_schema(SCHEMAS[name])


def test_every_message_file_and_event_kind_has_one() -> None:
    expected = {f"message/{topic.name}" for topic in TOPICS}
    expected |= {
        f"file/{one}"
        for one in (
            "site",
            "register_map",
            "approved",
            "alarms",
            "advisories",
            "outages",
            "inventory",
        )
    }
    expected |= {f"event/{kind}/{v}" for kind, v in ev.KINDS}
    assert SCHEMAS.keys() == expected


@settings(deadline=None, max_examples=60)
@given(event=ANY_EVENT)
def test_every_event_message_keeps_to_its_schema(event: ev.Event) -> None:
    (recorded,) = record("uuid", START, [event])
    holds("event", event_body(recorded, site="tarn-hill").payload)
    holds("event", event_body(recorded, site="tarn-hill", bytes_max=10).payload)
    kind = f"event/{event.body.kind}/{event.body.v}"
    VALIDATORS[kind].validate(plain(event.body))


@pytest.mark.parametrize(("kind", "v"), sorted(ev.KINDS))
@settings(deadline=None, max_examples=2, phases=[Phase.generate])
@given(data=st.data())
def test_every_kind_goes_out_as_an_event(kind: str, v: int, data: st.DataObject) -> None:
    """Of each kind for certain: the test above only draws some."""
    body = data.draw(BODIES[kind])
    (recorded,) = record("uuid", START, [ev.Event(at=T0, subject=Q07, body=body)])
    message = event_body(recorded, site="tarn-hill")
    said = json.loads(message.payload)
    assert (said["kind"], said["v"], said["body"]) == (kind, v, plain(body))
    holds("event", message.payload)


def parts_of(topic: Topic) -> st.SearchStrategy[tuple[Any, ...]]:
    """Anything at all that its bodies may be made of, by the annotation of what makes them."""
    assert topic.projection is not None
    hint = get_type_hints(topic.projection.body)["parts"]
    return st.tuples(*(of(one) for one in get_args(hint))).map(_without_manual)


def _without_manual(parts: tuple[Any, ...]) -> tuple[Any, ...]:
    """A person's reading has attribute names that decide has checked; made-up ones are no such."""
    return tuple(replace(one, manual=None) if isinstance(one, Relay) else one for one in parts)


PROJECTED = [topic for topic in TOPICS if topic.projection is not None]


@pytest.mark.parametrize("topic", PROJECTED, ids=lambda topic: topic.name)
@settings(deadline=None, max_examples=40)  # building a strategy for a whole relay takes its time
@given(data=st.data())
def test_every_retained_message_keeps_to_its_schema(topic: Topic, data: st.DataObject) -> None:
    parts = data.draw(parts_of(topic))
    holds(topic.name, topic.body(Source(site=site(), seq=1), Q07, parts).payload)


def test_every_retained_topic_but_the_pollers_follows_from_what_is_known() -> None:
    retained = {topic.name for topic in TOPICS if topic.retained and topic not in PROJECTED}
    assert retained == {"poller"}


def test_what_others_send_may_leave_out_what_they_do_not_know() -> None:
    whole = {"user": "J. Kral", "comment": "seen"}
    assert VALIDATORS["message/acknowledge"].is_valid(whole)
    assert not VALIDATORS["message/acknowledge"].is_valid({"user": "J. Kral"})


def test_the_document_says_who_sends_what() -> None:
    heard = [one for one in DOCUMENT["operations"].values() if one["action"] == "receive"]
    assert [one["channel"]["$ref"] for one in heard] == ["#/channels/acknowledge"]


@pytest.mark.parametrize(("head", "at"), [(START, T0), (None, None)])
def test_the_poller_message_and_its_will_keep_to_their_schema(head: Any, at: Any) -> None:
    body = poller_body(site="tarn-hill", version="1", state="offline", head=head, at=at)
    holds("poller", body.payload)


def _event_message() -> dict[str, Any]:
    listed = ev.RelayListed(bay="Q07", function="main 1", address="a")
    (recorded,) = record("uuid", START, [ev.Event(at=T0, subject=Q07, body=listed)])
    said: dict[str, Any] = json.loads(event_body(recorded, site="tarn-hill").payload)
    return said


BROKEN = [
    {"schema": "bayroll/event/2"},
    {"kind": "relay_painted"},
    {"body": {"bay": "Q07"}},
    {"body": {"bay": 7, "function": "main 1", "address": "a"}},
    {"seq": "1"},
    {"at": 5},
]


@pytest.mark.parametrize("change", BROKEN)
def test_the_event_schema_refuses_what_is_none(change: dict[str, Any]) -> None:
    with pytest.raises(jsonschema.ValidationError):
        VALIDATORS["message/event"].validate({**_event_message(), **change})


@pytest.mark.parametrize("missing", sorted(_event_message()))
def test_every_member_is_always_there(missing: str) -> None:
    message = _event_message()
    del message[missing]
    assert not VALIDATORS["message/event"].is_valid(message)


def test_the_asyncapi_document_keeps_to_the_specification() -> None:
    """Against the schema that the AsyncAPI initiative publishes for 3.0.0."""
    if not SPECIFICATION.exists():
        pytest.skip("the AsyncAPI schema is not here: npm install --prefix .ci @asyncapi/specs@6")
    specification = json.loads(SPECIFICATION.read_text())
    jsonschema.validators.validator_for(specification)(specification).validate(DOCUMENT)


def test_the_specification_would_notice_a_fault() -> None:
    if not SPECIFICATION.exists():
        pytest.skip("the AsyncAPI schema is not here: npm install --prefix .ci @asyncapi/specs@6")
    specification = json.loads(SPECIFICATION.read_text())
    broken = json.loads(json.dumps(DOCUMENT))
    broken["operations"]["send_event"]["action"] = "shout"
    validator = jsonschema.validators.validator_for(specification)(specification)
    assert not validator.is_valid(broken)


def test_every_reference_in_the_document_leads_somewhere() -> None:
    def references(value: Any) -> list[str]:
        if isinstance(value, dict):
            own = [value["$ref"]] if isinstance(value.get("$ref"), str) else []
            return own + [one for inner in value.values() for one in references(inner)]
        if isinstance(value, list):
            return [one for inner in value for one in references(inner)]
        return []

    for reference in references(DOCUMENT):
        found: Any = DOCUMENT
        for step in reference.removeprefix("#/").split("/"):
            found = found[step]


def test_the_document_tells_the_topics_of_the_table() -> None:
    addresses = {name: channel["address"] for name, channel in DOCUMENT["channels"].items()}
    assert addresses == {topic.name: topic.address for topic in TOPICS}
    retained = {
        name: operation["bindings"]["mqtt"]["retain"]
        for name, operation in DOCUMENT["operations"].items()
    }
    assert retained["send_event"] is EVENT.retained is False
