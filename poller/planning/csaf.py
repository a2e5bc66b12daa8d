"""The octets of a file into a CSAF 2.0 document, or into every fault at once.

Documents come from outside: their size, depth and counts are bounded before anything is made of
them, and one that contradicts itself about what its ids mean is not used at all.
"""

from __future__ import annotations

import json
from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final, TypeAlias

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from poller.model import limits
from poller.model.canonical import unstamp
from poller.model.problems import Faulty, Problem
from poller.model.text import shown
from poller.planning.csaf_shape import Document
from poller.planning.product_tree import Product, products

Pointer: TypeAlias = str
"""JSON pointer (RFC 6901): where in a document."""
ASK: Final = "ask whoever published it for one that is right; a person reads it meanwhile"


@dataclass(frozen=True, slots=True, kw_only=True)
class Advisory:
    """file: its name. products: by id. groups: ids of products by the id of their group."""

    file: str
    document: Document
    products: Mapping[str, Product]
    groups: Mapping[str, tuple[str, ...]]


def read(data: bytes, file: str) -> Advisory:
    """Raises Faulty with all that is wrong."""
    document = _document(_value(data, file), file)
    problems = list(_references(document, file))
    if problems:
        raise Faulty(problems[: limits.PROBLEMS_MAX])
    found = {one.id: one for one in products(document.product_tree)}
    groups = {one.group_id: one.product_ids for one in document.product_tree.product_groups}
    return Advisory(file=file, document=document, products=found, groups=groups)


def newest(advisories: Iterable[Advisory]) -> tuple[Advisory, ...]:
    """Of several versions of one document that which was released last; by file."""
    kept: dict[tuple[str, str], Advisory] = {}
    for one in sorted(advisories, key=lambda one: one.file):
        head = one.document.document
        key = (head.publisher.namespace, head.tracking.id)
        before = kept.get(key)
        if before is None or _released(before) <= _released(one):
            kept[key] = one
    return tuple(sorted(kept.values(), key=lambda one: one.file))


def _released(one: Advisory) -> datetime:
    """One whose date is none counts as the oldest."""
    try:
        return unstamp(one.document.document.tracking.current_release_date)
    except ValueError:
        return datetime.min.replace(tzinfo=UTC)


def _value(data: bytes, file: str) -> Any:
    if len(data) > limits.CSAF_BYTES_MAX:
        what = f"{len(data):,} octets; at most {limits.CSAF_BYTES_MAX:,} are read"
        raise _fault("advisory-too-big", file, "", what, ASK)
    try:
        value = json.loads(
            data.decode("utf-8-sig"), object_pairs_hook=_once, parse_constant=_no_number
        )
    except (ValueError, RecursionError) as reason:
        says = "its parts stand too deep" if isinstance(reason, RecursionError) else str(reason)
        what = f"it is no JSON text: {shown(says)}"
        raise _fault("advisory-unreadable", file, "", what, "fetch it again") from reason
    _bounded(value, file)
    return value


def _once(pairs: Sequence[tuple[str, Any]]) -> dict[str, Any]:
    """Of two values under one name nobody could say which is meant."""
    found = dict(pairs)
    if len(found) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise ValueError(f"{twice} stands twice in one object")
    return found


def _no_number(word: str) -> Any:
    raise ValueError(f"{word} is no number of JSON")


def _bounded(value: Any, file: str) -> None:
    """Nothing of it is deeper than anything that walks through it can go."""
    waiting: list[tuple[Any, int]] = [(value, 1)]
    while waiting:
        one, depth = waiting.pop()
        if depth > limits.CSAF_DEPTH_MAX:
            what = f"its parts stand more than {limits.CSAF_DEPTH_MAX} deep in one another"
            raise _fault("advisory-too-big", file, "", what, ASK)
        if isinstance(one, dict):
            waiting += ((inner, depth + 1) for inner in one.values())
        elif isinstance(one, list):
            waiting += ((inner, depth + 1) for inner in one)


def _document(value: Any, file: str) -> Document:
    try:
        found = Document.model_validate(value)
    except ValidationError as reason:
        errors = reason.errors(include_url=False)[: limits.PROBLEMS_MAX]
        told = [_shape(error, file) for error in errors if not _echo(error)]
        raise Faulty(dict.fromkeys(told)) from reason
    number = sum(1 for _ in products(found.product_tree))
    if number > limits.CSAF_PRODUCTS_MAX:
        what = f"{number:,} products; at most {limits.CSAF_PRODUCTS_MAX:,} are read"
        raise _fault("advisory-too-big", file, "/product_tree", what, ASK)
    return found


def _echo(error: ErrorDetails) -> bool:
    """A list said to be too short because its items are at fault, which is told of them."""
    if error["type"] != "too_short":
        return False
    return bool(len(error["input"]) >= error["ctx"]["min_length"])


