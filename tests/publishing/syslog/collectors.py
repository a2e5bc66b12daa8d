"""rsyslogd as the receiver: a syslog server that is not ours, over UDP and TLS on loopback."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import signal
import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

import pytest

from tests.publishing.brokers import HOST, free_port
from tests.publishing.syslog.rfc5424 import Element, elements

RSYSLOGD = shutil.which("rsyslogd", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
OPENSSL_DRIVER: Final = "ossl"  # rsyslog's, in Debian's package rsyslog-openssl
Transport = Literal["udp", "tls"]
# what it made of a message, one JSON object a line
TEMPLATE: Final = """
template(name="told" type="list" option.jsonf="on") {
  property(outname="pri" name="pri" format="jsonf")
  property(outname="version" name="protocol-version" format="jsonf")
  property(outname="at" name="timereported" dateformat="rfc3339" format="jsonf")
  property(outname="hostname" name="hostname" format="jsonf")
  property(outname="app" name="app-name" format="jsonf")
  property(outname="procid" name="procid" format="jsonf")
  property(outname="msgid" name="msgid" format="jsonf")
  property(outname="data" name="structured-data" format="jsonf")
  property(outname="msg" name="msg" format="jsonf")
}
"""


@dataclass(frozen=True)
class Got:
    """One message as the receiver understood it."""

    pri: int
    version: str
    at: str
    hostname: str
    app: str
    procid: str
    msgid: str
    data: dict[str, Element]
    msg: str

    @property
    def own(self) -> Element:
        (name,) = (name for name in self.data if name.startswith("bayroll@"))
        return self.data[name]


class Rsyslog:
    """port stays the same over a restart. keys: a folder of certificates."""

    def __init__(
        self, folder: Path, transport: Transport, keys: Path | None = None, *, auth: str = "anon"
    ) -> None:
        if RSYSLOGD is None:
            pytest.skip("rsyslogd is not installed")
        self.port = free_port()
        self.transport = transport
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None
        self._told = folder / "told.jsonl"
        self._told.touch()
        (folder / "rsyslog.conf").write_text(
            "\n".join(
                (
                    f'global(workDirectory="{folder}" processInternalMessages="on")',
                    *(self._udp() if transport == "udp" else self._tls(keys, auth)),
                    TEMPLATE,
                    f'if $inputname != "rsyslogd" then action(type="omfile" file="{self._told}"'
                    ' template="told")',
                    f'else action(type="omfile" file="{folder}/own.log")',
                )
            )
        )

    def _udp(self) -> tuple[str, ...]:
        return (
            'module(load="imudp")',
            f'input(type="imudp" address="{HOST}" port="{self.port}")',
        )

    def _tls(self, keys: Path | None, auth: str) -> tuple[str, ...]:
        return (
            f'global(defaultNetstreamDriver="{OPENSSL_DRIVER}"'
            f' defaultNetstreamDriverCAFile="{keys}/ca.pem"'
            f' defaultNetstreamDriverCertFile="{keys}/server.pem"'
            f' defaultNetstreamDriverKeyFile="{keys}/server.key")',
            f'module(load="imtcp" streamDriver.name="{OPENSSL_DRIVER}" streamDriver.mode="1"'
            f' streamDriver.authMode="{auth}")',
            f'input(type="imtcp" address="{HOST}" port="{self.port}")',
        )

    async def start(self) -> None:
        assert RSYSLOGD is not None
        self._process = subprocess.Popen(  # noqa: ASYNC220 - returns at once
            [RSYSLOGD, "-n", "-f", self._folder / "rsyslog.conf", "-i", self._folder / "pid"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            async with asyncio.timeout(10):
                while not self._listens():
                    assert self._process.poll() is None, "rsyslogd did not start"
                    await asyncio.sleep(0.02)
        except BaseException:
            await self.kill()
            raise

    async def stop(self) -> None:
        await self._end(signal.SIGTERM)

    async def kill(self) -> None:
        """As if its computer lost power: nothing it holds in memory is written."""
        await self._end(signal.SIGKILL)

    async def _end(self, how: signal.Signals) -> None:
        if self._process is not None:
            self._process.send_signal(how)
            self.go_on()
            await asyncio.to_thread(self._process.wait, 10)
            self._process = None

    async def hang(self) -> None:
        """Its computer still takes what comes; it reads nothing."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)
        async with asyncio.timeout(10):
            while self._thread_states() != {"T"}:  # noqa: ASYNC110 - each stops when it gets to it
                await asyncio.sleep(0.01)

    def _thread_states(self) -> set[str]:
        """proc(5), stat: the state stands after the name in brackets."""
        assert self._process is not None
        found = Path(f"/proc/{self._process.pid}/task").glob("*/stat")
        return {one.read_text().rpartition(")")[2].split()[0] for one in found}

    def go_on(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def _listens(self) -> bool:
        """By proc(5), net/tcp and net/udp: whoever tried the port could take it away from it."""
        kind, state = ("udp", "07") if self.transport == "udp" else ("tcp", "0A")
        lines = Path(f"/proc/net/{kind}").read_text().splitlines()
        ours = [line.split() for line in lines if f":{self.port:04X} " in line]
        return any(
            local.endswith(f":{self.port:04X}") and st == state for _, local, _, st, *_ in ours
        )

    def got(self) -> list[Got]:
        """In the order of arrival, without the heads of the journal."""
        return [one for one in self.everything() if one.msgid != "journal_head"]

    def heads(self) -> list[Got]:
        return [one for one in self.everything() if one.msgid == "journal_head"]

    def everything(self) -> list[Got]:
        lines = self._told.read_bytes().split(b"\n")[:-1]  # the last may not be whole yet
        return [_got(json.loads(line)) for line in lines]

    def ids(self) -> list[str]:
        return [one.own["id"] for one in self.got()]


def _got(line: dict[str, str]) -> Got:
    rest = {**line, "pri": int(line["pri"]), "data": elements(line["data"])}
    return Got(**rest)  # type: ignore[arg-type]
