"""The page in a real browser, against the real daemon and broker, at phone size and on a desk."""

from __future__ import annotations

import gzip
import http.client
import json
from base64 import b64decode
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from monitor.edges import broker as broker_edge
from monitor.edges.broker import free_port
from monitor.edges.mqtt import Broker, Guest
from monitor.room.engine import Engine
from monitor.room.flowers import read_book
from monitor.room.notices import Policy
from monitor.room.payloads import Message
from monitor.service.requests import read_entries_file
from monitor.store.writer import Writer
from tests.service.trial import NINE_DAYS, SAMPLES, Trial, settings_in

ROOT = Path(__file__).parents[2]
AXE = ROOT / "node_modules" / "axe-core" / "axe.min.js"
SIZES = {"phone": (360, 740), "desk": (1280, 800)}
VIEWS = (
    "/",
    "/space/loft",
    "/space/wash%20house",
    "/batches",
    "/batch/statice-purple",
    "/entries",
    "/notices",
    "/weeks",
    "/sensors",
    "/do/hang?space=loft",
    "/do/weigh?batch=statice-purple",
    "/do/takedown?batch=statice-purple",
    "/correct/1",
)
CHROMIUM = (
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync"),
    *("--disable-background-networking", "--disable-component-update"),
)
MESSAGES = 35_000  # the first four days
BEFORE_END = "2026-07-12T12:00:00Z"


@dataclass
class Served:
    """A daemon with four days behind it: its page's port, and its broker."""

    port: int
    broker: Broker
    trial: Trial

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("page")
    (folder / "broker").mkdir()
    broker = broker_edge.start(folder / "broker", folder / "broker.log", "mosquitto")
    port = free_port()
    settings = settings_in(folder, broker, SAMPLES / "nine_days.toml", f"[page]\nport = {port}\n")
    book = read_book((ROOT / "config" / "flowers.toml").read_text("utf-8"))
    writer = Writer(settings.store.file)
    engine = Engine(settings.site, Policy(), book, writer, 2**52)
    with gzip.open(NINE_DAYS, "rt", encoding="utf-8") as lines:
        messages = [
            _message(json.loads(line)) for _, line in zip(range(MESSAGES), lines, strict=False)
        ]
    writer.apply(engine.receive(messages))
    now_ms = engine.now_ms(0)
    text = (SAMPLES / "nine_days.entries").read_text("utf-8")
    for line in read_entries_file(text, ZoneInfo(settings.site.timezone)):
        if (line.request.at_ms or 0) < now_ms:
            writer.apply(engine.enter(line.request, line.request.at_ms or 0)[1])
    while engine.behind(now_ms):
        writer.apply(engine.advance(now_ms, 1000))
        writer.apply(engine.consider())
    writer.commit()
    writer.close()
    trial = Trial(settings, until=BEFORE_END, entries=None)
    try:
        trial.start()
        yield Served(port, broker.address, trial)
    finally:
        trial.stop()
        broker.stop()


def _message(told: dict[str, str]) -> Message:
    raw = told["payload"].encode() if "payload" in told else b64decode(told["payload_base64"])
    return Message(told["topic"], raw, 0, False)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=CHROMIUM)
        yield chromium
        chromium.close()


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    opened = browser.new_page(viewport={"width": 360, "height": 740})
    opened.set_default_timeout(15_000)
    yield opened
    opened.close()


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("view", VIEWS)
def test_every_view_is_whole_and_accessible(
    served: Served, browser: Browser, view: str, size: str
) -> None:
    width, height = SIZES[size]
    context = browser.new_context(viewport={"width": width, "height": height}, bypass_csp=True)
    opened = context.new_page()
    complaints: list[str] = []
    opened.on("console", lambda m: complaints.append(m.text) if m.type == "error" else None)
    answer = opened.goto(served.url + view)
    assert answer is not None
    assert answer.status == 200
    assert opened.evaluate("document.documentElement.scrollWidth") <= width
    opened.add_script_tag(path=AXE)
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
    found = opened.evaluate("tags => axe.run({runOnly: tags})", tags)
    assert [(v["id"], v["nodes"][0]["html"]) for v in found["violations"]] == []
    assert complaints == []
    context.close()


def test_the_one_thing_to_do_stands_above_the_fold(served: Served, page: Page) -> None:
    page.goto(served.url)
    box = page.locator("h1, h2").first.bounding_box()
    assert box is not None
    assert box["y"] + box["height"] < 740


def test_the_first_view_is_light(served: Served, page: Page) -> None:
    sizes: list[int] = []
    page.on("response", lambda r: sizes.append(len(r.body())) if "/live" not in r.url else None)
    page.goto(served.url)
    page.wait_for_timeout(500)
    assert 0 < sum(sizes) < 60_000


def test_a_batch_is_hung_and_a_wrong_entry_keeps_what_was_typed(served: Served, page: Page) -> None:
    page.goto(f"{served.url}/do/hang?space=loft")
    page.fill("[name=flower]", "larkspur")
    page.fill("[name=bunches]", "many")
    page.click("main form button")
    assert "bunches" in page.locator("main").inner_text().lower()
    assert page.input_value("[name=flower]") == "larkspur"
    page.fill("[name=bunches]", "3")
    page.click("main form button")
    page.goto(f"{served.url}/batches")
    assert "three bunches of larkspur" in page.locator("main").inner_text()


def test_a_reading_shows_on_an_open_page(served: Served, page: Page) -> None:
    page.goto(f"{served.url}/space/loft")
    at_s = 1_783_500_000  # 2026-07-08, a little after what the store holds
    with Guest(served.broker) as guest:
        for minute in range(4):
            told = {"ts": at_s + 60 * minute, "t": 24.4, "rh": 44, "lx": 10}
            guest.publish("thornlaw/loft/rail", json.dumps(told).encode())
        guest.settle()
    page.get_by_text("24.4", exact=False).first.wait_for(timeout=30_000)


FORM = {"Content-Type": "application/x-www-form-urlencoded"}
FORGED = (
    {},
    {"Origin": "http://evil.example"},
    {"Sec-Fetch-Site": "cross-site"},
    {"Origin": "http://127.0.0.1:{port}", "Sec-Fetch-Site": "same-origin"},  # but no token
)


@pytest.mark.parametrize("headers", FORGED)
def test_what_the_page_did_not_send_is_refused(served: Served, headers: dict[str, str]) -> None:
    before = served.trial.health()
    link = http.client.HTTPConnection("127.0.0.1", served.port, timeout=10)
    sent = FORM | {name: value.format(port=served.port) for name, value in headers.items()}
    link.request("POST", "/enter", "verb=undo&entry=1", sent)
    answer = link.getresponse()
    answer.read()
    link.close()
    assert answer.status in (303, 400, 403)
    assert answer.status != 303 or "sign-in" in answer.headers["Location"]
    assert before


def test_another_name_for_this_machine_is_refused(served: Served) -> None:
    link = http.client.HTTPConnection("127.0.0.1", served.port, timeout=10)
    link.request("GET", "/", headers={"Host": "rebound.example"})
    answer = link.getresponse()
    assert answer.status == 400
    link.close()


@pytest.mark.parametrize("path", ["/static/../app.py", "/static/%2e%2e/app.py", "/static/"])
def test_nothing_outside_static_is_served(served: Served, path: str) -> None:
    link = http.client.HTTPConnection("127.0.0.1", served.port, timeout=10)
    link.request("GET", path)
    assert link.getresponse().status == 404
    link.close()
