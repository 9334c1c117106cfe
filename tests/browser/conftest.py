"""A browser, and a house with days behind it, for each file of tests of the page."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

from tests.browser.house import CHROMIUM, SIZES, Served, thornlaw, write_days
from tests.conftest import Kept


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=CHROMIUM)
        expect.set_options(timeout=120_000)  # as for all else: a machine may be busy
        yield chromium
        chromium.close()


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory, kept: Kept) -> Iterator[Served]:
    days = kept("days", lambda folder: write_days(folder / "store.sqlite")) / "store.sqlite"
    with thornlaw(tmp_path_factory.mktemp("page"), days) as house:
        yield house


@pytest.fixture
def phone(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(
        viewport={"width": SIZES["phone"][0], "height": SIZES["phone"][1]}
    )
    context.set_default_timeout(120_000)
    yield context.new_page()
    context.close()
