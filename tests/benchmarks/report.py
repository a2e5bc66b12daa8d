"""What a benchmark found: figures of this machine on this day, and ratios measured side by side."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """A bound on a ratio. least: the ratio should be that or more; else that or less."""

    bound: float
    least: bool = False

    def __str__(self) -> str:
        return f"wanted: at {'least' if self.least else 'most'} {self.bound:g}"


@dataclass(slots=True, kw_only=True)
class Report:
    """rows: of the columns. ratios: by name. missing: what the benchmark could not do."""

    title: str
    columns: tuple[str, ...]
    rows: list[tuple[str, ...]] = field(default_factory=list)
    ratios: dict[str, float] = field(default_factory=dict)
    wanted: dict[str, Wanted] = field(default_factory=dict)
    missing: list[str] = field(default_factory=list)

    def lines(self) -> list[str]:
        table = [self.columns, *self.rows]
        wide = [max(len(row[at]) for row in table) for at in range(len(self.columns))]
        told = [self.title]
        for row in table:
            first, *rest = (cell.ljust(width) for cell, width in zip(row, wide, strict=True))
            told.append("  ".join([first, *(cell.strip().rjust(len(cell)) for cell in rest)]))
        for name, ratio in self.ratios.items():
            bound = f"   ({self.wanted[name]})" if name in self.wanted else ""
            told.append(f"{name}: {ratio:.2f}{bound}")
        return told + [f"not done: {one}" for one in self.missing]
