"""The page over a year of minutes: first byte, charts, live figures, fifty open pages.

Everything against the real daemon, mosquitto and a store of one-minute air for three spaces:
python -m tests.benchmarks.bench_page [--quick]
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import shutil
import socket
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from math import exp, pi, sin
from pathlib import Path
from statistics import median, quantiles

from monitor.air.minute import MinuteOfAir
from monitor.edges import broker as broker_edge
from monitor.edges.broker import free_port
from monitor.edges.mqtt import Guest
from monitor.edges.socket import ask
from monitor.engine.effects import Effects
from monitor.entries.entries import Request
from monitor.entries.requests import to_json
from monitor.service.settings.settings import socket_file
from monitor.store.writer import Writer
from tests.benchmarks.table import Row, show
from tests.service.trial import Trial, settings_in

SPACES = ("loft", "barn", "outdoors")
SENSORS = 10
OPEN_PAGES = 50
SETTINGS = """
[site]
name = "Bench"
latitude = 54.9
longitude = -2.1
timezone = "Europe/London"
[[space]]
name = "loft"
use = "hanging"
[[space]]
name = "barn"
use = "hanging"
"""
SENSOR = """
[[sensor]]
name = "peg-{n}"
space = "{space}"
topic = "bench/{n}"
every = "10 s"
time = {{ at = "/ts", unit = "ms" }}
reads.temperature = {{ at = "/t", unit = "°C" }}
reads.humidity = {{ at = "/rh", unit = "%" }}
"""


def write_air(file: Path, days: int) -> None:
    """Minutes of air of every space, up to now; days and seasons swing as sines."""
    writer = Writer(file)
    end = time.time_ns() // 60_000_000_000
    for first in range(end - days * 1440, end, 1440):
        minutes = []
        for minute in range(first, min(first + 1440, end)):
            for n, space in enumerate(SPACES):
                t = 15 + 8 * sin(minute / 1440 * 2 * pi + n) + 0.01 * (minute * 7919 % 31)
                rh = 60 - 20 * sin(minute / 1440 * 2 * pi + n)
                vpd = 0.6108 * exp(17.27 * t / (t + 237.3)) * (1 - rh / 100)
                lux = max(0.0, 900 * sin(minute / 1440 * 2 * pi))
                minutes.append(
                    MinuteOfAir(minute, space, t, rh, lux, t - 8, vpd, 8.0, 9.0, None, 6)
                )
        writer.apply(Effects(air=minutes))
        writer.commit()
    while writer.work_out_days(end * 60_000, 100):  # as the nights do
        writer.commit()
    writer.commit()
    writer.close()


class House:
    """The running daemon with what the measurements ask of it."""

    def __init__(self, trial: Trial, port: int, broker: broker_edge.Broker) -> None:
        self.trial = trial
        self.port = port
        self.broker = broker

    def get(self, path: str) -> tuple[float, float]:
        """Seconds to the first byte and to the last of a page."""
        link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        link.connect()
        began = time.perf_counter()
        link.request("GET", path)
        answer = link.getresponse()
        first = time.perf_counter() - began
        assert answer.status == 200, path
        answer.read()
        last = time.perf_counter() - began
        link.close()
        return first, last

    def stream(self) -> socket.socket:
        """An open page's stream of fresh figures."""
        link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        link.request("GET", "/")
        answer = link.getresponse()
        cookie = str(answer.headers["Set-Cookie"]).split(";")[0]
        answer.read()
        link.close()
        opened = socket.create_connection(("127.0.0.1", self.port), timeout=30)
        asked = f"GET /live HTTP/1.1\r\nHost: 127.0.0.1:{self.port}\r\nCookie: {cookie}\r\n\r\n"
        opened.sendall(asked.encode())
        assert b" 200 " in opened.recv(65_536).split(b"\r\n")[0]
        return opened

    def cpu_s(self) -> float:
        """Processor time the daemon has used."""
        assert self.trial.process is not None
        fields = Path(f"/proc/{self.trial.process.pid}/stat").read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def commit_s(self, number: int) -> float:
        """Seconds until an entry is committed and answered."""
        request = to_json(Request("weigh", {"batch": "statice-1", "grams": 100.0 + number / 100}))
        began = time.perf_counter()
        answer = ask(socket_file(self.trial.settings), request, timeout=30)
        took = time.perf_counter() - began
        assert "error" not in answer, answer
        return took


@contextmanager
def running(days: int) -> Iterator[House]:
    """A live daemon over so many days of air."""
    folder = Path(tempfile.mkdtemp(prefix="page-"))
    (folder / "broker").mkdir()
    sensors = "".join(SENSOR.format(n=n, space=SPACES[n % len(SPACES)]) for n in range(SENSORS))
    (folder / "sample.toml").write_text(SETTINGS + sensors, "utf-8")
    broker = broker_edge.start(folder / "broker", folder / "broker.log", "mosquitto")
    port = free_port()
    page = f"[page]\nport = {port}\n"
    settings = settings_in(folder, broker, folder / "sample.toml", page)
    write_air(settings.store.file, days)
    trial = Trial(settings, until=None)
    try:
        trial.start()
        yield House(trial, port, broker.address)
    finally:
        trial.stop()
        broker.stop()
        shutil.rmtree(folder)


