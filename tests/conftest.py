"""For the whole session: which function codes went over the wire, and that nothing was skipped."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from tests.trials import beside

# a busy machine is no fault of what is tested
settings.register_profile("bayroll", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("bayroll")

READS = {"1", "2", "3", "4", "43/14"}
CODES = "BAYROLL_FUNCTION_CODES"
BESIDE = "BAYROLL_RAN_BESIDE"


def pytest_configure(config: pytest.Config) -> None:
    """Names files for all processes of the session: in one every test server writes what it
    receives, in the other stands what came of the trial's seeds."""
    for variable in (CODES, BESIDE):
        if variable not in os.environ:
            descriptor, name = tempfile.mkstemp(prefix="bayroll-tests-")
            os.close(descriptor)
            os.environ[variable] = name


def beside_file() -> Path:
    return Path(os.environ[BESIDE])


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    """Only reads reached any server, whoever asked: the poller never writes to a relay."""
    if hasattr(session.config, "workerinput"):
        return  # the controller looks at what all workers wrote
    beside.end(beside_file())
    path = Path(os.environ[CODES])
    seen = set(path.read_text().split())
    path.unlink()
    everything = bool(os.environ.get("BAYROLL_SKIP_NOTHING")) and exitstatus == 0
    if not seen <= READS:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
        print(f"\nfunction codes that no server should have received: {sorted(seen - READS)}")
    elif everything and seen != READS:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
        print(f"\nfunction codes that no test sent to a server: {sorted(READS - seen)}")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> Iterator[None]:
    """With BAYROLL_SKIP_NOTHING a test that skips has failed."""
    report = yield
    if (
        report.skipped
        and os.environ.get("BAYROLL_SKIP_NOTHING")
        and not hasattr(report, "wasxfail")
    ):
        report.outcome = "failed"
        report.longrepr = f"skipped where nothing may be: {report.longrepr}"
    return report
