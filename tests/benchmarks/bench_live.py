"""The daemon live, forty sensors every ten seconds, then ten: processor, memory, bytes written.

    python -m tests.benchmarks.bench_live [--quick] [--seconds N]

Real daemon and mosquitto; what they used between the first full minute and the end is read from
/proc. The forty have ninety days behind them; a page is open all the while. Beside it a paho client
that hears the same topics and does nothing, and the daemon's own imports doing nothing.
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import socket
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from monitor.edges import broker as broker_edge
from monitor.edges.mqtt import Guest
from monitor.site.time import DAY_S
from tests.benchmarks import installed
from tests.benchmarks.table import Row, show
from tests.benchmarks.years import write_years
from tests.service.trial import Trial, settings_in

EVERY_S = 10
SPACES = 4
BEHIND_DAYS = 90
IDLE = """
import sys
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion
client = Client(CallbackAPIVersion.VERSION2)
client.on_connect = lambda *_: client.subscribe("barn/#", 1)
client.connect(sys.argv[1], int(sys.argv[2]))
client.loop_forever()
"""
IMPORTS = """
import monitor.service.daemon
input()
"""


class Used(NamedTuple):
    """What a process has used since it began."""

    cpu_s: float
    written: int
    resident_mb: float
    own_mb: float  # its share of what it has in common with others counted once


def used(pid: int | str) -> Used:
    there = Path(f"/proc/{pid}")
    fields = (there / "stat").read_text("utf-8").rpartition(")")[2].split()
    told = dict(line.split(": ") for line in (there / "io").read_text("utf-8").splitlines())
    sizes = dict(
        line.split(":") for line in (there / "smaps_rollup").read_text("utf-8").splitlines()[1:]
    )
    resident_mb, own_mb = (int(sizes[name].split()[0]) / 1000 for name in ("Rss", "Pss"))
    ticks = int(fields[11]) + int(fields[12])
    cpu_s = ticks / os.sysconf("SC_CLK_TCK")
    return Used(cpu_s, int(told["write_bytes"]), resident_mb, own_mb)


def page_of(daemon: int) -> int:
    """The process that serves the daemon's page."""
    for children in Path(f"/proc/{daemon}/task").glob("*/children"):
        for pid in children.read_text("utf-8").split():
            if b"page" in Path(f"/proc/{pid}/cmdline").read_bytes():
                return int(pid)
    raise LookupError("the daemon has no page")


def sample(folder: Path, sensors: int) -> Path:
    text = '[site]\nname = "Barn"\nlatitude = 54.9\nlongitude = -2.1\ntimezone = "Europe/London"\n'
    text += "".join(f'[[space]]\nname = "shed {n}"\nuse = "hanging"\n' for n in range(SPACES))
    for n in range(sensors):
        text += (
            f'[[sensor]]\nname = "s{n}"\nspace = "shed {n % SPACES}"\ntopic = "barn/s{n}"\n'
            f'every = "{EVERY_S} s"\ntime = {{ at = "/ts", unit = "ms" }}\n'
            'reads.temperature = { at = "/t", unit = "°C" }\n'
            'reads.humidity = { at = "/rh", unit = "%" }\n'
        )
    file = folder / "sample.toml"
    file.write_text(text, "utf-8")
    return file


def publish(broker: broker_edge.Broker, sensors: int, over: threading.Event) -> None:
    """Every sensor in turn, each once in ten seconds."""
    with Guest(broker) as guest:
        at = 0
        while not over.wait(EVERY_S / sensors):
            now_ms = time.time_ns() // 1_000_000
            payload = {"ts": now_ms, "t": 20 + at % 70 / 50, "rh": 50 + at % 90 / 20}
            guest.publish(f"barn/s{at % sensors}", json.dumps(payload).encode())
            at += 1


