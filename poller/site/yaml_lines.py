"""YAML text to plain values, and the line of each: the safe part of YAML 1.2 and nothing more.

Maps, lists, text, numbers, true, false and null. No anchors, tags, or objects. Numbers may be
hexadecimal (0x1F); `on`, `off`, `yes` and `no` are text.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Final, TypeAlias

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.nodes import MappingNode, ScalarNode, SequenceNode

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


def read(text: str, file: str) -> Lined:
    """Raises Faulty: with the first fault where the text is no YAML, with all where it is."""
    if len(text.encode(errors="surrogatepass")) > limits.FILE_BYTES_MAX:
        raise Faulty(
            [
                Problem(
                    code="file-too-big",
                    file=file,
                    what=f"more than {limits.FILE_BYTES_MAX} octets",
                    mend="split it, or take out what does not belong",
                )
            ]
        )
    try:
        _refuse_anchors(text, file)
        node = YAML(typ="safe", pure=True).compose(text)
    except MarkedYAMLError as reason:
        mark = reason.problem_mark or reason.context_mark
        raise Faulty([_no_yaml(file, mark.line + 1 if mark else None, reason.problem)]) from reason
    except (YAMLError, ValueError, RecursionError) as reason:
        raise Faulty([_no_yaml(file, None, str(reason).splitlines()[0])]) from reason
    reader = _Reader(file)
    value = reader.build(node, ()) if node is not None else None
    if reader.problems:
        raise Faulty(reader.problems)
    return Lined(value=value, lines=reader.lines)


def _no_yaml(file: str, line: int | None, why: str | None) -> Problem:
    return Problem(
        code="yaml-unreadable",
        file=file,
        line=line,
        what=f"this is no YAML: {why or 'it can not be read'}",
        mend="look at this line and the one before: indentation, quotes, a missing colon",
    )


def _refuse_anchors(text: str, file: str) -> None:
    """Anchors and tags, and depth, before anything is built; documents beyond the first too."""
    depth = documents = 0
    for event in YAML(typ="safe", pure=True).parse(text):
        name = type(event).__name__
        line = event.start_mark.line + 1
        documents += name == "DocumentStartEvent"
        depth += (name in ("MappingStartEvent", "SequenceStartEvent")) - (
            name in ("MappingEndEvent", "SequenceEndEvent")
        )
        if depth > limits.YAML_DEPTH_MAX:
            raise Faulty(
                [
                    Problem(
                        code="yaml-too-deep",
                        file=file,
                        line=line,
                        what=f"more than {limits.YAML_DEPTH_MAX} levels inside one another",
                        mend="no file of Bayroll needs so many; look at the indentation",
                    )
                ]
            )
        if name == "AliasEvent" or getattr(event, "anchor", None) is not None:
            raise Faulty([_not_taken(file, line, "an anchor or alias (& or *)")])
        if getattr(event, "tag", None) not in (None, "!"):
            raise Faulty([_not_taken(file, line, "a tag (!)")])
        if documents > 1:
            raise Faulty([_not_taken(file, line, "a second document (---)")])


def _not_taken(file: str, line: int, what: str) -> Problem:
    return Problem(
        code="yaml-not-plain",
        file=file,
        line=line,
        what=f"{what} stands here",
        mend="write the value out; if it is text, put it in quotes",
    )


class _Reader:
    def __init__(self, file: str) -> None:
        self.file = file
        self.lines: dict[Path, int] = {}
        self.problems: list[Problem] = []

    def build(self, node: Any, path: Path) -> Any:
        self.lines.setdefault(path, node.start_mark.line + 1)
        if isinstance(node, ScalarNode):
            return self._scalar(node)
        if isinstance(node, SequenceNode):
            return [self._item(item, (*path, at)) for at, item in enumerate(node.value)]
        assert isinstance(node, MappingNode)
        found: dict[str | int, Any] = {}
        for key_node, value_node in node.value:
            key = self._key(key_node)
            if key is None:
                continue
            if key in found:
                self._fault(
                    key_node,
                    "yaml-key-twice",
                    f"{key} stands twice in the same place",
                    "keep one of them",
                )
                continue
            self.lines[(*path, key)] = key_node.start_mark.line + 1
            found[key] = self.build(value_node, (*path, key))
        return found

    def _item(self, node: Any, path: Path) -> Any:
        self.lines[path] = node.start_mark.line + 1
        return self.build(node, path)

    def _key(self, node: Any) -> str | int | None:
        value = self._scalar(node) if isinstance(node, ScalarNode) else None
        if isinstance(value, bool) or not isinstance(value, (str, int)):
            self._fault(
                node, "yaml-key", "a key that is neither text nor a whole number", "name it"
            )
            return None
        return value

    def _scalar(self, node: ScalarNode) -> Any:
        text = str(node.value)
        if node.style in ("'", '"', "|", ">"):
            return text
        if text in WORDS:
            return WORDS[text]
        if len(text) <= NUMBER_DIGITS_MAX:
            if INT.fullmatch(text):
                return int(text)
            if HEX.fullmatch(text):
                return int(text, 16)
            if FLOAT.fullmatch(text):
                return float(text)
        return text

    def _fault(self, node: Any, code: str, what: str, mend: str) -> None:
        if len(self.problems) < limits.PROBLEMS_MAX:
            line = node.start_mark.line + 1
            self.problems.append(
                Problem(code=code, file=self.file, line=line, what=what, mend=mend)
            )
