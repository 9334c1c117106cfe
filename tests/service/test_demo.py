"""The demo as people start it: with and without a terminal, ended by each signal: nothing stays."""

from __future__ import annotations

import os
import pty
import re
import signal
import subprocess
import sys
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from monitor.service.settings.settings import load, socket_file
from tests.waiting import until

MARK = "DRYING_ROOM_TEST_MARK"


class Played:
    """A demo under way in a folder of its own. `at`: the terminal's end that we hold; None: none.

    Its processes are found by a mark in their environment, and by nothing else.
    """

    def __init__(self, folder: Path, at: int | None, inside: int | None, *words: str) -> None:
        self.folder, self.at, self.said = folder, at, b""
        self.mark = uuid.uuid4().hex
        self.log = folder / "said"
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "monitor", "demo", "--folder", str(folder), *words],
                stdin=subprocess.DEVNULL if inside is None else inside,
                stdout=log if inside is None else inside,
                stderr=subprocess.STDOUT,
                env=os.environ | {MARK: self.mark},
                start_new_session=True,
            )

    def text(self) -> str:
        if self.at is None:
            return self.log.read_text("utf-8")
        with suppress(OSError):  # the other end is closed
            while chunk := os.read(self.at, 65536):
                self.said += chunk
        return self.said.decode("utf-8", "replace")

    def processes(self) -> list[int]:
        found = []
        for entry in Path("/proc").glob("[0-9]*"):
            with suppress(OSError):
                if f"{MARK}={self.mark}".encode() in (entry / "environ").read_bytes():
                    found.append(int(entry.name))
        return found

    def monitor(self) -> int | None:
        for pid in self.processes():
            with suppress(OSError):
                if b"--until" in Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0"):
                    return pid
        return None

    def end(self) -> int:
        """Its exit code, once nothing of it is left."""
        until(lambda: self.text() is not None and self.process.poll() is not None, self.text)
        until(lambda: not self.processes(), lambda: str(self.processes()))
        return self.process.returncode


@contextmanager
def played(folder: Path, terminal: bool, *words: str) -> Iterator[Played]:
    ours, theirs = pty.openpty() if terminal else (None, None)
    if ours is not None:
        os.set_blocking(ours, False)
    demo = Played(folder, ours, theirs, *words)
    try:
        if theirs is not None:
            os.close(theirs)
        yield demo
    finally:
        for pid in demo.processes():
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        demo.process.wait()
        if ours is not None:
            os.close(ours)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
@pytest.mark.parametrize("terminal", [False, True])
def test_ended_by_a_signal_it_leaves_no_process(
    tmp_path: Path, number: signal.Signals, terminal: bool
) -> None:
    with played(tmp_path, terminal) as demo:
        until(lambda: "Day 1 of 9" in demo.text(), demo.text)
        assert len(demo.processes()) >= 4  # itself, the broker, the monitor, the page
        demo.process.send_signal(number)
        assert demo.end() == 1
        assert "Traceback" not in demo.text()


def test_where_its_monitor_is_killed_it_says_so_and_leaves_no_process(tmp_path: Path) -> None:
    with played(tmp_path, False) as demo:
        until(lambda: "Day 1 of 9" in demo.text(), demo.text)
        monitor = demo.monitor()
        assert monitor is not None
        os.kill(monitor, signal.SIGKILL)
        assert demo.end() == 1
        assert f"The monitor ended with code -9; {tmp_path}/monitor.log says why." in demo.text()


def test_at_a_terminal_the_page_stays_until_ctrl_c(tmp_path: Path) -> None:
    """Every day's bar, dated notices, links and hints that work."""
    with played(tmp_path, True) as demo:
        until(lambda: "Ctrl-C ends it" in demo.text(), demo.text, demo.text)
        said = demo.text()
        assert all(f"Day {day} of 9" in said for day in range(1, 10))
        assert re.search(r"Sun 05 July, 16:40  ▷ Loft: in bright light", said)
        assert "\x1b[31m" in said
        links = sorted(set(re.findall(r"http://127\.0\.0\.1:\d+/[\w/%.-]*", said)))
        assert len(links) > 3
        for link in links:
            code = ["curl", "-s", "-o", "/dev/null", "-w", "%{http_code}", link]
            assert subprocess.run(code, capture_output=True, text=True).stdout == "200", link
        hints = re.findall(r"^  (?:all spells|the last hour)\s+(.*?)\r?$", said, flags=re.M)
        assert len(hints) == 2
        for hint in hints:
            done = subprocess.run(hint, shell=True, capture_output=True, text=True)  # noqa: S602
            assert done.returncode == 0, done.stderr
            assert "Loft" in done.stdout or "loft" in done.stdout
        demo.process.send_signal(signal.SIGINT)
        assert demo.end() == 0
        assert not socket_file(load(tmp_path / "drying-room.toml")).exists()
