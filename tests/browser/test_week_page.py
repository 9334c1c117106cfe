"""The weekly report in a real browser: on a phone, on a desk, on paper, with nothing fetched."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, Page

from monitor.air.minute import MinuteOfAir
from monitor.air.spells import Spell
from monitor.edges.report.build import build
from monitor.edges.report.order import ReportOrder, Week
from monitor.edges.report.paper import PdfError, print_to_pdf
from monitor.engine.effects import Effects
from monitor.notices.settlement import Settlement
from monitor.science.moist_air import state
from monitor.site.kinds import Kind
from monitor.site.quantities import Quantity
from monitor.site.spaces import OUTDOORS, Limits, ReadAs, Sensor, Site, Space, Use
from monitor.store.writer import Writer
from tests.browser.house import AA, AXE
from tests.edges import garden
from tests.edges.garden import BOOK

SPACES = (
    Space("drying loft over the stable", Use.HANGING, Limits(hot_c=30.0, damp_pct=70.0)),
    Space("spare room", Use.HANGING, Limits(hot_c=30.0, damp_pct=70.0, sun_lux=800.0)),
    Space("cupboard", Use.STORING, Limits(damp_pct=60.0, damp_is_daily_mean=True)),
    Space(OUTDOORS, Use.OUTDOORS),
)
SITE = Site(
    name="Withy End",
    latitude=52.0,
    longitude=-3.0,
    elevation_m=120.0,
    timezone="Europe/London",
    temperature_unit="°C",
    spaces={space.name: space for space in SPACES},
    sensors={
        f"{space.name} peg": Sensor(
            f"{space.name} peg", space.name, "withy", 60.0, {Quantity.TEMPERATURE: ReadAs("°C")}
        )
        for space in SPACES
    },
)


@pytest.fixture(scope="module")
def garden_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three weeks of a garden: batches that hang, one that came down and is kept."""
    folder = tmp_path_factory.mktemp("garden")
    garden.write(folder / "store.sqlite", *garden.span("2026-W27", 3))
    return folder


@pytest.fixture(scope="module", params=["air", "batches", "season"])
def page_file(
    request: pytest.FixtureRequest,
    tmp_path_factory: pytest.TempPathFactory,
    garden_folder: Path,
) -> Path:
    if request.param == "air":
        return _of_air(tmp_path_factory.mktemp("week"))
    span = garden.span("2026-W27", 3)
    store = garden_folder / "store.sqlite"
    order = ReportOrder(store, garden_folder, "2026-W29", 60_000 * span[1], garden.SITE, BOOK)
    (answer,) = build(replace(order, season=span) if request.param == "season" else order)
    return answer.folder / answer.files[0]


def _of_air(folder: Path) -> Path:
    begin, end = Week.parse("2026-W29").span(SITE.timezone)
    minutes = []
    for n, space in enumerate(SPACES):
        for at in range(begin, end):
            hours = (at - begin) / 60
            if n == 0 and 60 < hours < 90:
                continue
            sun = float(np.sin((hours - 9) / 24 * 2 * np.pi))
            t, rh = 20 + (11 - 3 * n) * sun, 58 - 20 * sun
            air = state(t, rh, 100_000.0)
            lux = max(0.0, 900 * sun)
            minutes.append(
                MinuteOfAir(at, space.name, t, rh, lux, air.dew_point_c, air.vpd_kpa,
                            air.humidity_ratio_g_kg, air.absolute_humidity_g_m3, None, 1)
            )  # fmt: skip
    spells = [
        Spell(Kind.HOT, SPACES[0].name, None, begin + 840 + d * 1440, begin + 860 + d * 1440,
              begin + 1140 + d * 1440, 31.0)
        for d in range(7)
    ]  # fmt: skip
    writer = Writer(folder / "store.sqlite")
    writer.apply(Effects(air=minutes, settlements=[Settlement([], spells, [], [])]))
    writer.commit()
    writer.close()
    (answer,) = build(ReportOrder(writer.file, folder, "2026-W29", 60_000 * end, SITE, BOOK))
    return answer.folder / answer.files[0]


@pytest.fixture(params=[(360, 740, "light"), (360, 740, "dark"), (1280, 800, "light")])
def page(
    request: pytest.FixtureRequest, browser: Browser, page_file: Path
) -> Iterator[tuple[Page, list[str]]]:
    width, height, scheme = request.param
    context = browser.new_context(
        viewport={"width": width, "height": height}, color_scheme=scheme, java_script_enabled=True
    )
    page = context.new_page()
    heard: list[str] = []
    page.on("request", lambda asked: heard.append(asked.url))
    page.on("console", lambda said: heard.append(said.text))
    page.on("pageerror", lambda error: heard.append(str(error)))
    page.goto(page_file.as_uri())
    yield page, heard
    context.close()


def test_it_is_accessible(browser: Browser, page_file: Path) -> None:
    # axe-core, the rules of WCAG 2.0 to 2.2 at levels A and AA; without its own policy, which
    # would keep the checker's script out as it keeps out all others.
    for scheme in ("light", "dark"):
        context = browser.new_context(
            viewport={"width": 360, "height": 740},
            color_scheme="dark" if scheme == "dark" else "light",
            bypass_csp=True,
        )
        opened = context.new_page()
        opened.goto(page_file.as_uri())
        opened.add_script_tag(path=AXE)
        found = opened.evaluate("tags => axe.run({runOnly: tags})", AA)
        assert [(v["id"], v["nodes"][0]["html"]) for v in found["violations"]] == []
        context.close()


