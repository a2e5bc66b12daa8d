"""Settings with which no output of ours opens, and what is said of them."""

from __future__ import annotations

from typing import Any, Final

Wrong = tuple[dict[str, Any], str, str, str]
"""Settings of an output that can't be used; code and place of the problem, and words of it."""

DESK: Final = {"name": "Desk", "password": {"env": "DESK"}}
WRONG: Final[dict[str, list[Wrong]]] = {
    "mqtt": [
        ({}, "output-broker-missing", "outputs.mqtt", "no broker"),
        ({"client_idd": "x"}, "output-settings", "outputs.mqtt.client_idd", "no such setting"),
        ({"retry_cap_s": 0}, "output-settings", "outputs.mqtt.retry_cap_s", "greater"),
        (
            {"broker": {"host": "h", "tls": {"ca": "no-such.pem"}}},
            "output-tls",
            "broker.tls",
            "No such file",
        ),
    ],
    "syslog": [
        ({"tls": {"ca": "x"}}, "output-settings", "outputs.syslog.host", "required"),
        # nothing goes in the clear unasked
        ({"host": "h"}, "output-settings", "outputs.syslog.tls", "required"),
        (
            {"host": "h", "tls": {"ca": "x"}, "transport": "tcp"},
            "output-settings",
            "outputs.syslog.transport",
            "'tls' or 'udp'",
        ),
        ({"host": "h", "tls": {"ca": "x"}}, "output-tls", "outputs.syslog.tls", "No such file"),
        *(
            (
                {"host": "h", "transport": "udp", key: value},
                "output-settings",
                f"outputs.syslog.{key}",
                words,
            )
            for key, value, words in [
                ("tls", {"ca": "x"}, "no such setting"),
                ("host", "h:514", "one address or host name"),
                ("host", "10.0.0.*", "one address or host name"),
                ("facility", 0, "greater"),
                ("facility", 24, "less"),
                ("enterprise", 2**32, "less"),
                ("octets_max", 479, "greater"),
                ("octets_max", 8_193, "less"),
                ("hostname", "a b", "pattern"),
                ("hostname", "é", "pattern"),
            ]
        ),
    ],
    "alarm_points": [
        ({"port": 0}, "output-settings", "outputs.alarm_points.port", "greater"),
        ({"hots": "h"}, "output-settings", "outputs.alarm_points.hots", "no such setting"),
    ],
    "sparkplug": [
        ({}, "output-broker-missing", "outputs.sparkplug", "no broker"),
        *(
            (
                {"broker": {"host": "h"}, key: value},
                "output-settings",
                f"outputs.sparkplug.{key}",
                words,
            )
            for key, value, words in [
                ("group", "a/b", "pattern"),
                ("group", "a+", "pattern"),
                ("group", "STATE", "another group"),
                ("node", "#", "pattern"),
                ("node", "", "pattern"),
                ("node", "a\0", "pattern"),
                ("primary_host", "x" * 65, "at most 64"),
                ("typed_data", "yes", "boolean"),
                ("nodes", "x", "no such setting"),
            ]
        ),
    ],
    "iec104": [
        *(
            (settings, "output-settings", "outputs.iec104" + at, words)
            for settings, at, words in (
                ({"hots": "h"}, ".hots", "no such setting"),
                ({"port": 0}, ".port", "greater"),
                ({"common_address": 65_535}, ".common_address", "less than"),
                ({"first_address": 0}, ".first_address", "greater"),
                ({"first_address": 2**24 - 64}, ".first_address", "less than"),
                ({"overflow_address": 1_064}, "", "1000 to 1280999"),
                ({"groups": {}}, ".groups", "at least 1"),
                ({"groups": {"a b": []}}, ".groups.a b.[key]", "pattern"),
                ({"groups": {"a": ["10.0.0.1/8"]}}, ".groups.a.0", "host bits"),
                ({"groups": {"a": [10]}}, ".groups.a.0", "an address or a network"),
                ({"groups": {"a": [], "b": ["10.0.0.1"]}}, "", "networks of its own"),
                ({"groups": {"a": ["10.0.0.0/8"], "b": ["10.0.0.1"]}}, "", "a and b share"),
                ({"t2_s": 15}, "", "t2_s must be shorter than t1_s"),
                ({"w": 13}, "", "w must not be over k"),
            )
        ),
        ({"tls": {"ca": "x"}}, "output-tls", "outputs.iec104.tls", "needs a certificate"),
        (
            {"tls": {"ca": "no-such.pem", "certificate": "x"}},
            "output-tls",
            "outputs.iec104.tls",
            "No such file",
        ),
    ],
    "opcua": [
        ({}, "output-settings", "outputs.opcua.people", "nobody may read"),
        ({"people": [DESK, DESK]}, "output-settings", "outputs.opcua.people", "two have one name"),
        (
            {"people": [{"name": "Desk", "password": {}}]},
            "site-secret",
            "outputs.opcua.people",
            "names no source",
        ),
        (
            {"people": [DESK], "certificate": "c.pem"},
            "output-tls",
            "outputs.opcua.certificate",
            "go together",
        ),
        *(
            (
                {"people": [DESK], key: value},
                "output-settings",
                f"outputs.opcua.{at}",
                words,
            )
            for key, value, at, words in [
                ("port", 0, "port", "greater"),
                ("sessions_max", 33, "sessions_max", "less"),
                ("severities", {"high": 1_001}, "severities.high", "less"),
                ("anonymous", "yes", "anonymous", "boolean"),
                ("user", "x", "user", "no such setting"),
            ]
        ),
    ],
}
