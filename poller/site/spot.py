"""Where in a model a fault lies: which keys are known there, and the reason for the bound."""

from __future__ import annotations

from dataclasses import dataclass
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel, Tag
from pydantic.fields import FieldInfo


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """keys: of the map around the last step; why: the description of the last step, if any."""

    keys: tuple[str, ...] = ()
    why: str | None = None


def find(model: type[BaseModel], loc: tuple[str | int, ...]) -> Spot:
    """loc: as pydantic gives it, names of a union's members and [key] among the steps."""
    kind: Any = model
    keys: tuple[str, ...] = ()
    why: str | None = None
    for step in loc:
        kind, inner = _plain(kind)
        why = inner or why
        members = _members(kind)
        if members:
            chosen = next((one for one in members if _tag(one) == str(step)), None)
            if chosen is not None:
                kind = chosen
                continue
            kind, _ = _plain(members[0])
            if len(members) > 1:
                return Spot(why=why)
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            fields = {field.alias or name: field for name, field in kind.model_fields.items()}
            keys = tuple(fields)
            if step not in fields:
                return Spot(keys=keys)
            kind, why = fields[str(step)].annotation, fields[str(step)].description
        elif get_origin(kind) is dict:
            of_key, of_value = get_args(kind)
            keys, why = (), None
            kind = of_key if loc[-1] == "[key]" and step == loc[-2] else of_value
        elif get_origin(kind) is tuple:
            kind, why = get_args(kind)[0], None
    _, inner = _plain(kind)
    return Spot(keys=keys, why=inner or why)


def _plain(kind: Any) -> tuple[Any, str | None]:
    """Without Annotated and `| None`, and the description found on the way."""
    why = None
    while True:
        if get_origin(kind) is Annotated:
            inner, *notes = get_args(kind)
            said = [one.description for one in notes if isinstance(one, FieldInfo)]
            why = next((one for one in said if one), why)
            kind = inner
            continue
        alone = [one for one in _members(kind) if one is not NoneType]
        if len(alone) == 1:
            kind = alone[0]
            continue
        return kind, why


def _members(kind: Any) -> list[Any]:
    if get_origin(kind) not in (Union, UnionType):
        return []
    return [one for one in get_args(kind) if one is not NoneType]


def _tag(member: Any) -> str | None:
    """How pydantic calls this member of a union in loc."""
    if get_origin(member) is Annotated:
        return next((one.tag for one in get_args(member) if isinstance(one, Tag)), None)
    if isinstance(member, type) and issubclass(member, BaseModel):
        for field in member.model_fields.values():
            if get_origin(field.annotation) is Literal:
                return str(get_args(field.annotation)[0])
    return None
