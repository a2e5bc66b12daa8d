"""Text of a site and its maps into a Site, or into every fault of every file at once."""

from __future__ import annotations

import difflib
import hashlib
from collections.abc import Callable
from pathlib import PurePosixPath
from typing import Any, Final, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from poller.model import limits
from poller.model.canonical import encode
from poller.model.problems import Faulty, Problem
from poller.site import register_map, settings, yaml_lines
from poller.site.builtin import ANY
from poller.site.check_map import check_map
from poller.site.check_site import check_site
from poller.site.register_map import RegisterMap
from poller.site.settings import Site, SiteFile
from poller.site.yaml_lines import Lined, Path

M = TypeVar("M", bound=BaseModel)
Read = Callable[[str], str]
"""The text of a path; raises OSError."""

SECRET_WORDS: Final = ("password", "user", "passphrase")


def parse(model: type[M], text: str, file: str) -> M:
    """One file against its model. Raises Faulty with every fault of the file."""
    return lined(model, text, file)[0]


def lined(model: type[M], text: str, file: str) -> tuple[M, Lined]:
    """As parse, with the lines for whoever checks further."""
    source = yaml_lines.read(text, file)
    try:
        return model.model_validate(source.value), source
    except ValidationError as reason:
        errors = reason.errors(include_url=False)
        problems = [_problem(error, source, model, file) for error in errors]
        raise Faulty(_in_order(problems)) from reason


def load_map(text: str, file: str) -> RegisterMap:
    """Raises Faulty."""
    one, source = lined(RegisterMap, text, file)
    problems = check_map(one, source, file)
    if problems:
        raise Faulty(_in_order(problems))
    return one


def load_site(path: str, read: Read) -> Site:
    """The site of that file and the maps it uses. Raises Faulty: all faults of all files.

    Maps lie in maps_folder, beside the site file unless absolute, each as NAME.yaml.
    """
    text = _text(path, read, "site-file-unreadable", "name a site file that can be read")
    site, source = lined(SiteFile, text, path)
    problems: list[Problem] = []
    maps: dict[str, RegisterMap] = {}
    texts = {PurePosixPath(path).name: text}
    for name in _named_maps(site):
        if name == ANY.map:
            maps[name] = ANY
            continue
        file = str(PurePosixPath(path).parent / site.maps_folder / f"{name}.yaml")
        try:
            map_text = _text(file, read, "site-map-missing", _map_mend(name))
            one = load_map(map_text, file)
        except Faulty as reason:
            problems += _at_the_first_use(reason.problems, site, source, path, name)
            continue
        maps[name] = one
        texts[f"{name}.yaml"] = map_text
        if one.map != name:
            problems.append(
                Problem(
                    code="map-name",
                    file=file,
                    line=None,
                    at="map",
                    what=f"the map calls itself {one.map}, its file {name}",
                    mend=f"write map: {name}, or rename the file",
                )
            )
    problems += check_site(site, maps, source, path)
    if problems:
        raise Faulty(_in_order(problems))
    digest = hashlib.sha256(encode(dict(sorted(texts.items())))).hexdigest()
    return Site(file=site, maps=maps, texts=texts, sha256=digest)


def _named_maps(site: SiteFile) -> list[str]:
    return list(dict.fromkeys(name for relay in site.relays for name in relay.maps))


def _map_mend(name: str) -> str:
    return f"put {name}.yaml into the maps folder, or name a map that is there"


def _at_the_first_use(
    problems: tuple[Problem, ...], site: SiteFile, source: Lined, path: str, name: str
) -> list[Problem]:
    """A missing map is a fault of the line that names it; the faults of a map are its own."""
    found = []
    for problem in problems:
        if problem.code == "site-map-missing":
            at = next(n for n, relay in enumerate(site.relays) if name in relay.maps)
            line = source.line(("relays", at, "maps"))
            problem = Problem(
                code=problem.code,
                file=path,
                line=line,
                at=f"relays[{site.relays[at].id}].maps",
                what=problem.what,
                mend=problem.mend,
            )
        found.append(problem)
    return found


def _text(path: str, read: Read, code: str, mend: str) -> str:
    try:
        return read(path)
    except (OSError, UnicodeDecodeError) as reason:
        why = getattr(reason, "strerror", None) or "it is not UTF-8 text"
        problem = Problem(code=code, file=path, what=f"{path} can't be read: {why}", mend=mend)
        raise Faulty([problem]) from reason


def _in_order(problems: list[Problem]) -> list[Problem]:
    ordered = sorted(problems, key=lambda one: (one.file, one.line or 0, one.at, one.code))
    return ordered[: limits.PROBLEMS_MAX]


# What pydantic found, in our words.


def _problem(error: ErrorDetails, source: Lined, model: type[BaseModel], file: str) -> Problem:
    path = _path_in_file(error["loc"], source.value)
    code, what, mend = _words(error, path, source.value)
    return Problem(
        code=code,
        file=file,
        line=source.line(path),
        at=_spelled(path, source.value),
        what=what,
        mend=mend,
    )


