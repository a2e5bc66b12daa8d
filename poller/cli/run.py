"""bayroll run: the service in the foreground, with its signals, its control socket and its lock."""

from __future__ import annotations

import asyncio
import contextlib
import importlib.util
import os
import random
import signal
import sys
from collections.abc import Callable, Sequence
from importlib.metadata import version
from pathlib import Path
from typing import Annotated, Any, Final, TypeAlias

import structlog
import typer

from poller.cli import common
from poller.cli.common import Exit
from poller.cli.desk import Desk
from poller.cli.page import NAME, PageOutput, page_of, page_problems
from poller.edges import control, machine
from poller.edges.clock import SystemClock
from poller.edges.garbage import look_seldom
from poller.edges.progress import Progress
from poller.edges.systemd import Systemd
from poller.journal.committer import ThreadCommitter
from poller.journal.retention import prune
from poller.journal.store import Locked, Reader, Writer
from poller.model.problems import Faulty, Problem
from poller.publishing.opening import open_outputs
from poller.publishing.ports import Context, Inside, Output
from poller.service import Ports, Service
from poller.site.settings import Page, Secret, Site

log = structlog.get_logger()
SiteArgument: TypeAlias = Annotated[
    Path, typer.Argument(metavar="SITE", envvar="BAYROLL_SITE", help="The site file.")
]
ALL_READ_S: Final = 300.0  # the first nameplate of a relay takes as long at most, as a rule


def run(
    site_file: SiteArgument,
    log_json: Annotated[bool, typer.Option("--log-json", help="Log as JSON lines.")] = False,
) -> None:
    """Poll the relays of SITE, keep the journal, feed the outputs; until Ctrl-C or SIGTERM."""
    set_up_log(log_json)
    # until it can do as asked it would end by it; its files are read just now anyway
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    with common.told():
        site = common.load(site_file)
        try:
            with asyncio.Runner(loop_factory=loop_factory()) as runner:
                runner.run(serve(site_file, site))
        except Locked as reason:
            common.fail(Exit.UNREACHABLE, str(reason))


def loop_factory() -> Callable[[], asyncio.AbstractEventLoop] | None:
    """uvloop where the system has it; chosen here and nowhere else."""
    if importlib.util.find_spec("uvloop") is None:
        return None
    factory: Callable[[], asyncio.AbstractEventLoop] = importlib.import_module(
        "uvloop"
    ).new_event_loop
    return factory


def set_up_log(as_json: bool) -> None:
    """Log lines on stderr; text from devices goes through repr or JSON, never raw."""
    renderer: Any = (
        structlog.processors.JSONRenderer()
        if as_json
        else structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty(), repr_native_str=True)
    )
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            renderer,
        ],
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
    )


async def serve(
    site_file: Path,
    site: Site,
    *,
    also: Sequence[Output] = (),
    ready: Callable[[Service], None] | None = None,
) -> None:
    """Runs the service with all its edges until a signal stops it.

    also: outputs beside those that the site names; ready: called just before it begins to poll.
    """
    journal = common.journal_of(site_file, site)
    with Writer.open(journal) as writer:
        committer = ThreadCommitter(writer)
        reader = Reader.open(journal)
        ports = Ports(
            clock=SystemClock(),
            connect=asyncio.get_running_loop().create_connection,
            committer=committer,
            reader=reader,
            random=random.Random(),  # noqa: S311 - spreads polls, hides nothing
            outputs=lambda of, inside: [
                *outputs_of(of, inside, reader, committer, site_file),
                *([] if of.file.page is None else [shown(of.file.page)]),
                *also,
            ],
            version=version("bayroll"),
            sample=committer.add_samples,
            machine=lambda: machine.look(journal),
            prune=lambda: committer.call(
                lambda held: prune(
                    held,
                    keep_days=site.file.journal.keep_days,
                    now=SystemClock().utc(),
                    required=tuple(site.file.outputs),
                )
            ),
        )
        service = Service(site, ports)
        systemd = Systemd()
        page = page_of(service, journal, site_file)
        folder = site_file.parent
        for problem in page_problems(site, site_file, journal):
            log.error("page_not_served", problem=str(problem))  # relays are polled all the same
        await committer.note_cursor(NAME, reader.head().seq)  # it looks anew at each start
        page.feed.begin(reader.head().seq)

        def shown(settings: Page) -> PageOutput:
            return PageOutput(page, settings, folder)

        async def reread() -> None:
            systemd.reloading()
            try:
                again = common.load(site_file)
                stays(journal, common.journal_of(site_file, again), site_file)
                await service.reload(again)
                service.reload_faults = ()
            except Faulty as reason:
                service.reload_faults = reason.problems
                log.error("site_file_faulty_kept_the_old_one", problems=str(reason))
                raise
            finally:
                systemd.ready()
            log.info("site_file_read_again", file=str(site_file))

        desk = Desk(
            service, site_file=site_file.resolve(), journal=journal.resolve(), reread=reread
        )
        _listen_to_signals(service, reread, systemd)
        telling = asyncio.create_task(_tell(systemd, service), name="systemd")
        try:
            async with control.serve(control.socket_path(journal), desk.handle):
                if ready is not None:
                    ready(service)
                await service.run()
            log.info("service_stopped")
        finally:
            telling.cancel()
            page.close()
            await committer.close()
            reader.close()


