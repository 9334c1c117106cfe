"""A month of six sensors through the real daemon and mosquitto: time, and memory throughout.

python -m tests.benchmarks.bench_month [--quick]
"""

from __future__ import annotations

import argparse
import tempfile
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from monitor.edges import broker as broker_edge
from monitor.edges.recordings import replay
from sample_readings.make_samples import write_load
from sample_readings.scenario import START
from tests.benchmarks.table import Row, show
from tests.service.trial import Trial, settings_in

DAYS, SENSORS, EVERY_S = 28, 6, 60


def resident_mb(pid: int) -> float:
    """Resident memory of a process [MB], as Linux tells it; 0 once it has ended."""
    try:
        status = Path(f"/proc/{pid}/status").read_text("utf-8")
    except OSError:
        return 0.0
    found = [line for line in status.splitlines() if line.startswith("VmRSS")]
    return int(found[0].split()[1]) / 1000 if found else 0.0


def main(quick: bool) -> list[Row]:
    """Messages a second from the first published to the end, and the highest resident memory."""
    days = 1 if quick else DAYS
    folder = Path(tempfile.mkdtemp(prefix="month-"))
    recording = folder / "month.jsonl.gz"
    messages = write_load(days, SENSORS, EVERY_S, recording)
    (folder / "broker").mkdir()
    broker = broker_edge.start(folder / "broker", folder / "broker.log", "mosquitto")
    end: datetime = START + timedelta(days=days) - timedelta(minutes=1)
    sample = recording.with_suffix("").with_suffix(".jsonl.toml")
    settings = settings_in(folder, broker, sample)
    trial = Trial(settings, end.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"), entries=None)
    highest = [0.0]
    try:
        process = trial.start()
        began = time.monotonic()

        def watch() -> None:
            while process.poll() is None:
                highest[0] = max(highest[0], resident_mb(process.pid))
                time.sleep(0.05)

        watching = threading.Thread(target=watch)
        watching.start()
        replay(recording, broker.address, None)
        trial.finish()
        took = time.monotonic() - began
        watching.join()
    finally:
        trial.stop()
        broker.stop()
    size = f"{days} days, {SENSORS} sensors every {EVERY_S} s, {messages:,} messages"
    return [
        Row("a run on the readings' clock", size, f"{took:.0f} s, {messages / took:,.0f} /s"),
        Row("its resident memory at most", size, f"{highest[0]:.0f} MB", goal="under 90 MB"),
    ]


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    show(main(parser.parse_args().quick))
