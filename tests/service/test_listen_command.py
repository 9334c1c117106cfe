"""`drying-room listen` as a user runs it, against a real broker."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

from monitor.edges import broker as broker_edge
from monitor.edges.mqtt import Guest
from tests.service.test_live import SETTINGS
from tests.service.trial import BARN, settings_in


def test_it_shows_what_comes_and_offers_settings_for_the_topics_asked_for(tmp_path: Path) -> None:
    (tmp_path / "broker").mkdir()
    (tmp_path / "sample.toml").write_text(SETTINGS, "utf-8")
    broker = broker_edge.start(tmp_path / "broker", tmp_path / "broker.log", "mosquitto")
    settings = settings_in(tmp_path, broker, tmp_path / "sample.toml")
    words = ["listen", "--config", str(settings.file), "--for", "8", "--topic", "sensors/#"]
    try:
        with subprocess.Popen(
            [sys.executable, "-m", "monitor", *words], stdout=subprocess.PIPE, text=True
        ) as listening:
            with Guest(broker.address) as guest:
                while listening.poll() is None:
                    guest.publish("sensors/porch", b'{"t": 24.5, "rh": 61}')
                    guest.publish("elsewhere/lamp", b"on")
                    guest.settle()
                    time.sleep(0.5)
            assert listening.stdout is not None
            told = listening.stdout.read()
        assert listening.returncode == 0
    finally:
        broker.stop()
    assert 'topic = "sensors/porch"' in told
    assert 'reads.temperature = { at = "/t", unit = "°C" }' in told
    assert "lamp" not in told


def test_it_listens_before_any_sensor_is_in_the_settings(tmp_path: Path) -> None:
    (tmp_path / "broker").mkdir()
    broker = broker_edge.start(tmp_path / "broker", tmp_path / "broker.log", "mosquitto")
    file = tmp_path / "new.toml"
    file.write_text(f'{BARN}\n[mqtt]\nhost = "{broker.host}"\nport = {broker.port}\n', "utf-8")
    words = ["listen", "--config", str(file), "--for", "1"]
    try:
        done = subprocess.run(
            [sys.executable, "-m", "monitor", *words], capture_output=True, text=True, timeout=60
        )
    finally:
        broker.stop()
    assert done.returncode == 0
    assert done.stdout.startswith("Nothing was heard in 1 s.")
    assert done.stderr.startswith("Listening at ")
