"""What is left of a faulty file once its faults are taken out, so that the rest is checked too.

Only for finding more faults at once: nothing that was salvaged is ever used.
"""

from __future__ import annotations

from typing import Any, Final, TypeVar

from pydantic import BaseModel, ValidationError

from poller.site.shape import path_in_file
from poller.site.yaml_lines import Lined, Path

M = TypeVar("M", bound=BaseModel)
ROUNDS_MAX: Final = 6  # each takes out what stands around what was at fault before
# what a file can't do without, so that a fault in one of these does not hide those of the rest
STAND_INS: Final[dict[str, Any]] = {
    "format": 1,
    "site": "x",
    "name": "x",
    "map": "x",
    "family": "x",
    "numbering": "zero_based",
    "version_scheme": {"kind": "dotted"},
    "identity": {},
}
# lists of which a faulty item is cut whole, so that the others are still held against each other
WHOLE: Final = ("relays", "rules", "entries")
CUT_MAX: Final = 50  # past it the file is of another kind, and guesses would mislead


def salvage(
    model: type[M], source: Lined, reason: ValidationError
) -> tuple[M, Lined, tuple[Path, ...]] | None:
    """The model of what is left, its lines, and the paths that were cut; None: too little is left.

    A faulty relay, rule or entry is cut whole, all else at the nearest key that can be missing.
    """
    left, cut = source, list[Path]()
    for _ in range(ROUNDS_MAX):
        paths = {
            _to_cut(model, error["loc"], error["type"], left.value) for error in reason.errors()
        }
        if () in paths or len(cut) + len(paths) > CUT_MAX:
            return None
        for path in sorted(paths, key=lambda one: [(isinstance(s, str), s) for s in one])[::-1]:
            left = _without(left, path)
        cut += paths
        gone = [str(path[0]) for path in cut if path[0] in model.model_fields]
        fill = {key: STAND_INS[key] for key in gone if key in STAND_INS}
        try:
            return model.model_validate(fill | left.value), left, tuple(cut)
        except ValidationError as again:
            reason = again
    return None


def _to_cut(model: type[BaseModel], loc: tuple[str | int, ...], kind: str, value: Any) -> Path:
    """The key at fault; for a missing key what stands around it; for an item its whole list."""
    path, _ = path_in_file(model, loc, value)
    if path[:1] and path[0] in WHOLE and len(path) > 1:
        return path[:2]
    if kind == "missing" and len(path) == 1 and path[0] in STAND_INS:
        return path
    if kind == "missing":
        path = path[:-1]
    while path and not _is_key(path, value):
        path = path[:-1]
    return path


def _is_key(path: Path, value: Any) -> bool:
    """Whether the path ends at a key of a map, and lies in the file."""
    for step in path[:-1]:
        value = value[step]
    return isinstance(value, dict) and path[-1] in value


def _without(source: Lined, path: Path) -> Lined:
    value = _cut(source.value, path)
    if not isinstance(path[-1], int) or path[0] not in WHOLE:
        return Lined(value=value, lines=source.lines)
    section, gone = path[0], path[-1]
    lines: dict[Path, int] = {}
    for at, line in source.lines.items():
        if len(at) > 1 and at[0] == section and isinstance(at[1], int) and at[1] >= gone:
            if at[1] == gone:
                continue
            at = (section, at[1] - 1, *at[2:])
        lines[at] = line
    return Lined(value=value, lines=lines)


def _cut(value: Any, path: Path) -> Any:
    """A copy of the value without what stands at the path."""
    step, *rest = path
    if isinstance(value, dict) and step not in value:
        return value  # it was missing
    if isinstance(value, list):
        assert isinstance(step, int)
        inner = [] if not rest else [_cut(value[step], tuple(rest))]
        return [*value[:step], *inner, *value[step + 1 :]]
    if not rest:
        return {key: one for key, one in value.items() if key != step}
    return {key: _cut(one, tuple(rest)) if key == step else one for key, one in value.items()}
