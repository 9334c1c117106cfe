"""What the page tells of the sun, of where to hang a harvest, and of places to keep flowers."""

from __future__ import annotations

import re

from playwright.sync_api import Page

from monitor.edges.socket import ask
from monitor.service.settings.settings import socket_file
from tests.browser.house import Served


def test_asked_where_to_hang_it_answers_with_reasons(served: Served, phone: Page) -> None:
    phone.goto(f"{served.url}/batches")
    phone.click("text=Where to hang them")
    phone.fill("[name=flower]", "statice")
    phone.fill("[name=bunches]", "twelve")
    phone.click("main form button")
    assert "whole number" in phone.locator("#wrong").inner_text()
    assert phone.input_value("[name=flower]") == "statice"
    phone.fill("[name=bunches]", "12")
    phone.fill("[name=fresh_mass_g]", "180")
    phone.click("summary")
    phone.fill("[name=dehumidifier]", "10")
    phone.click("main form button")
    told = phone.locator("main").inner_text()
    assert "Twelve bunches of statice" in told
    assert re.search(r"Expected crisp in \d+ to \d+ days", told)
    assert "How sure: fair" in told
    assert "Local rules for electrics first" in told or "cannot be told" in told
    phone.click("text=Hang them here >> nth=0")
    assert phone.input_value("[name=bunches]") == "12"
    assert phone.input_value("[name=flower]") == "statice"


def test_the_sun_in_words_and_on_the_strip(served: Served, phone: Page) -> None:
    phone.goto(f"{served.url}/space/loft")
    told = phone.locator("main").inner_text()
    assert re.search(
        r"Through the roof light the sun reaches the rail from \d\d:\d\d to \d\d:\d\d until "
        r"\w{3} \d+ \w{3}; a curtain or one metre to the (left|right) ends it",
        told,
    )
    phone.goto(f"{served.url}/space/wash%20house")
    dull = phone.locator("main").inner_text()
    assert "estimated from the windows, not measured" in dull, dull
    phone.goto(served.url)
    assert phone.locator(".day .beam").count() >= 2
    assert "Under a clear sky the sun is on the rail from" in phone.locator("main").inner_text()


def test_a_box_room_is_judged_as_a_place(served: Served, phone: Page) -> None:
    phone.goto(f"{served.url}/space/box%20room")
    told = phone.locator("main").inner_text()
    assert "As a place for dried flowers" in told
    assert re.search("would (change that|do|be right)", told), told


def test_a_sensor_out_of_service_says_so(served: Served, phone: Page) -> None:
    enter = {"enter": {"verb": "aside", "arguments": {"sensor": "box-room-shelf"}, "at_ms": None}}
    assert "out of service" in str(ask(socket_file(served.trial.settings), enter)["said"])
    phone.goto(f"{served.url}/sensors")
    assert "Out of service since" in phone.locator("main").inner_text()
    back = {"enter": {"verb": "back", "arguments": {"sensor": "box-room-shelf"}, "at_ms": None}}
    assert "back in service" in str(ask(socket_file(served.trial.settings), back)["said"])


def test_a_sensor_is_checked_in_salt_from_the_page(served: Served, phone: Page) -> None:
    phone.goto(f"{served.url}/sensors")
    phone.click("text=Check box-room-shelf against wet salt")
    main = phone.locator("main")
    assert "Wet a few spoons of table salt" in main.inner_text()
    phone.select_option("[name=salt]", "magnesium")
    phone.click("text=It is shut in")
    told = main.inner_text()
    assert "Checked against magnesium chloride since" in told, told
    assert "for less than an hour so far; leave it alone until it has been 12 h" in told, told
    assert "box-room-shelf, checked in magnesium chloride" in phone.locator("body").inner_text()
    phone.click("text=End the check")
    assert "It is shut in" in main.inner_text()


def test_a_check_that_has_lasted_says_how_it_stands(served: Served, phone: Page) -> None:
    """A day in a room is no jar: what is found hangs on the room, but something is said."""
    settings = socket_file(served.trial.settings)
    day_ago = int(str(ask(settings, {"show": "now"})["now_ms"])) - 86_400_000
    what = {"sensor": "wash-house-shelf", "salt": "table"}
    entered = ask(settings, {"enter": {"verb": "aside", "arguments": what, "at_ms": day_ago}})
    assert "out of service" in str(entered["said"])
    phone.goto(f"{served.url}/check/wash-house-shelf")
    told = phone.locator("main").inner_text()
    assert "Checked against table salt since" in told, told
    assert re.search("The sensor reads|still moves|Too few", told), told
    phone.locator("main form button").last.click()
    assert "It is shut in" in phone.locator("main").inner_text()
