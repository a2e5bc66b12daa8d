"""The page of problem codes, config/problems.md: from the codes and the broken files."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from poller.model.problem_codes import CODES

# a code's first word to its heading; those of no group stand first, since any file can have them
HEADINGS: Final = {
    "": "Any file",
    "yaml": "Text that is no plain YAML",
    "secret": "Secrets",
    "site": "Site files",
    "map": "Register maps",
    "approved": "The approved list",
    "alarms": "The catalogue of alarms",
    "advisories": "Families that advisories name",
    "advisory": "Advisories (CSAF 2.0)",
    "outages": "Outages",
    "scl": "Station descriptions (SCL, IEC 61850-6)",
    "csv": "Relay lists as CSV",
    "scenario": "Scenarios of the simulator",
    "output": "Outputs",
    "journal": "The journal",
}


def problem_page(examples: Mapping[str, str]) -> str:
    """Markdown. examples: code to a message as it is printed; codes without one have none."""
    parts = [
        "# Problems\n",
        "Every problem that Bayroll tells carries a code in brackets, which never changes. Each "
        "code stands here with what it means and, where a file can cause it, an example. This page "
        "is generated; `python -m tests.site.corpus` writes it.\n",
    ]
    for group, heading in HEADINGS.items():
        parts.append(f"## {heading}\n")
        for code, meaning in sorted(CODES.items()):
            if _group(code) == group:
                parts.append(f"### {code}\n\n{meaning[0].upper()}{meaning[1:]}.\n")
                if code in examples:
                    parts.append(f"```\n{examples[code]}\n```\n")
    return "\n".join(parts)


def _group(code: str) -> str:
    first = code.split("-", 1)[0]
    return first if first in HEADINGS else ""
