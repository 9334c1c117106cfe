"""Messages a second through the link, acknowledged in batches, beside an empty paho subscriber.

Both hear the same messages from the same mosquitto, QoS 1, in turn. What differs: the empty
subscriber runs paho's own loop, counts, and lets paho acknowledge each message at once; the
link runs under a selector, keeps every message and acknowledges at half of its window.
Run as `python -m tests.benchmarks.bench_mqtt [--quick]`.
"""

from __future__ import annotations

import json
import selectors
import sys
import tempfile
import time
from pathlib import Path
from statistics import median
from threading import Thread

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.edges import broker as brokers
from monitor.edges.mqtt import Broker, Guest, Link
from tests.benchmarks.table import Row, show

PAYLOAD = json.dumps({"ts": 1782864000, "t": 21.43, "rh": 56.7}).encode()


def through_the_link(broker: Broker, topic: str, count: int) -> float:
    """Seconds to take and acknowledge count messages that wait in our session."""
    selector = selectors.DefaultSelector()
    link = Link(broker, [topic], [], selector, lambda: 0)
    link.start()
    _until_connected(link, selector)
    publish(broker, topic, count)
    seen = 0
    began = time.perf_counter()
    while seen < count:
        link.service(selector.select(link.timeout_s()))
        taken = link.take()
        seen += len(taken)
        if taken and (link.unacknowledged >= link.window // 2 or seen == count):
            link.acknowledge(taken[-1].serial)
    seconds = time.perf_counter() - began
    link.close()
    selector.close()
    return seconds


def empty_subscriber(broker: Broker, topic: str, count: int) -> float:
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
    client.on_connect = lambda *_: client.subscribe(topic, 1)
    subscribed: list[object] = []
    client.on_subscribe = lambda *_: subscribed.append(1)
    client.connect(broker.host, broker.port, clean_start=False, properties=properties)
    while not subscribed:
        client.loop(0.1)
    publish(broker, topic, count)
    began = time.perf_counter()
    while seen < count:
        client.loop(0.1)
    seconds = time.perf_counter() - began
    client.disconnect()
    return seconds


def publish(broker: Broker, topic: str, count: int) -> None:
    """Publish all of it before anything is read, so that both read at their own speed."""

    def run() -> None:
        with Guest(broker, in_flight=500) as guest:
            for _ in range(count):
                guest.publish(topic, PAYLOAD)
            guest.settle()

    thread = Thread(target=run)
    thread.start()
    thread.join()


def _until_connected(link: Link, selector: selectors.BaseSelector) -> None:
    until = time.monotonic() + 0.5
    while not link.state.connected or time.monotonic() < until:
        link.service(selector.select(0.05))


def main(quick: bool) -> list[Row]:
    """Taken and acknowledged, beside a subscriber that only counts."""
    count, rounds = (2_000, 3) if quick else (20_000, 5)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        running = brokers.start(folder, folder / "log", "mosquitto")
        try:
            broker = running.address
            ours, floor = [], []
            for n in range(rounds):  # a topic each: both sessions stay at the broker
                ours.append(count / through_the_link(broker, f"barn/link/{n}", count))
                floor.append(count / empty_subscriber(broker, f"barn/empty/{n}", count))
        finally:
            running.stop()
    ratio = median(ours) / median(floor)
    return [
        Row(
            "messages taken and acknowledged, QoS 1, a second",
            f"{count} × {rounds}",
            f"{median(ours):,.0f} ({min(ours):,.0f} to {max(ours):,.0f})",
            f"empty subscriber {median(floor):,.0f} ({min(floor):,.0f} to {max(floor):,.0f})",
            ratio,
        )
    ]


if __name__ == "__main__":
    show(main("--quick" in sys.argv))
