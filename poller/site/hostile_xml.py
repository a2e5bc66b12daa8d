"""XML that a stranger may have written, one element after another, and nothing held of it.

Expat without a document type: where one begins the reading ends, so that no entity can be declared,
expanded or fetched. Everything else that could grow has a bound in limits. Opens nothing itself.
Source of the dangers: the security notes on XML of the Python documentation.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Final, NoReturn, TypeAlias
from xml.parsers import expat

from poller.model import limits
from poller.model.problems import Faulty, Problem
from poller.model.text import shown

BETWEEN: Final = "}"  # a namespace and a local name; neither XML names nor paths have it
ELSEWHERE: Final = "!"  # the path of what no one asks for
NAME_KEPT_MAX: Final = 40  # of a local name in a path; none that is asked for is longer


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """path: /SCL/IED, local names from the root; attributes as expat has them, URI}name."""

    path: str
    attributes: dict[str, str]
    line: int


@dataclass(frozen=True, slots=True, kw_only=True)
class End:
    """text: what stood in the element itself, cut; empty unless it was asked for."""

    path: str
    text: str


Event: TypeAlias = Start | End


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What to tell of. path: is this one wanted; text: is its text; leads: is it, or may one in it.

    root, namespace: of the document element. apart: the name of an element that holds what is not
    ours. What is in it, or of another namespace, is never told of.
    """

    root: str
    namespace: str
    path: Callable[[str], bool]
    text: Callable[[str], bool]
    leads: Callable[[str], bool]
    apart: str


def events(chunks: Iterable[bytes], file: str, wanted: Wanted) -> Iterator[Event]:
    """Starts and ends of wanted elements, in document order. Raises Faulty at the first fault."""
    reader = _Reader(file, wanted)
    for chunk in chunks:
        reader.take(chunk, last=False)
        yield from reader.found
        reader.found.clear()
    reader.take(b"", last=True)
    yield from reader.found


class _Reader:
    def __init__(self, file: str, wanted: Wanted) -> None:
        self.found: list[Event] = []
        self._file, self._wanted = file, wanted
        self._names: dict[str, str] = {}
        self._paths = [""]
        self._namespace: str | None = None  # of the root, once it was seen
        self._text: list[str] | None = None
        self._room = 0
        self._fed = 0
        parser = expat.ParserCreate(None, BETWEEN, self._names)
        parser.buffer_text = True
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        # told only so that their names are counted
        parser.StartNamespaceDeclHandler = _nothing
        # the first fires before anything is declared; the others would, were it to fail
        parser.StartDoctypeDeclHandler = self._document_type
        parser.EntityDeclHandler = self._document_type
        parser.UnparsedEntityDeclHandler = self._document_type
        parser.ExternalEntityRefHandler = self._document_type
        parser.SetParamEntityParsing(expat.XML_PARAM_ENTITY_PARSING_NEVER)
        self._parser = parser

    def take(self, chunk: bytes, *, last: bool) -> None:
        self._fed += len(chunk)
        if self._fed > limits.SCL_BYTES_MAX:
            self._fail(
                "scl-too-big",
                f"more than {limits.SCL_BYTES_MAX} octets",
                "export the substation in parts, or without what vendors keep for themselves",
            )
        try:
            self._parser.Parse(chunk, last)
        except expat.ExpatError as reason:
            self._fail(
                "scl-unreadable",
                f"this is no well-formed XML: {expat.ErrorString(reason.code)}",
                "export the file again from the tool that wrote it",
                reason.lineno,
            )
        except (LookupError, ValueError):  # no such encoding, or one of several octets a character
            self._fail(
                "scl-unreadable",
                "the file says that it is written in an encoding that can't be read",
                "export the file again, as UTF-8",
                1,
            )
        # an unfinished tag is held, and looked at again with every piece
        if self._fed - self._parser.CurrentByteIndex > limits.SCL_TAG_BYTES_MAX and not last:
            self._fail(
                "scl-too-big",
                f"one tag or comment is longer than {limits.SCL_TAG_BYTES_MAX} octets",
                "look at this line; no tool writes such a tag",
                self._parser.CurrentLineNumber,
            )
        if len(self._names) > limits.SCL_NAMES_MAX:
            self._fail(
                "scl-too-many",
                f"more than {limits.SCL_NAMES_MAX} names of elements and attributes",
                "no tool writes so many; export the file again from the tool that wrote it",
            )

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        if len(self._paths) > limits.SCL_DEPTH_MAX:
            self._fail(
                "scl-too-deep",
                f"more than {limits.SCL_DEPTH_MAX} elements inside one another",
                "no tool writes so many; export the file again from the tool that wrote it",
                self._parser.CurrentLineNumber,
            )
        # most of a file is of no interest, and is passed over fast
        path = ELSEWHERE if self._paths[-1] is ELSEWHERE else self._path(name)
        self._paths.append(path)
        if path is ELSEWHERE:
            return
        self._leave_text()  # of the element around it, which is not asked for in pieces
        if self._wanted.path(path):
            line = self._parser.CurrentLineNumber
            self.found.append(Start(path=path, attributes=attributes, line=line))
            if self._wanted.text(path):
                self._text, self._room = [], limits.TEXT_MAX
                self._parser.CharacterDataHandler = self._characters

    def _path(self, name: str) -> str:
        namespace, _, local = name.rpartition(BETWEEN)
        around = self._paths[-1]
        if not around:
            self._namespace = self._root(namespace, local)
        if namespace != self._namespace or local == self._wanted.apart:
            return ELSEWHERE
        path = f"{around}/{local[:NAME_KEPT_MAX]}"
        return path if self._wanted.leads(path) else ELSEWHERE

    def _root(self, namespace: str, local: str) -> str:
        """Some tools leave the namespace out; another one is another language."""
        if local != self._wanted.root or namespace not in (self._wanted.namespace, ""):
            said = f"{_short(local)} of {_short(namespace) or 'no namespace'}"
            self._fail(
                "scl-not-scl",
                f"the outermost element is {said}",
                f"name a file that holds {self._wanted.root} of {self._wanted.namespace}",
                self._parser.CurrentLineNumber,
            )
        return namespace

    def _end(self, name: str) -> None:
        path = self._paths.pop()
        if path is ELSEWHERE:
            return
        if self._wanted.path(path):
            self.found.append(End(path=path, text="".join(self._text or ())))
        self._leave_text()

    def _characters(self, text: str) -> None:
        if self._text is not None and self._room > 0:
            self._text.append(text[: self._room])
            self._room -= len(text)

    def _leave_text(self) -> None:
        if self._text is not None:
            self._text = None
            self._parser.CharacterDataHandler = None

    def _document_type(self, *declared: Any) -> NoReturn:
        self._fail(
            "scl-document-type",
            "a document type (<!DOCTYPE>) stands here, and entities may come with it",
            "SCL needs none: take it out, or ask where the file comes from",
            self._parser.CurrentLineNumber,
        )

    def _fail(self, code: str, what: str, mend: str, line: int | None = None) -> NoReturn:
        raise Faulty([Problem(code=code, file=self._file, line=line, what=what, mend=mend)])


def _short(text: str) -> str:
    return shown(text, most=limits.SENTENCE_TEXT_MAX)


def _nothing(*told: Any) -> None:
    return None
