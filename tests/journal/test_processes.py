"""Two processes at one journal, and one that is killed while it writes."""

from __future__ import annotations

import contextlib
import random
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from poller.journal.chain import Verified
from poller.journal.store import Reader, Writer

COMMITS = """
import asyncio, sys
from pathlib import Path
from poller.journal.committer import ThreadCommitter
from poller.journal.store import Writer
from tests.journal.made import seen, listed

async def one(committer, n):
    recorded = await committer.commit([listed(f"r{n % 7}"), seen(f"r{n % 7}", n % 900)])
    print(recorded[-1].seq, recorded[-1].hash, flush=True)

async def main():
    with Writer.open(Path(sys.argv[1])) as writer:
        committer = ThreadCommitter(writer)
        for n in range(0, 1_000_000, 5):
            await asyncio.gather(*(one(committer, n + more) for more in range(5)))

asyncio.run(main())
"""


@contextlib.contextmanager
def committing(path: Path) -> Iterator[subprocess.Popen[str]]:
    """A process that commits for ever and prints each acknowledged seq and hash."""
    process = subprocess.Popen(
        [sys.executable, "-c", COMMITS, str(path)], stdout=subprocess.PIPE, text=True
    )
    try:
        yield process
    finally:
        process.send_signal(signal.SIGKILL)
        process.wait()
        assert process.stdout is not None
        process.stdout.close()


def acknowledged(process: subprocess.Popen[str], lines: int) -> tuple[int, str]:
    """The last of so many lines."""
    assert process.stdout is not None
    for _ in range(lines):
        seq, hash_hex = process.stdout.readline().split()
    return int(seq), hash_hex


@pytest.mark.parametrize("seed", range(4))
def test_everything_acknowledged_is_there_after_kill_9(tmp_path: Path, seed: int) -> None:
    path, chance = tmp_path / "a.journal", random.Random(seed)
    for _ in range(2):  # the second round appends to what the first left
        with committing(path) as process:
            seq, hash_hex = acknowledged(process, chance.randrange(1, 60))
            process.send_signal(signal.SIGKILL)
            assert process.stdout is not None
            rest = process.stdout.read()
            whole = [line.split() for line in rest.splitlines(keepends=True) if line[-1] == "\n"]
            if whole:
                seq, hash_hex = int(whole[-1][0]), whole[-1][1]
        with Writer.open(path) as writer:  # no lock is left behind
            assert isinstance(writer.reader.verify(), Verified)
            assert writer.reader.hash_at(seq) == hash_hex


def test_a_reader_sees_a_whole_chain_grow_beside_a_writer(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    with committing(path) as process:
        acknowledged(process, 1)
        with Reader.open(path) as reader:
            after = 0
            for lines in (1, 10, 20):
                seq, _ = acknowledged(process, lines)
                result = reader.verify()
                assert isinstance(result, Verified)
                assert result.head.seq >= seq
                read = [one.seq for one in reader.read(after, 100_000)]
                assert read == list(range(after + 1, after + 1 + len(read)))
                after += len(read)  # none, where it read ahead of what was acknowledged
                assert after >= seq
                assert reader.load_state().seq >= after
