"""Rules that stand against what a person asks: told all at once, or overridden with a reason."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from poller.model import limits
from poller.model.refusal import Refusal


class Objection(Protocol):
    """A rule of a protection group or of readiness. says, cure: a sentence each."""

    @property
    def rule(self) -> str: ...
    @property
    def says(self) -> str: ...
    @property
    def cure(self) -> str: ...


def unless(although: str | None, asked: str, objections: Sequence[Objection]) -> str:
    """The reason against the rules, "" where none stands. Raises Refusal with each and its cure.

    asked: what was asked for, as the refusal begins: w3 can't be started.
    """
    if not objections:
        return ""
    if although is not None and although.strip():
        return although
    told = [
        f"  {one.rule}: {one.says}\n    mend: {one.cure}"
        for one in objections[: limits.OBJECTIONS_TOLD_MAX]
    ]
    if len(objections) > len(told):
        told.append(f"  and {len(objections) - len(told)} more")
    raise Refusal(
        "\n".join([f"{asked}:", *told, '  or say why it is done all the same: --although "WHY"'])
    )