@contextmanager
def readings(house: House, every_s: float) -> Iterator[None]:
    """All sensors tell something, each so often."""
    ended = threading.Event()

    def tell() -> None:
        with Guest(house.broker) as guest:
            turn = 0
            while not ended.is_set():
                for n in range(1, SENSORS):
                    now_ms = time.time_ns() // 1_000_000
                    told = {"ts": now_ms, "t": 20 + turn % 9 / 10, "rh": 50 + turn % 7}
                    guest.publish(f"bench/{n}", json.dumps(told).encode())
                guest.settle()
                turn += 1
                ended.wait(every_s)

    thread = threading.Thread(target=tell)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()


def delays(house: House, count: int) -> list[float]:
    """Seconds from publishing a reading to its figure on an open page's stream."""
    took = []
    stream = house.stream()
    with Guest(house.broker) as guest:
        for n in range(count):
            figure = f'"peg-0||temperature": "{30 + n / 10:.1f} °C"'.encode()
            began = time.perf_counter()
            told = {"ts": time.time_ns() // 1_000_000, "t": 30 + n / 10, "rh": 50}
            guest.publish("bench/0", json.dumps(told).encode())
            guest.settle()
            heard = b""
            while figure not in heard:
                heard += stream.recv(65_536)
            took.append(time.perf_counter() - began)
            time.sleep(0.137 * (n % 7))  # at every moment of the daemon's second
    stream.close()
    return took


def share_of_a_core(house: House, seconds: float) -> float:
    """Processor time the daemon uses, as a share of one core [%]."""
    before, began = house.cpu_s(), time.perf_counter()
    time.sleep(seconds)
    return 100 * (house.cpu_s() - before) / (time.perf_counter() - began)


def with_open_pages(house: House, seconds: float) -> tuple[float, float]:
    """Share of a core while readings come: without, and with, pages that follow them."""
    with readings(house, 1.0):
        alone = share_of_a_core(house, seconds)
        streams = [house.stream() for _ in range(OPEN_PAGES)]
        ended = threading.Event()
        reading = threading.Thread(target=_drain, args=(streams, ended))
        reading.start()
        time.sleep(1)
        followed = share_of_a_core(house, seconds)
        ended.set()
        reading.join()
        for stream in streams:
            stream.close()
    return alone, followed


def _drain(streams: list[socket.socket], ended: threading.Event) -> None:
    for stream in streams:
        stream.setblocking(False)
    while not ended.wait(0.2):
        for stream in streams:
            try:
                stream.recv(65_536)
            except BlockingIOError:
                continue


def commits(house: House, count: int, readers: int, begin: int) -> list[float]:
    """Seconds until each of many entries was committed, while others read a month of charts."""
    ended = threading.Event()

    def read() -> None:
        while not ended.is_set():
            house.get("/space/loft?span=month")

    threads = [threading.Thread(target=read) for _ in range(readers)]
    for thread in threads:
        thread.start()
    took = []
    for n in range(count):
        took.append(house.commit_s(begin + n))
        time.sleep(0.05)
    ended.set()
    for thread in threads:
        thread.join()
    return took


def main(quick: bool) -> list[Row]:
    """Every figure of the page."""
    days, count = (35, 15) if quick else (365, 100)
    size = f"{days} days of {len(SPACES)} spaces"
    with running(days) as house:
        with readings(house, 1.0):
            time.sleep(2)
        hang = Request("hang", {"flower": "statice", "space": "loft", "bunches": 6})
        ask(socket_file(house.trial.settings), to_json(hang), timeout=30)
        house.get("/")
        house.get("/space/loft?span=month")
        spaces = [house.get("/")[0] for _ in range(count)]
        month = [house.get("/space/loft?span=month")[1] for _ in range(count // 3)]
        first_look = house.get("/space/loft?span=year")[1]
        year = [house.get("/space/loft?span=year")[1] for _ in range(count // 3)]
        shown = delays(house, count)
        alone, followed = with_open_pages(house, 4 if quick else 30)
        quiet = commits(house, count, readers=0, begin=0)
        read = commits(house, count, readers=4, begin=count)
    return [
        Row("first byte of Spaces", size, _ms(spaces), goal="under 50 ms"),
        Row("a month's charts of a space, whole", size, _ms(month), goal="under 300 ms"),
        Row("a year's charts of a space, whole", size,
            f"{_ms(year)}; at the first look {1000 * first_look:.0f} ms", goal="under 300 ms"),
        Row("from publishing a reading to an open page", f"{count} readings", _s(shown),
            goal="p99 2 s"),
        Row(f"{OPEN_PAGES} open pages, 9 readings a second", "share of a core",
            f"{followed - alone:.1f} % more", f"{alone:.1f} % without pages", goal="under 5 %"),
        Row("an entry until it is committed, four reading a month without pause", size, _ms(read),
            f"nobody reading {_ms(quiet)}"),
    ]  # fmt: skip


def _ms(seconds: list[float]) -> str:
    return f"{1000 * median(seconds):.0f} ms, at worst {1000 * max(seconds):.0f} ms"


def _s(seconds: list[float]) -> str:
    p99 = quantiles(seconds, n=100, method="inclusive")[98]
    return f"{median(seconds):.2f} s, p99 {p99:.2f} s, at worst {max(seconds):.2f} s"


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    show(main(parser.parse_args().quick))
