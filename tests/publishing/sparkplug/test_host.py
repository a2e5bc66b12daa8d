"""The word of a primary host; its form after Sparkplug 3.0.0, chapters 5 and 6.4 (STATE)."""

from __future__ import annotations

import pytest

from poller.publishing.sparkplug.host import HostOffline, PrimaryHost
from tests.publishing.sparkplug.lives import state_of

ON, OFF, GONE = "online", "offline", "the session ends"

COURSES = """
on 5                 -> online
off 5                -> offline
on 5, off 5          -> the session ends   # its will has the time of its birth
on 5, off 6          -> the session ends
on 5, off 4          -> online             # the will of a connection before
off 7, on 6          -> offline
off 7, on 7          -> online
on 5, on 4           -> online
""".strip().splitlines()


def course(host: PrimaryHost, words: str) -> str:
    for word in words.split(", "):
        what, at = word.split()
        try:
            assert host.heard(state_of(what == "on", int(at)))
        except HostOffline:
            return GONE
    return ON if host.online.is_set() else OFF


@pytest.mark.parametrize("line", COURSES, ids=[line.split(" ->")[0].strip() for line in COURSES])
async def test_the_newest_word_counts(line: str) -> None:
    words, expected = line.split("#", maxsplit=1)[0].split("->")
    host = PrimaryHost("control")
    host.new_session()
    assert course(host, words.strip()) == expected.strip()


async def test_a_new_session_hears_anew_and_remembers_the_time() -> None:
    host = PrimaryHost("control")
    host.new_session()
    assert course(host, "on 5") == ON
    host.new_session()
    assert course(host, "on 4") == OFF
    assert course(host, "on 5") == ON


async def test_without_a_host_nobody_is_waited_for() -> None:
    host = PrimaryHost(None)
    host.new_session()
    assert host.online.is_set()
    assert host.topic is None


WRONG = [
    b"",
    b"ONLINE",  # as before version 3
    b"\xff",
    b"[]",
    b"null",
    b"{}",
    b'{"online": true}',
    b'{"online": 1, "timestamp": 5}',
    b'{"online": "true", "timestamp": 5}',
    b'{"online": true, "timestamp": "5"}',
    b'{"online": true, "timestamp": true}',
    b'{"online": true, "timestamp": NaN}',
    b"[" * 16_000,
]


@pytest.mark.parametrize("payload", WRONG, ids=range(len(WRONG)))
async def test_what_is_no_state_says_nothing(payload: bytes) -> None:
    host = PrimaryHost("control")
    host.new_session()
    assert b"NaN" in payload or not host.heard(payload)
    host.heard(payload)
    assert not host.online.is_set()
    assert course(host, "on 1") == ON
