"""Who may open the page and who may enter something: passphrase, cookies, other sites, TLS."""

from __future__ import annotations

import contextlib
import http.client
import os
import re
import socket
import ssl
import stat
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from hashlib import sha256
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from urllib.parse import urlencode

import pytest
from itsdangerous import TimestampSigner, URLSafeTimedSerializer
from playwright.sync_api import Browser, Page, expect

from monitor.edges.broker import free_port
from monitor.edges.page.house import FIRST_WAIT_S
from tests.browser.house import AA, AXE, SIZES, Served, serving, words
from tests.service.trial import SAMPLES

PASSPHRASE = "four words of straw"  # noqa: S105 (of a house that is made for the tests)
SETTINGS = SAMPLES / "nine_days.toml"
LOCKED = 'passphrase_file = "passphrase"\n'
FORM = "application/x-www-form-urlencoded"


def set_passphrase(folder: Path, port: int = 1) -> Path:
    """As the README says: by the command."""
    settings = folder / "for-the-command.toml"
    told = f'{SETTINGS.read_text("utf-8")}\n[mqtt]\nhost = "127.0.0.1"\nport = {port}\n'
    settings.write_text(f"{told}\n[page]\n{LOCKED}", "utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "monitor", "passphrase", "--config", str(settings)],
        input=PASSPHRASE + "\n",
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return folder / "passphrase"


@pytest.fixture(scope="module")
def locked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("locked")
    set_passphrase(folder)
    with serving(folder, SETTINGS, page=LOCKED) as house:
        yield house


@dataclass
class Answer:
    """What came back."""

    status: int
    headers: http.client.HTTPMessage
    text: str


def ask(
    house: Served,
    method: str,
    path: str,
    headers: dict[str, str] | None = None,
    body: str = "",
    source: str = "127.0.0.1",
) -> Answer:
    """A request as no browser would send it."""
    link = http.client.HTTPConnection(
        "127.0.0.1", house.port, timeout=120, source_address=(source, 0)
    )
    link.request(method, path, body or None, headers or {})
    answer = link.getresponse()
    told = Answer(answer.status, answer.headers, answer.read().decode())
    link.close()
    return told


def sign_in(page: Page, house: Served, passphrase: str, to: str = "/") -> None:
    page.goto(house.url + to)
    page.get_by_label("Passphrase").fill(passphrase)
    page.get_by_role("button", name="Come in").click()


# -- the passphrase -----------------------------------------------------------------------------


def test_the_passphrase_is_kept_as_a_slow_hash_for_its_owner_alone(tmp_path: Path) -> None:
    kept, again = set_passphrase(tmp_path), tmp_path / "again"
    again.mkdir()
    text = kept.read_text()
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    assert PASSPHRASE not in text
    assert re.fullmatch(r"scrypt:\d+:\d+:\d+:\S+:\S+\n", text)
    assert set_passphrase(again).read_text() != text  # salted


@pytest.mark.parametrize("size", SIZES)
def test_signing_in_leads_to_what_was_asked_for(
    locked: Served, browser: Browser, size: str
) -> None:
    width, height = SIZES[size]
    context = browser.new_context(viewport={"width": width, "height": height}, bypass_csp=True)
    page = context.new_page()
    page.goto(f"{locked.url}/space/loft")
    assert page.url.endswith("/sign-in?to=/space/loft")
    assert "Loft" not in words(page)
    assert "can be overheard on this network" in words(page)
    page.add_script_tag(path=AXE)
    assert page.evaluate("tags => axe.run({runOnly: tags})", AA)["violations"] == []
    page.get_by_label("Passphrase").fill("four words of hay")
    page.get_by_role("button", name="Come in").click()
    expect(page.locator(".mend")).to_have_text("That is not the passphrase. Type it again.")
    page.get_by_label("Passphrase").fill(PASSPHRASE)
    page.get_by_role("button", name="Come in").click()
    assert page.url == f"{locked.url}/space/loft"
    (cookie,) = context.cookies()
    assert cookie["httpOnly"]
    assert cookie["sameSite"] == "Strict"
    assert cookie["expires"] > 0
    page.get_by_role("button", name="Sign out").click()
    page.goto(f"{locked.url}/")
    assert "/sign-in" in page.url
    context.close()


def test_wrong_tries_are_slowed_and_said(tmp_path: Path) -> None:
    set_passphrase(tmp_path)
    with serving(tmp_path, SETTINGS, page=LOCKED) as house:
        sent = {"Content-Type": FORM, "Origin": house.url}
        tries = [
            ask(house, "POST", "/sign-in", sent, urlencode({"passphrase": f"guess number {n}"}))
            for n in range(6)
        ]
        assert [t.status for t in tries[:3]] == [403, 403, 403]
        assert 429 in [t.status for t in tries[3:]]
        slowed = next(t for t in tries if t.status == 429)
        assert re.search(r"Too many wrong tries\. Wait \d+ seconds", slowed.text)
        right = ask(house, "POST", "/sign-in", sent, urlencode({"passphrase": PASSPHRASE}))
        assert right.status == 429  # while it waits, not even the right one is tried
        assert "A wrong passphrase was tried on the page" in house.trial.log()
        assert PASSPHRASE not in house.trial.log()


# -- cookies ------------------------------------------------------------------------------------


class _LongAgo(TimestampSigner):
    def get_timestamp(self) -> int:
        return super().get_timestamp() - 40 * 86_400


def cookies_of(house: Served, agent: str = "") -> str:
    """The cookie of a new sign-in."""
    sent = {"Content-Type": FORM, "Origin": house.url, "User-Agent": agent}
    answer = ask(house, "POST", "/sign-in", sent, urlencode({"passphrase": PASSPHRASE}))
    assert answer.status == 303, answer.text
    return answer.headers["Set-Cookie"].split(";")[0].partition("=")[2]


def signed(house: Served, visitor: str, signer: type[TimestampSigner] = TimestampSigner) -> str:
    """A cookie signed with the house's own key."""
    kept = (house.trial.settings.file.parent / "passphrase").read_text("ascii").strip()
    key = sha256(kept.encode()).digest()
    return str(URLSafeTimedSerializer(key, "signed in", signer=signer).dumps(visitor))


def visitor_of(cookie: str) -> str:
    """Who a cookie was given to."""
    told = URLSafeTimedSerializer(b"", "signed in").loads_unsafe(cookie)[1]
    assert isinstance(told, str)
    return told


def asking(cookie: str) -> dict[str, str]:
    return {"Cookie": f"drying-room={cookie}"}


def test_only_a_cookie_of_ours_that_is_not_too_old_opens_the_page(locked: Served) -> None:
    good = cookies_of(locked)
    assert ask(locked, "GET", "/", {"Cookie": f"drying-room={good}"}).status == 200
    forged = URLSafeTimedSerializer(b"another key", "signed in").dumps("somebody")
    long_ago, nobody = signed(locked, visitor_of(good), _LongAgo), signed(locked, "somebody")
    for bad in (long_ago, nobody, str(forged), good[:-2], "somebody", ""):
        for path in ("/", "/notices", "/report/2026-W28", "/do/hang", "/batch/x"):
            answer = ask(locked, "GET", path, {"Cookie": f"drying-room={bad}"})
            assert answer.status == 303
            assert answer.headers["Location"].startswith("/sign-in")
        assert ask(locked, "GET", "/live", {"Cookie": f"drying-room={bad}"}).status == 403


def test_signing_out_ends_that_sign_in_at_once_and_no_other(locked: Served) -> None:
    out, stays = cookies_of(locked), cookies_of(locked)
    sent = asking(out) | {"Content-Type": FORM, "Origin": locked.url}
    assert ask(locked, "POST", "/sign-out", sent).status == 303
    assert ask(locked, "GET", "/", asking(out)).status == 303  # kept by somebody: it opens nothing
    assert ask(locked, "GET", "/live", asking(out)).status == 403
    assert ask(locked, "GET", "/", asking(stays)).status == 200


def test_another_sign_in_can_be_ended_from_the_list_and_its_stream_with_it(
    locked: Served, browser: Browser
) -> None:
    lost = cookies_of(locked, "Mozilla/5.0 (Android 14; Mobile; rv:128.0) Firefox/128.0")
    stream = http.client.HTTPConnection("127.0.0.1", locked.port, timeout=60)
    stream.request("GET", "/live", headers=asking(lost))
    heard = stream.getresponse()
    assert heard.status == 200
    context = browser.new_context(bypass_csp=True)
    page = context.new_page()
    sign_in(page, locked, PASSPHRASE)
    page.get_by_role("link", name="Who is signed in").click()
    page.add_script_tag(path=AXE)
    assert page.evaluate("tags => axe.run({runOnly: tags})", AA)["violations"] == []
    line = page.locator(".entries li", has_text="Firefox on Android")
    assert re.search(r"since .*, last seen ", line.inner_text())
    assert page.locator(".entries li", has_text="this one").count() == 1
    line.get_by_role("button").click()
    assert page.url.endswith("/signed-in")
    expect(page.locator(".entries li", has_text="Firefox on Android")).to_have_count(0)
    assert ask(locked, "GET", "/", asking(lost)).status == 303
    heard.read()  # to its end: the stream is closed
    stream.close()
    context.close()


def test_sign_ins_outlive_the_page_and_not_a_new_passphrase(tmp_path: Path) -> None:
    set_passphrase(tmp_path)
    with serving(tmp_path, SETTINGS, page=LOCKED) as house:
        cookie = cookies_of(house)
        kept = house.trial.settings.store.file.with_suffix(".sign-ins")
        assert stat.S_IMODE(kept.stat().st_mode) == 0o600
        page = page_of(house)
        os.kill(page, 9)
        house.trial.wait_until(lambda: page_of(house) not in (0, page))
        house.trial.wait_until(lambda: opens(house, cookie))
        assert house.trial.health()["connected"]
        set_passphrase(tmp_path)  # the same words, salted anew
        assert not opens(house, cookie)
        assert opens(house, cookies_of(house))


def page_of(house: Served) -> int:
    """The process id of its page; 0: there is none."""
    process = house.trial.process
    assert process is not None
    for child in Path(f"/proc/{process.pid}/task").glob("*/children"):
        for pid in child.read_text().split():
            if b"monitor.edges.page.server" in Path(f"/proc/{pid}/cmdline").read_bytes():
                return int(pid)
    return 0


def opens(house: Served, cookie: str) -> bool:
    try:
        return ask(house, "GET", "/", asking(cookie)).status == 200
    except OSError:
        return False


def test_many_tries_at_once_are_one_try(locked: Served) -> None:
    """Of one address one is tried at a time; an owner who is signed in is not slowed."""
    cookie = cookies_of(locked)
    sent = {"Content-Type": FORM, "Origin": locked.url}
    statuses: list[int] = []

    def guess(number: int) -> None:
        body = urlencode({"passphrase": f"guess number {number}"})
        statuses.append(ask(locked, "POST", "/sign-in", sent, body, "127.0.0.9").status)

    guesses = [threading.Thread(target=guess, args=(n,)) for n in range(40)]
    for one in guesses:
        one.start()
    began_s = time.monotonic()
    assert opens(locked, cookie)
    took_s = time.monotonic() - began_s
    for one in guesses:
        one.join()
    assert took_s < 2.0
    assert statuses.count(403) <= 3
    assert statuses.count(403) + statuses.count(429) == 40


def test_an_address_in_brackets_is_a_name_of_the_page(tmp_path: Path) -> None:
    port = free_port()
    page = 'bind = "::1"\ntrusted_hosts = ["[fd00::7]"]\n'
    with serving(tmp_path, SETTINGS, page=page, port=port, opens=False) as house:

        def status(host: str) -> int:
            link = http.client.HTTPConnection("::1", port, timeout=60)
            try:
                link.request("GET", "/", headers={"Host": host})
                return link.getresponse().status
            except OSError:
                return 0
            finally:
                link.close()

        house.trial.wait_until(lambda: status(f"[::1]:{port}") == 200)
        assert status("[fd00::7]") == 200
        assert house.trial.settings.page.address == f"http://[::1]:{port}"
        for wrong in ("[fd00::8]", "::1", "[::1", "[::1].evil.example", "[127.0.0.1"):
            assert status(wrong) == 400, wrong


def test_signing_in_leads_nowhere_else(locked: Served) -> None:
    sent = {"Content-Type": FORM, "Origin": locked.url}
    for to in ("https://elsewhere.example/", "//elsewhere.example/", "/\\elsewhere.example"):
        path = "/sign-in?" + urlencode({"to": to})
        answer = ask(locked, "POST", path, sent, urlencode({"passphrase": PASSPHRASE}))
        assert answer.headers["Location"] == "/"


# -- what the page did not send -----------------------------------------------------------------


def signed_in_form(house: Served) -> tuple[dict[str, str], dict[str, str]]:
    """Headers and fields with which a weighing-free hanging would be entered."""
    cookie = {"Cookie": f"drying-room={cookies_of(house)}"}
    shown = ask(house, "GET", "/do/hang?space=loft", cookie)
    found = re.search(r'name="token" value="([^"]+)"', shown.text)
    assert found is not None
    fields = {"token": found[1], "verb": "hang", "flower": "statice", "space": "loft"}
    headers = cookie | {"Content-Type": FORM, "Origin": house.url, "Sec-Fetch-Site": "same-origin"}
    return headers, fields | {"bunches": "2"}


FORGED = {
    "no origin": ({"Origin": None, "Sec-Fetch-Site": None}, {}),
    "another origin": ({"Origin": "http://evil.example"}, {}),
    "no site at all": ({"Origin": "null"}, {}),
    "another site": ({"Sec-Fetch-Site": "cross-site"}, {}),
    "another port of this machine": ({"Sec-Fetch-Site": "same-site"}, {}),
    "no token": ({}, {"token": None}),
    "an invented token": ({}, {"token": "abc.def.ghi"}),
    "no cookie": ({"Cookie": None}, {}),
    "not a form": ({"Content-Type": "text/plain"}, {}),
}


@pytest.mark.parametrize("how", FORGED)
def test_what_the_page_did_not_send_is_refused(locked: Served, how: str) -> None:
    before = locked.entries()
    headers, fields = signed_in_form(locked)
    other_headers, other_fields = FORGED[how]
    sent = {k: v for k, v in (headers | other_headers).items() if v is not None}
    told = {k: v for k, v in (fields | other_fields).items() if v is not None}
    answer = ask(locked, "POST", "/enter", sent, urlencode(told))
    assert answer.status in (403, 415)
    assert locked.entries() == before
    # The same with nothing changed is entered: what was changed is why it was refused.
    assert ask(locked, "POST", "/enter", headers, urlencode(fields)).status == 303
    assert locked.entries() == before + 1


def test_a_token_of_another_visitor_is_refused(locked: Served) -> None:
    before = locked.entries()
    headers, fields = signed_in_form(locked)
    headers["Cookie"] = f"drying-room={cookies_of(locked)}"
    assert ask(locked, "POST", "/enter", headers, urlencode(fields)).status == 403
    assert locked.entries() == before


def test_another_site_cannot_enter_anything_in_a_real_browser(
    locked: Served, browser: Browser
) -> None:
    _, fields = signed_in_form(locked)
    inputs = "".join(f'<input name="{k}" value="{v}">' for k, v in fields.items())
    lure = f'<form method="post" action="{locked.url}/enter">{inputs}<button>Win</button></form>'

    class Lure(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(lure.encode())

        def log_message(self, format: str, *args: object) -> None:
            pass

    with HTTPServer(("127.0.0.1", 0), Lure) as elsewhere:
        thread = threading.Thread(target=elsewhere.serve_forever, args=(0.05,))
        thread.start()
        context = browser.new_context()
        page = context.new_page()
        sign_in(page, locked, PASSPHRASE)
        before = locked.entries()
        for host in ("localhost", "127.0.0.1"):  # another site; the same site, another origin
            page.goto(f"http://{host}:{elsewhere.server_port}/")
            with page.expect_response("**/enter") as answer:
                page.get_by_role("button", name="Win").click()
            assert answer.value.status == 403
            expect(page.locator(".mend")).to_contain_text("another site")
        assert locked.entries() == before
        page.goto(locked.url)
        assert "/sign-in" not in page.url
        context.close()
        elsewhere.shutdown()
        thread.join()


HALVES = (
    b"",
    b"GET / HTTP/1.1\r\nHost: 127.0",
    b"POST /enter HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 90\r\n\r\nverb=",
    b"GET /page.css HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\nGET / HT",  # the second of two
)


def test_who_holds_back_half_a_request_is_let_go(locked: Served) -> None:
    ended: dict[bytes, float] = {}

    def hold_back(half: bytes) -> None:
        with socket.create_connection(("127.0.0.1", locked.port), timeout=30) as slow:
            slow.sendall(half)
            began_s = time.monotonic()
            with contextlib.suppress(ConnectionResetError):
                while slow.recv(65_536):
                    pass
            ended[half] = time.monotonic() - began_s

    slow = [threading.Thread(target=hold_back, args=(half,)) for half in HALVES]
    for one in slow:
        one.start()
    assert ask(locked, "GET", "/sign-in").status == 200  # others are answered meanwhile
    for one in slow:
        one.join()
    assert set(ended) == set(HALVES)
    assert all(5 < seconds < 25 for seconds in ended.values()), ended


def test_an_open_stream_is_not_let_go(locked: Served) -> None:
    headers, _ = signed_in_form(locked)
    lines = "".join(f"{name}: {value}\r\n" for name, value in headers.items())
    with socket.create_connection(("127.0.0.1", locked.port), timeout=1) as stream:
        stream.sendall(f"GET /live HTTP/1.1\r\nHost: 127.0.0.1\r\n{lines}\r\n".encode())
        began_s, heard = time.monotonic(), b""
        while time.monotonic() - began_s < 13:
            try:
                piece = stream.recv(65_536)
            except TimeoutError:
                continue
            assert piece, heard
            heard += piece
    assert b" 200 " in heard.split(b"\r\n")[0]


def test_nothing_may_run_but_the_pages_own_file(locked: Served) -> None:
    policy = ask(locked, "GET", "/sign-in").headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    shown = ask(locked, "GET", "/", {"Cookie": f"drying-room={cookies_of(locked)}"})
    assert not re.search(r"<style|\sstyle=|\son\w+=|<script(?![^>]*\ssrc=)", shown.text)


# -- TLS, and a page that cannot start ----------------------------------------------------------


def test_with_a_certificate_it_is_encrypted(tmp_path: Path, browser: Browser) -> None:
    set_passphrase(tmp_path)
    subprocess.run(
        [
            *("openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"),
            *("-subj", "/CN=localhost", "-addext", "subjectAltName=IP:127.0.0.1"),
            *("-keyout", str(tmp_path / "page.key"), "-out", str(tmp_path / "page.pem")),
        ],
        check=True,
        capture_output=True,
    )
    (tmp_path / "page.key").chmod(0o600)
    page = LOCKED + 'certificate_file = "page.pem"\nkey_file = "page.key"\n'
    with serving(tmp_path, SETTINGS, page=page) as house:
        trusted = ssl.create_default_context(cafile=tmp_path / "page.pem")
        link = http.client.HTTPSConnection("127.0.0.1", house.port, timeout=120, context=trusted)
        link.request("GET", "/sign-in")
        text = link.getresponse().read().decode()
        link.close()
        assert "overheard" not in text
        context = browser.new_context(ignore_https_errors=True)
        opened = context.new_page()
        sign_in(opened, house, PASSPHRASE)
        (cookie,) = context.cookies()
        assert cookie["secure"]
        assert cookie["name"].startswith("__Host-")
        assert "overheard" not in opened.locator("body").inner_text()
        context.close()


def test_where_the_port_is_taken_the_monitor_runs_on_and_the_page_comes_later(
    tmp_path: Path,
) -> None:
    port = free_port()
    with socket.socket() as taken:
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        taken.bind(("127.0.0.1", port))
        taken.listen()
        house_of = serving(tmp_path, SETTINGS, port=port, opens=False)
        with house_of as house:
            house.trial.wait_until(lambda: "The page cannot listen" in house.trial.log())
            time.sleep(2 * FIRST_WAIT_S)  # it has tried again by now
            assert house.trial.health()["connected"]
            taken.close()

            def answers() -> bool:
                try:
                    return ask(house, "GET", "/").status == 200
                except (OSError, http.client.HTTPException):
                    return False

            house.trial.wait_until(answers)
            said = [line for line in house.trial.log().splitlines() if "cannot listen" in line]
            assert len(said) == 1
            assert "Traceback" not in house.trial.log()
