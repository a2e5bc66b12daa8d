"""bayroll demo --scada as its watcher has it: every reader that it names shows the alarm."""

from __future__ import annotations

import sys
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.e2e.processes import process, until

# what each protocol calls the alarm of the change that nobody planned, which stands to the end;
# Sparkplug tells changes to whoever listens, and births only when asked: any of its alarms will do
TOLD = {
    "modbus": "input 320: alarm",
    "iec104": "point 1320: alarm",
    "opcua": "Q02 main 1 unplanned_change: alarm",
    "sparkplug": "-main1 ",
}


@pytest.mark.timeout(180)
def test_every_reader_that_the_demo_names_shows_the_alarm(tmp_path: Path) -> None:
    if not _extras():
        pytest.skip("asyncua and protobuf are not installed: the extras opcua and sparkplug")
    with ExitStack() as stack:
        told = tmp_path / "demo"
        demo = [sys.executable, "-m", "poller.cli.app", "demo", "--scada", "--for", "150"]
        stack.enter_context(process(*demo, stdout=stack.enter_context(told.open("w"))))
        until(lambda: "Ctrl-C" in told.read_text(), "the demo says how to look", 60)
        places = {
            words[-2]: words[-1]
            for words in map(str.split, told.read_text().splitlines())
            if "listen" in words
        }
        assert places.keys() == TOLD.keys()
        heard = {protocol: tmp_path / protocol for protocol in TOLD}
        for protocol, file in heard.items():
            # one that is not there yet is called again by whoever watches
            script = f"until {sys.executable} -m simulator listen {protocol} {places[protocol]}"
            shell = ["sh", "-c", f"{script}; do sleep 1; done"]
            stack.enter_context(process(*shell, stdout=stack.enter_context(file.open("w"))))
        for protocol, line in TOLD.items():
            until(lambda p=protocol, s=line: s in heard[p].read_text(), f"{protocol} tells it", 90)


def _extras() -> bool:
    try:
        import asyncua  # noqa: F401, PLC0415
        import google.protobuf  # noqa: F401, PLC0415
    except ImportError:
        return False
    return True