def test_it_reads_without_any_script(browser: Browser, page_file: Path) -> None:
    assert "<script" not in page_file.read_text()
    context = browser.new_context(java_script_enabled=False)
    opened = context.new_page()
    opened.goto(page_file.as_uri())
    assert opened.inner_text("h1").startswith(("The week at", "The season at"))
    assert len(opened.inner_text("main")) > 500
    context.close()


def test_nothing_is_fetched_and_nothing_complains(
    page: tuple[Page, list[str]], page_file: Path
) -> None:
    _, heard = page
    assert heard == [page_file.as_uri()]


def test_no_word_runs_out_of_the_page_or_of_its_picture(page: tuple[Page, list[str]]) -> None:
    opened, _ = page
    wider = opened.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    assert wider <= 0
    outside = opened.evaluate(
        """[...document.querySelectorAll('svg text')].filter(text => {
             const word = text.getBoundingClientRect();
             const picture = text.ownerSVGElement.getBoundingClientRect();
             return word.left < picture.left - 1 || word.right > picture.right + 1
                 || word.top < picture.top - 1 || word.bottom > picture.bottom + 1;
           }).map(text => text.textContent)"""
    )
    assert outside == []


def test_words_of_a_picture_do_not_lie_on_each_other(page: tuple[Page, list[str]]) -> None:
    opened, _ = page
    overlapping = opened.evaluate(
        """[...document.querySelectorAll('svg')].flatMap(svg => {
             const words = [...svg.querySelectorAll('text:not(.halo)')];
             const boxes = words.map(word => word.getBoundingClientRect());
             const hits = [];
             for (let i = 0; i < boxes.length; i++)
               for (let j = i + 1; j < boxes.length; j++)
                 if (boxes[i].left < boxes[j].right - 1 && boxes[j].left < boxes[i].right - 1
                     && boxes[i].top < boxes[j].bottom - 3 && boxes[j].top < boxes[i].bottom - 3)
                   hits.push(words[i].textContent + ' / ' + words[j].textContent);
             return hits;
           })"""
    )
    assert overlapping == []


def test_every_words_contrast_is_enough_to_read(page: tuple[Page, list[str]]) -> None:
    # WCAG 2.2, 1.4.3: 4.5 to 1; luminance and ratio as WCAG defines them.
    opened, _ = page
    ratios = opened.evaluate(
        """(() => {
             const light = colour => {
               const part = colour.match(/[\\d.]+/g).slice(0, 3).map(v => v / 255)
                 .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
               return 0.2126 * part[0] + 0.7152 * part[1] + 0.0722 * part[2];
             };
             const paper = light(getComputedStyle(document.body).backgroundColor);
             return [...document.querySelectorAll('p, dt, dd, th, td, h1, h2, h3, li, svg text')]
               .map(word => {
                 const style = getComputedStyle(word);
                 const ink = light(word.ownerSVGElement ? style.fill : style.color);
                 return (Math.max(ink, paper) + 0.05) / (Math.min(ink, paper) + 0.05);
               });
           })()"""
    )
    assert len(ratios) > 100
    assert min(ratios) >= 4.5


def sheets(page: Page) -> int:
    """Of A4, on paper."""
    printed = page.pdf(prefer_css_page_size=True)
    # Each page of a PDF is an object of type /Page; the tree that holds them is of type /Pages.
    return printed.count(b"/Type /Page\n") + printed.count(b"/Type /Page ")


def test_it_prints_on_two_sheets_of_a4(browser: Browser, page_file: Path) -> None:
    page = browser.new_page()
    page.goto(page_file.as_uri())
    assert 1 <= sheets(page) <= 2
    page.close()


def test_the_command_prints_it_too(page_file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = print_to_pdf(page_file)
    assert made == page_file.with_suffix(".pdf")
    assert made.read_bytes().startswith(b"%PDF-")
    monkeypatch.setenv("PATH", str(page_file.parent))
    with pytest.raises(PdfError, match=r"Chromium is not installed; install it .* or open .*html"):
        print_to_pdf(page_file)


@pytest.mark.parametrize(
    "weather",
    [
        garden.Weather(warmer_c=9),
        garden.Weather(warmer_c=-2, damper_pct=18),
        garden.Weather(gone_h=(24, 96)),
    ],
    ids=["heat", "wet", "gone"],
)
def test_a_hard_week_is_told_in_as_few(
    browser: Browser, tmp_path: Path, weather: garden.Weather
) -> None:
    span = garden.span("2026-W28", 2)
    store = tmp_path / "store.sqlite"
    garden.write(store, *span, weather)
    (answer,) = build(ReportOrder(store, tmp_path, "2026-W29", 60_000 * span[1], garden.SITE, BOOK))
    page = browser.new_page()
    page.goto((answer.folder / answer.files[0]).as_uri())
    assert 1 <= sheets(page) <= 2
    told = page.locator("section.space", has_text="Barn loft").locator("li").all_inner_texts()
    page.close()
    # Every night is damp in this garden: seven spells of a kind are one line.
    assert [line for line in told if line.startswith("Too damp seven times, ")] == told[:1]
