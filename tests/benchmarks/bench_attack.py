"""A mixed attack on the page and the broker beside fifty messages a second, at a bounded rate.

python -m tests.benchmarks.bench_attack [--quick | --minutes 60]

All kinds at once: silent connections, half requests, those who ask and never read, wrong
passphrases, odd and too large requests; garbage and large payloads on the sensors' own topics.
Every few minutes another space gets hot. Against the real daemon, mosquitto and a phone.
"""

from __future__ import annotations

import argparse
import contextlib
import itertools
import json
import os
import re
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlencode

from monitor.edges.mqtt import Broker, Guest
from tests.benchmarks.table import Row, show
from tests.browser.house import Served, serving
from tests.browser.test_access import LOCKED, page_of, set_passphrase
from tests.edges.receiver import HttpReceiver
from tests.service.test_page_walls import Besieged

RATE = 50  # messages a second
SENSORS = 20
HOT_SPACES = 30
OWNER_EVERY_S = 5.0
SITE = """
[site]
name = "Besieged"
latitude = 54.9
longitude = -2.1
timezone = "Europe/London"
[[space]]
name = "loft"
use = "hanging"
"""
SENSOR = """
[[sensor]]
name = "{name}"
space = "{space}"
topic = "siege/{name}"
every = "1 h"
time = {{ at = "/ts", unit = "ms" }}
reads.temperature = {{ at = "/t", unit = "°C" }}
reads.humidity = {{ at = "/rh", unit = "%" }}
"""
HOT = """
[[space]]
name = "attic {n}"
use = "hanging"
delays = {{ hot = "1 min" }}
"""
NOTICES = """
[[address]]
name = "phone"
url_file = "phone-url"
[notices]
night_rest = false
most_a_day = 100
"""


def settings() -> str:
    loft = (SENSOR.format(name=f"peg-{n}", space="loft") for n in range(SENSORS))
    hot = (
        HOT.format(n=n) + SENSOR.format(name=f"hot-{n}", space=f"attic {n}")
        for n in range(HOT_SPACES)
    )
    return SITE + "".join([*loft, *hot])


# -- those who attack: a process of their own --------------------------------------------------

ODD = (
    b"GET /../../etc/passwd HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
    b"GET / HTTP/1.1\r\nHost: evil.example\r\n\r\n",
    b"POST /enter HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 5\r\n"
    b"Transfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
    b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
    b"GET / HTTP/1.1\r\n" + b"A: b\r\n" * 5000 + b"\r\n",
    b"GET /live HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
)
HALF = b"POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 900\r\n\r\npassphrase="
UNREAD = b"GET /page.css HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n" * 50


def attack(page: int, broker: int) -> None:
    """Go on until the input ends."""
    held: list[socket.socket] = []
    numbers = itertools.count()

    def connect(said: bytes, keep: bool, small: bool = False) -> None:
        link = socket.socket()
        link.settimeout(2)
        with contextlib.suppress(OSError):
            if small:
                link.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            link.bind((f"127.0.0.{2 + next(numbers) % 60}", 0))
            link.connect(("127.0.0.1", page))
            link.sendall(said)
            if keep:
                held.append(link)
                if len(held) > 2000:
                    held.pop(0).close()
                return
            link.recv(65_536)
        link.close()

    def guess() -> None:
        body = urlencode({"passphrase": f"guess number {next(numbers)}"}).encode()
        connect(
            b"POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nOrigin: http://127.0.0.1\r\n"
            b"Content-Type: application/x-www-form-urlencoded\r\nContent-Length: %d\r\n\r\n%s"
            % (len(body), body),
            keep=False,
        )

    def garble() -> None:
        with contextlib.suppress(Exception), Guest(Broker("127.0.0.1", broker)) as guest:
            for payload in (b"\x00" * 50, b'{"t": 1e999}', b"[" * 5000, b"x" * 100_000):
                for _ in range(20):
                    topic = f"siege/peg-{next(numbers) % SENSORS}"
                    guest.publish(topic, payload)
                    time.sleep(0.02)
            guest.settle()

    kinds: tuple[tuple[float, Callable[[], None]], ...] = (
        (0.02, lambda: connect(b"", keep=True)),
        (0.05, lambda: connect(HALF, keep=True)),
        (0.5, lambda: connect(UNREAD, keep=True, small=True)),
        (0.2, guess),
        (0.05, lambda: connect(ODD[next(numbers) % len(ODD)], keep=False)),
        (1.0, lambda: connect(b"POST /enter HTTP/1.1\r\n" + b"a" * 2_000_000, keep=False)),
        (1.0, garble),
    )

    def again(every_s: float, do: Callable[[], None]) -> None:
        while True:
            do()
            time.sleep(every_s)

    for every_s, do in kinds:
        threading.Thread(target=again, args=(every_s, do), daemon=True).start()
    sys.stdin.read()


@contextlib.contextmanager
def attacked(house: Served) -> Iterator[None]:
    words = ["--attack", str(house.port), str(house.broker.port)]
    process = subprocess.Popen([sys.executable, "-m", __spec__.name, *words], stdin=subprocess.PIPE)
    try:
        yield
    finally:
        assert process.stdin is not None
        process.stdin.close()
        process.wait(60)


# -- what comes of it ---------------------------------------------------------------------------


@dataclass
class Seen:
    """The worst of everything. memory: of daemon, page and both [MB]; pss: shared halves."""

    owner_s: list[float] = field(default_factory=list)
    refused: int = 0
    sent: int = 0
    rang_s: dict[int, float] = field(default_factory=dict)
    heated: dict[int, float] = field(default_factory=dict)
    daemon_mb: float = 0.0
    page_mb: float = 0.0
    pss_mb: float = 0.0


