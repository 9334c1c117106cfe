"""A board that starts anew every ten minutes for a day: as if it had never been off.

Half of the restarts are power cuts (kill -9), half orderly. What is kept and what was told must be
as in a day without any.
"""

from __future__ import annotations

import csv
import io
import json
import time
from pathlib import Path

from monitor.edges import broker as broker_edge
from monitor.edges.mqtt import Guest
from tests.service.test_live import SETTINGS
from tests.service.trial import Trial, settings_in

RESTARTS, FULL_RESTARTS, MINUTES = 6, 143, 10
BEGIN = 1_783_987_200  # 2026-07-14T00:00:00Z
HOT = range(25, 62)  # a spell that begins and ends between restarts
SAME = ("readings", "air", "spells", "ahead")


def once(folder: Path, restarts: int, restarted: bool) -> dict[str, str]:
    """The exports after as many times ten minutes, and one reading more."""
    (folder / "broker").mkdir(parents=True)
    (folder / "sample.toml").write_text(SETTINGS, "utf-8")
    broker = broker_edge.start(folder / "broker", folder / "broker.log", "mosquitto")
    end = BEGIN + 60 * MINUTES * (restarts + 1)
    until = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(end - 60))
    trial = Trial(settings_in(folder, broker, folder / "sample.toml"), until, entries=None)
    try:
        trial.start()
        for number in range(restarts + 1):
            minutes = range(number * MINUTES, (number + 1) * MINUTES + (number == restarts))
            newest = publish(broker, minutes)
            if number < restarts:
                trial.wait_until(lambda ms=newest: trial.heard_ms("rail") >= ms)  # type: ignore[misc]
                if restarted:
                    trial.kill() if number % 2 else trial.stop()
                    trial.start()
        trial.finish()
    finally:
        trial.stop()
        broker.stop()
    assert "Traceback" not in trial.log()
    return {what: trial.export(what) for what in (*SAME, "notices")}


def publish(broker: broker_edge.RunningBroker, minutes: range) -> int:
    """A reading a minute; the time of the newest [ms]."""
    with Guest(broker.address) as guest:
        for minute in minutes:
            t = (34 if minute in HOT else 20) + minute % 7 / 10
            payload = {"ts": 1000 * (BEGIN + 60 * minute), "t": t, "rh": 50}
            guest.publish("barn/rail", json.dumps(payload).encode())
        guest.settle()
    return int(payload["ts"])


def told(notices: str) -> list[tuple[str, ...]]:
    """What was said, whenever it went out."""
    rows = csv.DictReader(io.StringIO(notices))
    return sorted((row["made"], row["kind"], row["title"], row["body"]) for row in rows)


def run(folder: Path, restarts: int) -> str:
    """Returns the figures in a line; raises AssertionError where a restart shows."""
    quiet = once(folder / "quiet", restarts, restarted=False)
    ran = once(folder / "restarted", restarts, restarted=True)
    for what in SAME:
        assert ran[what] == quiet[what], what
    assert quiet["spells"].count(",hot,") == 1
    assert told(ran["notices"]) == told(quiet["notices"])
    return (
        f"{restarts} restarts, {restarts // 2} of them power cuts, each after {MINUTES} minutes of "
        f"readings: {', '.join(SAME)} and {len(told(ran['notices']))} notices as without any"
    )


def test_restarted_every_ten_minutes_it_says_the_same(tmp_path: Path) -> None:
    print(run(tmp_path, RESTARTS))