def _path_in_file(loc: tuple[str | int, ...], value: Any) -> Path:
    """loc without the names of classes that pydantic puts between."""
    path: list[str | int] = []
    for at, step in enumerate(loc):
        inside = isinstance(value, (dict, list))
        if isinstance(value, dict) and step in value:
            value = value[step]
        elif isinstance(value, dict) and isinstance(step, str) and step.lstrip("-").isdigit():
            step = int(step)
            value = value.get(step)
        elif isinstance(value, list) and isinstance(step, int) and step < len(value):
            value = value[step]
        elif inside and at == len(loc) - 1:
            value = None  # a key that is missing
        else:
            continue  # a tag of a union, or [key]
        path.append(step)
    return tuple(path)


def _spelled(path: Path, value: Any) -> str:
    """identity.swRev; a relay by its id and not by its number."""
    text = ""
    for step in path:
        if isinstance(step, int) and isinstance(value, list):
            item = value[step] if step < len(value) else None
            named = item.get("id") if isinstance(item, dict) else None
            text += f"[{named if isinstance(named, str) else step}]"
        else:
            text += f".{step}" if text else str(step)
        try:
            value = value[step]
        except (KeyError, IndexError, TypeError):
            value = None
    return text


def _words(error: ErrorDetails, path: Path, value: Any) -> tuple[str, str, str]:
    """Code, what, mend of one pydantic error."""
    kind, context = error["type"], error.get("ctx", {})
    key = str(path[-1]) if path else ""
    given = error["input"]
    match kind:
        case "extra_forbidden":
            return _unknown_key(key, path, value)
        case "missing":
            return "key-missing", f"{key} is missing", f"add {key}:"
        case "field_type":
            said = given.get("type") if isinstance(given, dict) else given
            what = "no type is given" if said is None else f"there is no type {said!r} here"
            return "field-type", what, error["msg"]
        case "string_pattern_mismatch":
            return (
                "text-pattern",
                f"{_short(given)} is not spelled as it must be",
                f"spell it after {context['pattern']}",
            )
        case "literal_error" | "enum" | "union_tag_invalid":
            expected = context.get("expected") or context.get("expected_tags")
            return "word-unknown", f"{_short(given)} is none of the words", f"use {expected}"
        case "union_tag_not_found":
            return "key-missing", "kind is missing", "add kind:"
        case "greater_than_equal" | "less_than_equal" | "greater_than" | "less_than":
            bound = next(iter(context.values()))
            side = "below" if kind.startswith("greater") else "above"
            return "number-bound", f"{_short(given)} is {side} the bound {bound}", _bound(context)
        case "too_short" | "too_long" | "string_too_short" | "string_too_long":
            most = context.get("max_length", context.get("min_length"))
            return (
                "length-bound",
                f"{_count(given)}, the bound is {most}",
                f"give {'at most' if 'long' in kind else 'at least'} {most}",
            )
        case _:
            return "type-wrong", f"{_short(given)} is {_kind(given)}", _wanted(kind)


def _unknown_key(key: str, path: Path, value: Any) -> tuple[str, str, str]:
    parent = path[-2] if len(path) > 1 else ""
    if parent in SECRET_WORDS or (parent == "broker" and key.startswith("pass")):
        return (
            "secret-in-file",
            "a secret does not belong in a file that is shown and recorded",
            "name an environment variable (env: NAME) or a file (file: PATH) that holds it",
        )
    near = difflib.get_close_matches(key, _known_keys(path, value), n=1)
    hint = f"write {near[0]}" if near else "take it out, or correct its name"
    return "key-unknown", f"there is no key {key} here", hint


def _known_keys(path: Path, value: Any) -> list[str]:
    """Keys of our models: enough to guess what a slip of the finger meant."""
    classes = [*vars(register_map).values(), *vars(settings).values()]
    return sorted(
        {
            field.alias or name
            for one in classes
            if isinstance(one, type) and issubclass(one, BaseModel)
            for name, field in one.model_fields.items()
        }
    )


def _bound(context: dict[str, Any]) -> str:
    (name, bound), *_ = context.items()
    side = {"ge": "at least", "gt": "more than", "le": "at most", "lt": "less than"}[name]
    return f"give {side} {bound}"


def _short(given: Any) -> str:
    text = repr(given)
    return text if len(text) <= 60 else text[:57] + "..."


def _count(given: Any) -> str:
    return f"{len(given)} given" if hasattr(given, "__len__") else _short(given)


def _kind(given: Any) -> str:
    return {
        str: "text", bool: "true or false", int: "a whole number", float: "a number",
        dict: "a map of keys", list: "a list", type(None): "nothing",
    }.get(type(given), type(given).__name__)  # fmt: skip


def _wanted(kind: str) -> str:
    wanted = {
        "string_type": "write text; in quotes if it looks like a number",
        "int_type": "write a whole number",
        "int_from_float": "write a whole number",
        "float_type": "write a number",
        "bool_type": "write true or false",
        "tuple_type": "write a list, each item behind a dash",
        "dict_type": "write keys and values",
        "model_type": "write keys and values",
        "model_attributes_type": "write keys and values",
    }
    return wanted.get(kind, "see an example in config/")
