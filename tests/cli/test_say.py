"""Sentences on a terminal and in a file."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from poller.cli import common

SAYS = "why: firmware 2.06.004 was withdrawn on 2026-01-19: the trip can be held up"


def said(monkeypatch: pytest.MonkeyPatch, *, terminal: bool, text: str = SAYS) -> list[str]:
    held = io.StringIO()
    console = Console(
        file=held, width=40, force_terminal=terminal, color_system=None, soft_wrap=True
    )
    monkeypatch.setattr(common, "out", console)
    common.say(text, 4)
    return held.getvalue().splitlines()


def test_a_terminal_folds_between_words_and_further_in(monkeypatch: pytest.MonkeyPatch) -> None:
    assert said(monkeypatch, terminal=True) == [
        "    why: firmware 2.06.004 was withdrawn",
        "        on 2026-01-19: the trip can be",
        "        held up",
    ]


def test_a_file_gets_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    assert said(monkeypatch, terminal=False) == [f"    {SAYS}"]


def test_what_is_one_word_is_not_broken(monkeypatch: pytest.MonkeyPatch) -> None:
    pointer = "/product_tree/branches/0/branches/0/branches/2/product"
    assert said(monkeypatch, terminal=True, text=pointer) == [f"    {pointer}"]
