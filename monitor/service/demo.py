"""The demo: broker, monitor, sample readings and a small phone, in one command."""

from __future__ import annotations

import json
import math
import shlex
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Event, Lock, Thread
from typing import NamedTuple

from monitor.edges import beside
from monitor.edges import broker as broker_edge
from monitor.edges.broker import RunningBroker
from monitor.edges.clock import monotonic_s
from monitor.edges.recordings import replay
from monitor.edges.report.order import REPORT
from monitor.edges.socket import SocketError, ask
from monitor.service.asking import painted
from monitor.service.errands import report_order
from monitor.service.settings.files import PROGRAM, shipped
from monitor.service.settings.settings import Settings, load, socket_file
from monitor.site.time import DAY_MS, epoch_ms_of, local
from monitor.store.queries import Reader

READINGS = "sample_readings/nine_days"
BEGAN_MS = epoch_ms_of(datetime(2026, 7, 4, tzinfo=UTC))
UNTIL = datetime(2026, 7, 12, 23, 59, tzinfo=UTC)  # the last reading
UNTIL_MS = epoch_ms_of(UNTIL)
DAYS = 9
WEEK = "2026-W28"
PAGE_PORT = 8642
START_WITHIN_S, END_WITHIN_S, LAST_NOTICES_S = 30.0, 20.0, 10.0
# A broker that loses what piles up is fed no faster than the monitor keeps up.
AHEAD_OF_AMQTT = 200
COLOURS = {"failure": 31, "warning": 33, "success": 32}  # SGR, ECMA-48


def demo(folder: Path | None, amqtt: bool, leave: bool) -> int:
    """Run the nine days through everything; returns the exit code.

    leave   end with the last reading; else the page stays open until Ctrl-C, at a terminal
    """
    home = (folder or Path(tempfile.mkdtemp(prefix="drying-room-demo-"))).absolute()
    home.mkdir(parents=True, exist_ok=True)
    began = monotonic_s()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, _end_once)
    print("Nine days at Thornlaw, an invented garden: four places, seven sensors.")
    screen = Screen(home / "drying-room.sqlite")
    with Phone(screen.ring) as phone, _broker(home, amqtt) as broker:
        settings = _settings(home, broker, phone.address)
        print(f"Broker: {broker.kind}, on this machine only. Files: {home}")
        print(f"The page, open now: {settings.page.address}\n", flush=True)
        with _monitor(home, settings) as monitor:
            sent = _publish(broker, settings, screen)
            if not _played(monitor, settings, screen):
                print(f"The monitor ended with code {monitor.poll()}; {home}/monitor.log says why.")
                return 1
            answer = beside.ask(REPORT, report_order(settings, WEEK, UNTIL_MS))[-1]
            print(f"\n{answer.text}\n")
            stays = sys.stdin.isatty() and sys.stdout.isatty() and not leave
            print(f"{sent:,} messages in {monotonic_s() - began:.0f} s. What it made:")
            print(_hints(settings, answer.folder, stays), flush=True)
            return _stay(monitor) if stays else 0


