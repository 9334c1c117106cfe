"""Whole runs through the real daemon and mosquitto: a month, a month of batches, and the demo.

    python -m tests.benchmarks.bench_month [--quick]

The month of batches has twelve sensors and twenty batches that nobody weighs. The demo is the
command itself; what it took is told by process, and its yardstick is a loop of small numpy steps.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from os import sysconf
from pathlib import Path

import numpy as np

from monitor.edges import broker as broker_edge
from monitor.edges.recordings import replay
from sample_readings.make_samples import write_load
from sample_readings.scenario import START
from tests.benchmarks.table import Row, show
from tests.service.trial import Trial, settings_in

DAYS, SENSORS, EVERY_S = 28, 6, 60
SENSORS_OF_BATCHES, EVERY_S_OF_BATCHES, BATCHES = 12, 360, 20
FLOWERS, SPACES = ("statice", "lavender", "rhodanthe", "poppy", "hydrangea"), ("loft", "wash house")
STEPS, NUMBERS = 200_000, 300
DEMO = (sys.executable, "-m", "monitor", "demo")
# What a command line holds → how its part of the demo is named.
PARTS = {
    "monitor run": "monitor",
    ":lessons": "learning",
    "report.build": "reports",
    "delivery": "delivery",
    "page.server": "page",
    "mosquitto": "broker",
    "monitor demo": "publishing",
}
LOOK_EVERY_S = 0.05


def resident_mb(pid: int) -> float:
    """Resident memory of a process [MB], as Linux tells it; 0 once it has ended."""
    try:
        status = Path(f"/proc/{pid}/status").read_text("utf-8")
    except OSError:
        return 0.0
    found = [line for line in status.splitlines() if line.startswith("VmRSS")]
    return int(found[0].split()[1]) / 1000 if found else 0.0


class Watched:
    """A process while it runs: its memory at the most [MB], processor of it and those below [s]."""

    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        self.peak_mb = 0.0
        self._process = process
        self._seen: dict[int, tuple[str, float]] = {}
        self._looking = threading.Thread(target=self._look)
        self._looking.start()

    def join(self) -> dict[str, float]:
        """Processor by part [s], once it has ended."""
        self._looking.join()
        by_part = Counter[str]()
        for part, cpu_s in self._seen.values():
            by_part[part] += cpu_s
        return dict(by_part.most_common())

    def _look(self) -> None:
        while self._process.poll() is None:
            self.peak_mb = max(self.peak_mb, resident_mb(self._process.pid))
            for pid in _family(self._process.pid):
                with suppress(OSError, IndexError):
                    cpu_s = _cpu_s(pid)
                    before = self._seen.get(pid, ("others", 0.0))[0]
                    self._seen[pid] = _part(pid) or before, cpu_s
            time.sleep(LOOK_EVERY_S)


def _family(pid: int) -> list[int]:
    """A process and all that it and its children have begun."""
    found = [pid]
    for one in found:
        with suppress(OSError):
            for children in Path(f"/proc/{one}/task").glob("*/children"):
                found += map(int, children.read_text("utf-8").split())
    return found


def _part(pid: int) -> str:
    """What a process is; "" where it is none of ours, or has ended and only waits to be read."""
    words = Path(f"/proc/{pid}/cmdline").read_text("utf-8").replace("\0", " ")
    return next((part for held, part in PARTS.items() if held in words), "")


def _cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text("utf-8").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / sysconf("SC_CLK_TCK")


def run(days: int, sensors: int, every_s: int, batches: int) -> tuple[int, float, Watched]:
    """Messages, seconds from the first published to the end, and what the daemon took."""
    folder = Path(tempfile.mkdtemp(prefix="month-"))
    recording = folder / "month.jsonl.gz"
    messages = write_load(days, sensors, every_s, recording)
    entries = folder / "month.entries"
    entries.write_text("".join(hangings(days, batches)), "utf-8")
    (folder / "broker").mkdir()
    broker = broker_edge.start(folder / "broker", folder / "broker.log", "mosquitto")
    end: datetime = START + timedelta(days=days) - timedelta(minutes=-(-every_s // 60))
    sample = recording.with_suffix("").with_suffix(".jsonl.toml")
    settings = settings_in(folder, broker, sample)
    trial = Trial(settings, end.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"), entries)
    try:
        process = trial.start()
        began = time.monotonic()
        watched = Watched(process)
        replay(recording, broker.address, None)
        trial.finish()
        return messages, time.monotonic() - began, watched
    finally:
        trial.stop()
        broker.stop()


def hangings(days: int, batches: int) -> Iterator[str]:
    """Entries that hang batches one after another over the first half."""
    for i in range(batches):
        at = START + timedelta(days=0.1 + days / 2 * i / batches)
        flower, space = FLOWERS[i % len(FLOWERS)], SPACES[i % len(SPACES)]
        yield (
            f"hang {flower} --space '{space}' --bunches 6 --name 'batch {i}'"
            f" --at {at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}\n"
        )


def yardstick_s() -> float:
    """Processor of as many small numpy steps [s]: the machine's own pace, least of three."""
    return min(_steps_s() for _ in range(3))


def _steps_s() -> float:
    values = np.random.default_rng(1).random(NUMBERS)
    began = time.process_time()
    for _ in range(STEPS):
        values = np.exp(-values) + values / 2
    return time.process_time() - began


def demo() -> Iterator[Row]:
    """The whole demo's processor, beside the yardstick before and after it."""
    before = yardstick_s()
    process = subprocess.Popen(DEMO, stdout=subprocess.DEVNULL)
    took = Watched(process).join()
    assert process.returncode == 0, f"the demo ended with {process.returncode}"
    steps_s, total_s = (before + yardstick_s()) / 2, sum(took.values())
    yield Row(
        "the whole demo, processor",
        "nine days, 78,540 messages",
        f"{total_s:.1f} s: " + ", ".join(f"{part} {cpu_s:.1f}" for part, cpu_s in took.items()),
        f"{STEPS:,} steps of exp(-a) + a/2 on {NUMBERS} numbers {steps_s:.2f} s",
        total_s / steps_s,
        "at most 28",
    )


def main(quick: bool = False) -> Iterator[Row]:
    days = 1 if quick else DAYS
    messages, took, watched = run(days, SENSORS, EVERY_S, 0)
    cpu_s = sum(watched.join().values())
    size = f"{days} days, {SENSORS} sensors every {EVERY_S} s, {messages:,} messages"
    yield Row(
        "a run on the readings' clock",
        size,
        f"{took:.0f} s, {messages / took:,.0f} /s, {cpu_s:.1f} s of processor",
    )
    yield Row("its resident memory at most", size, f"{watched.peak_mb:.0f} MB", goal="under 90 MB")
    messages, took, watched = run(days, SENSORS_OF_BATCHES, EVERY_S_OF_BATCHES, BATCHES)
    cpu_s = sum(watched.join().values())
    yield Row(
        "a run with batches that nobody weighs, processor",
        f"{days} days, {SENSORS_OF_BATCHES} sensors, {BATCHES} batches, {messages:,} messages",
        f"{cpu_s:.1f} s; {took:.0f} s by the wall",
        goal="at most 80 s",
    )
    if not quick:
        yield from demo()


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    show(main(parser.parse_args().quick))