def open_page(port: int) -> socket.socket:
    """A page's stream of fresh figures, never closed."""
    link = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    for _ in range(600):  # it may still be starting
        try:
            link.request("GET", "/")
            break
        except ConnectionRefusedError:
            link.close()
            time.sleep(0.1)
    answer = link.getresponse()
    cookie = str(answer.headers["Set-Cookie"]).split(";")[0]
    answer.read()
    link.close()
    opened = socket.create_connection(("127.0.0.1", port), timeout=60)
    asked = f"GET /live HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nCookie: {cookie}\r\n\r\n"
    opened.sendall(asked.encode())
    opened.settimeout(None)
    threading.Thread(target=_read_on, args=(opened,), daemon=True).start()
    return opened


def _read_on(page: socket.socket) -> None:
    with suppress(OSError):
        while page.recv(65_536):
            pass


def live(sensors: int, seconds: float, behind: int = 0) -> list[Row]:
    """What is used with so many days behind it, a page open."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "broker").mkdir()
        broker = broker_edge.start(folder / "broker", folder / "log", "mosquitto")
        port = broker_edge.free_port()
        page = f"[page]\nport = {port}\n"
        settings = settings_in(folder, broker, sample(folder, sensors), page)
        if behind:
            now_min = time.time_ns() // 60_000_000_000
            write_years(settings.store.file, settings.site, behind, now_min, every_min=5)
        environment = installed.environment()
        trial = Trial(settings, until=None, environment=environment)
        address = [broker.host, str(broker.port)]
        idle = subprocess.Popen([sys.executable, "-c", IDLE, *address])
        imports = subprocess.Popen(
            [sys.executable, "-c", IMPORTS], stdin=subprocess.PIPE, env=os.environ | environment
        )
        over = threading.Event()
        publishing = threading.Thread(target=publish, args=(broker.address, sensors, over))
        try:
            daemon = trial.start()
            publishing.start()
            opened = open_page(port)
            time.sleep(min(70.0, seconds))
            began_s = time.time()
            pids = (daemon.pid, broker.process.pid, idle.pid, page_of(daemon.pid))
            before = [used(pid) for pid in pids]
            time.sleep(seconds)
            after = [used(pid) for pid in pids]
            bare_mb = used(imports.pid).resident_mb
        finally:
            over.set()
            publishing.join()
            trial.stop()
            opened.close()
            for other in (idle, imports):
                other.kill()
                other.wait()
            broker.stop()
    share = [100 * (b.cpu_s - a.cpu_s) / seconds for a, b in zip(before, after, strict=True)]
    written = [
        (b.written - a.written) * DAY_S / seconds / 1e6 for a, b in zip(before, after, strict=True)
    ]
    size = f"{sensors} sensors every {EVERY_S} s, {behind} days behind it, {seconds:.0f} s"
    # At a full hour the batches are worked out, which takes memory that stays.
    size += ", over a full hour" if began_s // 3600 != (began_s + seconds) // 3600 else ""
    return [
        Row("live: processor", size,
            f"{share[0]:.2f} % of a core, the page beside it {share[3]:.2f} %",
            f"idle paho client {share[2]:.2f} %", goal="under 2 %"),
        Row("live: resident memory", size,
            f"{after[0].resident_mb:.0f} MB (PSS {after[0].own_mb:.0f} MB)",
            f"the same imports {bare_mb:.0f} MB", after[0].resident_mb / bare_mb,
            "at most 85 MB"),
        Row("live: resident memory with the page's process", size,
            f"{after[0].resident_mb + after[3].resident_mb:.0f} MB "
            f"(PSS {after[0].own_mb + after[3].own_mb:.0f} MB)",
            f"the page alone {after[3].resident_mb:.0f} MB", goal="at most 115 MB"),
        Row("live: written to disk, a day", size, f"{written[0]:.0f} MB",
            f"the broker {written[1]:.0f} MB", goal="under 60 MB with ten sensors"),
    ]  # fmt: skip


def main(quick: bool, seconds: float = 600.0) -> list[Row]:
    """Forty sensors, and at full size ten."""
    if quick:
        return live(40, 4.0)
    return live(40, seconds, BEHIND_DAYS) + live(10, seconds)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--seconds", type=float, default=600.0)
    asked = parser.parse_args()
    show(main(asked.quick, asked.seconds))
