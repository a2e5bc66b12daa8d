"""The whole service in this process, as a benchmark asks for it."""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from poller.cli.run import outputs_of
from poller.edges.clock import SystemClock
from poller.journal.committer import ThreadCommitter
from poller.journal.reader import Reader
from poller.journal.store import Writer
from poller.service import Ports, Service
from poller.site.settings import Site


@asynccontextmanager
async def running(folder: Path, asked: Site) -> AsyncIterator[Service]:
    """The whole service on a journal in folder, with the outputs that the site names."""
    with Writer.open(folder / "a.journal") as writer, Reader.open(writer.path) as reader:
        committer = ThreadCommitter(writer)

        service = Service(
            asked,
            Ports(
                clock=SystemClock(),
                connect=asyncio.get_running_loop().create_connection,
                committer=committer,
                reader=reader,
                random=random.Random(1),
                outputs=lambda of, inside: outputs_of(
                    of, inside, reader, committer, folder / "site.yaml"
                ),
                version="bench",
            ),
        )
        task = asyncio.create_task(service.run())
        try:
            await service.started.wait()
            yield service
            service.stop()
            await task
        finally:
            task.cancel()
            await asyncio.wait([task])
            await committer.close()


async def all_read(service: Service) -> None:
    """Returns once the nameplate of every relay is durable."""
    count = len(service.site.file.relays)
    while sum(one.nameplate is not None for one in service.durable.relays.values()) < count:  # noqa: ASYNC110
        await asyncio.sleep(0.05)


async def quiet(service: Service) -> None:
    """Returns once nothing new was told for two seconds."""
    seq = -1
    while seq != service.state.seq:
        seq = service.state.seq
        await asyncio.sleep(2)
