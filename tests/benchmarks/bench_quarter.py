"""Resident memory over ninety days of forty sensors, a page open all the while.

    python -m tests.benchmarks.bench_quarter [--quick] [--days N]

The real daemon on the readings' clock through mosquitto, in the unit's environment: ninety days of
forty sensors every five minutes, looked at day by day; then a day of forty sensors every ten
seconds, which holds most in memory. Beside it the daemon's own imports doing nothing.
"""

from __future__ import annotations

import argparse
import os
import socket
import subprocess
import sys
import tempfile
import threading
import time
from datetime import UTC, timedelta
from pathlib import Path

from monitor.edges import broker as broker_edge
from monitor.edges.recordings import replay
from sample_readings.make_samples import write_load
from sample_readings.scenario import START
from tests.benchmarks import installed
from tests.benchmarks.bench_live import IMPORTS, open_page, used
from tests.benchmarks.bench_month import resident_mb
from tests.benchmarks.table import Row, show
from tests.service.trial import Trial, settings_in

DAYS, SENSORS = 90, 40
AHEAD = 20_000  # messages that may wait at the broker


def memory(days: int, sensors: int, every_s: int) -> list[tuple[float, float]]:
    """(days handled, resident memory [MB]), twice a second."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        recording = folder / "load.jsonl.gz"
        messages = write_load(days, sensors, every_s, recording)
        (folder / "broker").mkdir()
        broker = broker_edge.start(folder / "broker", folder / "broker.log", "mosquitto")
        port = broker_edge.free_port()
        sample = recording.with_suffix("").with_suffix(".jsonl.toml")
        settings = settings_in(folder, broker, sample, f"[page]\nport = {port}\n")
        end = (START + timedelta(days=days, minutes=-every_s // 60 - 1)).astimezone(UTC)
        until = end.strftime("%Y-%m-%dT%H:%M:%SZ")
        trial = Trial(settings, until, entries=None, environment=installed.environment())
        looks: list[tuple[float, float]] = []
        page: socket.socket | None = None
        try:
            process = trial.start()
            page = open_page(port)
            feeding = threading.Thread(
                target=replay,
                args=(recording, broker.address, None),
                kwargs={"pace": trial.handled, "ahead": AHEAD},
            )
            feeding.start()
            while process.poll() is None:
                handled, resident = trial.handled(), resident_mb(process.pid)
                if handled and resident:
                    looks.append((days * handled / messages, resident))
                time.sleep(0.5)
            trial.finish()
            feeding.join()
        finally:
            trial.stop()
            if page is not None:
                page.close()
            broker.stop()
    return looks


def imports_mb() -> float:
    environment = os.environ | installed.environment()
    bare = subprocess.Popen([sys.executable, "-c", IMPORTS], stdin=subprocess.PIPE, env=environment)
    try:
        time.sleep(3.0)
        return used(bare.pid).resident_mb
    finally:
        bare.kill()
        bare.wait()


def main(quick: bool, days: int = DAYS) -> list[Row]:
    """The highest of the first third and of the last two, and of a dense day."""
    if quick:
        return []  # `bench_month` runs the same way at its small size
    looks = memory(days, SENSORS, 300)
    early = max(mb for at, mb in looks if days / 6 < at <= days / 3)
    late = max(mb for at, mb in looks if at > days * 2 / 3)
    dense, bare = max(mb for _, mb in memory(1, SENSORS, 10)), imports_mb()
    page = "a page open"
    return [
        Row("resident memory at most, last third", f"{days} days, {SENSORS} sensors every 5 min, "
            f"{page}", f"{late:.0f} MB", f"from day {days // 6} to {days // 3} {early:.0f} MB",
            late / early, "no growth"),
        Row("resident memory at most", f"a day, {SENSORS} sensors every 10 s, {page}",
            f"{dense:.0f} MB", f"the same imports {bare:.0f} MB", dense / bare,
            "20 MB more, under 75 MB"),
    ]  # fmt: skip


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--days", type=int, default=DAYS)
    asked = parser.parse_args()
    show(main(asked.quick, asked.days))