async def _tell(systemd: Systemd, service: Service) -> None:
    """To the service manager: that it is ready, then that it goes on, for as long as it does."""
    await service.started.wait()
    look_seldom()
    asyncio.get_running_loop().call_later(ALL_READ_S, look_seldom)  # and what the relays told
    systemd.ready()
    log.info("service_started", version=service.ports.version, relays=len(service.site.file.relays))
    progress, clock, before = Progress(), SystemClock(), None
    while True:
        stuck = progress.stuck(clock.mono(), service.parts())
        if stuck is None:
            systemd.alive(f"{len(service.site.file.relays)} relays, {service.waiting} events wait")
        else:
            systemd.stuck(stuck)
            if before is None:
                log.error("service_stuck", reason=stuck)
        before = stuck
        await asyncio.sleep(systemd.beat_s)


def stays(journal: Path, asked: Path, site_file: Path) -> None:
    """A running service can't change its journal. Raises Faulty."""
    if asked.resolve() != journal.resolve():
        raise Faulty(
            [
                Problem(
                    code="site-journal-moved",
                    file=str(site_file),
                    at="journal.file",
                    what=f"the journal was {journal} when the service was started, and it goes on "
                    "there",
                    mend="write what stood there before, or stop the service and start it again",
                )
            ]
        )


def _listen_to_signals(service: Service, reread: Callable[[], Any], systemd: Systemd) -> None:
    loop = asyncio.get_running_loop()
    tasks: set[asyncio.Task[None]] = set()

    def on_hangup() -> None:
        task = loop.create_task(_quietly(reread()))
        tasks.add(task)
        task.add_done_callback(tasks.discard)

    def on_end() -> None:
        systemd.stopping()
        service.stop()

    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, on_end)
    loop.add_signal_handler(signal.SIGHUP, on_hangup)


async def _quietly(work: Any) -> None:
    with contextlib.suppress(Faulty):  # told in the log already; the old site stays in force
        await work


def outputs_of(
    site: Site,
    inside: Inside,
    reader: Reader,
    committer: ThreadCommitter,
    site_file: Path,
) -> Sequence[Output]:
    """Opens what the site names; relative names in it begin in the folder of its file.

    Raises Faulty.
    """

    def context_for(name: str) -> Context:
        return Context(
            name=name,
            site=site,
            settings=site.file.outputs[name],
            reader=reader,
            committer=committer,
            live=inside.live,
            acknowledge=inside.acknowledge,
            state=inside.state,
            clock_kept=inside.clock_kept,
            stuck=inside.stuck,
            now=SystemClock().utc,
            secrets=lambda secret: look_up(secret, site_file.parent),
            extra={"folder": site_file.parent},
        )

    outputs, problems = open_outputs(site, context_for, file=str(site_file))
    if problems:
        raise Faulty(problems)
    return outputs


def look_up(secret: Secret | None, folder: Path) -> str | None:
    """A user or password from the environment or a file beside the site file; None: none named."""
    if secret is None:
        return None
    if secret.env is not None:
        return os.environ.get(secret.env)
    assert secret.file is not None, "the site loader lets exactly one of env and file through"
    return (folder / secret.file).read_text(encoding="utf-8").strip()
