"""What is said where a port can't be opened."""

from __future__ import annotations

import errno
import os

import pytest

from poller.model.listening import not_opened

TAKEN = OSError(errno.EADDRINUSE, os.strerror(errno.EADDRINUSE))
DENIED = OSError(errno.EACCES, os.strerror(errno.EACCES))
FILE = OSError(errno.EACCES, os.strerror(errno.EACCES), "server.key")
WORDS = [
    (TAKEN, "127.0.0.1:502 can't be opened: Address already in use"),
    (FILE, "127.0.0.1:502 can't be opened: Permission denied"),
    (ValueError("no\x00name"), "127.0.0.1:502 can't be opened: no\\x00name"),
]


@pytest.mark.parametrize(("reason", "says"), WORDS, ids=["taken", "a file", "no name"])
def test_the_reason_is_told(reason: Exception, says: str) -> None:
    assert not_opened("127.0.0.1:502", reason) == says


def test_who_may_not_open_a_low_port_is_told_of_the_right_that_it_takes() -> None:
    """capabilities(7): CAP_NET_BIND_SERVICE binds a socket to Internet domain privileged ports."""
    assert "CAP_NET_BIND_SERVICE" in not_opened("127.0.0.1:502", DENIED)
