"""What is done to the page does not reach the monitor: connections, handshakes, half requests.

A real daemon that may open 1,024 files, as a login usually may; its page asks for a passphrase.
"""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import resource
import socket
import ssl
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlencode

import pytest

from monitor.edges.mqtt import Guest
from monitor.edges.page import server
from monitor.edges.page.guard import MOST, MOST_OF_ONE
from monitor.edges.page.house import (
    Listens,
    MonitorGoneError,
    PageOrder,
    PageProcess,
    Present,
    line_of,
)
from monitor.engine.effects import Snapshot
from monitor.engine.engine import Engine
from monitor.notices.spell_rules import Policy
from monitor.service.settings.settings import book_of, load
from monitor.store.writer import Writer
from tests.browser.house import Served, serving
from tests.browser.test_access import FORM, LOCKED, PASSPHRASE, page_of, set_passphrase
from tests.edges.receiver import HttpReceiver
from tests.service.test_live import SETTINGS
from tests.waiting import until

FILES = 1024  # the usual bound of a login
SILENT = 2000
TLS = 'certificate_file = "page.pem"\nkey_file = "page.key"\n'
LARGEST_LOG = 20_000  # bytes
CLIENT_HELLO = b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03"  # the first of 517 bytes


@dataclass
class Besieged:
    """A house with a passphrase, its owner signed in, and its phone."""

    house: Served
    phone: HttpReceiver
    sensor: Guest
    cookie: str = ""

    def link(self) -> http.client.HTTPConnection:
        if self.house.scheme == "http":
            return http.client.HTTPConnection("127.0.0.1", self.house.port, timeout=60)
        unchecked = ssl._create_unverified_context()  # noqa: S323 (our own certificate)
        return http.client.HTTPSConnection(
            "127.0.0.1", self.house.port, timeout=60, context=unchecked
        )

    def sign_in(self) -> None:
        link = self.link()
        body = urlencode({"passphrase": PASSPHRASE})
        link.request("POST", "/sign-in", body, {"Content-Type": FORM, "Origin": self.house.url})
        answer = link.getresponse()
        assert answer.status == 303
        self.cookie = str(answer.headers["Set-Cookie"]).split(";")[0]
        link.close()

    def looks(self) -> float:
        """How long the owner waits for the page [s]."""
        began_s = time.monotonic()
        link = self.link()
        link.request("GET", "/", headers={"Cookie": self.cookie})
        answer = link.getresponse()
        assert answer.status == 200
        answer.read()
        link.close()
        return time.monotonic() - began_s

    def gets_hot(self) -> None:
        """Half an hour past the limit: the phone has to ring."""
        now_ms = time.time_ns() // 1_000_000
        for minute in range(40, 0, -1):
            payload = {"ts": now_ms - 60_000 * minute, "t": 36.5, "rh": 50}
            self.sensor.publish("barn/rail", json.dumps(payload).encode())
        self.sensor.settle()

    def rang(self) -> bool:
        return any("hot" in str(title).lower() for title in self.phone.titles)

    def log_bytes(self) -> int:
        return (self.house.trial.settings.file.parent / "monitor.log").stat().st_size


@contextlib.contextmanager
def besieged(folder: Path, page: str = LOCKED) -> Iterator[Besieged]:
    set_passphrase(folder)
    (folder / "sample.toml").write_text(SETTINGS, "utf-8")
    with HttpReceiver() as phone:
        (folder / "phone-url").write_text(phone.address)
        (folder / "phone-url").chmod(0o600)
        extra = '[[address]]\nname = "phone"\nurl_file = "phone-url"\n[notices]\nnight_rest = false'
        before = resource.getrlimit(resource.RLIMIT_NOFILE)
        resource.setrlimit(resource.RLIMIT_NOFILE, (FILES, before[1]))
        house_of = serving(folder, folder / "sample.toml", extra, page, until=None)
        with contextlib.ExitStack() as stack:
            try:
                house = stack.enter_context(house_of)
            finally:
                resource.setrlimit(resource.RLIMIT_NOFILE, before)
            one = Besieged(house, phone, stack.enter_context(Guest(house.broker)))
            one.sign_in()
            yield one


def certificate(folder: Path) -> None:
    subprocess.run(
        [
            *("openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"),
            *("-subj", "/CN=localhost", "-addext", "subjectAltName=IP:127.0.0.1"),
            *("-keyout", str(folder / "page.key"), "-out", str(folder / "page.pem")),
        ],
        check=True,
        capture_output=True,
    )
    (folder / "page.key").chmod(0o600)


def connect(port: int, number: int, sources: int, said: bytes) -> socket.socket:
    """One that says hardly anything, from one of so many addresses."""
    link = socket.socket()
    link.bind((f"127.0.0.{2 + number % sources}", 0))
    link.settimeout(5)
    link.connect(("127.0.0.1", port))
    with contextlib.suppress(OSError):
        link.sendall(said)
    return link


@pytest.mark.parametrize("sources", [1, 100])
@pytest.mark.parametrize("said", [b"", b"half"])
@pytest.mark.parametrize("page", [LOCKED, LOCKED + TLS], ids=["plain", "encrypted"])
def test_two_thousand_silent_connections_keep_nobody_waiting(
    tmp_path: Path, page: str, said: bytes, sources: int
) -> None:
    if TLS in page:
        certificate(tmp_path)
    half = CLIENT_HELLO if TLS in page else b"GET / HTTP/1.1\r\nHost: 127.0"
    with besieged(tmp_path, page) as one, contextlib.ExitStack() as held:
        waited_s = []
        for number in range(SILENT):
            with contextlib.suppress(OSError):  # refused: as it should be
                link = connect(one.house.port, number, sources, half if said else b"")
                held.callback(link.close)
            if number % 400 == 399:
                waited_s.append(one.looks())
        one.gets_hot()
        waited_s.append(one.looks())
        until(one.rang, one.house.trial.log)
        assert max(waited_s) < 2.0, waited_s
        assert len(os.listdir(f"/proc/{page_of(one.house)}/fd")) < 2 * MOST
        assert one.log_bytes() < LARGEST_LOG, one.house.trial.log()[:3000]


