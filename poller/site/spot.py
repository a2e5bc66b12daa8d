"""Where in a model a fault lies: which keys are known there, and the reason for the bound."""

from __future__ import annotations

from dataclasses import dataclass
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel, Tag
from pydantic.fields import FieldInfo


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """path: in the file; keys: of the map around its last step; why: that step's description."""

    path: tuple[str | int, ...] = ()
    keys: tuple[str, ...] = ()
    why: str | None = None


def find(model: type[BaseModel], loc: tuple[str | int, ...]) -> Spot:
    """loc: as pydantic gives it, names of a union's members and [key] among the steps."""
    kind: Any = model
    keys: tuple[str, ...] = ()
    why: str | None = None
    path: list[str | int] = []
    for at, step in enumerate(loc):
        kind, inner = _plain(kind)
        why = inner or why
        members = _members(kind)
        if members:
            chosen = next((one for one in members if _tag(one) == str(step)), None)
            if chosen is not None:
                kind = chosen
                continue
        if step == "[key]":
            break
        path.append(step)
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            fields = {field.alias or name: field for name, field in kind.model_fields.items()}
            keys = tuple(fields)
            if step not in fields:
                return Spot(path=(*path, *loc[at + 1 :]), keys=keys)
            kind, why = fields[str(step)].annotation, fields[str(step)].description
        elif get_origin(kind) is dict:
            of_key, of_value = get_args(kind)
            keys, why = (), None
            kind = of_key if loc[at + 1 :] == ("[key]",) else of_value
        elif get_origin(kind) is tuple:
            kind, why = get_args(kind)[0], None
    _, inner = _plain(kind)
    return Spot(path=tuple(path), keys=keys, why=inner or why)


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
