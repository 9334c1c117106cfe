"""What the page tells of the sun, of where to hang a harvest, and of places to keep flowers."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Browser, Page

from monitor.edges.socket import ask
from monitor.service.daemon import socket_file
from tests.browser.test_page import AXE, SIZES, Served, browser, page, served

__all__ = ["browser", "page", "served"]

ASKED = "/plan?flower=statice&bunches=12&fresh_mass_g=180&door=yes&fan=60&heater=yes"
VIEWS = ("/plan", ASKED, "/plan?flower=statise&bunches=2", "/space/loft", "/space/box%20room")


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


def test_asked_where_to_hang_it_answers_with_reasons(served: Served, page: Page) -> None:
    page.goto(f"{served.url}/batches")
    page.click("text=Where to hang them")
    page.fill("[name=flower]", "statice")
    page.fill("[name=bunches]", "twelve")
    page.click("main form button")
    assert "whole number" in page.locator("#wrong").inner_text()
    assert page.input_value("[name=flower]") == "statice"
    page.fill("[name=bunches]", "12")
    page.fill("[name=fresh_mass_g]", "180")
    page.click("summary")
    page.fill("[name=dehumidifier]", "10")
    page.click("main form button")
    told = page.locator("main").inner_text()
    assert "Twelve bunches of statice" in told
    assert re.search(r"Expected crisp in \d+ to \d+ days", told)
    assert "How sure: fair" in told
    assert "Local rules for electrics first" in told or "cannot be told" in told
    page.click("text=Hang them here >> nth=0")
    assert page.input_value("[name=bunches]") == "12"
    assert page.input_value("[name=flower]") == "statice"


def test_the_sun_in_words_and_on_the_strip(served: Served, page: Page) -> None:
    page.goto(f"{served.url}/space/loft")
    told = page.locator("main").inner_text()
    assert re.search(
        r"Through the roof light the sun reaches the rail from \d\d:\d\d to \d\d:\d\d until "
        r"\w{3} \d+ \w{3}; a curtain or one metre to the (left|right) ends it",
        told,
    )
    page.goto(f"{served.url}/space/wash%20house")
    dull = page.locator("main").inner_text()
    assert "estimated from the windows, not measured" in dull, dull
    page.goto(served.url)
    assert page.locator(".day .beam").count() >= 2
    assert "Under a clear sky the sun is on the rail from" in page.locator("main").inner_text()


def test_a_box_room_is_judged_as_a_place(served: Served, page: Page) -> None:
    page.goto(f"{served.url}/space/box%20room")
    told = page.locator("main").inner_text()
    assert "As a place for dried flowers" in told
    assert "It would change with" in told


def test_a_sensor_out_of_service_says_so(served: Served, page: Page) -> None:
    enter = {"enter": {"verb": "aside", "arguments": {"sensor": "box-room-shelf"}, "at_ms": None}}
    assert "out of service" in str(ask(socket_file(served.trial.settings), enter)["said"])
    page.goto(f"{served.url}/sensors")
    assert "Out of service since" in page.locator("main").inner_text()
    back = {"enter": {"verb": "back", "arguments": {"sensor": "box-room-shelf"}, "at_ms": None}}
    assert "back in service" in str(ask(socket_file(served.trial.settings), back)["said"])