def test_of_one_address_no_more_than_its_share_is_held(tmp_path: Path) -> None:
    with besieged(tmp_path) as one, contextlib.ExitStack() as held:
        links = [connect(one.house.port, 0, 1, b"") for _ in range(3 * MOST_OF_ONE)]
        for link in links:
            held.callback(link.close)
        one.looks()
        ended = 0
        for link in links:
            link.settimeout(0.01)
            with contextlib.suppress(TimeoutError):
                ended += link.recv(1) == b""
        assert ended == len(links) - MOST_OF_ONE
        assert one.looks() < 2.0


def test_those_who_ask_and_never_read_are_let_go(tmp_path: Path) -> None:
    """Thirty ask again and again for the largest file, as one who only writes."""
    with besieged(tmp_path) as one, contextlib.ExitStack() as held:
        asked = b"GET /page.css HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n" * 300
        links = []
        for _ in range(30):
            link = socket.socket()
            link.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            link.connect(("127.0.0.1", one.house.port))
            held.callback(link.close)
            link.sendall(asked)
            links.append(link)
        assert one.looks() < 2.0
        page = page_of(one.house)

        def open_there() -> int:
            told = [os.readlink(f) for f in Path(f"/proc/{page}/fd").iterdir() if f.is_symlink()]
            return sum(name.startswith("socket:") for name in told)

        assert open_there() >= 30
        until(lambda: open_there() < 10)
        assert page_of(one.house) == page


def test_a_page_that_is_killed_comes_back_and_nothing_else_notices(tmp_path: Path) -> None:
    with besieged(tmp_path) as one:
        page = page_of(one.house)
        os.kill(page, 9)
        one.gets_hot()
        until(one.rang)
        until(lambda: page_of(one.house) not in (0, page))

        def looks() -> bool:
            with contextlib.suppress(OSError):
                return one.looks() < 2.0
            return False

        until(looks)
        assert "The page has ended (-9); it is started again." in one.house.trial.log()


def test_a_page_that_ends_while_it_is_told_something_is_started_again(tmp_path: Path) -> None:
    """What it did not read breaks the pipe."""
    (tmp_path / "sample.toml").write_text(SETTINGS, "utf-8")
    settings, starts = load(tmp_path / "sample.toml"), tmp_path / "starts"
    store, book = tmp_path / "x.sqlite", book_of(settings)
    listens = Listens("127.0.0.1", 1, ())
    order = PageOrder(listens, settings.site, book, store, tmp_path / "x.sock")
    asks = f"import os; os.close(0); open({str(starts)!r}, 'a').write('x'); print(flush=True)"
    with contextlib.closing(Writer(store)) as writer:
        snapshot = Engine(settings.site, Policy(), book, writer).snapshot(0)
    standing = Present(snapshot, 0, None)
    page = PageProcess((sys.executable, "-c", asks), order, lambda: standing, time.monotonic)
    page.start()
    try:
        until(lambda: starts.exists() and starts.stat().st_size >= 2)
    finally:
        page.stop()


def test_ten_pages_on_a_phone_that_sleeps_keep_nobody_waiting(tmp_path: Path) -> None:
    """Their streams stay open and are not read any more; what is new still comes to the others."""
    with besieged(tmp_path) as one, contextlib.ExitStack() as held:
        for _ in range(10):
            link = socket.socket()
            link.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1)
            link.connect(("127.0.0.1", one.house.port))
            held.callback(link.close)
            asked = f"GET /live HTTP/1.1\r\nHost: 127.0.0.1\r\nCookie: {one.cookie}\r\n\r\n"
            link.sendall(asked.encode())
        awake = one.link()
        held.callback(awake.close)
        awake.request("GET", "/live", headers={"Cookie": one.cookie})
        stream = awake.getresponse()
        first = stream.readline()
        one.gets_hot()
        until(one.rang, one.house.trial.log)
        until(lambda: b"36.5" in stream.readline(), between=lambda: None)
        assert first
        assert one.looks() < 2.0


def test_the_page_ends_with_a_monitor_that_is_killed(tmp_path: Path) -> None:
    with besieged(tmp_path) as one:
        page = page_of(one.house)
        one.house.trial.kill()
        until(lambda: not Path(f"/proc/{page}").exists())


def test_a_late_answer_is_not_taken_for_a_newer_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """The monitor was slow once: what is asked after it is answered by what stands after it."""
    asked_here, asks = os.pipe()
    answers_here, answers = os.pipe()
    # Its thread reads on for good: the end of what it reads ends the page's whole process.
    lines = open(answers_here, "rb", closefd=False)  # noqa: SIM115 - so it is never closed
    with os.fdopen(asks, "wb") as out:
        asker = server.Asker(out, lines)
        monkeypatch.setattr(server, "ANSWERED_WITHIN_S", 0.01)
        with pytest.raises(MonitorGoneError):
            asker.standing()
        monkeypatch.setattr(server, "ANSWERED_WITHIN_S", 60.0)
        answering = threading.Thread(target=_answer_two, args=(asked_here, answers))
        answering.start()
        assert asker.standing().now_ms == 2
        answering.join()


def _answer_two(asked: int, answers: int) -> None:
    """Once both were asked."""
    for _ in range(2):
        os.read(asked, 1)
    for now_ms in (1, 2):
        os.write(answers, line_of(Present(Snapshot(), now_ms, None)))
