"""Messages a second, each way beside an empty paho subscriber that only counts.

All hear the same messages of two quantities from the same mosquitto, QoS 1, in turn; all of them
wait at the broker before the first is read. The subscriber runs paho's own loop, counts, and lets
paho acknowledge each message at once. Ours, one after the other: the link alone; the link with
every message decoded, stored (SQLite, WAL, full sync) and acknowledged after its commit; and the
daemon's real entry, a worker with quality, minutes of air and spells, until all of it is folded.

python -m tests.benchmarks.bench_mqtt [--quick]
"""

from __future__ import annotations

import json
import selectors
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from threading import Thread
from typing import NamedTuple

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.edges import broker as brokers
from monitor.edges.mqtt import Broker, Guest, Link
from monitor.engine.effects import Effects
from monitor.engine.engine import Engine
from monitor.intake.payloads import Decoder, Message
from monitor.notices.spell_rules import Policy
from monitor.service.daemon import broker_of
from monitor.service.settings.settings import Settings
from monitor.service.worker import Worker
from monitor.site.quantities import Reading
from monitor.store.writer import Writer
from tests.benchmarks.table import Row, show
from tests.service.test_jobs import BOOK
from tests.service.trial import settings_in

SENSORS, EVERY_S = 10, 10
WINDOW = 0.5  # the share of unacknowledged messages at which is committed, as the worker does


class Work(NamedTuple):
    """How long it took, and the processor it used [s]."""

    seconds: float
    cpu_s: float


def sample(folder: Path) -> Path:
    """Settings of ten sensors in three spaces."""
    spaces = ("loft", "shed", "room")
    text = '[site]\nname = "Barn"\nlatitude = 54.9\nlongitude = -2.1\ntimezone = "Europe/London"\n'
    text += "".join(f'[[space]]\nname = "{space}"\nuse = "hanging"\n' for space in spaces)
    for n in range(SENSORS):
        text += (
            f'[[sensor]]\nname = "s{n}"\nspace = "{spaces[n % 3]}"\ntopic = "barn/s{n}"\n'
            f'every = "{EVERY_S} s"\ntime = {{ at = "/ts", unit = "ms" }}\n'
            'reads.temperature = { at = "/t", unit = "°C" }\n'
            'reads.humidity = { at = "/rh", unit = "%" }\n'
        )
    file = folder / "sample.toml"
    file.write_text(text, "utf-8")
    return file


def messages(count: int) -> list[tuple[str, bytes]]:
    """The last hours of all sensors, in order of time, up to a minute ago."""
    rounds = count // SENSORS
    begin_ms = now_ms() - 60_000 - rounds * EVERY_S * 1000
    return [
        (
            f"barn/s{n}",
            json.dumps(
                {
                    "ts": begin_ms + (at * EVERY_S + n % EVERY_S) * 1000,
                    "t": round(20 + at % 60 / 20 + n / 10, 2),
                    "rh": round(50 + at % 40 / 10 + n / 10, 1),
                }
            ).encode(),
        )
        for at in range(rounds)
        for n in range(SENSORS)
    ]


def now_ms() -> int:
    return time.time_ns() // 1_000_000


def timed(work: Callable[[], None]) -> Work:
    began, cpu = time.perf_counter(), time.process_time()
    work()
    return Work(time.perf_counter() - began, time.process_time() - cpu)


def publish(broker: Broker, told: list[tuple[str, bytes]]) -> None:
    """Publish all of it before anything is read, so that each reads at its own speed."""

    def run() -> None:
        with Guest(broker, in_flight=500) as guest:
            for topic, payload in told:
                guest.publish(topic, payload)
            guest.settle()

    thread = Thread(target=run)
    thread.start()
    thread.join()


