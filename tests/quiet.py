"""What goes wrong on purpose, and often, is not logged each time."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import structlog


def quiet() -> None:
    """For a process of its own."""
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))


@contextmanager
def quietly() -> Iterator[None]:
    """For a while: other tests look at what is logged."""
    before: dict[str, Any] = structlog.get_config()
    quiet()
    try:
        yield
    finally:
        structlog.configure(**before)
