"""Memory, threads, open files and the write-ahead log stay flat, whatever time passes."""

from __future__ import annotations

import threading
import time
from datetime import UTC, timedelta
from pathlib import Path
from typing import NamedTuple

from monitor.edges import broker as broker_edge
from monitor.edges.recordings import replay
from sample_readings.make_samples import write_load
from sample_readings.scenario import START
from tests.service.trial import Trial, settings_in

DAYS, SENSORS, EVERY_S = 5, 4, 60
MOST_GROWTH_MB = 12.0  # from a third of the way on; what SQLite and the allocator keep varies
MOST_WAL_MB = 8.0


class Use(NamedTuple):
    """What a process uses."""

    resident_mb: float
    threads: int
    files: int
    wal_mb: float


def use_of(pid: int, store: Path) -> Use:
    lines = Path(f"/proc/{pid}/status").read_text("utf-8").splitlines()
    told = {name: rest.split() for name, _, rest in (line.partition(":") for line in lines)}
    wal = store.with_name(store.name + "-wal")
    return Use(
        int(told["VmRSS"][0]) / 1000,
        int(told["Threads"][0]),
        len(list(Path(f"/proc/{pid}/fd").iterdir())),
        wal.stat().st_size / 1e6 if wal.exists() else 0.0,
    )


def run(folder: Path, days: int) -> str:
    """Days of readings as fast as they go, and all their jobs; returns the figures in a line."""
    recording = folder / "days.jsonl.gz"
    messages = write_load(days, SENSORS, EVERY_S, recording)
    (folder / "broker").mkdir()
    broker = broker_edge.start(folder / "broker", folder / "broker.log", "mosquitto")
    end = (START + timedelta(days=days, minutes=-1)).astimezone(UTC)
    settings = settings_in(folder, broker, recording.with_suffix("").with_suffix(".jsonl.toml"))
    trial = Trial(settings, end.strftime("%Y-%m-%dT%H:%M:%SZ"), entries=None)
    used: list[tuple[int, Use]] = []
    try:
        process = trial.start()
        feeding = threading.Thread(target=replay, args=(recording, broker.address, None))
        feeding.start()
        while process.poll() is None:
            if handled := trial.handled():
                try:
                    used.append((handled, use_of(process.pid, settings.store.file)))
                except (OSError, KeyError):
                    break  # it has just ended
            time.sleep(0.05)
        feeding.join()
        trial.finish()
    finally:
        trial.stop()
        broker.stop()
    early = [use for handled, use in used if messages / 3 < handled < messages / 2]
    late = [use for handled, use in used if handled >= messages * 5 / 6]
    assert early, "it was too quick to be looked at"
    assert late, "it was too quick to be looked at"
    first, last = (Use(*map(max, zip(*u, strict=True))) for u in (early, late))
    # Children and answers open files while they last: what leaks shows in what is always open.
    always, then_always = (Use(*map(min, zip(*u, strict=True))) for u in (early, late))
    most_wal_mb = max(use.wal_mb for _, use in used)
    figures = (
        f"{days} days, {messages:,} messages: resident {first.resident_mb:.0f} MB, then "
        f"{last.resident_mb:.0f} MB; threads {first.threads}, {last.threads}; open files "
        f"at least {always.files}, at most {first.files}, then {then_always.files}, {last.files}; "
        f"write-ahead log at most {most_wal_mb:.1f} MB"
    )
    assert last.resident_mb - first.resident_mb < MOST_GROWTH_MB, figures
    assert last.threads <= first.threads + 1, figures  # one answers the question just asked
    assert then_always.files <= always.files + 1, figures
    assert last.files <= first.files + 8, figures  # another child and another reader of the store
    assert most_wal_mb < MOST_WAL_MB, figures
    return figures


def test_days_at_speed_leave_nothing_behind(tmp_path: Path) -> None:
    print(run(tmp_path, DAYS))
