"""What several tests of outputs need once."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.publishing import certificates


@pytest.fixture(scope="session")
def certified(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the certificates of certificates.make_all."""
    if certificates.OPENSSL is None:
        pytest.skip("openssl is not installed")
    folder = tmp_path_factory.mktemp("certified")
    certificates.make_all(folder)
    return folder
