"""The daemon live, on a real broker: from a reading to what others see, and the commands."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from monitor.edges import broker as broker_edge
from monitor.edges.broker import free_port
from monitor.edges.mqtt import STATE_TOPIC, Broker, Guest
from monitor.service.settings.settings import load
from tests.service.trial import BARN, Trial, settings_in
from tests.waiting import until

SENSORS = """
[[sensor]]
name = "rail"
space = "hay loft"
topic = "barn/rail"
every = "60 s"
time = { at = "/ts", unit = "ms" }
reads.temperature = { at = "/t", unit = "°C" }
reads.humidity = { at = "/rh", unit = "%" }
[[sensor]]
name = "plain"
space = "hay loft"
topic = "barn/plain"
every = "60 s"
reads.illuminance = { unit = "lx" }
"""
SETTINGS = BARN + SENSORS
SPELLS = ("drying-room/spells/all", "drying-room/spells/hay-loft")


@contextmanager
def live(folder: Path) -> Iterator[tuple[Broker, Trial]]:
    (folder / "broker").mkdir()
    (folder / "sample.toml").write_text(SETTINGS, "utf-8")
    broker = broker_edge.start(folder / "broker", folder / "broker.log", "mosquitto")
    trial = Trial(
        settings_in(folder, broker, folder / "sample.toml", commit_every="1 s"), until=None
    )
    try:
        trial.start()
        yield broker.address, trial
    finally:
        trial.stop()
        broker.stop()


def command(trial: Trial, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "monitor", *words, "--config", str(trial.settings.file)],
        capture_output=True,
        text=True,
        check=False,
    )


def heard(broker: Broker, *wanted: str, least: int = 0) -> dict[str, bytes]:
    """The retained messages of these topics, once all are there and so long [bytes]."""
    told: dict[str, bytes] = {}
    with Guest(broker, ["drying-room/#"]) as guest:

        def turn() -> None:
            guest.turn(0.1)
            told.update({m.topic: m.payload for m in guest.take() if len(m.payload) >= least})

        until(lambda: told.keys() >= {*wanted}, lambda: f"only {sorted(told)} came", between=turn)
    return {topic: told[topic] for topic in wanted}


def test_from_a_reading_to_a_command_and_to_others_on_the_broker(tmp_path: Path) -> None:
    with live(tmp_path) as (broker, trial):
        now_ms = time.time_ns() // 1_000_000
        with Guest(broker) as guest:
            for minutes in (3, 2, 1):
                payload = {"ts": now_ms - 60_000 * minutes, "t": 21.5, "rh": 60}
                guest.publish("barn/rail", json.dumps(payload).encode())
            guest.publish("barn/plain", b"400")
            guest.publish("barn/plain", b"not a number")
            guest.settle()
        topic = "drying-room/air/hay-loft"
        records = json.loads(heard(broker, topic, least=3)[topic])
        assert records[0]["bn"] == "drying-room:hay-loft:"
        assert {r["n"]: r["u"] for r in records}["temperature"] == "Cel"
        assert records[0]["v"] == 21.5
        said = command(trial, "now")
        assert said.returncode == 0
        assert said.stdout.startswith("Hay loft (hanging): 22 °C, humidity 60 %")
        hung = command(trial, "hang", "statice", "--space", "hay loft", "--bunches", "6")
        assert hung.returncode == 0
        assert "statice-1: six bunches of statice, hanging in hay loft" in hung.stdout
        wrong = command(trial, "weigh", "statice-9", "100")
        assert wrong.returncode == 2
        assert wrong.stderr.count("\n") == 1
        shown = json.loads(command(trial, "batches", "--json").stdout)
        assert [batch["batch"] for batch in shown] == ["statice-1"]
        trial.stop()
        # What was committed at the end is there: readings, and the payload that was none.
        assert trial.export("readings").count("rail,") == 6
        assert trial.process is not None
        assert trial.process.returncode == 0
        down = command(trial, "now")
        assert (down.returncode, down.stdout) == (1, "")
        assert "not running" in down.stderr


def test_a_broker_that_lost_everything_is_told_all_of_it_again(tmp_path: Path) -> None:
    for name in ("broker", "empty"):
        (tmp_path / name).mkdir()
    (tmp_path / "sample.toml").write_text(SETTINGS, "utf-8")
    broker = broker_edge.start(tmp_path / "broker", tmp_path / "broker.log", "mosquitto")
    trial = Trial(
        settings_in(tmp_path, broker, tmp_path / "sample.toml", commit_every="1 s"), until=None
    )
    try:
        trial.start()
        before = heard(broker.address, *SPELLS)
        broker.process.kill()
        broker.process.wait()
        broker = broker_edge.start(
            tmp_path / "empty", tmp_path / "broker.log", "mosquitto", broker.port
        )
        heard(broker.address, STATE_TOPIC)  # it is back
        with Guest(broker.address) as guest:  # what is told goes out after the next commit
            guest.publish("barn/plain", b"400")
            guest.settle()
        assert heard(broker.address, *SPELLS) == before
    finally:
        trial.stop()
        broker.stop()


def test_our_own_broker_for_trying_out(tmp_path: Path) -> None:
    port = free_port()
    file = tmp_path / "drying-room.toml"
    text = f"""{SETTINGS}
[mqtt]
embedded = true
port = {port}
[store]
file = "{tmp_path / "store.sqlite"}"
backup_folder = "{tmp_path / "backups"}"
"""
    file.write_text(text, "utf-8")
    trial = Trial(load(file), until=None)
    try:
        trial.start()
        with Guest(Broker("127.0.0.1", port)) as guest:
            guest.publish("barn/rail", b'{"ts": 1, "t": 20, "rh": 50}')
            guest.settle()
        trial.wait_until(trial.handled)
        assert trial.handled() == 1
    finally:
        trial.stop()


def test_it_says_where_its_page_is_what_it_hears_and_that_a_port_is_taken(tmp_path: Path) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        (tmp_path / "broker").mkdir()
        (tmp_path / "sample.toml").write_text(SETTINGS, "utf-8")
        broker = broker_edge.start(tmp_path / "broker", tmp_path / "broker.log", "mosquitto")
        page = f"[page]\nport = {port}\n"
        settings = settings_in(tmp_path, broker, tmp_path / "sample.toml", page, "1 s")
        trial = Trial(settings, until=None)
        try:
            trial.start()
            sensors = len(settings.site.sensors)
            for line in (
                f"The page: http://127.0.0.1:{port}",
                "Notices go to: nobody yet; name an [[address]] in the settings",
                f"Heard so far: nothing yet of {sensors} sensors.",
            ):
                trial.wait_until(lambda line=line: line in trial.log())
            trial.wait_until(lambda: f"port {port} (Address already in use)" in trial.log())
            told = {"ts": time.time_ns() // 1_000_000, "t": 20.5, "rh": 60.0}
            with Guest(broker.address) as guest:
                guest.publish("barn/rail", json.dumps(told).encode())
                guest.settle()
            trial.wait_until(lambda: f"Heard so far: 1 of {sensors} sensors" in trial.log())
        finally:
            trial.stop()
            broker.stop()
