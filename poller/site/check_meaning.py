"""What a map's fields mean: identity, versions, words of the status, and flags."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

from poller.model import version_pattern
from poller.model.firmware_version import readable
from poller.site.faults import Check, Fault
from poller.site.fields import fields
from poller.site.register_map import (
    Enumerated,
    FlagBit,
    FlagBits,
    FlagCode,
    FlagSource,
    IdentificationObject,
    Pattern,
    RegisterMap,
    VersionParts,
)

HEALTH_WORDS: Final = ("ok", "warning", "alarm")
BEHAVIOUR_WORDS: Final = ("on", "blocked", "test", "test_blocked", "off")
# {0}, {1:02}, {2:03}, {3:X}: nothing wider, since a width of millions is a text of millions
PLACEHOLDER: Final = re.compile(r"\{([0-7])(?::0?[0-9]?[dxX]?)?\}")


def _identification(one: RegisterMap) -> Iterator[Fault]:
    objects = [path for path, field in fields(one) if isinstance(field, IdentificationObject)]
    if objects and one.identification is None:
        yield Fault(
            path=objects[0],
            code="map-identification",
            what="an identification object is named, and not how to ask for it",
            mend="add identification: basic, regular, extended or individual",
        )
    if not objects and one.identification is not None:
        yield Fault(
            path=("identification",),
            code="map-identification",
            what="identification is set and no field names an object",
            mend="take it out, or name an object",
        )


def _identity(one: RegisterMap) -> Iterator[Fault]:
    if not any(
        getattr(one.identity, name) is not None
        for name in ("vendor", "model", "orderCode", "swRev")
    ):
        yield Fault(
            path=("identity",),
            code="map-identity",
            what="the identity has none of vendor, model, orderCode and swRev",
            mend="add what tells this family and its firmware apart",
        )


def _fits(one: RegisterMap) -> Iterator[Fault]:
    asked = {
        "vendors": ("vendor", one.fits.vendors),
        "models": ("model", one.fits.models),
        "order_codes": ("orderCode", one.fits.order_codes),
        "versions": ("swRev", one.fits.versions),
    }
    for key, (attribute, wanted) in asked.items():
        if wanted and getattr(one.identity, attribute) is None:
            yield Fault(
                path=("fits", key),
                code="map-fits",
                what=f"it chooses by {attribute}, which the identity does not read",
                mend=f"add {attribute} to identity, or take {key} out",
            )


def _twice(one: RegisterMap) -> Iterator[Fault]:
    for name in type(one.identity).model_fields:
        if getattr(one.identity, name) is not None and getattr(one.nameplate, name) is not None:
            yield Fault(
                path=("nameplate", name),
                code="map-field-twice",
                what=f"{name} stands in identity already",
                mend="keep it in one of the two",
            )


def _words_of_status(one: RegisterMap) -> Iterator[Fault]:
    for name, allowed in (("health", HEALTH_WORDS), ("behaviour", BEHAVIOUR_WORDS)):
        field = getattr(one.status, name)
        for code, word in field.names.items() if isinstance(field, Enumerated) else ():
            if word not in allowed:
                yield Fault(
                    path=("status", name, "names", code),
                    code="map-status-word",
                    what=f"{word!r} is no {name}",
                    mend=f"use one of: {', '.join(allowed)}",
                )


def _flags_explained(one: RegisterMap) -> Iterator[Fault]:
    for at, source in enumerate(one.status.flags):
        for flag in sorted(set(_flags_of(source)) - one.flags.keys()):
            yield Fault(
                path=("status", "flags", at),
                code="map-flag-unexplained",
                what=f"{flag} has no entry under flags",
                mend=f"add flags.{flag} with kind, cleared_by and says",
            )


def _flags_sourced(one: RegisterMap) -> Iterator[Fault]:
    told = {flag for source in one.status.flags for flag in _flags_of(source)}
    for flag in sorted(one.flags.keys() - told):
        yield Fault(
            path=("flags", flag),
            code="map-flag-unsourced",
            what=f"nothing under status.flags tells {flag}",
            mend="add its bit or code, or take it out",
        )


def _flags_once(one: RegisterMap) -> Iterator[Fault]:
    seen: set[str] = set()
    for at, source in enumerate(one.status.flags):
        told = _flags_of(source)
        for flag in sorted({flag for flag in told if flag in seen or told.count(flag) > 1}):
            yield Fault(
                path=("status", "flags", at),
                code="map-flag-twice",
                what=f"{flag} is told by two bits or sources",
                mend="keep one; two bits that mean the same need two names",
            )
        seen.update(told)


def _flags_of(source: FlagSource) -> tuple[str, ...]:
    """As often as bits tell them; the codes of one register tell a flag once between them."""
    match source:
        case FlagBits(bits=bits):
            return tuple(bits.values())
        case FlagCode(codes=codes):
            return tuple({flag for flags in codes.values() for flag in flags})
        case FlagBit(flag=flag):
            return (flag,)


def _flag_bits(one: RegisterMap) -> Iterator[Fault]:
    for at, source in enumerate(one.status.flags):
        if isinstance(source, FlagBits):
            for bit in source.bits:
                if bit >= 16 * source.registers:
                    yield Fault(
                        path=("status", "flags", at, "bits", bit),
                        code="map-flag-bit",
                        what=f"bit {bit} is beyond the {16 * source.registers} of its registers",
                        mend=f"bits are 0 to {16 * source.registers - 1}; or raise registers:",
                    )


def _version_patterns(one: RegisterMap) -> Iterator[Fault]:
    for path, field in fields(one):
        if isinstance(field, VersionParts):
            wrong = _wrong_placeholders(field)
            if wrong is not None:
                yield Fault(
                    path=(*path, "pattern"),
                    code="map-version-pattern",
                    what=wrong,
                    mend=f'name each part once, as in "{{0}}.{{1:02}}"; there are '
                    f"{len(field.parts)}",
                )


def _version_address(one: RegisterMap) -> Iterator[Fault]:
    for path, field in fields(one):
        if isinstance(field, VersionParts):
            lowest = min(part.address for part in field.parts)
            if field.address != lowest:
                yield Fault(
                    path=(*path, "address"),
                    code="map-version-address",
                    what=f"address {field.address} is not that of the lowest part, {lowest}",
                    mend=f"set address: {lowest}",
                )


def _wrong_placeholders(field: VersionParts) -> str | None:
    named = PLACEHOLDER.findall(field.pattern)
    rest = PLACEHOLDER.sub("", field.pattern)
    if "{" in rest or "}" in rest:
        return "a brace of the pattern belongs to no part"
    if sorted(named) != [str(at) for at in range(len(field.parts))]:
        told = ", ".join(f"{{{name}}}" for name in named)
        return f"the pattern names {told or 'no part'}"
    return None


def _scheme(one: RegisterMap) -> Iterator[Fault]:
    scheme = one.version_scheme
    if isinstance(scheme, Pattern):
        for fault in version_pattern.faults(scheme.pattern, scheme.order):
            yield Fault(
                path=("version_scheme", "pattern"),
                code="map-scheme-pattern",
                what=fault,
                mend="keep it short, with one named group for each name in order",
            )


def _bounds(one: RegisterMap) -> Iterator[Fault]:
    versions = one.fits.versions
    if versions is None or list(_scheme(one)):
        return
    for name, text in (("from", versions.from_), ("below", versions.below)):
        if text is not None and not readable(text, one.version_scheme):
            yield Fault(
                path=("fits", "versions", name),
                code="map-version-unreadable",
                what=f"{text!r} can't be read under {one.version_scheme.kind}",
                mend="spell it as the relay does, or choose the scheme that fits",
            )


def _scales(one: RegisterMap) -> Iterator[Fault]:
    for path, field in fields(one):
        if getattr(field, "scale", 1) == 0:
            yield Fault(
                path=(*path, "scale"),
                code="map-scale",
                what="a scale of 0 makes every value the same",
                mend="leave scale out, or give what one step of the raw value is worth",
            )


CHECKS: Final[tuple[Check[RegisterMap], ...]] = (
    Check(_identification, needs=("identity", "nameplate", "components", "identification")),
    Check(_identity),
    Check(_fits, needs=("identity",)),
    Check(_twice),
    Check(_words_of_status),
    Check(_flags_explained, needs=("flags",)),
    Check(_flags_sourced, needs=("status",)),
    Check(_flags_once),
    Check(_flag_bits),
    Check(_version_patterns),
    Check(_version_address),
    Check(_scheme),
    Check(_bounds, needs=("version_scheme",)),
    Check(_scales),
)
