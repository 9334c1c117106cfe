"""A forecast over a real broker, into the real daemon: taken in, kept over a restart, and what
cannot be read is said."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from monitor.edges import broker as broker_edge
from monitor.edges.mqtt import Guest
from tests.service.trial import Trial, settings_in

SETTINGS = """
[site]
name = "Brae"
latitude = 56.1
longitude = -3.4
timezone = "Europe/London"
[[space]]
name = "bothy"
use = "hanging"
[[sensor]]
name = "gable"
space = "outdoors"
topic = "brae/gable"
every = "60 s"
time = { at = "/ts", unit = "s" }
reads.temperature = { at = "/t", unit = "°C" }
reads.humidity = { at = "/rh", unit = "%" }
[[forecast]]
name = "weather"
topic = "brae/forecast"
list = "/hours"
time = { at = "/time", unit = "s" }
reads.temperature = { at = "/air_temperature", unit = "K" }
reads.humidity = { at = "/relative_humidity", unit = "1" }
reads.cloud = { at = "/cloud", unit = "oktas" }
"""


def kept(trial: Trial) -> Any:
    """What the store holds of the forecast; None: nothing yet."""
    with sqlite3.connect(trial.settings.store.file) as store:
        row = store.execute("SELECT value FROM fact WHERE key = 'forecast'").fetchone()
    return None if row is None else json.loads(row[0])["said"]


def test_it_is_taken_in_and_kept_and_a_bad_one_is_said(tmp_path: Path) -> None:
    (tmp_path / "broker").mkdir()
    (tmp_path / "sample.toml").write_text(SETTINGS, "utf-8")
    broker = broker_edge.start(tmp_path / "broker", tmp_path / "broker.log", "mosquitto")
    trial = Trial(
        settings_in(tmp_path, broker, tmp_path / "sample.toml", commit_every="1 s"), until=None
    )
    try:
        trial.start()
        now = time.time_ns() // 1_000_000_000
        air = {"relative_humidity": 0.7, "cloud": 6}
        hours = [
            {"time": now + 3600 * h, "air_temperature": 280.15 + h, **air} for h in range(-1, 25)
        ]
        with Guest(broker.address) as guest:
            for minutes in (3, 2, 1):
                payload = {"ts": now - 60 * minutes, "t": 7.5, "rh": 80}
                guest.publish("brae/gable", json.dumps(payload).encode())
            guest.publish("brae/forecast", json.dumps({"hours": hours}).encode(), retain=True)
            guest.publish("brae/forecast", b'{"tomorrow": "fair"}')
            guest.settle()
        said = trial.wait_until(lambda: kept(trial))
        assert len(said) == 24, "two of its hours are over"
        assert [round(t, 2) for _, t, *_ in said[:2]] == [8.0, 9.0]
        assert {(round(rh), cloud) for _, _, rh, cloud, _ in said} == {(70, 75.0)}
        trial.stop()
        words = [sys.executable, "-m", "monitor", "check", "--config", str(trial.settings.file)]
        told = subprocess.run(words, capture_output=True, text=True, check=False).stdout
        assert "forecast weather" in told, told
        assert "there is no list at /hours, it has /tomorrow" in told, told
        trial.start()
        assert len(kept(trial)) >= 24
    finally:
        trial.stop()
        broker.stop()
