"""A flood of readings is said once a day. A real store and a real worker, without a broker."""

from __future__ import annotations

import json
import time
from pathlib import Path

from monitor.air.memory import MOST_HELD
from monitor.engine.engine import Engine
from monitor.intake.payloads import Message
from monitor.notices.spell_rules import Policy
from monitor.service.settings.settings import load
from monitor.service.watches import SAID_AGAIN_MS, FloodWatch
from monitor.service.worker import Worker
from tests.service.test_live import SETTINGS
from tests.service.test_payload_watch import BOOK

NOW_MS = 1_784_000_000_000


def test_a_flood_is_said_once_a_day(tmp_path: Path) -> None:
    file = tmp_path / "garden.toml"
    file.write_text(SETTINGS, "utf-8")
    site = load(file).site
    now_ms = NOW_MS
    worker = Worker(
        tmp_path / "x.sqlite",
        lambda writer: Engine(site, Policy(), BOOK, writer),
        None,
        lambda: now_ms,
        time.monotonic,
    )
    watch = FloodWatch(worker)

    def feed(first: int, count: int) -> None:
        """So many readings of two quantities, a millisecond apart."""
        made = [
            Message(
                "barn/rail",
                json.dumps({"ts": NOW_MS + n, "t": 20, "rh": 50}).encode(),
                NOW_MS + n,
                False,
            )
            for n in range(first, first + count)
        ]
        worker.write(worker.engine.receive(made))
        watch.look(now_ms)

    def said() -> int:
        worker.snapshot = worker.engine.snapshot(now_ms)
        titles = [told.notice.title for told in worker.snapshot.notices.values()]
        return titles.count("Monitor: sensors send far too much")

    feed(0, 600)
    assert said() == 0
    feed(600, MOST_HELD // 2)
    assert said() == 1
    watch.look(now_ms)
    assert said() == 1
    now_ms += SAID_AGAIN_MS
    watch.look(now_ms)
    assert said() == 2
    worker.stop()
    worker.run()  # commits, and closes
