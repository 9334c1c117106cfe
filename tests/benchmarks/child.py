"""A process run to its end, with what it alone took."""

from __future__ import annotations

import os
import subprocess
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

LOOK_EVERY_S = 0.02


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
    peaks: list[float] = [0.0]
    over = threading.Event()

    def look() -> None:
        while not over.wait(LOOK_EVERY_S):
            with suppress(OSError, ValueError):  # it has just ended
                peaks.append(peak_mb(process.pid))

    looking = threading.Thread(target=look)
    looking.start()
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(told)
    process.stdin.close()
    printed = process.stdout.read()
    over.set()
    looking.join()
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    process.stdout.close()
    assert process.returncode == 0, f"{command} ended with {process.returncode}"
    cpu_s = used.ru_utime + used.ru_stime
    return Ran(printed, time.perf_counter() - began, cpu_s, max(peaks))


def peak_mb(pid: int | str) -> float:
    """The most memory a process, by its number or "self", has held so far [MB].

    What getrusage tells of a child counts what its parent held when it was begun.
    """
    status = Path(f"/proc/{pid}/status").read_text("utf-8")
    return int(status.partition("VmHWM:")[2].partition("kB")[0]) / 1024
