"""Setting up attacked: from elsewhere, from another site, sent again, two at once, as a probe."""

from __future__ import annotations

import asyncio
import os
import re
import socket
import stat
from collections.abc import Callable
from pathlib import Path

import apprise
import httpx
import pytest
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware

from monitor.edges.page.access import Door, SignIns
from monitor.edges.page.guard import Headers, PageError
from monitor.edges.page.setting_up import SettingUpPages
from monitor.entries.entries import RequestError
from monitor.service.settings.writing import Put, change
from monitor.service.setup.beginning import FLOWERS, new_words, words_file
from monitor.service.setup.questions import mail_url
from monitor.service.setup.steps import STEPS, Setup
from monitor.service.setup.trying import (
    LOCAL_SCHEMES,
    MOST_TRIES,
    Tries,
    check_place,
    check_url,
)

PLACE = {"name": "Hollin", "timezone": "Europe/London", "latitude": "53", "longitude": "-2"}
NUMBER = "http://192.0.2.7:8642"
Client = Callable[..., "Visitor"]


class Visitor:
    """A browser at an address, with its cookies."""

    def __init__(self, app: Starlette, whence: str, base: str) -> None:
        self._transport = httpx.ASGITransport(app, client=(whence, 5000))
        self._base, self._cookies = base, httpx.Cookies()

    def _asked(self, method: str, path: str, data: object, headers: object) -> httpx.Response:
        async def ask() -> httpx.Response:
            async with httpx.AsyncClient(
                transport=self._transport, base_url=self._base, cookies=self._cookies
            ) as client:
                answer = await client.request(
                    method, path, data=data, headers={"origin": self._base} | (headers or {})
                )
                self._cookies.update(client.cookies)
                return answer

        return asyncio.run(ask())

    def get(self, path: str) -> httpx.Response:
        return self._asked("GET", path, None, None)

    def post(
        self, path: str, data: dict[str, str], headers: dict[str, str] | None = None
    ) -> httpx.Response:
        return self._asked("POST", path, data, headers)


@pytest.fixture
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path / "drying-room.toml"


@pytest.fixture
def words(file: Path) -> str:
    return new_words(file)


@pytest.fixture
def client(file: Path, words: str) -> Client:
    """Makes browsers: from="192.0.2.9" is another machine."""
    door = Door(words_file(file), SignIns(None, lambda: 0), lambda: 0.0)
    pages = SettingUpPages(Setup(file), STEPS, door, words_file(file), lambda: None, ())
    app = Starlette(
        routes=pages.routes(),
        middleware=[Middleware(Headers, trusted=["*"])],
        exception_handlers=dict.fromkeys((PageError, HTTPException), pages.refused),
    )

    def made(whence: str, base: str = NUMBER) -> Visitor:
        return Visitor(app, whence, base)

    return made


def token(browser: Visitor, step: str = "place") -> str:
    found = re.search(r'name="token" value="([^"]+)"', browser.get(f"/step/{step}").text)
    assert found
    return found[1]


def test_from_another_machine_nothing_without_the_words(client: Client, file: Path) -> None:
    stranger = client("192.0.2.9")
    for path in ("/", *(f"/step/{step}" for step in STEPS)):
        assert stranger.get(path).headers["location"] == "/words"
    assert stranger.post("/step/place", data=PLACE).status_code == 403
    assert not list(file.parent.glob("*.toml"))


def test_the_words_open_it_however_they_are_spaced(client: Client, words: str) -> None:
    phone = client("192.0.2.9")
    said = phone.post("/words", data={"words": f"  {words.upper().replace(' ', '  ')} "})
    assert said.headers["location"] == "/"
    assert "HttpOnly" in said.headers["set-cookie"]
    assert phone.get("/step/place").status_code == 200


def test_ten_wrong_words_use_them_up_and_new_ones_open(
    client: Client, file: Path, words: str
) -> None:
    for n in range(10):
        stranger = client(f"198.51.100.{n}")
        assert stranger.post("/words", data={"words": "x y z"}).status_code == 403
    phone = client("192.0.2.9")
    used_up = phone.post("/words", data={"words": words})
    assert "used up" in used_up.text
    assert used_up.status_code == 403
    again = new_words(file)
    assert phone.post("/words", data={"words": again}).status_code == 303


def test_words_older_than_an_hour_open_nothing(client: Client, file: Path, words: str) -> None:
    kept = words_file(file)
    old = kept.stat().st_mtime - 3601
    os.utime(kept, (old, old))
    assert "used up" in client("192.0.2.9").post("/words", data={"words": words}).text


def test_the_words_are_kept_as_a_hash_for_their_owner_alone(file: Path, words: str) -> None:
    kept = words_file(file)
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    assert not any(word in kept.read_text() for word in words.split())
    assert len(set(FLOWERS)) == len(FLOWERS) >= 64


def test_another_site_sends_nothing_and_leads_nowhere(client: Client) -> None:
    near = client("127.0.0.1", "http://127.0.0.1:8642")
    form = PLACE | {"token": token(near)}
    for origin in ("http://evil.example", "null"):
        refused = near.post("/step/place", data=form, headers={"origin": origin})
        assert refused.status_code == 403
    # A name of another site that was made to lead to this machine.
    rebound = client("127.0.0.1", "http://evil.example")
    assert rebound.get("/step/place").status_code == 400


def test_a_form_sent_again_is_refused(client: Client, file: Path) -> None:
    near = client("127.0.0.1", "http://127.0.0.1:8642")
    form = PLACE | {"token": token(near)}
    assert near.post("/step/place", data=form).status_code == 200
    again = near.post("/step/place", data=form | {"name": "Other"})
    assert again.status_code == 403
    assert "Other" not in (file.parent / "drying-room.begun.toml").read_text()