def _end_once(*_: object) -> None:
    """Any signal ends it as Ctrl-C does, and what was started is ended in peace."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    raise KeyboardInterrupt


def _hints(settings: Settings, week: Path, stays: bool) -> str:
    """What may be looked at, as it can be pasted."""
    asked = f"{_program()} {{}} --config {shlex.quote(str(settings.file))}"
    told = {
        "the settings": settings.file,
        "the week": week,
        "all readings": asked.format("export readings"),
        "all spells": asked.format("export spells"),
    }
    if stays:
        told |= {"the last hour": asked.format("now"), "the page": settings.page.address}
    lines = [f"  {what:<15}{where}" for what, where in told.items()]
    return "\n".join([*lines, *(["\nThe page stays open. Ctrl-C ends it."] if stays else [])])


def _program() -> str:
    """How this program is called from here."""
    called = Path(sys.argv[0])
    if called.name != PROGRAM:
        return f"{shlex.quote(sys.executable)} -m monitor"
    found = shutil.which(PROGRAM)
    own = found is not None and Path(found).resolve() == called.resolve()
    return PROGRAM if own else shlex.quote(str(called.absolute()))


def _stay(monitor: subprocess.Popen[bytes]) -> int:
    try:
        return min(abs(monitor.wait()), 1)
    except KeyboardInterrupt:
        print()
        return 0


class Screen:
    """What the demo shows while it plays: dated notices, and the day with a bar below them."""

    def __init__(self, store: Path) -> None:
        self._store = store
        self._lock = Lock()
        self._day = 0

    def ring(self, message: PhoneNotice) -> None:
        """Show a notice with the time at which it was made, which its row tells."""
        with Reader(self._store) as reader:
            made = [
                row.notice.made_ms
                for row in reader.notices(0, UNTIL_MS + 1)
                if row.notice.title == message.title
            ]
        when = f"{local(made[-1], 'Europe/London'):%a %d %B, %H:%M}  " if made else ""
        title, *rest = as_text(message).split("\n")
        shown = painted(f"{when}{title}", COLOURS.get(message.urgency, 0))
        with self._lock:
            print("\n".join([f"{self._clear()}{shown}", *rest]), flush=True)

    def day(self, now_ms: int) -> None:
        """Show how far it is."""
        done = min(max(now_ms - BEGAN_MS, 0) / (DAYS * DAY_MS), 1.0)
        day = min(int(done * DAYS) + 1, DAYS)
        with self._lock:
            if sys.stdout.isatty():
                bar = f"{'█' * round(36 * done):░<36}"
                print(f"{self._clear()}Day {day} of {DAYS} {bar}", end="", flush=True)
            elif day != self._day:
                print(f"Day {day} of {DAYS}", flush=True)
            self._day = day

    def done(self) -> None:
        """Take the bar away."""
        with self._lock:
            print(self._clear(), end="", flush=True)

    def _clear(self) -> str:
        return "\r\x1b[K" if sys.stdout.isatty() else ""


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
    port = _page_port()
    text += f"""
[page]
port = {port}
address = "http://127.0.0.1:{port}"

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


def _page_port() -> int:
    """The usual port, or another where that one is taken."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", PAGE_PORT))
        except OSError:
            port = broker_edge.free_port()
            print(f"Port {PAGE_PORT} is taken on this machine; the page takes {port}.")
            return port
    return PAGE_PORT


@contextmanager
def _monitor(home: Path, settings: Settings) -> Iterator[subprocess.Popen[bytes]]:
    """The real daemon, with the readings as its clock, in a process of its own."""
    until = UNTIL.strftime("%Y-%m-%dT%H:%M:%SZ")
    words = ["run", "--config", str(settings.file), "--clock", "readings", "--until", until]
    words += ["--stay"]
    words += ["--entries", str(shipped(f"{READINGS}.entries"))]
    with (home / "monitor.log").open("wb") as log:
        process = subprocess.Popen(  # noqa: S603 (ourselves, no shell)
            [sys.executable, "-m", "monitor", *words],
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
            start_new_session=True,  # Ctrl-C reaches us alone, and we end it
        )
    try:
        yield process
    finally:
        process.terminate()
        try:
            process.wait(END_WITHIN_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _publish(broker: RunningBroker, settings: Settings, screen: Screen) -> int:
    """Send the readings once the monitor listens; returns the number of messages."""
    control = socket_file(settings)
    _wait_for_monitor(control)

    def handled() -> int:
        return int(str(ask(control, {"show": "health"})["messages"]))

    def progress(*_: int) -> None:
        with suppress(SocketError):
            screen.day(int(str(ask(control, {"show": "health"})["now_ms"])))

    slow = broker.kind == "amqtt"
    return replay(
        shipped(f"{READINGS}.jsonl.gz"),
        broker.address,
        None,
        pace=handled if slow else None,
        ahead=AHEAD_OF_AMQTT,
        progress=progress,
    ).messages


def _played(monitor: subprocess.Popen[bytes], settings: Settings, screen: Screen) -> bool:
    """Wait until all is played and told; False: the monitor has ended before."""
    ended, until = False, math.inf
    while monotonic_s() < until:
        if monitor.poll() is not None:
            return False
        with suppress(SocketError):
            health = ask(socket_file(settings), {"show": "health"})
            screen.day(int(str(health["now_ms"])))
            if health["ended"] and not ended:
                ended, until = True, monotonic_s() + LAST_NOTICES_S
        if ended:
            with Reader(settings.store.file) as reader:
                if not any(row.next_try_ms <= UNTIL_MS for row in reader.unsent()):
                    break
        Event().wait(0.2)
    screen.done()
    return True


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
    urgency: str = "info"


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

    def __exit__(self, *_: object) -> None:
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
                return PhoneNotice(
                    str(told["title"]), str(told["message"]), str(told.get("type", "info"))
                )
            except (ValueError, KeyError, TypeError):
                return None

        def log_message(self, format: str, *args: object) -> None:
            """Say nothing of requests."""

    return Handler