def _shape(error: ErrorDetails, file: str) -> Problem:
    at = pointer(*error["loc"])
    name = str(error["loc"][-1]) if error["loc"] else "the document"
    match error["type"]:
        case "missing":
            what = f"{name} is missing"
        case "too_short" | "string_too_short":
            what = f"{name} is empty"
        case "too_long" | "string_too_long":
            what = f"{name} is longer than {error['ctx']['max_length']:,}"
        case "model_type" | "model_attributes_type":
            what = f"{name} is no object"
        case "tuple_type":
            what = f"{name} is no list"
        case "string_type":
            what = f"{name} is no text"
        case "enum" | "literal_error":
            what = f"{shown(repr(error['input']), 60)} is none of {error['ctx']['expected']}"
        case _:
            what = error["msg"][:1].lower() + error["msg"][1:]
    return Problem(code="advisory-shape", file=file, at=at, what=what, mend=ASK)


def _references(document: Document, file: str) -> Iterator[Problem]:
    """Tests 6.1.1 to 6.1.5 of CSAF 2.0: every id is defined once, and none by itself."""
    tree = document.product_tree
    found = list(products(tree))
    yield from _twice(((one.id, one.pointer) for one in found), "product", file)
    groups = [
        (one.group_id, pointer("product_tree", "product_groups", at))
        for at, one in enumerate(tree.product_groups)
    ]
    yield from _twice(groups, "group", file)
    known, names = {one.id for one in found}, {name for name, _ in groups}
    for at, name in _product_ids(document):
        if name not in known:
            yield _unknown(name, "product", at, file)
    for number, one in enumerate(document.vulnerabilities):
        for where, remedy in enumerate(one.remediations):
            at = pointer("vulnerabilities", number, "remediations", where, "group_ids")
            yield from (
                _unknown(name, "group", at, file) for name in remedy.group_ids if name not in names
            )
    yield from _circles(found, file)


def _twice(given: Iterable[tuple[str, Pointer]], kind: str, file: str) -> Iterator[Problem]:
    seen: dict[str, Pointer] = {}
    for name, at in given:
        if name in seen:
            what = f"{kind} id {shown(name)} is given at {seen[name]} already"
            yield Problem(code="advisory-id-twice", file=file, at=at, what=what, mend=ASK)
        seen.setdefault(name, at)


def _unknown(name: str, kind: str, at: Pointer, file: str) -> Problem:
    what = f"{kind} id {shown(name)} is defined nowhere"
    return Problem(code="advisory-id-unknown", file=file, at=at, what=what, mend=ASK)


def _product_ids(document: Document) -> Iterator[tuple[Pointer, str]]:
    """Every id of a product that something refers to."""
    tree = document.product_tree
    for at, group in enumerate(tree.product_groups):
        where = pointer("product_tree", "product_groups", at, "product_ids")
        yield from ((where, name) for name in group.product_ids)
    for at, bond in enumerate(tree.relationships):
        where = pointer("product_tree", "relationships", at)
        yield f"{where}/product_reference", bond.product_reference
        yield f"{where}/relates_to_product_reference", bond.relates_to_product_reference
    for at, one in enumerate(document.vulnerabilities):
        where = pointer("vulnerabilities", at)
        for status, names in one.product_status:
            yield from ((f"{where}/product_status/{status}", name) for name in names)
        for number, score in enumerate(one.scores):
            yield from ((f"{where}/scores/{number}/products", name) for name in score.products)
        for number, remedy in enumerate(one.remediations):
            place = f"{where}/remediations/{number}/product_ids"
            yield from ((place, name) for name in remedy.product_ids)


def _circles(found: Sequence[Product], file: str) -> Iterator[Problem]:
    """Those that are made of themselves, and what is made of them; or too many in one another."""
    parts = {one.id: () if one.bond is None else (one.bond.of, one.bond.to) for one in found}
    plain = {name for name, needs in parts.items() if not needs}
    waiting = [one for one in found if parts[one.id]]
    for _ in range(limits.CSAF_BONDS_MAX):
        rest = [one for one in waiting if not plain.issuperset(set(parts[one.id]) & parts.keys())]
        plain |= {one.id for one in waiting} - {one.id for one in rest}
        waiting = rest
    for one in waiting:
        what = f"product id {shown(one.id)} is made of itself, or of too many in one another"
        yield Problem(code="advisory-circle", file=file, at=one.pointer, what=what, mend=ASK)


def pointer(*path: Hashable) -> Pointer:
    return "".join("/" + str(step).replace("~", "~0").replace("/", "~1") for step in path)


def _fault(code: str, file: str, at: str, what: str, mend: str) -> Faulty:
    return Faulty([Problem(code=code, file=file, at=at, what=what, mend=mend)])
