"""The disk full, read-only or failing under the running monitor: nothing acknowledged is lost."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest

from monitor.edges import broker as broker_edge
from monitor.edges.mqtt import Guest
from tests.faults.conftest import Shim
from tests.service.test_live import SETTINGS
from tests.service.trial import Trial, settings_in

READINGS = 600


@pytest.mark.parametrize("fault", ["full", "readonly", "eio"])
def test_nothing_is_lost_and_it_is_said(shim: Shim, tmp_path: Path, fault: str) -> None:
    (tmp_path / "broker").mkdir()
    (tmp_path / "sample.toml").write_text(SETTINGS, "utf-8")
    broker = broker_edge.start(tmp_path / "broker", tmp_path / "broker.log", "mosquitto")
    address = '[[address]]\nname = "phone"\nurl = "json://127.0.0.1:9/nobody"\n'
    settings = settings_in(tmp_path, broker, tmp_path / "sample.toml", address)
    settings.file.write_text(
        settings.file.read_text("utf-8").replace("[store]", '[store]\ncommit_every = "1 s"'),
        "utf-8",
    )
    trial = Trial(settings, until=None, environment=shim.environment())
    begin_ms = time.time_ns() // 1_000_000 - READINGS * 1000
    try:
        trial.start()
        with Guest(broker.address) as guest:
            for number in range(READINGS):
                if number == READINGS // 3:
                    shim.set(fault)
                if number == 2 * READINGS // 3:
                    shim.set("")
                payload = {"ts": begin_ms + 1000 * number, "t": 20 + number / 1000, "rh": 50}
                guest.publish("barn/rail", json.dumps(payload).encode())
                guest.turn(0)
                time.sleep(0.015)
            guest.settle()
        for _ in range(300):
            if trial.export("readings").count("temperature") == READINGS:
                break
            time.sleep(0.1)
        rows = [line for line in trial.export("readings").splitlines() if "temperature" in line]
        assert len(rows) == READINGS, trial.log()
        assert len({row.split(",")[0] for row in rows}) == READINGS
        assert trial.process is not None
        assert trial.process.poll() is None
        assert "could not be written" in trial.log()
        for _ in range(50):  # written after the commit that kept the readings
            kinds = {line.split(",")[2] for line in trial.export("notices").splitlines()}
            if "store" in kinds:
                break
            time.sleep(0.1)
        assert "store" in kinds
    finally:
        trial.stop()
        broker.stop()
