"""The register maps that octets are decoded under: those that ship, and one of every type."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Final

from poller.reading.read_plan import CompiledMap, compile_map
from poller.site.builtin import ANY
from poller.site.load import load_map

HERE: Final = Path(__file__).parent
ROOT: Final = HERE.parents[1]
FILES: Final = (
    *sorted((ROOT / "config" / "maps").glob("*.yaml")),
    ROOT / "tests" / "trials" / "heron.yaml",
    HERE / "every-type.yaml",
)


@cache
def texts() -> dict[str, str]:
    return {path.stem: path.read_text(encoding="utf-8") for path in FILES}


@cache
def families() -> tuple[CompiledMap, ...]:
    loaded = [load_map(text, f"{name}.yaml") for name, text in texts().items()]
    return tuple(compile_map(one) for one in (*loaded, ANY))
