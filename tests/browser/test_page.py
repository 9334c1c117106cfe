"""The page in a real browser, against the real daemon and broker, at phone size and on a desk."""

from __future__ import annotations

import http.client
import json
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, Request

from monitor.edges.mqtt import Guest
from tests.browser.house import AA, AXE, SIZES, VIEWS, Served, serving, words
from tests.service.trial import SAMPLES

SIZE_PARTS = ("responseBodySize", "responseHeadersSize")


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
    grounds = set()
    for by_day in (True, False):
        opened.emulate_media(color_scheme="light" if by_day else "dark")
        grounds.add(opened.evaluate("getComputedStyle(document.body).backgroundColor"))
        found = opened.evaluate("tags => axe.run({runOnly: tags})", AA)
        assert [(v["id"], v["nodes"][0]["html"]) for v in found["violations"]] == []
    assert len(grounds) == 2
    assert complaints == []
    context.close()


@pytest.mark.parametrize("view", ["/", "/batches", "/do/hang?space=loft", "/notices"])
def test_what_is_touched_is_large_enough(served: Served, phone: Page, view: str) -> None:
    """44 CSS pixels, WCAG 2.2 success criterion 2.5.5; links within a sentence are excepted."""
    phone.goto(served.url + view)
    small = phone.evaluate(
        """() => [...document.querySelectorAll('nav a, button, input, select, summary, .button,'
             + ' .rail a, .space h2 a, .batches a')]
             .filter(e => e.offsetParent && e.type !== 'hidden')
             .map(e => [e.textContent.trim() || e.name, e.getBoundingClientRect().height])
             .filter(([, height]) => height < 43.5)"""
    )
    assert small == []


def test_the_one_thing_to_do_stands_above_the_fold(served: Served, phone: Page) -> None:
    phone.goto(served.url)
    for part in (".todo h1", ".todo .do"):
        box = phone.locator(part).bounding_box()
        assert box is not None
        assert box["y"] + box["height"] < SIZES["phone"][1]


def test_the_first_view_is_light(served: Served, phone: Page) -> None:
    """Twenty batches hang; all that is loaded counts: as it is read, and as it comes over the air.

    Raw bytes are those of the bodies; over the link they are compressed and have their headers.
    """
    for number in range(served.hanging(), 20):
        flower = ("statice", "lavender", "poppy", "bunny-tail")[number % 4]
        served.enter("hang", flower=flower, space="loft", bunches=6, colour="white")
    read: dict[str, int] = {}
    sent: dict[str, int] = {}

    def arrived(asked: Request) -> None:
        if "/live" not in asked.url:
            answer = asked.response()
            assert answer is not None
            read[asked.url] = len(answer.body())
            sent[asked.url] = sum(asked.sizes()[part] for part in SIZE_PARTS)

    phone.on("requestfinished", arrived)
    phone.goto(served.url)
    phone.wait_for_timeout(500)
    assert phone.locator(".hung").count() >= 20
    assert len(read) >= 3  # the page, its style, its script
    assert sum(read.values()) < 60_000, read
    assert sum(sent.values()) < 25_000, sent


def test_all_that_the_page_names_is_there(served: Served, phone: Page) -> None:
    phone.goto(served.url)
    named = phone.evaluate(
        "() => [...document.querySelectorAll('link, script[src], main a[href^=\"/\"], nav a')]"
        ".map(e => e.href || e.src)"
    )
    icons = phone.request.get(f"{served.url}/static/page.webmanifest").json()["icons"]
    for url in {*named, *(served.url + icon["src"] for icon in icons)}:
        assert phone.request.get(url).ok, url


def test_it_works_without_javascript(served: Served, browser: Browser) -> None:
    context = browser.new_context(java_script_enabled=False)
    opened = context.new_page()
    opened.goto(served.url)
    opened.get_by_role("link", name="loft", exact=False).first.click()
    assert "The air in the last day" in words(opened)
    context.close()


def test_a_charts_words_tell_what_it_shows(served: Served, phone: Page) -> None:
    phone.goto(f"{served.url}/batch/lavender-first")
    told = phone.locator("main svg.chart").evaluate_all(
        "charts => charts.map(c => [c.querySelector('title').textContent,"
        " c.querySelector('desc').textContent])"
    )
    titles = [title for title, _ in told]
    assert "Still to lose" in titles
    assert "Crisp after how many days, as it was said then" in titles
    assert all(description for _, description in told)


def test_a_reading_shows_on_an_open_page(served: Served, phone: Page) -> None:
    phone.goto(f"{served.url}/space/loft")
    at_s = 1_783_500_000  # 2026-07-08, a little after what the store holds
    with Guest(served.broker) as guest:
        for minute in range(4):
            told = {"ts": at_s + 60 * minute, "t": 24.4, "rh": 44, "lx": 10}
            guest.publish("thornlaw/loft/rail", json.dumps(told).encode())
        guest.settle()
    phone.get_by_text("24.4", exact=False).first.wait_for(timeout=120_000)


def test_a_page_says_when_it_has_lost_the_monitor(tmp_path: Path, phone: Page) -> None:
    with serving(tmp_path, SAMPLES / "nine_days.toml") as house:
        phone.clock.install()
        phone.goto(house.url)
        phone.wait_for_timeout(500)
        assert phone.locator("#lost").is_hidden()
        house.trial.stop()
        phone.clock.fast_forward(40_000)
        phone.locator("#lost").wait_for()
        assert "The monitor has not answered since" in phone.locator("#lost").inner_text()


def test_another_name_for_this_machine_is_refused(served: Served) -> None:
    link = http.client.HTTPConnection("127.0.0.1", served.port, timeout=120)
    link.request("GET", "/", headers={"Host": "rebound.example"})
    answer = link.getresponse()
    assert answer.status == 400
    link.close()


@pytest.mark.parametrize(
    "path", ["/static/../app.py", "/static/%2e%2e/app.py", "/static/", "/static//etc/passwd"]
)
def test_nothing_outside_static_is_served(served: Served, path: str) -> None:
    link = http.client.HTTPConnection("127.0.0.1", served.port, timeout=120)
    link.request("GET", path)
    assert link.getresponse().status == 404
    link.close()
