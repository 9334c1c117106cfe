"""A real mosquitto for the tests, ended by its own id; an owner that drives a link."""

from __future__ import annotations

import selectors
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.edges import broker as brokers
from monitor.edges.mqtt import Broker, Incoming, Link
from tests.waiting import until


class Owner:
    """Drives one link as the worker does, and notes how long a turn of it took at most.

    lag_s  the longest that this thread itself was kept waiting by the machine
    """

    def __init__(self, broker: Broker, timed: list[str], untimed: list[str] | None = None) -> None:
        self.selector = selectors.DefaultSelector()
        self.link = Link(broker, timed, untimed or [], self.selector, lambda: 1_780_000_000_000)
        self.received: list[Incoming] = []
        self.longest_turn_s = 0.0
        self.lag_s = 0.0
        self.link.start()

    def turn(self) -> None:
        wait_s = max(0.0, min(self.link.timeout_s(), 0.05))
        before = time.monotonic()
        ready = self.selector.select(wait_s)
        began = time.monotonic()
        self.lag_s = max(self.lag_s, began - before - wait_s)
        self.link.service(ready)
        self.received += self.link.take()
        self.longest_turn_s = max(self.longest_turn_s, time.monotonic() - began)

    def until(self, done: Callable[[], bool]) -> None:
        """Take turns until it is so; fails when nothing is received any more and it is not."""
        until(done, lambda: self.link.state, lambda: len(self.received), self.turn)

    def for_seconds(self, seconds: float) -> None:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            self.turn()

    def connect(self) -> Owner:
        self.until(lambda: self.link.state.connected)
        self.for_seconds(0.1)  # the subscriptions too
        return self

    def payloads(self) -> list[bytes]:
        return [m.payload for m in self.received]

    def acknowledge_all(self) -> None:
        self.link.acknowledge(self.received[-1].serial)

    def vanish(self) -> None:
        """As kill -9 would: the socket closes, nothing more is said."""
        client = self.link._client
        assert client is not None
        sock = client.socket()
        assert sock is not None
        client.on_socket_close = client.on_socket_unregister_write = None
        client.on_disconnect = None
        self.selector.unregister(sock)
        sock.close()
        self.link._client = None
        self.link.close(0)
        self.selector.close()

    def close(self) -> None:
        self.link.close()
        self.selector.close()


@pytest.fixture
def owner() -> Iterator[Callable[..., Owner]]:
    owners: list[Owner] = []

    def make(broker: Broker, timed: list[str], untimed: list[str] | None = None) -> Owner:
        owners.append(Owner(broker, timed, untimed))
        return owners[-1]

    yield make
    for made in owners:
        made.close()


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Broker]:
    running = brokers.start(tmp_path, tmp_path / "mosquitto.log", "mosquitto")
    yield Broker(running.host, running.port)
    running.stop()


class Brokers:
    """Starts mosquitto with a given conf on a given port, as often as a test likes."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.log = folder / "broker.log"
        self._running: list[brokers.RunningBroker] = []

    def start(self, port: int, conf: str, name: str = "mosquitto.conf") -> brokers.RunningBroker:
        path = self.folder / name
        path.write_text(conf)
        program = brokers.find_mosquitto()
        assert program is not None, "the tests need mosquitto: apt-get install mosquitto"
        process = brokers.spawn([program, "-c", str(path)], self.log)
        running = brokers.RunningBroker("127.0.0.1", port, "mosquitto", process)
        brokers.wait_until_it_answers(running, self.log)
        self._running.append(running)
        return running

    def plain(self, port: int) -> brokers.RunningBroker:
        """No password, and everything kept in memory only."""
        return self.start(
            port, f"listener {port} 127.0.0.1\nallow_anonymous true\nuser {brokers.user_name()}\n"
        )

    def stop_all(self) -> None:
        for running in self._running:
            running.stop()


@pytest.fixture
def start_brokers(tmp_path: Path) -> Iterator[Brokers]:
    starter = Brokers(tmp_path)
    yield starter
    starter.stop_all()