def test_two_at_once_the_second_looks_anew(client: Client, file: Path) -> None:
    near = client("127.0.0.1", "http://127.0.0.1:8642")
    one, other = token(near), token(near)
    assert near.post("/step/place", data=PLACE | {"token": one}).status_code == 200
    late = near.post("/step/place", data=PLACE | {"token": other, "name": "Late"})
    assert late.status_code == 422
    assert "Somebody else went on meanwhile" in late.text
    assert "Late" not in (file.parent / "drying-room.begun.toml").read_text()


@pytest.mark.parametrize("name", ["a\nb", "x" * 61, "", "\x1b[31m"])
def test_what_is_no_name_is_refused_and_nothing_is_written(file: Path, name: str) -> None:
    with pytest.raises(RequestError, match=r"name is .* was expected"):
        Setup(file).take("place", PLACE | {"name": name})
    assert not list(file.parent.glob("*.toml"))


@pytest.mark.parametrize(
    ("host", "port"),
    [
        ("192.168.1.1", 22),
        ("127.0.0.1", 25),
        ("169.254.169.254", 1883),
        ("fe80::1%eth0", 1883),
        ("224.0.0.1", 1883),
        ("0.0.0.0", 1883),  # noqa: S104
        ("user@host", 1883),
        ("host/path", 1883),
        ("a b", 1883),
        ("", 1883),
        ("127.0.0.1", 70_000),
    ],
)
def test_a_brokers_address_that_points_elsewhere_is_refused(host: str, port: int) -> None:
    with pytest.raises(RequestError):
        check_place(host, port)


def test_all_that_is_no_broker_reads_alike_and_tries_end(file: Path) -> None:
    setup = Setup(file, monotonic=lambda: 0.0)
    setup.take("place", PLACE)
    sentences = set()
    with socket.create_server(("127.0.0.1", 0)) as silent:
        closed = socket.create_server(("127.0.0.1", 0))
        gone = closed.getsockname()[1]
        closed.close()
        silent.listen()
        for port in [gone] * (MOST_TRIES - 1):
            with pytest.raises(RequestError) as told:
                setup.take("broker", {"host": "127.0.0.1", "port": str(port)})
            sentences.add(re.sub(r"\d+|; \w+ more tr\w+ this hour", "", told.value.sentence))
        assert len(sentences) == 1
    setup._tries.take()
    with pytest.raises(RequestError, match="enough tries for now; wait"):
        setup.take("broker", {"host": "127.0.0.1", "port": str(gone)})


def test_a_changed_host_asks_for_its_password_again(file: Path) -> None:
    setup = Setup(file)
    setup.take("place", PLACE)
    puts = [
        Put(("mqtt", "host"), "127.0.0.1"),
        Put(("mqtt", "port"), 1883),
        Put(("mqtt", "user"), "drying-room"),
        Put(("mqtt", "password_file"), "mqtt-password"),
    ]
    change(setup.draft, puts, {"mqtt-password": "s3cret"}, tables=("mqtt",))
    other = {"host": "127.0.0.2", "port": "1883", "user": "drying-room", "password": ""}
    with pytest.raises(RequestError, match="type its password again"):
        setup.take("broker", other)
    assert "s3cret" not in str(setup.view("broker", other | {"password": "s3cret"}, None))


@pytest.mark.parametrize("url", ["dbus://", "syslog://x", "windows://", "plain", "file:///etc/x",
                                 "ntfys://a/b?attach=/etc/shadow", "fcm://p/k?keyfile=/etc/x",
                                 "discord://a/b?template=/etc/passwd"])  # fmt: skip
def test_addresses_that_stay_on_this_machine_are_refused(url: str) -> None:
    with pytest.raises(RequestError):
        check_url(url)


# A service of Apprise that we do not use loads an old module of Python's.
@pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")
def test_every_scheme_of_apprise_that_goes_nowhere_is_known() -> None:
    """Those whose address may be the bare scheme alone act on the machine itself."""
    local = set()
    for row in apprise.Apprise().details(show_disabled=True)["schemas"]:
        if all(re.fullmatch(r"\{schema\}:/*_?/*", str(t)) for t in row["details"]["templates"]):
            local |= set(row["protocols"] or ()) | set(row["secure_protocols"] or ())
    assert local
    assert local <= LOCAL_SCHEMES, local - LOCAL_SCHEMES


def test_tries_come_back_after_an_hour() -> None:
    now = [0.0]
    tries = Tries(lambda: now[0])
    for _ in range(MOST_TRIES):
        tries.take()
    with pytest.raises(RequestError, match=r"wait 6\d minutes"):
        tries.take()
    now[0] = 3601.0
    tries.take()


@pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")
def test_the_mail_form_makes_an_address_that_apprise_takes() -> None:
    typed = {"to": "anna@example.org", "smtp": "smtp.example.org", "password": "a/b:c@d"}
    made = apprise.Apprise.instantiate(mail_url(typed))
    assert (made.user, made.password) == ("anna@example.org", "a/b:c@d")
    assert (made.smtp_host, made.secure) == ("smtp.example.org", True)
    assert made.targets == [(False, "anna@example.org")]
    for wrong in ({"to": "anna"}, {"smtp": "x?attach=/etc/passwd"}, {"smtp": "a/b"}):
        with pytest.raises(RequestError, match="mail address"):
            mail_url(typed | wrong)
