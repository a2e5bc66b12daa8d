"""The control socket: where it can't be made, that is told with its cure."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from poller.decide import Refusal
from poller.edges import control


async def _nothing(*given: object) -> dict[str, object]:
    return {}


async def test_a_folder_that_can_not_be_written_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A test may run as root, whom nothing keeps out."""

    async def refused(*given: object, **more: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("asyncio.start_unix_server", refused)
    mask = os.umask(0o022)
    try:
        with pytest.raises(Refusal, match=r"Permission denied\n    mend: .*BAYROLL_RUNTIME_DIR"):
            async with control.serve(tmp_path / "run" / "x.sock", _nothing):
                pass
        assert os.umask(0o022) == 0o022, "as it was"
    finally:
        os.umask(mask)


async def test_a_folder_that_can_not_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(Refusal, match="no socket can be made there"):
        async with control.serve(tmp_path / "file" / "run" / "x.sock", _nothing):
            pass
