"""A sensor that sends only what cannot be read is told of once, and again only after it was read.

A real broker, a real store, a real worker.
"""

from __future__ import annotations

import json
import threading
import time
from pathlib import Path

from monitor.edges import broker as broker_edge
from monitor.edges.mqtt import Guest, Link
from monitor.engine.engine import Engine
from monitor.intake.payloads import Decoder, Message
from monitor.notices.spell_rules import Policy
from monitor.service.daemon import broker_of
from monitor.service.settings.settings import load
from monitor.service.watches import MOST_A_DAY, PATIENCE_MS, PayloadWatch
from monitor.service.worker import Worker
from monitor.site.flowers import read_book
from monitor.site.time import DAY_MS
from tests.faults.test_flood import MAD, SITE
from tests.service.test_live import SETTINGS
from tests.service.trial import settings_in
from tests.waiting import until

BOOK = read_book((Path(__file__).parents[2] / "config" / "flowers.toml").read_text("utf-8"))
TITLE = "Hay loft: sensor rail cannot be read"


def now_ms() -> int:
    return time.time_ns() // 1_000_000


def test_it_is_said_once_while_it_lasts_and_not_of_a_single_bad_message(tmp_path: Path) -> None:
    (tmp_path / "broker").mkdir()
    (tmp_path / "sample.toml").write_text(SETTINGS, "utf-8")
    broker = broker_edge.start(tmp_path / "broker", tmp_path / "broker.log", "mosquitto")
    settings = load(settings_in(tmp_path, broker, tmp_path / "sample.toml").file)
    topics = [topic for topic, _ in Decoder(settings.site.sensors).filters()]
    worker = Worker(
        settings.store.file,
        lambda writer: Engine(settings.site, Policy(), BOOK, writer),
        lambda selector: Link(broker_of(settings), topics, [], selector, now_ms),
        now_ms,
        time.monotonic,
        commit_every_s=0.2,
    )
    worker.watches = [PayloadWatch(worker, settings.site, patience_ms=2000, day_ms=2000)]
    thread = threading.Thread(target=worker.run)
    thread.start()

    def titles() -> list[str]:
        return [told.notice.title for told in worker.snapshot.notices.values()]

    def send(guest: Guest, payload: bytes) -> None:
        handled = worker.handled
        guest.publish("barn/rail", payload)
        guest.settle()
        until(lambda: worker.handled > handled, titles)
        time.sleep(1.2)  # a snapshot a second

    def send_until_told(guest: Guest, payload: bytes, times: int) -> None:
        for _ in range(20):  # on a busy machine a snapshot may come late
            send(guest, payload)
            if len(titles()) == times:
                break
        assert titles() == [TITLE] * times

    def good() -> bytes:
        return json.dumps({"ts": now_ms() - 1000, "t": 20, "rh": 50}).encode()

    try:
        until(lambda: bool(worker.link and worker.link.state.connected), titles)
        with Guest(broker.address) as guest:
            send(guest, good())
            send(guest, b"garbled")
            send(guest, good())
            time.sleep(2.5)
            send(guest, good())
            assert titles() == []
            send_until_told(guest, b"not what was agreed", 1)
            for _ in range(3):
                send(guest, b"still not")
            assert titles() == [TITLE]
            send(guest, good())
            send_until_told(guest, b"again", 2)
    finally:
        worker.stop()
        thread.join()
        broker.stop()


def test_a_flood_of_garbage_from_many_sensors_is_one_notice(tmp_path: Path) -> None:
    """Fifty sensors, a real store and a real worker; time as the test says."""
    file = tmp_path / "garden.toml"
    file.write_text(SITE + "".join(MAD.format(n=n) for n in range(50)), "utf-8")
    site = load(file).site
    now = [1_784_000_000_000]
    worker = Worker(
        tmp_path / "x.sqlite",
        lambda writer: Engine(site, Policy(), BOOK, writer),
        None,
        lambda: now[0],
        time.monotonic,
    )
    watch = PayloadWatch(worker, site)

    def send(sensors: range, garbage: bool = True) -> None:
        told = json.dumps({"ts": now[0], "rh": 50}).encode()
        made = [
            Message(f"barn/mad/{n}", b"\xff mad" if garbage else told, now[0], False)
            for n in sensors
        ]
        worker.write(worker.engine.receive(made))
        now[0] += 1000
        worker.snapshot = worker.engine.snapshot(now[0])
        watch.look(now[0])

    def titles() -> list[str]:
        return [told.notice.title for told in worker.engine.snapshot(now[0]).notices.values()]

    def mad(sensors: range) -> None:
        for _ in range(4):
            send(sensors)
            now[0] += PATIENCE_MS // 3
        send(sensors)

    send(range(50), garbage=False)
    for first in range(0, 50, 10):  # they begin one after the other
        send(range(first, first + 10))
    mad(range(50))
    assert titles() == ["Monitor: 50 sensors cannot be read"]
    for _ in range(6):  # read in between, and mad again: not a second time on one day
        send(range(50), garbage=False)
        mad(range(50))
    assert len(titles()) == 1
    now[0] += DAY_MS
    for n in range(10):
        send(range(50), garbage=False)
        mad(range(n, n + 1))
    assert len(titles()) == 1 + MOST_A_DAY
    assert titles()[1] == "Hay loft: sensor mad 0 cannot be read"
    worker.stop()
    worker.run()  # commits, and closes
