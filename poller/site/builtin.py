"""The map that ships in the program: for a device that nobody has mapped."""

from __future__ import annotations

from typing import Final

from poller.site.register_map import RegisterMap

ANY: Final = RegisterMap.model_validate(
    {
        "format": 1,
        "map": "any",
        "family": "any device that answers Read Device Identification",
        "about": "FC 43 / MEI 14, regular level: MODBUS Application Protocol Specification 6.21",
        "numbering": "zero_based",
        "version_scheme": {"kind": "dotted"},
        "identification": "regular",
        "identity": {
            "vendor": {"object": 0},
            "orderCode": {"object": 1},
            "swRev": {"object": 2},
        },
        "nameplate": {"model": {"object": 5}, "location": {"object": 6}},
    }
)
"""Objects: 0 vendor, 1 product code, 2 revision, 5 model, 6 the name that its user gave it."""
