"""Text of a site and of the files that it names into a Site, or into every fault at once.

Shape first (is each key known, is each value one), then what must hold together. Where the shape is
at fault, the rest of the file is still checked for the second kind.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Collection, Iterable, Sequence
from pathlib import PurePosixPath
from typing import Any, Final, TypeVar

from pydantic import BaseModel, ValidationError

from poller.model import limits
from poller.model.canonical import encode
from poller.model.problems import Faulty, Problem
from poller.model.text import shown
from poller.site import faults, shape, yaml_lines
from poller.site.advisory_families import AdvisoryFamilies
from poller.site.alarm_catalogue import Catalogue
from poller.site.approved import Approved
from poller.site.builtin import ANY
from poller.site.check_alarms import check_alarms, check_relays
from poller.site.check_approved import check_approved
from poller.site.check_families import check_families
from poller.site.check_map import check_map
from poller.site.check_site import check_site
from poller.site.register_map import MAP_NAME, RegisterMap
from poller.site.salvage import salvage
from poller.site.secrets import secret_problems
from poller.site.settings import Site, SiteFile
from poller.site.yaml_lines import Lined, Path

M = TypeVar("M", bound=BaseModel)
Read = Callable[[str], str]
"""The text of a path; raises OSError."""
More = Callable[[M, Lined, tuple[Path, ...]], Iterable[Problem]]
"""What must hold together: of a model, its lines, and the paths that were cut from it."""
# ValueError: text that is not UTF-8, and a name with a NUL in it
UNREADABLE: Final = (OSError, ValueError)


def parse(model: type[M], text: str, file: str) -> M:
    """One file against its model. Raises Faulty with every fault of its shape."""
    return lined(model, text, file)[0]


def lined(model: type[M], text: str, file: str) -> tuple[M, Lined]:
    """As parse, with the lines for whoever checks further."""
    source = yaml_lines.read(text, file)
    found, problems = _checked(model, source, file, lambda one, lines, cut: ())
    return _sound(found, problems), source


def load_map(text: str, file: str) -> RegisterMap:
    """Raises Faulty."""
    return _sound(*_map(text, file))


def load_approved(text: str, file: str) -> Approved:
    """Raises Faulty."""
    return _sound(*_approved(text, file))


def load_families(text: str, file: str) -> AdvisoryFamilies:
    """Raises Faulty."""
    return _sound(*_families(text, file))


def load_alarms(text: str, file: str) -> Catalogue:
    """A catalogue by itself, whatever relays there are. Raises Faulty."""
    return _sound(*_alarms(text, file, None))


def load_site(path: str, read: Read) -> Site:
    """The site of that file, the maps it uses, and the other files that it names.

    Maps lie in maps_folder, each as NAME.yaml; it and the other files are beside the site file
    unless absolute. Raises Faulty: all faults of all files.
    """
    try:
        text = read(path)
    except UNREADABLE as reason:
        what = f"{path} can't be read: {why_unreadable(reason)}"
        mend = mend_unreadable(reason, "name a site file that can be read")
        raise Faulty(
            [Problem(code="site-file-unreadable", file=path, what=what, mend=mend)]
        ) from reason
    source = yaml_lines.read(text, path)
    shelf = _Shelf(path, source, read)
    shelf.take_all()
    site, problems = _checked(
        SiteFile,
        source,
        path,
        lambda one, lines, cut: check_site(one, shelf.maps, lines, path, cut),
    )
    approved, approved_texts, approved_problems = _beside("approved", path, source, read, _approved)
    listed = [_get(relay, "id") for relay in _list(_get(source.value, "relays"))]
    alarms, alarms_texts, alarms_problems = _beside(
        "alarms", path, source, read, lambda text, file: _alarms(text, file, listed)
    )
    families, families_texts, families_problems = _beside(
        "advisories", path, source, read, _families
    )
    problems += [*shelf.problems, *approved_problems, *alarms_problems, *families_problems]
    problems += secret_problems(source, path)
    file = _sound(site, problems)
    texts = {PurePosixPath(path).name: text} | shelf.texts | approved_texts | alarms_texts
    texts |= families_texts
    recorded = encode(texts)
    if len(recorded) > limits.SITE_BYTES_MAX:
        raise Faulty([_too_big(path, len(recorded))])
    digest = hashlib.sha256(recorded).hexdigest()
    return Site(
        file=file,
        maps=shelf.maps,
        texts=texts,
        sha256=digest,
        approved=approved,
        alarms=alarms,
        advisories=families,
    )


def _too_big(path: str, size: int) -> Problem:
    return Problem(
        code="site-too-big",
        file=path,
        what=f"with the files that it names it is {size} octets long, one event of the journal "
        f"carries {limits.SITE_BYTES_MAX}",
        mend="take out comments and maps that no relay needs, or part it into two sites",
    )


CALLED: Final = {
    "approved": "an approved list",
    "alarms": "a catalogue of alarms",
    "advisories": "a file of advisories' names",
}


def _beside(
    key: str,
    site_path: str,
    source: Lined,
    read: Read,
    load: Callable[[str, str], tuple[M | None, list[Problem]]],
) -> tuple[M | None, dict[str, str], list[Problem]]:
    """The file that a site names under this key, its text by name, and what is wrong with it."""
    named = _get(source.value, key)
    if not isinstance(named, str) or not named:  # none, or the site is at fault
        return None, {}, []
    file = str(PurePosixPath(site_path).parent / named)
    try:
        text = read(file)
    except UNREADABLE as reason:
        fault = faults.Fault(
            path=(key,),
            code=f"{key}-file-missing",
            what=f"{shown(file)} can't be read: {why_unreadable(reason)}",
            mend=mend_unreadable(reason, f"name {CALLED[key]} that is there, or leave the key out"),
        )
        return None, {}, [faults.problem(fault, source, site_path)]
    try:
        found, problems = load(text, file)
    except Faulty as reason:  # no YAML at all
        return None, {}, list(reason.problems)
    return found, {f"{key}/{PurePosixPath(named).name}": text}, problems


class _Shelf:
    """The maps that a site names, loaded one by one; even where the site itself is at fault."""

    def __init__(self, site_path: str, source: Lined, read: Read) -> None:
        self._site_path, self._source, self._read = site_path, source, read
        self.maps: dict[str, RegisterMap] = {}
        self.texts: dict[str, str] = {}
        self.problems: list[Problem] = []

    def take_all(self) -> None:
        folder = _get(self._source.value, "maps_folder")
        beside = PurePosixPath(self._site_path).parent
        beside /= (
            folder if isinstance(folder, str) else SiteFile.model_fields["maps_folder"].default
        )
        for name, path in self._named().items():
            if name == ANY.map:
                self.maps[name] = ANY
            elif re.fullmatch(MAP_NAME, name):  # else the site is at fault; and no path is built
                self._take(name, str(beside / f"{name}.yaml"), path)

    def _named(self) -> dict[str, Path]:
        """Names of maps, each with the place that names it first."""
        found: dict[str, Path] = {}
        for at, relay in enumerate(_list(_get(self._source.value, "relays"))):
            for number, name in enumerate(_list(_get(relay, "maps"))):
                if isinstance(name, str):
                    found.setdefault(name, ("relays", at, "maps", number))
        return found

    def _take(self, name: str, file: str, named_at: Path) -> None:
        try:
            text = self._read(file)
        except UNREADABLE as reason:
            fault = faults.Fault(
                path=named_at,
                code="site-map-missing",
                what=f"{file} can't be read: {why_unreadable(reason)}",
                mend=mend_unreadable(
                    reason, f"put {name}.yaml into the maps folder, or name a map that is there"
                ),
            )
            self.problems.append(faults.problem(fault, self._source, self._site_path))
            return
        try:
            found, problems = _map(text, file, name)
        except Faulty as reason:  # no YAML at all
            self.problems += reason.problems
            return
        self.problems += problems
        if found is not None:
            self.maps[name], self.texts[f"maps/{name}.yaml"] = found, text


def _map(text: str, file: str, name: str | None = None) -> tuple[RegisterMap | None, list[Problem]]:
    """name: what the map must call itself; None: whatever it likes. Raises Faulty for no YAML."""
    return _checked(
        RegisterMap,
        yaml_lines.read(text, file),
        file,
        lambda one, lines, cut: check_map(one, lines, file, cut, name=name),
    )


def _approved(text: str, file: str) -> tuple[Approved | None, list[Problem]]:
    """Raises Faulty for no YAML."""
    return _checked(
        Approved,
        yaml_lines.read(text, file),
        file,
        lambda one, lines, cut: check_approved(one, lines, file, cut),
    )


def _families(text: str, file: str) -> tuple[AdvisoryFamilies | None, list[Problem]]:
    """Raises Faulty for no YAML."""
    return _checked(
        AdvisoryFamilies,
        yaml_lines.read(text, file),
        file,
        lambda one, lines, cut: check_families(one, lines, file, cut),
    )


def _alarms(
    text: str, file: str, relays: Collection[str] | None
) -> tuple[Catalogue | None, list[Problem]]:
    """relays: ids that the site lists, None: there is no site. Raises Faulty for no YAML."""

    def more(one: Catalogue, lines: Lined, cut: tuple[Path, ...]) -> Iterable[Problem]:
        known = [] if relays is None else check_relays(one, relays, lines, file)
        return [*check_alarms(one, lines, file, cut), *known]

    return _checked(Catalogue, yaml_lines.read(text, file), file, more)


def _checked(
    model: type[M],
    source: Lined,
    file: str,
    more: More[M],
) -> tuple[M | None, list[Problem]]:
    """The model, or None, and the problems of both kinds."""
    try:
        one = model.model_validate(source.value)
    except ValidationError as reason:
        problems = shape.problems(reason, source, model, file)
        few = reason.error_count() <= limits.PROBLEMS_MAX  # else there is enough to mend
        left = salvage(model, source, reason) if few else None
        return None, [*problems, *(more(*left) if left else ())]
    return one, list(more(one, source, ()))


def _sound(one: M | None, problems: Sequence[Problem]) -> M:
    """Raises Faulty where there is any problem: once each, in the order of the files' lines."""
    if problems:
        once = dict.fromkeys(problems)
        ordered = sorted(once, key=lambda p: (p.file, p.line or 0, p.at, p.code))
        raise Faulty(ordered[: limits.PROBLEMS_MAX])
    assert one is not None, "no model and no problem"
    return one


def why_unreadable(reason: OSError | ValueError) -> str:
    """Of UNREADABLE, for people."""
    if isinstance(reason, UnicodeDecodeError):
        return "it is not UTF-8 text"
    return getattr(reason, "strerror", None) or "no file can have this name"


def mend_unreadable(reason: OSError | ValueError, otherwise: str) -> str:
    """otherwise: what helps where the file is not there."""
    if isinstance(reason, UnicodeDecodeError):
        return "save it as UTF-8"
    if isinstance(reason, PermissionError):
        return "let the user who runs Bayroll read it, and enter its folder"
    return otherwise


def _get(value: Any, key: str) -> Any:
    return value.get(key) if isinstance(value, dict) else None


def _list(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []
