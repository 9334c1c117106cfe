"""A flood held: two thousand messages a second for ten minutes, all of them readings.

    python -m tests.benchmarks.bench_flood [--quick] [--seconds N]

Fifty sensors that tell forty times a second instead of once in ten, to the real daemon through
mosquitto. Watched meanwhile: how many wait between publishing and being handled, and the daemon's
resident memory, which is flat if its last third is where the middle one was.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import NamedTuple

from monitor.edges import broker as broker_edge
from tests.benchmarks.bench_live import used
from tests.benchmarks.table import Row, show
from tests.service.trial import BARN, Trial, settings_in

SENSORS, RATE, SECONDS = 50, 2_000, 600
SENSOR = """
[[sensor]]
name = "s{n}"
space = "hay loft"
topic = "barn/s{n}"
every = "10 s"
time = {{ at = "/ts", unit = "ms" }}
reads.temperature = {{ at = "/t", unit = "°C" }}
reads.humidity = {{ at = "/rh", unit = "%" }}
"""
# A process of its own, so that the flood does not wait for who watches it.
FLOOD = """
import json, sys, time
from monitor.edges.mqtt import Broker, Guest
port, sensors, rate, seconds = map(int, sys.argv[1:])
with Guest(Broker("127.0.0.1", port), in_flight=1000) as guest:
    began, sent = time.monotonic(), 0
    while sent < rate * seconds:
        told = {"ts": time.time_ns() // 1_000_000, "t": 20 + sent % 40 / 20, "rh": 50 + sent % 7}
        guest.publish(f"barn/s{sent % sensors}", json.dumps(told).encode())
        sent += 1
        if sent % rate == 0:
            print(sent, flush=True)
        while (ahead := sent / rate - (time.monotonic() - began)) > 0.005:
            guest.turn(ahead)
    guest.settle()
"""


class Look(NamedTuple):
    """Messages published and not handled yet, and resident memory."""

    waiting: int
    resident_mb: float


class Flood:
    """The publishing process, and how many it has sent so far."""

    def __init__(self, port: int, seconds: int) -> None:
        words = [str(n) for n in (port, SENSORS, RATE, seconds)]
        self.sent = 0
        self.process = subprocess.Popen(
            [sys.executable, "-c", FLOOD, *words], stdout=subprocess.PIPE, text=True
        )
        threading.Thread(target=self._count).start()

    def _count(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.sent = int(line)


def main(quick: bool, seconds: int = SECONDS) -> list[Row]:
    """How it went while it lasted and after it."""
    seconds = 2 if quick else seconds
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "broker").mkdir()
        broker = broker_edge.start(folder / "broker", folder / "log", "mosquitto")
        sample = folder / "sample.toml"
        sample.write_text(BARN + "".join(SENSOR.format(n=n) for n in range(SENSORS)), "utf-8")
        page = f"[page]\nport = {broker_edge.free_port()}\n"
        trial = Trial(settings_in(folder, broker, sample, page), until=None)
        looks: list[Look] = []
        try:
            daemon = trial.start()
            cpu_s, began = used(daemon.pid).cpu_s, time.monotonic()
            flood = Flood(broker.port, seconds)
            while flood.process.poll() is None:
                time.sleep(1.0)
                resident = used(daemon.pid).resident_mb
                looks.append(Look(flood.sent - trial.handled(), resident))
            took, count = time.monotonic() - began, RATE * seconds
            while trial.handled() < count:
                time.sleep(0.02)
            worked_off = time.monotonic() - began - took
            cpu_s = used(daemon.pid).cpu_s - cpu_s
        finally:
            trial.stop()
            broker.stop()
    third = max(1, len(looks) // 3)
    middle, last = (max(look.resident_mb for look in part)
                    for part in (looks[third : 2 * third] or looks, looks[-third:]))  # fmt: skip
    size = f"{count:,} messages of two quantities in {took:.0f} s from {SENSORS} sensors"
    return [
        Row("a flood: most that waited", size, f"{max(look.waiting for look in looks):,} messages; "
            f"worked off {worked_off:.1f} s after it; {100 * cpu_s / (took + worked_off):.0f} % "
            "of a core", goal="bounded"),
        Row("a flood: resident memory at most, last third", size, f"{last:.0f} MB",
            f"the middle third {middle:.0f} MB", last / middle, "flat"),
    ]  # fmt: skip


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--seconds", type=int, default=SECONDS)
    asked = parser.parse_args()
    show(main(asked.quick, asked.seconds))
