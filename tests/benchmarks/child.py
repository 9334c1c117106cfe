"""A process run to its end, with what it alone took."""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Sequence
from typing import NamedTuple


class Ran(NamedTuple):
    """What it printed; seconds by the wall and of processor; its memory at the most [MB]."""

    printed: str
    seconds: float
    cpu_s: float
    peak_mb: float


def run(command: Sequence[str], told: str = "") -> Ran:
    """Run a command that reads all of its input before it prints; raises AssertionError."""
    began = time.perf_counter()
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(told)
    process.stdin.close()
    printed = process.stdout.read()
    # The usage of all children together would be that of the largest of them.
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    process.stdout.close()
    assert process.returncode == 0, f"{command} ended with {process.returncode}"
    return Ran(
        printed,
        time.perf_counter() - began,
        used.ru_utime + used.ru_stime,
        used.ru_maxrss / 1024,
    )
