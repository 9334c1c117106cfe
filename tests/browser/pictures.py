"""Pictures of every view, to be looked at: python -m tests.browser.pictures FOLDER.

Each at phone size and on a desk, the first views by night too, and one as it is printed.
"""

from __future__ import annotations

import re
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

from tests.browser.house import CHROMIUM, SIZES, VIEWS, Served, thornlaw, write_days

# Long enough that a week's report is there, and the wash house is damp.
MESSAGES = 60_000
BY_NIGHT = ("/", "/space/loft", "/batch/lavender-first")


def main() -> None:
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    days = Path(tempfile.mkdtemp()) / "days.sqlite"
    write_days(days, MESSAGES)
    with sync_playwright() as playwright, thornlaw(Path(tempfile.mkdtemp()), days) as house:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=CHROMIUM)
        for view in VIEWS:
            for size in SIZES:
                take(browser, house, view, size, "light", folder)
        for view in BY_NIGHT:
            take(browser, house, view, "phone", "dark", folder)
        printed = browser.new_page()
        printed.goto(house.url)
        printed.pdf(path=folder / "spaces-printed.pdf", format="A4")
        browser.close()


def take(browser: Browser, house: Served, view: str, size: str, scheme: str, folder: Path) -> None:
    """One view, whole, and what of it stands above the fold."""
    width, height = SIZES[size]
    context = browser.new_context(
        viewport={"width": width, "height": height},
        color_scheme="dark" if scheme == "dark" else "light",
    )
    page = context.new_page()
    page.goto(house.url + view)
    name = re.sub(r"\W+", "-", view).strip("-") or "spaces"
    night = "-night" if scheme == "dark" else ""
    page.screenshot(path=folder / f"{name}-{size}{night}.png", full_page=True)
    if view == "/":
        page.screenshot(path=folder / f"{name}-{size}{night}-fold.png")
    context.close()


if __name__ == "__main__":
    main()
