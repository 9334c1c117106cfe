"""The broker cut off, silent on an open connection, killed and started anew, under the monitor."""

from __future__ import annotations

import json
import os
import signal
import threading
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from paho.mqtt import subscribe

from monitor.edges import broker as broker_edge
from monitor.edges.broker import RunningBroker
from monitor.edges.mqtt import STATE_TOPIC, Guest, Link
from monitor.edges.socket import ask
from monitor.engine.engine import Engine
from monitor.intake.payloads import Decoder
from monitor.notices.notice import Weight
from monitor.notices.spell_rules import Policy
from monitor.service.daemon import broker_of
from monitor.service.settings.settings import Settings, load, socket_file
from monitor.service.watches import BrokerWatch
from monitor.service.worker import Worker
from tests.faults.proxy import Mode, Proxy
from tests.service.test_jobs import BOOK
from tests.service.test_live import SETTINGS
from tests.service.trial import Trial, settings_in
from tests.waiting import until

AWAY_S = 0.5  # the worker is back at its queue within this
BURST = 200


def started(folder: Path) -> RunningBroker:
    (folder / "broker").mkdir()
    (folder / "sample.toml").write_text(SETTINGS, "utf-8")
    return broker_edge.start(folder / "broker", folder / "broker.log", "mosquitto")


class Prober:
    """Asks the worker something every few milliseconds, and notes its longest silence.

    lag_s  the longest that this process itself was kept waiting by the machine
    """

    def __init__(self, settings: Settings) -> None:
        self.longest_s = 0.0
        self.lag_s = 0.0
        self.asked = 0
        self._path = socket_file(settings)
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def __enter__(self) -> Prober:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._end.set()
        self._thread.join()

    def _run(self) -> None:
        nothing = {"enter": {"verb": "undo", "arguments": {"entry": 999_999}}}
        began = time.monotonic()
        while not self._end.wait(0.03):
            self.lag_s = max(self.lag_s, time.monotonic() - began - 0.03)
            began = time.monotonic()
            assert "error" in ask(self._path, nothing)
            self.longest_s = max(self.longest_s, time.monotonic() - began)
            self.asked += 1
            began = time.monotonic()


def run(folder: Path, modes: Sequence[Mode], gap_s: float) -> str:
    """Each way to lose the broker for a while; returns the figures in a line."""
    broker = started(folder)
    sent: set[int] = set()
    begin_ms = time.time_ns() // 1_000_000 - 3_600_000
    with Proxy(broker.port) as proxy:
        behind = replace(broker, port=proxy.port)
        settings = settings_in(
            folder, behind, folder / "sample.toml", commit_every="1 s", mqtt='keepalive = "5 s"'
        )
        trial = Trial(settings, until=None)

        def publish() -> None:
            with Guest(broker.address, in_flight=50) as guest:
                for _ in range(BURST):
                    at_ms = begin_ms + 10 * len(sent)
                    sent.add(at_ms)
                    payload = {"ts": at_ms, "t": 20 + len(sent) % 7 / 10, "rh": 50}
                    guest.publish("barn/rail", json.dumps(payload).encode())
                guest.settle()

        def stored() -> int:
            return trial.export("readings").count(",temperature,")

        try:
            trial.start()
            with Prober(settings) as prober:
                for mode in modes:
                    proxy.mode = mode
                    time.sleep(0.2)
                    publish()
                    # A half-open connection is noticed when the keep-alive runs out.
                    trial.wait_until(lambda: not trial.health()["connected"])
                    time.sleep(gap_s)
                    proxy.mode = "pass"
                    trial.wait_until(lambda: stored() == len(sent))
                os.kill(broker.pid, 9)
                broker.process.wait()
                trial.wait_until(lambda: not trial.health()["connected"])
                time.sleep(gap_s)
                broker = broker_edge.start(
                    folder / "broker", folder / "broker.log", "mosquitto", broker.port
                )
                trial.wait_until(lambda: bool(trial.health()["connected"]))
                publish()
                trial.wait_until(lambda: stored() == len(sent))
                broker.stop()
                trial.wait_until(lambda: not trial.health()["connected"])
                # Anew in an empty folder: it knows nothing of the monitor's session.
                (folder / "new").mkdir()
                broker = broker_edge.start(
                    folder / "new", folder / "broker.log", "mosquitto", broker.port
                )
                # It says that it is there after it has asked for its topics.
                subscribe.simple(STATE_TOPIC, 1, hostname=broker.host, port=broker.port)
                publish()
                trial.wait_until(lambda: stored() == len(sent))
            assert prober.asked > 50
            assert prober.longest_s < AWAY_S + prober.lag_s
        finally:
            trial.stop()
            broker.stop()
    return (
        f"{', '.join(modes)}, killed, session lost: {len(sent):,} readings, none lost; asked "
        f"{prober.asked} times, the worker answered within {1000 * prober.longest_s:.0f} ms"
    )


