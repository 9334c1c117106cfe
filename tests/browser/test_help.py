"""Help in a real browser: readable on a small phone and on paper, by whoever stands at the door."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser

from monitor.edges.page.help import TOPICS
from tests.browser.house import AA, AXE, Served

NARROW = {"width": 320, "height": 640}
PAPER_PX = 643  # A4 at 96 pixels an inch, less 2 cm on either side


@pytest.mark.parametrize("topic", sorted(TOPICS))
def test_a_page_of_help_is_whole_and_accessible(
    served: Served, browser: Browser, topic: str
) -> None:
    context = browser.new_context(viewport=NARROW, bypass_csp=True)
    opened = context.new_page()
    answer = opened.goto(f"{served.url}/help/{topic}.md")
    assert answer is not None
    assert answer.status == 200
    width = "document.documentElement.scrollWidth"
    assert opened.evaluate(width) <= NARROW["width"]
    opened.add_script_tag(path=AXE)
    for by_day in (True, False):
        opened.emulate_media(color_scheme="light" if by_day else "dark")
        found = opened.evaluate("tags => axe.run({runOnly: tags})", AA)
        assert [(v["id"], v["nodes"][0]["html"]) for v in found["violations"]] == []
    opened.emulate_media(media="print", color_scheme="light")
    opened.set_viewport_size({"width": PAPER_PX, "height": 900})
    assert opened.evaluate(width) <= PAPER_PX
    assert opened.locator("nav").is_hidden()
    wide = "e => e.map(one => one.scrollWidth - one.clientWidth).filter(more => more > 0)"
    assert opened.locator("pre, table").evaluate_all(wide) == []  # paper does not scroll
    context.close()


def test_what_a_heading_is_called_is_where_a_link_leads(served: Served, browser: Browser) -> None:
    opened = browser.new_page()
    opened.goto(f"{served.url}/sensors")
    opened.get_by_role("link", name="Help with this page").click()
    assert opened.url.endswith("/help/sensors.md#sensors")
    assert opened.locator("#sensors").is_visible()
    opened.get_by_role("link", name="All of the help").click()
    opened.get_by_role("link", name="The salt test").click()
    assert opened.locator("h1").inner_text() == "The salt test"
    opened.close()
