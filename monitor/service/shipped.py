"""Files that come with the program: settings to start from, flowers, sample readings."""

from __future__ import annotations

from pathlib import Path

import monitor

_PACKAGE = Path(monitor.__file__).parent


def shipped(name: str) -> Path:
    """A file or folder such as "config/flowers.toml", installed or in a checkout.

    Installed, config and sample_readings are in the package; in a checkout beside it.
    """
    for home in (_PACKAGE, _PACKAGE.parent):
        if (home / name).exists():
            return home / name
    raise FileNotFoundError(f"{name} did not come with the program; install it again")
