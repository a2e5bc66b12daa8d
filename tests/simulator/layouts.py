"""Maps made for tests: plain registers and bits, and one that has every type of field."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from poller.model.nameplate import from_flat
from poller.site.register_map import RegisterMap
from simulator.image import Condition
from simulator.relay import Relay

LIVE = {"kind": "live", "cleared_by": "itself", "says": "as the bit says"}
TEXT_AT = {"table": "holding", "address": 0, "type": "ascii", "registers": 4}


def layout(**parts: Any) -> RegisterMap:
    """A map with a version in holding registers 0 to 3; parts: the keys to have otherwise."""
    plain = {
        "format": 1,
        "map": "test",
        "family": "test",
        "numbering": "zero_based",
        "version_scheme": {"kind": "dotted"},
        "ranges": [{"table": "holding", "first": 0, "last": 99}],
        "identity": {"swRev": TEXT_AT},
    }
    return RegisterMap.model_validate({**plain, **parts})


def plain_relay(table: str, first: int, values: Sequence[int]) -> Relay:
    """A relay with these registers, or bits, from address `first` on, and no others."""
    at_last = first + len(values) - 1
    ranges = [{"table": table, "first": first, "last": at_last}]
    if table in ("coil", "discrete"):
        sources = [
            {"table": table, "address": first + n, "type": "bool", "flag": f"f{n}"}
            for n in range(len(values))
        ]
        flags = {f"f{n}": LIVE for n in range(len(values))}
        standing = frozenset(f"f{n}" for n, value in enumerate(values) if value)
        one = layout(ranges=ranges, identity={}, status={"flags": sources}, flags=flags)
        return Relay(layout=one, nameplate=from_flat({}), condition=Condition(flags=standing))
    components = {
        f"r{n}": {"swRev": {"table": table, "address": first + n, "type": "u16"}}
        for n in range(len(values))
    }
    texts = {f"components.r{n}.swRev": str(value) for n, value in enumerate(values)}
    one = layout(ranges=ranges, identity={}, components=components)
    return Relay(layout=one, nameplate=from_flat(texts))


def text_relay(values: Mapping[str, str | None], **parts: Any) -> Relay:
    return Relay(layout=layout(**parts), nameplate=from_flat(values))


def identified_relay(texts: Mapping[int, str], reply_octets_max: int = 253) -> Relay:
    """A relay that has these identification objects; 0 to 2 are needed."""
    one = layout(
        identification="basic",
        identity={"vendor": {"object": 0}, "model": {"object": 1}, "swRev": {"object": 2}},
    )
    names = {"vendor": texts[0], "model": texts[1], "swRev": texts[2]}
    more = {number: text for number, text in texts.items() if number > 2}
    return Relay(
        layout=one,
        nameplate=from_flat(names),
        objects=more,
        reply_octets_max=reply_octets_max,
    )
