"""What pydantic finds wrong with a file's shape, in our words: what, where, and how to mend it."""

from __future__ import annotations

import difflib
from typing import Any, Final

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from poller.model import limits
from poller.model.problems import Problem
from poller.site import spot
from poller.site.secrets import hides_secret, secret_problem
from poller.site.spot import Spot
from poller.site.yaml_lines import Lined, Path

SHOWN_MAX: Final = 60  # characters of a wrong value that a message repeats


def problems(
    reason: ValidationError, source: Lined, model: type[BaseModel], file: str
) -> list[Problem]:
    """One for each fault, at most limits.PROBLEMS_MAX."""
    errors = reason.errors(include_url=False)[: limits.PROBLEMS_MAX]
    found = [_problem(error, source, model, file) for error in errors if not _echo(error)]
    return list(dict.fromkeys(found))  # both halves of a union may say the same


def _echo(error: ErrorDetails) -> bool:
    """A list said to be too short because its items are at fault, which is told of them."""
    if error["type"] != "too_short":
        return False
    return bool(len(error["input"]) >= error["ctx"]["min_length"])


def path_in_file(
    model: type[BaseModel], loc: tuple[str | int, ...], value: Any
) -> tuple[Path, Spot]:
    """loc without what pydantic puts between, with keys as the file has them; and what is there."""
    where = spot.find(model, loc)
    path: list[str | int] = []
    for step in where.path:
        if isinstance(value, dict) and step not in value:
            # whole numbers too big for a machine word come as text
            step = next((key for key in value if str(key) == step), step)
        path.append(step)
        try:
            value = value[step]
        except (KeyError, IndexError, TypeError):
            value = None  # missing
    return tuple(path), where


def _problem(error: ErrorDetails, source: Lined, model: type[BaseModel], file: str) -> Problem:
    path, where = path_in_file(model, error["loc"], source.value)
    if hides_secret(path):
        return secret_problem(path, source, file)
    code, what, mend = _words(error, path, where)
    return Problem(
        code=code,
        file=file,
        line=source.line(path),
        at=source.spelled(path),
        what=what,
        mend=mend,
    )


def _words(error: ErrorDetails, path: Path, where: Spot) -> tuple[str, str, str]:
    """Code, what, mend of one pydantic error."""
    kind, context = error["type"], error.get("ctx", {})
    key = str(path[-1]) if path else ""
    given = error["input"]
    match kind:
        case "extra_forbidden":
            near = difflib.get_close_matches(key, where.keys, n=1)
            known = f"take it out; known here: {', '.join(where.keys)}"
            return (
                "key-unknown",
                f"there is no key {key} here",
                (f"write {near[0]}" if near else known),
            )
        case "missing":
            return "key-missing", f"{key} is missing", _with(f"add {key}:", where.why)
        case "field_type":
            said = given.get("type") if isinstance(given, dict) else given
            what = "no type is given" if said is None else f"there is no type {_short(said)} here"
            return "field-type", what, error["msg"]
        case "string_pattern_mismatch":
            what = f"{_short(given)} is not spelled as it must be"
            return "text-pattern", what, f"use {where.why or context['pattern']}"
        case "literal_error" if key == "format":
            what = f"this Bayroll reads format {context['expected']}, not {_short(given)}"
            return "format-unknown", what, f"write format: {context['expected']}"
        case "literal_error" | "union_tag_invalid":
            expected = context.get("expected") or context["expected_tags"]
            said = context.get("tag") or _short(given)
            return "word-unknown", f"{said} is none of the words", f"use {expected}"
        case "union_tag_not_found":
            return "key-missing", "kind is missing", "add kind:"
        case "greater_than_equal" | "less_than_equal" | "greater_than" | "less_than":
            ((name, bound),) = context.items()
            side = "below" if name in ("ge", "gt") else "above"
            bounded = SIDES[name].format(f"{bound:.15g}")
            return "number-bound", f"{_short(given)} is {side} the bound", _with(bounded, where.why)
        case "too_short" | "too_long" | "string_too_short" | "string_too_long":
            return "length-bound", *_length(kind, context, given, where)
        case "day":
            return "text-pattern", f"{_short(given)} is no day of the calendar", error["msg"]
        case _ if given is None or isinstance(given, (dict, list)):
            return "type-wrong", f"{_kind(given)} stands here", _wanted(kind)
        case _:
            return "type-wrong", f"{_short(given)} is {_kind(given)}", _wanted(kind)


SIDES: Final = {
    "ge": "give at least {}",
    "gt": "give more than {}",
    "le": "give at most {}",
    "lt": "give less than {}",
}


def _length(kind: str, context: dict[str, Any], given: Any, where: Spot) -> tuple[str, str]:
    unit = "characters" if isinstance(given, str) else "entries"
    if kind.endswith("short"):
        return f"{len(given)} {unit} are too few", f"give at least {context['min_length']}"
    return (
        f"{len(given)} {unit} are too many",
        _with(f"give at most {context['max_length']}", where.why),
    )


def _with(mend: str, why: str | None) -> str:
    return f"{mend} ({why})" if why else mend


def _short(given: Any) -> str:
    """As it stands in a file, cut where it is long."""
    text = str(given).lower() if isinstance(given, bool) or given is None else repr(given)
    return text if len(text) <= SHOWN_MAX else text[: SHOWN_MAX - 3] + "..."


def _kind(given: Any) -> str:
    return {
        str: "text", bool: "neither text nor a number", int: "a whole number", float: "a number",
        dict: "a map of keys", list: "a list", type(None): "nothing",
    }[type(given)]  # fmt: skip


WANTED: Final = {
    "string_type": "write text; in quotes if it looks like a number",
    "int_type": "write a whole number",
    "int_from_float": "write a whole number",
    "int_parsing": "write a whole number",
    "float_type": "write a number",
    "bool_type": "write true or false",
    "tuple_type": "write a list, each item behind a dash",
    "dict_type": "write keys and values",
    "model_type": "write keys and values",
    "model_attributes_type": "write keys and values",
}


def _wanted(kind: str) -> str:
    return WANTED.get(kind, "see an example in config/")