def memory(pid: int) -> tuple[float, float]:
    """Resident, and the same with what is shared counted by halves [MB]."""
    told = dict(
        line.split(":", 1)
        for line in Path(f"/proc/{pid}/smaps_rollup").read_text("utf-8").splitlines()[1:]
    )
    return tuple(int(told[name].split()[0]) / 1000 for name in ("Rss", "Pss"))  # type: ignore[return-value]


def feed(one: Besieged, seen: Seen, until_s: float, every_s: float) -> None:
    """Fifty messages a second, each at a time of its own; now and then another space gets hot."""
    began_s, hot_s = time.monotonic(), time.monotonic()
    while time.monotonic() < until_s:
        now_ms = time.time_ns() // 1_000_000
        payload = {"ts": now_ms, "t": 20 + seen.sent % 30 / 10, "rh": 50}
        one.sensor.publish(f"siege/peg-{seen.sent % SENSORS}", json.dumps(payload).encode())
        seen.sent += 1
        if time.monotonic() >= hot_s and len(seen.heated) < HOT_SPACES:
            hot_s += every_s
            number = len(seen.heated)
            seen.heated[number] = time.monotonic()
            for minute in range(5, -1, -1):
                told = {"ts": now_ms - 60_000 * minute, "t": 36.5, "rh": 50}
                one.sensor.publish(f"siege/hot-{number}", json.dumps(told).encode())
        while (early_s := began_s + seen.sent / RATE - time.monotonic()) > 0:
            one.sensor.turn(early_s)  # it also ends when something comes
    one.sensor.settle()


def watch(one: Besieged, seen: Seen, until_s: float) -> None:
    process = one.house.trial.process
    assert process is not None
    looked_s = 0.0
    while time.monotonic() < until_s:
        for number, heated_s in list(seen.heated.items()):
            said = [f"{m['title']} {m['message']}" for m in one.phone.taken]
            attic = re.compile(rf"\battic {number}\b", re.IGNORECASE)
            if number not in seen.rang_s and any(map(attic.search, said)):
                seen.rang_s[number] = time.monotonic() - heated_s
        if time.monotonic() - looked_s > OWNER_EVERY_S:
            looked_s = time.monotonic()
            try:
                seen.owner_s.append(one.looks())
            except (OSError, AssertionError):
                seen.refused += 1
            page = page_of(one.house)
            if page:
                daemon, there = memory(process.pid), memory(page)
                seen.daemon_mb = max(seen.daemon_mb, daemon[0])
                seen.page_mb = max(seen.page_mb, there[0])
                seen.pss_mb = max(seen.pss_mb, daemon[1] + there[1])
        time.sleep(0.1)


def main(quick: bool, minutes: float = 60.0) -> list[Row]:
    """The rows of one attack."""
    seconds = 45.0 if quick else 60 * minutes
    seen = Seen()
    with tempfile.TemporaryDirectory() as name, contextlib.ExitStack() as stack:
        folder = Path(name)
        set_passphrase(folder)
        (folder / "sample.toml").write_text(settings(), "utf-8")
        phone = stack.enter_context(HttpReceiver())
        (folder / "phone-url").write_text(phone.address)
        (folder / "phone-url").chmod(0o600)
        house = stack.enter_context(
            serving(folder, folder / "sample.toml", NOTICES, LOCKED, until=None)
        )
        one = Besieged(house, phone, stack.enter_context(Guest(house.broker)))
        one.sign_in()
        before = one.log_bytes()
        until_s = time.monotonic() + seconds
        with attacked(house):
            watching = threading.Thread(target=watch, args=(one, seen, until_s + 5))
            watching.start()
            feed(one, seen, until_s, max(15.0, seconds / HOT_SPACES * 5))
            watching.join()
        log_bytes = one.log_bytes() - before
        one.house.trial.stop()
        readings, notices = (one.house.trial.export(what) for what in ("readings", "notices"))
        kept = sum(",temperature," in line and "peg-" in line for line in readings.splitlines())
        noted = len(set(re.findall(r",(attic \d+),hot,", notices)))
    size = f"{seconds / 60:.2g} min, {RATE} messages a second, load {os.getloadavg()[0]:.1f}"
    worst_ring = max(seen.rang_s.values(), default=0.0)
    return [
        Row("a mixed attack: readings lost", size,
            f"{seen.sent - kept:,} of {seen.sent:,}", goal="0"),
        Row("a mixed attack: the worst notice", size, f"{worst_ring:.1f} s after the last reading "
            f"it needs; of {len(seen.heated)} spaces {noted} have their row, {len(seen.rang_s)} "
            "rang (from the third on they are one)", goal="a minute"),
        Row("a mixed attack: the owner's worst page", size, f"{max(seen.owner_s):.2f} s of "
            f"{len(seen.owner_s)}; {seen.refused} refused", goal="2 s, none refused"),
        Row("a mixed attack: most resident memory", size, f"daemon {seen.daemon_mb:.0f} MB, page "
            f"{seen.page_mb:.0f} MB; shared once {seen.pss_mb:.0f} MB", goal="bounded"),
        Row("a mixed attack: log", size, f"{log_bytes:,} bytes", goal="small"),
    ]  # fmt: skip


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--attack", type=int, nargs=2, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.attack:
        attack(*asked.attack)
    else:
        show(main(asked.quick, asked.minutes))
