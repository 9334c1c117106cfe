"""The demo: broker, monitor, sample readings and a small phone, in one command."""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from types import TracebackType
from typing import NamedTuple

from monitor.edges import beside
from monitor.edges import broker as broker_edge
from monitor.edges.broker import RunningBroker
from monitor.edges.clock import monotonic_s
from monitor.edges.recordings import replay
from monitor.edges.report.order import REPORT
from monitor.edges.socket import SocketError, ask
from monitor.service.errands import report_order
from monitor.service.settings.files import shipped
from monitor.service.settings.settings import Settings, load, socket_file
from monitor.site.time import epoch_ms_of, utc

READINGS = "sample_readings/nine_days"
UNTIL = datetime(2026, 7, 12, 23, 59, tzinfo=UTC)  # the last reading
WEEK = "2026-W28"
START_WITHIN_S = 30.0
# A broker that loses what piles up is fed no faster than the monitor keeps up.
AHEAD_OF_AMQTT = 200


def demo(folder: Path | None, amqtt: bool) -> int:
    """Run the nine days through everything; returns the exit code."""
    home = folder or Path(tempfile.mkdtemp(prefix="drying-room-demo-"))
    home.mkdir(parents=True, exist_ok=True)
    began = monotonic_s()
    print("Nine days at Thornlaw, an invented garden: four places, seven sensors.")
    with Phone(_ring) as phone, _broker(home, amqtt) as broker:
        settings = _settings(home, broker, phone.address)
        print(f"Broker: {broker.kind}, on this machine only. Files: {home}\n")
        with _monitor(home, settings) as monitor:
            sent = _publish(broker, settings)
            code = monitor.wait()
    if code:
        print(f"The monitor ended with code {code}; {home / 'monitor.log'} says why.")
        return 1
    answer = beside.ask(REPORT, report_order(settings, WEEK, epoch_ms_of(UNTIL)))[-1]
    print(f"\n{answer.text}\n")
    print(f"{sent:,} messages in {monotonic_s() - began:.0f} s. What it made:")
    print(f"  the settings     {settings.file}")
    print(f"  the week         {answer.folder}")
    print(f"  all readings     drying-room export readings --config {settings.file}")
    print(f"  all spells       drying-room export spells --config {settings.file}")
    return 0


def _ring(message: PhoneNotice) -> None:
    print(as_text(message), flush=True)


@contextmanager
def _broker(home: Path, amqtt: bool) -> Iterator[RunningBroker]:
    folder = home / "broker"
    folder.mkdir(exist_ok=True)
    running = broker_edge.start(folder, home / "broker.log", "amqtt" if amqtt else None)
    try:
        yield running
    finally:
        running.stop()


def _settings(home: Path, broker: RunningBroker, phone: str) -> Settings:
    """The sample's settings, with this machine's broker, phone and folders."""
    text = shipped(f"{READINGS}.toml").read_text("utf-8")
    text += f"""
[mqtt]
host = "{broker.host}"
port = {broker.port}

[store]
file = "{home / "drying-room.sqlite"}"
backup_folder = "{home / "backups"}"

[report]
folder = "{home / "reports"}"

[[address]]
name = "phone"
url = "{phone}"
"""
    file = home / "drying-room.toml"
    file.write_text(text, "utf-8")
    return load(file)


@contextmanager
def _monitor(home: Path, settings: Settings) -> Iterator[subprocess.Popen[bytes]]:
    """The real daemon, with the readings as its clock, in a process of its own."""
    until = UNTIL.strftime("%Y-%m-%dT%H:%M:%SZ")
    words = ["run", "--config", str(settings.file), "--clock", "readings", "--until", until]
    words += ["--entries", str(shipped(f"{READINGS}.entries"))]
    with (home / "monitor.log").open("wb") as log:
        process = subprocess.Popen(  # noqa: S603 (ourselves, no shell)
            [sys.executable, "-m", "monitor", *words], stdout=log, stderr=log
        )
    try:
        yield process
    finally:
        if process.poll() is None:
            process.terminate()
        process.wait()


def _publish(broker: RunningBroker, settings: Settings) -> int:
    """Send the readings once the monitor listens; returns the number of messages."""
    control = socket_file(settings)
    _wait_for_monitor(control)

    def handled() -> int:
        return int(str(ask(control, {"show": "health"})["messages"]))

    def progress(_: int, reached_ms: int) -> None:
        day = utc(reached_ms).strftime("%d July, %H:%M")
        if sys.stdout.isatty():
            print(f"\r{day} ", end="", flush=True)

    slow = broker.kind == "amqtt"
    return replay(
        shipped(f"{READINGS}.jsonl.gz"),
        broker.address,
        None,
        pace=handled if slow else None,
        ahead=AHEAD_OF_AMQTT,
        progress=progress,
    ).messages


def _wait_for_monitor(control: Path) -> None:
    until = monotonic_s() + START_WITHIN_S
    while monotonic_s() < until:
        try:
            if ask(control, {"show": "health"})["connected"]:
                return
        except SocketError:
            pass
    raise SocketError("the monitor did not come up; its log says why")


LONGEST_BYTES = 64 * 1024


class PhoneNotice(NamedTuple):
    """A notice as the phone got it."""

    title: str
    body: str


class Phone:
    """Listens on a free port of 127.0.0.1 while in its `with`, and hands on each message.

    show  called from the phone's own threads, in the order of arrival
    """

    def __init__(self, show: Callable[[PhoneNotice], None]) -> None:
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), _handler(show))
        self._server.daemon_threads = True
        self._thread = Thread(target=self._server.serve_forever, args=(0.1,), name="phone")

    @property
    def address(self) -> str:
        """What to put into the settings as the address."""
        return f"json://127.0.0.1:{self._server.server_port}/phone"

    def __enter__(self) -> Phone:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()


def as_text(message: PhoneNotice) -> str:
    """A message as a terminal shows it: the title on its own line, the rest set in.

    >>> print(as_text(PhoneNotice("Granary: hot, 33 °C", "Now 33 °C.\\nTo do: draw a curtain.")))
    ▷ Granary: hot, 33 °C
      Now 33 °C.
      To do: draw a curtain.
    """
    return "\n  ".join([f"▷ {message.title}", *message.body.splitlines()])


def _handler(show: Callable[[PhoneNotice], None]) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        timeout = 10

        def do_POST(self) -> None:
            message = self._read()
            self.send_response(400 if message is None else 200)
            self.send_header("Content-Length", "0")
            self.end_headers()
            if message is not None:
                show(message)

        def _read(self) -> PhoneNotice | None:
            length = self.headers.get("Content-Length", "")
            if not length.isdecimal() or int(length) > LONGEST_BYTES:
                return None
            try:
                told = json.loads(self.rfile.read(int(length)))
                return PhoneNotice(str(told["title"]), str(told["message"]))
            except (ValueError, KeyError, TypeError):
                return None

        def log_message(self, format: str, *args: object) -> None:
            """Say nothing of requests."""

    return Handler
