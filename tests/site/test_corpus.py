"""A corpus of maps and sites that can't be, each with its exact message beside it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from poller.site import check_alarms, check_approved, check_families, check_map, check_site
from tests.site.corpus import PAGE, expected, message, names, page


@pytest.mark.parametrize("case", names())
def test_a_broken_file_says_what_where_and_how_to_mend(case: str) -> None:
    assert message(case) == expected(case)


def _checks() -> Iterator[Any]:
    modules = {
        "map/": check_map,
        "site/": check_site,
        "approved/": check_approved,
        "alarms/": check_alarms,
        "families/": check_families,
    }
    for kind, module in modules.items():
        for check in module.CHECKS:
            yield pytest.param(module, kind, check, id=f"{kind}{check.find.__name__.strip('_')}")


@pytest.mark.parametrize(("module", "kind", "check"), list(_checks()))
def test_without_a_check_some_case_says_something_else(
    module: Any, kind: str, check: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    left = tuple(one for one in module.CHECKS if one is not check)
    monkeypatch.setattr(module, "CHECKS", left)
    assert any(_said(case) != expected(case) for case in names() if case.startswith(kind))


def _said(case: str) -> str:
    try:
        return message(case)
    except AssertionError:
        return ""  # not refused any more


def test_the_page_of_problems_is_up_to_date() -> None:
    assert PAGE.read_text(encoding="utf-8") == page()
