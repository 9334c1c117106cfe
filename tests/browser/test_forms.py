"""Every form, filled in well and badly, on a phone and on a desk."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser.house import SIZES, Served, words


@pytest.fixture(params=SIZES)
def page(request: pytest.FixtureRequest, browser: Browser) -> Iterator[Page]:
    width, height = SIZES[request.param]
    context = browser.new_context(viewport={"width": width, "height": height})
    context.set_default_timeout(120_000)
    yield context.new_page()
    context.close()


@pytest.fixture
def batch(served: Served, page: Page) -> str:
    """A batch of this test's own."""
    name = f"trial-{served.entries()}"
    served.enter("hang", flower="statice", space="loft", bunches=6, name=name, fresh_mass_g=200.0)
    return name


def refused(page: Page, button: str, sentence: str) -> None:
    """Send the form: nothing is entered, and one sentence says what to mend."""
    page.get_by_role("button", name=button, exact=True).click()
    expect(page.locator(".mend")).to_contain_text(sentence)
    assert page.locator(".mend").inner_text().count(". ") == 0
    assert page.locator("[aria-invalid=true]").count() == 1


def entered(page: Page, button: str, said: str) -> None:
    """Send the form: what was entered is said."""
    page.get_by_role("button", name=button, exact=True).click()
    expect(page.locator(".said")).to_contain_text(said)


def test_hang(served: Served, page: Page) -> None:
    page.goto(f"{served.url}/do/hang?space=loft")
    before = served.entries()
    page.get_by_label("Flower").fill("larkspur")
    refused(page, "It hangs", "“Bunches” is still empty")
    page.get_by_label("Bunches").fill("many")
    refused(page, "It hangs", "many")
    assert page.get_by_label("Flower").input_value() == "larkspur"
    assert page.get_by_label("Bunches").input_value() == "many"
    assert served.entries() == before
    page.get_by_label("Bunches").fill("3")
    entered(page, "It hangs", "three bunches of larkspur")
    assert served.entries() == before + 1
    page.goto(served.url)
    assert "three bunches of larkspur" in words(page)


def test_hung_twice_it_hangs_once(served: Served, page: Page) -> None:
    """A phone on a slow link sends a form again."""
    page.goto(f"{served.url}/do/hang?space=loft&flower=statice&bunches=2")
    before = served.entries()
    form = page.locator("form.asks").evaluate(
        "form => new URLSearchParams(new FormData(form)).toString()"
    )
    sent = {"Content-Type": "application/x-www-form-urlencoded", "Origin": served.url}
    for _ in range(2):
        assert page.request.post(f"{served.url}/enter", data=form, headers=sent).ok
    assert served.entries() == before + 1


def test_weigh(served: Served, page: Page, batch: str) -> None:
    page.goto(f"{served.url}/batch/{batch}")
    page.get_by_role("link", name="Weigh").click()
    page.get_by_label("Mass").fill("heavy")
    refused(page, "Weighed", "heavy")
    assert page.get_by_label("Mass").input_value() == "heavy"
    page.get_by_label("Mass").fill("164.5")
    page.get_by_label("When").fill("half past")
    refused(page, "Weighed", "half past")
    assert page.get_by_label("Mass").input_value() == "164.5"
    page.get_by_label("When").fill("")
    entered(page, "Weighed", "164.5 g")
    assert "164.5 g" in page.locator("table").inner_text()


def test_snap(served: Served, page: Page, batch: str) -> None:
    page.goto(f"{served.url}/batch/{batch}")
    page.get_by_role("link", name="Snap test").click()
    refused(page, "Tried", "Choose one under “Bend a stem")
    page.get_by_label("Bend a stem").select_option("bends")
    entered(page, "Tried", "bends")
    assert "stem bends" in page.locator("table").inner_text()


def test_move(served: Served, page: Page, batch: str) -> None:
    page.goto(f"{served.url}/batch/{batch}")
    page.get_by_role("link", name="Move").click()
    refused(page, "Moved", "Choose one under “To”")
    page.get_by_label("To", exact=True).select_option("wash house")
    entered(page, "Moved", "wash house")
    assert "Moved to wash house" in words(page)


def test_take_down(served: Served, page: Page, batch: str) -> None:
    page.goto(f"{served.url}/batch/{batch}")
    page.get_by_role("link", name="Take down").click()
    page.get_by_label("Heads good").fill("50")
    page.get_by_label("Heads lost to mould").fill("a few")
    refused(page, "Taken down", "a few")
    assert page.get_by_label("Heads good").input_value() == "50"
    page.get_by_label("Heads lost to mould").fill("4")
    page.get_by_label("Kept in").select_option("box room")
    entered(page, "Taken down", "taken down")
    assert "50 heads good" in words(page)
    assert "Four heads lost to mould" in words(page)
    assert page.get_by_role("link", name="Take down").count() == 0


def test_correct_and_undo(served: Served, page: Page, batch: str) -> None:
    number = served.entries()
    page.goto(f"{served.url}/correct/{number}")
    page.get_by_role("button", name="Correct it").click()
    expect(page.locator(".mend")).to_contain_text("Nothing was changed")
    page.get_by_label("Bunches").fill("-7")
    refused(page, "Correct it", "-7")
    assert page.get_by_label("Bunches").input_value() == "-7"
    page.get_by_label("Bunches").fill("8")
    entered(page, "Correct it", f"Entry {number} is corrected")
    page.goto(f"{served.url}/batch/{batch}")
    assert "Eight bunches of statice" in words(page)
    page.goto(f"{served.url}/entries")
    page.get_by_role("button", name=f"Undo entry {number}", exact=True).click()
    expect(page.locator(".said")).to_be_visible()
    assert page.goto(f"{served.url}/batch/{batch}").status == 404
    page.goto(f"{served.url}/entries")
    assert page.get_by_role("link", name=f"Correct entry {number}", exact=True).count() == 0


def test_undone_elsewhere_meanwhile_it_is_refused(served: Served, page: Page, batch: str) -> None:
    number = served.entries()
    page.route("**/live", lambda route: route.abort())  # else the page would show it at once
    page.goto(f"{served.url}/entries")
    served.enter_change("undo", number)
    page.get_by_role("button", name=f"Undo entry {number}", exact=True).click()
    expect(page.locator(".mend")).to_contain_text(f"Entry {number} is undone already")


def test_what_is_typed_stays_words(served: Served, page: Page) -> None:
    """Nothing that is typed becomes part of the page's own code."""
    page.goto(f"{served.url}/do/hang?space=loft")
    code = "<b onclick=alert(1)>violet</b>"
    page.get_by_label("Flower").fill("statice")
    page.get_by_label("Bunches").fill("1")
    page.get_by_label("Colour").fill(code)
    page.get_by_role("button", name="It hangs").click()
    assert code in words(page)
    page.goto(served.url)
    assert code in words(page)
    assert page.locator("b[onclick]").count() == 0
