"""YAML text to plain values, and the line of each: the safe part of YAML 1.2 and nothing more.

Maps, lists, text, numbers, true, false and null. No anchors, tags, or objects. Numbers may be
hexadecimal (0x1F); `on`, `off`, `yes` and `no` are text. Values are built from the parser's events
in one pass, since a site of thousands of relays is long.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Final, TypeAlias

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    Event,
    MappingEndEvent,
    NodeEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)

from poller.model import limits
from poller.model.problems import Faulty, Problem

Path: TypeAlias = tuple[str | int, ...]
INT: Final = re.compile(r"[-+]?[0-9]+")
HEX: Final = re.compile(r"0x[0-9A-Fa-f]+")
FLOAT: Final = re.compile(r"[-+]?([0-9]+\.[0-9]*|\.[0-9]+|[0-9]+)([eE][-+]?[0-9]+)?")
WORDS: Final[dict[str, bool | None]] = {
    "true": True, "True": True, "false": False, "False": False, "null": None, "~": None, "": None,
}  # fmt: skip
NUMBER_DIGITS_MAX: Final = 40
QUOTED: Final = ("'", '"', "|", ">")


@dataclass(frozen=True, slots=True, kw_only=True)
class Lined:
    """value: plain; lines: path to the line (from 1) of its key, or of the item in a list."""

    value: Any
    lines: dict[Path, int]

    def line(self, path: Path) -> int | None:
        """Of the path, else of the nearest thing around it that has one."""
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines.get(path)

    def spelled(self, path: Path) -> str:
        """identity.swRev, ranges[0].first; a relay by its id: relays[q01-main1].host."""
        text, value = "", self.value
        for step in path:
            if isinstance(value, list) and isinstance(step, int):
                value = value[step] if step < len(value) else None
                named = value.get("id") if isinstance(value, dict) else None
                text += f"[{named if isinstance(named, str) else step}]"
            else:
                value = value.get(step) if isinstance(value, dict) else None
                text += f".{step}" if text else str(step)
        return text


def read(text: str, file: str) -> Lined:
    """Raises Faulty: with the first fault where the text is no YAML, with all where it is."""
    if len(text.encode(errors="surrogatepass")) > limits.FILE_BYTES_MAX:
        raise Faulty([_too_big(file, None, f"more than {limits.FILE_BYTES_MAX} octets")])
    reader = _Reader(file)
    for word in text.split():
        if len(word) > limits.YAML_WORD_MAX and "!" in word:
            raise Faulty([_too_big(file, None, f"a tag of {len(word)} characters")])
    try:
        value = reader.document(YAML(typ="safe", pure=True).parse(text))
    except MarkedYAMLError as reason:
        mark = reason.problem_mark or reason.context_mark
        raise Faulty([_no_yaml(file, mark.line + 1 if mark else None, reason.problem)]) from reason
    except (YAMLError, ValueError) as reason:
        raise Faulty([_no_yaml(file, None, next(iter(str(reason).splitlines()), None))]) from reason
    if reader.problems:
        raise Faulty(reader.problems)
    return Lined(value=value, lines=reader.lines)


def _too_big(file: str, line: int | None, what: str) -> Problem:
    mend = "split it, or take out what does not belong"
    return Problem(code="file-too-big", file=file, line=line, what=what, mend=mend)


def _no_yaml(file: str, line: int | None, why: str | None) -> Problem:
    return Problem(
        code="yaml-unreadable",
        file=file,
        line=line,
        what=f"this is no YAML: {why or 'it can not be read'}",
        mend="look at this line and the one before: indentation, quotes, a missing colon",
    )


class _Reader:
    """Events in, plain values out. Raises Faulty at once for what makes all the rest doubtful."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.lines: dict[Path, int] = {}
        self.problems: list[Problem] = []
        self._events: Iterator[Event] = iter(())
        self._documents = 0
        self._nodes = 0

    def document(self, events: Iterable[Event]) -> Any:
        """The one document of these events; None where there is none."""
        self._events = iter(events)
        found = None
        while (event := self._next()) is not None:
            if isinstance(event, NodeEvent):
                found = self._value(event, ())
        return found

    def _next(self) -> Event | None:
        event = next(self._events, None)
        if event is None:
            return None
        self._documents += isinstance(event, DocumentStartEvent)
        if self._documents > 1:
            mend = "keep one in this file, and put the other into a file of its own"
            what = "a second document (---) stands here"
            raise Faulty([self._problem(event, "yaml-not-plain", what, mend)])
        if isinstance(event, AliasEvent) or getattr(event, "anchor", None) is not None:
            raise self._not_plain(event, "an anchor or alias (& or *)")
        self._nodes += isinstance(event, NodeEvent)
        if self._nodes > limits.YAML_NODES_MAX:
            what = f"more than {limits.YAML_NODES_MAX} keys and values"
            raise Faulty([_too_big(self.file, _line(event), what)])
        if isinstance(event, NodeEvent) and getattr(event, "tag", None) not in (None, "!"):
            raise self._not_plain(event, "a tag (!)")
        return event

    def _value(self, event: Event | None, path: Path, depth: int = 0) -> Any:
        """What begins with this event. Calls itself no deeper than the bound."""
        assert event is not None, "the parser ends what it began"
        self.lines.setdefault(path, _line(event))
        if isinstance(event, ScalarEvent):
            return _scalar(event)
        if depth >= limits.YAML_DEPTH_MAX:
            what = f"more than {limits.YAML_DEPTH_MAX} levels inside one another"
            mend = "no file of Bayroll needs so many; look at the indentation"
            raise Faulty([self._problem(event, "yaml-too-deep", what, mend)])
        if isinstance(event, SequenceStartEvent):
            items: list[Any] = []
            while not isinstance(inner := self._next(), SequenceEndEvent):
                self._few_enough(inner, len(items))
                items.append(self._value(inner, (*path, len(items)), depth + 1))
            return items
        found: dict[str | int, Any] = {}
        while not isinstance(inner := self._next(), MappingEndEvent):
            self._few_enough(inner, len(found))
            key = self._key(inner, found, depth)
            if key is None:
                self._value(self._next(), (), depth + 1)  # its lines are nobody's
                continue
            self.lines[*path, key] = _line(inner)
            found[key] = self._value(self._next(), (*path, key), depth + 1)
        return found

    def _few_enough(self, event: Event | None, before: int) -> None:
        if before >= limits.YAML_ENTRIES_MAX:
            what = f"more than {limits.YAML_ENTRIES_MAX} entries of one list or map"
            raise Faulty([_too_big(self.file, _line(event), what)])

    def _key(
        self, event: Event | None, found: dict[str | int, Any], depth: int
    ) -> str | int | None:
        """None, and a problem noted, where it can't be one."""
        key = self._value(event, (), depth + 1)
        if isinstance(key, bool) or not isinstance(key, (str, int)):
            what = "a key that is neither text nor a whole number"
            self._note(event, "yaml-key", what, "write the key as text, in quotes if need be")
            return None
        if key in found:
            what = f"{key} stands twice in the same place"
            self._note(event, "yaml-key-twice", what, "keep one of them")
            return None
        return key

    def _not_plain(self, event: Event, what: str) -> Faulty:
        mend = "write the value out; if it is text, put it in quotes"
        return Faulty([self._problem(event, "yaml-not-plain", f"{what} stands here", mend)])

    def _note(self, event: Event | None, code: str, what: str, mend: str) -> None:
        if len(self.problems) < limits.PROBLEMS_MAX:
            self.problems.append(self._problem(event, code, what, mend))

    def _problem(self, event: Event | None, code: str, what: str, mend: str) -> Problem:
        line = _line(event)
        return Problem(code=code, file=self.file, line=line, what=what, mend=mend)


def _line(event: Event | None) -> int:
    assert event is not None
    return int(event.start_mark.line) + 1


def _scalar(event: ScalarEvent) -> Any:
    """A plain scalar as the core schema has it, less what two readers take differently."""
    text = str(event.value)
    if event.style in QUOTED:
        return text
    if text in WORDS:
        return WORDS[text]
    if len(text) <= NUMBER_DIGITS_MAX:
        if INT.fullmatch(text):
            return int(text)
        if HEX.fullmatch(text):
            return int(text, 16)
        if FLOAT.fullmatch(text) and math.isfinite(number := float(text)):
            return number
    return text
