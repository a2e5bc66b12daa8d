"""Every test server notes the function codes it is asked, in subprocesses too."""

from __future__ import annotations

import os
from pathlib import Path

VARIABLE = "BAYROLL_FUNCTION_CODES"


def record(code: int, mei: int | None = None) -> None:
    """Appends "3" or "43/14" to the file that the variable names; nothing where it names none."""
    name = os.environ.get(VARIABLE)
    if name:
        line = str(code) if mei is None else f"{code}/{mei}"
        # one write, in append mode: lines of several processes don't mix
        with Path(name).open("ab", buffering=0) as file:
            file.write(f"{line}\n".encode())


def record_pdu(pdu: bytes) -> None:
    """The same for a request as received; MEI is the octet behind function code 43."""
    if pdu:
        record(pdu[0], pdu[1] if pdu[0] == 43 and len(pdu) > 1 else None)


def recorded(file: Path) -> set[str]:
    return set(file.read_text().split()) if file.exists() else set()
