"""The corpus of broken files: what each says is kept beside it, message and code.

broken/site/NAME.yaml is read as a site, broken/map/NAME.yaml as a map, broken/approved/NAME.yaml as
an approved list, broken/families/NAME.yaml as a file of advisories' names, broken/alarms/NAME.yaml
as a catalogue of alarms, broken/scl/NAME.xml as a station description, broken/csv/NAME.csv as a
relay list; NAME.txt is all that is said of it. A case without such a file is one that is not there.
`python -m tests.site.corpus` writes the .txt of new cases (read them before you keep them),
config/problems.md, and config/alarms.yaml from the catalogue that ships in the program.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

from poller.model import limits
from poller.model.problem_page import problem_page
from poller.model.problems import Faulty
from poller.site.load import load_alarms, load_approved, load_families, load_map, load_site
from poller.site.relay_csv import read_csv
from poller.site.scl import draft_site
from poller.site.shipped_alarms import TEXT

HERE: Final = Path(__file__).parent / "broken"
ROOT: Final = Path(__file__).parents[2]
CATALOGUE: Final = ROOT / "config" / "alarms.yaml"
PAGE: Final = ROOT / "config" / "problems.md"
BOUND: Final = re.compile(r"(?:#|<!--) bound for this case: ([A-Z_]+) ([0-9]+)(?: -->)?\n")
ENDINGS: Final = {"scl": ".xml", "csv": ".csv"}  # the others are .yaml
PROBLEM: Final = re.compile(r"\S.* \[([a-z0-9-]+)\]\n    mend: .*\n")


def names() -> list[str]:
    """site/empty, map/read-effect; sorted."""
    found = {path.relative_to(HERE).with_suffix("") for path in HERE.glob("*/*.*")}
    return sorted(str(name) for name in found)


def expected(name: str) -> str:
    return (HERE / f"{name}.txt").read_text(encoding="utf-8")


def message(name: str) -> str:
    """What is said of the case now. Raises AssertionError where it is not refused."""
    kind = name.split("/", maxsplit=1)[0]
    path = HERE / f"{name}{ENDINGS.get(kind, '.yaml')}"
    bound = BOUND.match(path.read_bytes()[:80].decode("latin-1")) if path.exists() else None
    kept = {bound[1]: getattr(limits, bound[1])} if bound else {}
    try:
        if bound:
            setattr(limits, bound[1], int(bound[2]))
        match kind:
            case "site":
                load_site(str(path), _read)
            case "map":
                load_map(_read(str(path)), str(path))
            case "approved":
                load_approved(_read(str(path)), str(path))
            case "families":
                load_families(_read(str(path)), str(path))
            case "alarms":
                load_alarms(_read(str(path)), str(path))
            case "csv":
                read_csv(path.read_bytes(), str(path))
            case "scl":  # what is drafted all the same is told of in notes
                notes = draft_site([path.read_bytes()], str(path)).notes
                if notes:
                    raise Faulty(notes)
    except Faulty as faulty:
        return str(faulty).replace(f"{path.parent}/", "") + "\n"
    finally:
        for key, value in kept.items():
            setattr(limits, key, value)
    raise AssertionError(f"{name} is not refused")


def _read(path: str) -> str:
    return Path(path).read_text(encoding="utf-8")


def examples() -> dict[str, str]:
    """A problem for each code that any corpus has, the shortest of them."""
    found: dict[str, str] = {}
    for path in sorted((ROOT / "tests").glob("*/broken/**/*.txt")):
        for problem in PROBLEM.finditer(path.read_text(encoding="utf-8")):
            text = problem[0].rstrip("\n")
            if len(text) < len(found.get(problem[1], text + "x")):
                found[problem[1]] = text
    return found


def page() -> str:
    return problem_page(examples())


if __name__ == "__main__":
    for new in names():
        kept = HERE / f"{new}.txt"
        if not kept.exists() or not kept.read_text(encoding="utf-8"):
            kept.write_text(message(new), encoding="utf-8")
    PAGE.write_text(page(), encoding="utf-8")
    CATALOGUE.write_text(TEXT, encoding="utf-8")
