"""The files that come with Bayroll: from the wheel, or from the checkout it was installed from."""

from __future__ import annotations

from pathlib import Path

import poller


def config_folder() -> Path:
    """Where the shipped site, maps and scenarios lie."""
    package = Path(poller.__file__).parent
    packed = package / "_config"
    return packed if packed.is_dir() else package.parent / "config"
