"""JSON Schema (2020-12) of every message, file and event kind, and an AsyncAPI 3.0 document.

All from the same classes and the same table of topics that the messages are made from.
"""

from __future__ import annotations

from importlib.metadata import version
from typing import Any, Final, Literal

from pydantic import TypeAdapter
from pydantic.json_schema import JsonSchemaMode

from poller.answers.inventory import Inventory
from poller.model.events import KINDS
from poller.planning.outages.shape import OutageFile
from poller.publishing.mqtt.send import CONTENT_TYPE
from poller.publishing.mqtt.topics import EVENT, TOPICS, Topic
from poller.site.advisory_families import AdvisoryFamilies
from poller.site.alarm_catalogue import Catalogue
from poller.site.approved import Approved
from poller.site.register_map import RegisterMap
from poller.site.settings import SiteFile

DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"
COMPONENTS: Final = "#/components/schemas/"
FILES: Final = {
    "site": SiteFile,
    "register_map": RegisterMap,
    "approved": Approved,
    "alarms": Catalogue,
    "advisories": AdvisoryFamilies,
    "outages": OutageFile,
}
WRITTEN: Final = {"inventory": Inventory}
MQTT_BINDING: Final = "0.2.0"  # the newest bindings that the AsyncAPI 3.0.0 schema knows

Json = dict[str, Any]


def schemas() -> dict[str, Json]:
    """Name to schema: message/status, event/nameplate_changed/1, file/site. Each stands alone."""
    found: dict[str, Json] = {}
    for topic in TOPICS:
        found[f"message/{topic.name}"] = _alone(topic.message, _mode(topic))
    _tell_kinds(found[f"message/{EVENT.name}"])
    for (kind, v), body in sorted(KINDS.items()):
        found[f"event/{kind}/{v}"] = _alone(body, "serialization")
    for name, file in FILES.items():
        found[f"file/{name}"] = _alone(file, "validation")
    for name, ours in WRITTEN.items():
        found[f"file/{name}"] = _alone(ours, "serialization")
    return {name: {"$schema": DIALECT, **schema} for name, schema in found.items()}


def _mode(topic: Topic) -> JsonSchemaMode:
    """Who sends may leave out what has a default; what we send is always whole."""
    return "validation" if topic.heard else "serialization"


def _alone(kind: type, mode: JsonSchemaMode) -> Json:
    adapter: TypeAdapter[Any] = TypeAdapter(kind)
    schema = adapter.json_schema(mode=mode, by_alias=True)
    return _whole(schema) if mode == "serialization" else schema


def _whole(schema: Json) -> Json:
    """Every member is always there; what is absent is null."""
    if "properties" in schema:
        schema["required"] = sorted(schema["properties"])
    return schema


def _tell_kinds(event: Json) -> None:
    """An event's body follows its kind and version; absent where the broker takes none so long."""
    together = _event_bodies("#/$defs/")
    event.setdefault("$defs", {}).update(together["$defs"])
    event["allOf"] = together["allOf"]


def _event_bodies(ref: str) -> Json:
    keys = sorted(KINDS)
    inputs: list[tuple[Any, Literal["serialization"], TypeAdapter[Any]]] = [
        (key, "serialization", TypeAdapter(KINDS[key])) for key in keys
    ]
    found, definitions = TypeAdapter.json_schemas(inputs, ref_template=ref + "{model}")
    rules = [
        {
            "if": {"properties": {"kind": {"const": kind}, "v": {"const": v}}},
            "then": {
                "properties": {
                    "body": {"anyOf": [found[(kind, v), "serialization"], {"type": "null"}]}
                }
            },
        }
        for kind, v in keys
    ]
    known = {"properties": {"kind": {"enum": sorted({kind for kind, _ in keys})}}}
    return {"$defs": definitions.get("$defs", {}), "allOf": [known, *rules]}


def asyncapi() -> Json:
    """AsyncAPI 3.0.0: what the poller sends, where, and how. Times are RFC 3339 in UTC."""
    return {
        "asyncapi": "3.0.0",
        "id": "urn:bayroll:v1",
        "info": {
            "title": "Bayroll",
            "version": version("bayroll"),
            "description": "The firmware of every protective relay in a substation, over MQTT.",
            "license": {"name": "Apache-2.0"},
        },
        "defaultContentType": CONTENT_TYPE,
        "servers": {
            "broker": {
                "host": "{host}:{port}",
                "protocol": "mqtt",
                "protocolVersion": "5",
                "description": "MQTT 5, or 3.1.1 where the site file says so.",
                "variables": {
                    "host": {"default": "127.0.0.1", "description": "broker.host of the site"},
                    "port": {"default": "1883", "description": "broker.port of the site"},
                },
            }
        },
        "channels": {topic.name: _channel(topic) for topic in TOPICS},
        "operations": {_called(topic): _operation(topic) for topic in TOPICS},
        "components": {
            "messages": {topic.name: _message(topic) for topic in TOPICS},
            "schemas": _components(),
        },
    }


def _channel(topic: Topic) -> Json:
    parameters = {"site": {"description": "The site's id."}}
    if topic.level:
        parameters[topic.level] = {"description": topic.about}
    return {
        "address": topic.address,
        "description": topic.says,
        "messages": {topic.name: {"$ref": f"#/components/messages/{topic.name}"}},
        "parameters": parameters,
    }


def _called(topic: Topic) -> str:
    return f"receive_{topic.name}" if topic.heard else f"send_{topic.name}"


def _operation(topic: Topic) -> Json:
    binding: Json = {"qos": 1, "retain": topic.retained, "bindingVersion": MQTT_BINDING}
    if topic.expires:
        # three times status_publish_s, whose default is 300 s
        binding["messageExpiryInterval"] = 900
    return {
        "action": "receive" if topic.heard else "send",
        "channel": {"$ref": f"#/channels/{topic.name}"},
        "summary": topic.says,
        "messages": [{"$ref": f"#/channels/{topic.name}/messages/{topic.name}"}],
        "bindings": {"mqtt": binding},
    }


def _message(topic: Topic) -> Json:
    return {
        "name": topic.name,
        "title": topic.schema,
        "contentType": CONTENT_TYPE,
        "payload": {"$ref": COMPONENTS + topic.message.__name__},
        "bindings": {
            "mqtt": {
                "payloadFormatIndicator": 1,
                "contentType": CONTENT_TYPE,
                "bindingVersion": MQTT_BINDING,
            }
        },
    }


def _components() -> Json:
    """Every message by its class name, with what it is made of."""
    inputs: list[tuple[Any, JsonSchemaMode, TypeAdapter[Any]]] = [
        (topic.message.__name__, _mode(topic), TypeAdapter(topic.message)) for topic in TOPICS
    ]
    found, definitions = TypeAdapter.json_schemas(inputs, ref_template=COMPONENTS + "{model}")
    together = _event_bodies(COMPONENTS)
    components: Json = {**definitions.get("$defs", {}), **together["$defs"]}
    for (name, _), schema in found.items():
        components.setdefault(str(name), schema)
    for topic in TOPICS:
        if not topic.heard:
            _whole(components[topic.message.__name__])
    components[EVENT.message.__name__]["allOf"] = together["allOf"]
    return components