def empty_subscriber(broker: Broker, told: list[tuple[str, bytes]]) -> Work:
    """The floor: paho's loop and a callback that counts."""
    seen = 0

    def on_message(*_: object) -> None:
        nonlocal seen
        seen += 1

    client = Client(CallbackAPIVersion.VERSION2, "empty", protocol=MQTTProtocolVersion.MQTTv5)
    properties = Properties(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = 3600
    properties.ReceiveMaximum = broker.receive_maximum
    client.on_message = on_message
    client.on_connect = lambda *_: client.subscribe("barn/#", 1)
    subscribed: list[object] = []
    client.on_subscribe = lambda *_: subscribed.append(1)
    client.connect(broker.host, broker.port, clean_start=False, properties=properties)
    while not subscribed:
        client.loop(0.1)
    publish(broker, told)

    def read() -> None:
        while seen < len(told):
            client.loop(0.1)

    done = timed(read)
    _forget(client)
    return done


def _forget(client: Client) -> None:
    """Leave no session behind, which would take all that is published next."""
    client.unsubscribe("barn/#")
    client.loop(0.1)
    client.disconnect()


def through_the_link(settings: Settings, told: list[tuple[str, bytes]], store: Path | None) -> Work:
    """Taken and acknowledged; with a store, decoded and stored before that."""
    selector = selectors.DefaultSelector()
    link = Link(broker_of(settings), ["barn/+"], [], selector, now_ms)
    link.start()
    _until_connected(link, selector)
    publish(broker_of(settings), told)
    decoder = Decoder(settings.site.sensors)
    writer = None if store is None else Writer(store)

    def read() -> None:
        seen = 0
        while seen < len(told):
            link.service(selector.select(link.timeout_s()))
            taken = list(link.take())
            seen += len(taken)
            if writer is not None and taken:
                readings = []
                for one in taken:
                    message = Message(one.topic, one.payload, one.arrived_ms, one.retained)
                    for sensor, quantity, value, own_ms in decoder.decode(message).readings:
                        readings.append(Reading(own_ms or 0, sensor, quantity, value))
                writer.apply(Effects(readings=readings))
            full = link.unacknowledged >= link.window * WINDOW
            if taken and (full or seen == len(told)):
                if writer is not None:
                    writer.commit()
                link.acknowledge(taken[-1].serial)

    done = timed(read)
    link.close()
    selector.close()
    if writer is not None:
        writer.close()
    return done


def through_the_worker(settings: Settings, told: list[tuple[str, bytes]], store: Path) -> Work:
    """The daemon's real entry, until everything is folded and committed."""
    topics = [topic for topic, _ in Decoder(settings.site.sensors).filters()]

    def worker() -> Worker:
        return Worker(
            store,
            lambda writer: Engine(settings.site, Policy(), BOOK, writer),
            lambda selector: Link(broker_of(settings), topics, [], selector, now_ms),
            now_ms,
            time.monotonic,
        )

    first = worker()  # it makes the session, and goes
    thread = Thread(target=first.run)
    thread.start()
    while not (first.link and first.link.state.connected):
        time.sleep(0.05)
    time.sleep(0.5)
    first.stop()
    thread.join()
    publish(broker_of(settings), told)
    second = worker()

    def read() -> None:
        thread = Thread(target=second.run)
        thread.start()
        while second.handled < len(told) or second.engine.behind(second.now_ms()):
            time.sleep(0.01)
        second.stop()
        thread.join()

    return timed(read)


def _until_connected(link: Link, selector: selectors.BaseSelector) -> None:
    until = time.monotonic() + 0.5
    while not link.state.connected or time.monotonic() < until:
        link.service(selector.select(0.05))


def main(quick: bool) -> list[Row]:
    """Each way of ours beside the floor of the same turn."""
    count, rounds = (2_000, 1) if quick else (20_000, 3)
    ways: dict[str, tuple[str, list[Work]]] = {
        "link": ("taken and acknowledged", []),
        "stored": ("decoded, stored and acknowledged", []),
        "entry": ("through the worker, folded and stored", []),
    }
    floor: list[Work] = []
    with tempfile.TemporaryDirectory() as name:
        for turn in range(rounds):
            folder = Path(name) / str(turn)
            folder.mkdir()
            told = messages(count)

            def at_a_broker(work: Callable[[Settings, Path], Work], called: str) -> Work:
                """On a broker of its own, so that no session of another takes messages too."""
                here = folder / called  # noqa: B023 - called in this turn
                (here / "broker").mkdir(parents=True)
                running = brokers.start(here / "broker", here / "log", "mosquitto")
                try:
                    return work(settings_in(here, running, sample(here)), here / "x.sqlite")
                finally:
                    running.stop()

            def empty(settings: Settings, _: Path) -> Work:
                return empty_subscriber(broker_of(settings), told)  # noqa: B023

            def link(settings: Settings, _: Path) -> Work:
                return through_the_link(settings, told, None)  # noqa: B023

            def stored(settings: Settings, store: Path) -> Work:
                return through_the_link(settings, told, store)  # noqa: B023

            def entry(settings: Settings, store: Path) -> Work:
                return through_the_worker(settings, told, store)  # noqa: B023

            floor.append(at_a_broker(empty, "empty"))
            for called, work in (("link", link), ("stored", stored), ("entry", entry)):
                ways[called][1].append(at_a_broker(work, called))
    goals = {"link": "", "stored": "at least 0.8", "entry": "at least 0.5"}
    bare = median(count / one.seconds for one in floor)
    return [
        Row(
            f"messages of two quantities {words}, a second",
            f"{count:,} × {rounds}",
            f"{median(count / one.seconds for one in done):,.0f}; "
            f"{median(1e6 * one.cpu_s / count for one in done):.0f} µs of processor each",
            f"empty subscriber {bare:,.0f}; "
            f"{median(1e6 * one.cpu_s / count for one in floor):.0f} µs",
            median(count / one.seconds for one in done) / bare,
            goals[called],
            median(one.cpu_s for one in floor) / median(one.cpu_s for one in done),
        )
        for called, (words, done) in ways.items()
    ]


if __name__ == "__main__":
    show(main("--quick" in sys.argv))