def stopped(folder: Path, keepalive_s: int, more_s: float) -> str:
    """The broker's process stopped, and some time after that is noticed let go on."""
    broker = started(folder)
    settings = settings_in(
        folder,
        broker,
        folder / "sample.toml",
        commit_every="1 s",
        mqtt=f'keepalive = "{keepalive_s} s"',
    )
    trial, begin_ms = Trial(settings, until=None), time.time_ns() // 1_000_000 - 3_600_000

    def publish(number: int) -> None:
        with Guest(broker.address) as guest:
            payload = {"ts": begin_ms + 60_000 * number, "t": 20.5, "rh": 50}
            guest.publish("barn/rail", json.dumps(payload).encode())
            guest.settle()

    def stored() -> int:
        return trial.export("readings").count(",temperature,")

    try:
        trial.start()
        publish(0)
        trial.wait_until(lambda: stored() == 1)
        assert broker.process is not None
        os.kill(broker.process.pid, signal.SIGSTOP)
        began = time.monotonic()
        try:
            trial.wait_until(lambda: not trial.health()["connected"])
            noticed_s = time.monotonic() - began
            with Prober(settings) as prober:
                time.sleep(more_s)
        finally:
            os.kill(broker.process.pid, signal.SIGCONT)
        trial.until_connected()
        publish(1)
        trial.wait_until(lambda: stored() == 2)
        assert prober.longest_s < AWAY_S + prober.lag_s
        log_bytes = len(trial.log())
        assert log_bytes < 5_000, trial.log()
    finally:
        trial.stop()
        broker.stop()
    return (
        f"a broker stopped for {noticed_s + more_s:.0f} s: noticed after {noticed_s:.1f} s, the "
        f"worker away for at most {prober.longest_s:.2f} s meanwhile, {log_bytes} bytes of log"
    )


def test_a_broker_that_is_stopped_and_goes_on_is_heard_again(tmp_path: Path) -> None:
    print(stopped(tmp_path, keepalive_s=5, more_s=3))


def test_it_comes_back_by_itself_and_nothing_is_lost(tmp_path: Path) -> None:
    print(run(tmp_path, ("cut", "stall"), gap_s=0.5))


@pytest.mark.parametrize("heard", [True, False])
def test_a_broker_away_for_long_is_said_once_and_its_return(tmp_path: Path, heard: bool) -> None:
    """Where readings came before, their silence rings; then the broker is for the record only."""
    broker = started(tmp_path)
    site = (settings := load_in(tmp_path, broker)).site
    topics = [topic for topic, _ in Decoder(site.sensors).filters()]
    worker = Worker(
        settings.store.file,
        lambda writer: Engine(site, Policy(), BOOK, writer),
        lambda selector: Link(broker_of(settings), topics, [], selector, now_ms),
        now_ms,
        time.monotonic,
        commit_every_s=0.2,
    )
    worker.watches = [BrokerWatch(worker, "Europe/London", time.monotonic, patience_s=1.0)]
    thread = threading.Thread(target=worker.run)
    thread.start()

    def told() -> list[tuple[str, Weight]]:
        return [(t.notice.title, t.notice.weight) for t in worker.snapshot.notices.values()]

    try:
        until(lambda: bool(worker.link and worker.link.state.connected), lambda: "no link")
        if heard:
            with Guest(broker.address) as guest:
                payload = {"ts": now_ms() - 120_000, "t": 20, "rh": 50}
                guest.publish("barn/rail", json.dumps(payload).encode())
                guest.settle()
            until(lambda: worker.handled == 1, lambda: "not heard")
            time.sleep(1.2)
        broker.stop()
        until(lambda: len(told()) == 1, lambda: str(told()))
        time.sleep(2)
        broker = broker_edge.start(
            tmp_path / "broker", tmp_path / "broker.log", "mosquitto", broker.port
        )
        until(lambda: len(told()) == 2, lambda: str(told()))
    finally:
        worker.stop()
        thread.join()
        broker.stop()
    assert told() == [
        ("Readings: the broker does not answer", Weight.NOTE if heard else Weight.NOW),
        ("Readings: the broker answers again", Weight.NOTE if heard else Weight.SOON),
    ]


def now_ms() -> int:
    return time.time_ns() // 1_000_000


def load_in(folder: Path, broker: RunningBroker) -> Settings:
    return load(settings_in(folder, broker, folder / "sample.toml").file)
