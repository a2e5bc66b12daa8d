"""What a command writes: into a file that is not there yet, or to its output."""

from __future__ import annotations

from pathlib import Path

import typer

from poller.model.problems import Faulty, Problem


def put(data: bytes, out: Path | None) -> None:
    """Into a file that is not there yet, or to the output as it is. Raises Faulty."""
    if out is None:
        typer.echo(data, nl=False)
        return
    try:
        with out.open("xb") as opened:
            opened.write(data)
    except FileExistsError as reason:
        what = "there is such a file already, and it is not written over"
        mend = "name another, or move that one away"
        raise Faulty([Problem(code="file-exists", file=str(out), what=what, mend=mend)]) from reason
    except OSError as reason:
        mend = "name a file in a folder that you may write to"
        raise fault("file-unwritable", out, reason, mend) from reason


def fault(code: str, file: Path, reason: OSError | UnicodeDecodeError, mend: str) -> Faulty:
    why = getattr(reason, "strerror", None) or "it is not UTF-8 text"
    done = "written" if code == "file-unwritable" else "read"
    what = f"it can't be {done}: {why}"
    return Faulty([Problem(code=code, file=str(file), what=what, mend=mend)])
