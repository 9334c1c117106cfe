"""The program as it is installed: compiled, as pip leaves it, in the environment of its unit."""

from __future__ import annotations

import compileall
from pathlib import Path

import monitor


def environment() -> dict[str, str]:
    """What the service's unit gives the program, which is compiled by then.

    Where Python is told to write nothing it would compile each file at every start, which takes
    time, and 2 MB that are never given back.
    """
    compileall.compile_dir(Path(monitor.__file__).parent, quiet=1)
    unit = Path(__file__).parents[2] / "systemd" / "drying-room.service"
    lines = unit.read_text("utf-8").splitlines()
    given = [line.removeprefix("Environment=") for line in lines if line.startswith("Environment=")]
    return dict(pair.split("=", 1) for line in given for pair in line.split())
