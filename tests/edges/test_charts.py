"""Pictures: no extreme is lost, gaps stay gaps, and what is drawn is also told in words."""

import itertools
import re
from datetime import date
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.drying.prospects import Prospect
from monitor.edges.charts import STYLE, ChartLevel, Mark, Passed, Series, fan_chart, line_chart
from monitor.edges.charts import week_strips as strips
from monitor.edges.charts.drawing import Floats, Plot, broken_path, extremes, round_out
from monitor.edges.page.pictures import of_prospects
from monitor.edges.report.order import Week
from monitor.entries.batches import Batch, Stay
from monitor.site.spaces import Site
from monitor.site.time import midnight

LONDON = "Europe/London"
BEGIN, END = Week.parse("2026-W29").span(LONDON)
WEEK = END - BEGIN
SVG = "{http://www.w3.org/2000/svg}"


def a_week(length: int = WEEK) -> Floats:
    return 20 + 8 * np.sin(2 * np.pi * (np.arange(length) / 60 - 9) / 24)


def parsed(svg: str) -> ET.Element:
    return ET.fromstring(svg)  # noqa: S314 (a picture of ours)


def words(svg: str) -> list[str]:
    return [text.text or "" for text in parsed(svg).iter(f"{SVG}text")]


def points(path: str) -> list[tuple[float, float]]:
    pairs = (pair.split() for pair in re.split("[ML]", path) if pair)
    return [(float(x), float(y)) for x, y in pairs]


@given(
    st.lists(st.floats(-50, 90) | st.just(float("nan")), min_size=1, max_size=400),
    st.integers(1, 40),
)
def test_every_extreme_is_kept_in_its_place(values: list[float], steps: int) -> None:
    series = np.array(values)
    at, found = extremes(series, steps)
    assert len(at) <= 2 * max(steps, 1) or len(at) == len(values)
    assert (np.diff(at) >= 0).all()
    if np.isnan(series).all():
        assert np.isnan(found).all()
    else:
        assert np.nanmax(found) == np.nanmax(series)
        assert np.nanmin(found) == np.nanmin(series)
    for index, value in zip(at.astype(int), found, strict=True):
        if index < len(series):
            assert value == series[index] or (np.isnan(value) and np.isnan(series[index]))


def test_one_minute_in_a_month_is_still_seen() -> None:
    values = a_week(31 * 1440)
    values[20_000] = 55.0
    svg = line_chart(
        title="Loft", unit="°C", begin=BEGIN, series=[Series(values, "loft", "heat")],
        timezone=LONDON,
    )  # fmt: skip
    path = parsed(svg).find(f".//{SVG}path[@class='line heat']")
    assert path is not None
    heights = [y for _, y in points(path.attrib["d"])]
    # Round values that hold 12 to 55 reach from 10 to 55: the minute touches the plot's upper edge.
    assert round_out([12.0, 55.0]) == (10.0, 55.0)
    assert min(heights) == 24.0
    assert "highest 55 °C" in svg


def test_a_line_breaks_where_nothing_is_known_and_where_the_clock_goes_back() -> None:
    nan = np.nan
    y = np.array([nan, 1.0, 2.0, nan, nan, 3.0, 4.0, 5.0])
    x = np.array([0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 5.5])
    assert broken_path(x, y) == "M1 1L2 2M5 3L6 4M5.5 5"
    assert broken_path(x, np.full(8, nan)) == ""
    assert broken_path(np.array([1.0, 2.0]), np.array([1.0, 1.5])) == "M1 1L2 1.5"


def test_the_plot_puts_high_values_up_and_late_ones_right() -> None:
    plot = Plot(x0=0, x1=10, y0=0, y1=100, top=20, height=50, left=30, width=300)
    assert (plot.x(0), plot.x(10)) == (30, 330)
    assert (plot.y(0), plot.y(100)) == (70, 20)


def test_a_line_chart_is_told_in_words_with_units() -> None:
    values = a_week()
    values[:90] = np.nan
    spell = Mark(BEGIN + 3000, BEGIN + 3300, "too hot, 5 h", "heat")
    svg = line_chart(
        title="Loft & <attic>", unit="°C", begin=BEGIN, timezone=LONDON,
        series=[Series(values, "loft", "heat"), Series(values - 4, "outdoors", "outdoors")],
        levels=[ChartLevel(32.0, "limit 32 °C", "heat")], marks=[spell],
    )  # fmt: skip
    root = parsed(svg)
    title, desc = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert title is not None
    assert desc is not None
    assert title.text == "Loft & <attic>"
    assert root.attrib["aria-labelledby"] == f"{title.attrib['id']} {desc.attrib['id']}"
    # 20 - 8 at 03:00 and 20 + 8 at 15:00 of the first full day.
    assert desc.text is not None
    assert "loft: lowest 12 °C Mon 13, 03:00, highest 28 °C Mon 13, 15:00." in desc.text
    assert "Not known for 1.5 h." in desc.text
    assert "Limit 32 °C." in desc.text
    assert "too hot, 5 h." in desc.text
    assert {"loft, outdoors [°C]", "limit 32 °C", "too hot, 5 h", "Mon 13", "20"} <= set(words(svg))


def test_words_of_marks_never_run_into_each_other() -> None:
    marks = [Mark(BEGIN + n * 60, BEGIN + n * 60 + 90, f"too damp, spell {n}", "damp")
             for n in range(0, 160, 8)]  # fmt: skip
    svg = line_chart(title="Loft", unit="%", begin=BEGIN, timezone=LONDON, marks=marks,
                     series=[Series(a_week(), "humidity", "damp")])  # fmt: skip
    rows: dict[str, list[tuple[float, float]]] = {}
    for text in parsed(svg).iter(f"{SVG}text"):
        if (text.text or "").startswith("too damp"):
            x = float(text.attrib["x"])
            rows.setdefault(text.attrib["y"], []).append((x, x + 5.8 * len(text.text or "")))
    assert 1 < len(rows) <= 3
    shown = 0
    for row in rows.values():
        shown += len(row)
        ordered = sorted(row)
        assert all(a[1] <= b[0] for a, b in itertools.pairwise(ordered))
        assert ordered[-1][1] <= 360
    assert f"and {len(marks) - shown} more" in words(svg)


def test_what_comes_again_has_a_row_of_its_own_and_is_named_where_there_is_room() -> None:
    marks = [Mark(BEGIN + n * 1440, BEGIN + n * 1440 + 300, words, kind)
             for n in range(6) for words, kind in (("hot", "heat"), ("bright", "sun"))]  # fmt: skip
    svg = line_chart(title="Loft", unit="°C", begin=BEGIN, timezone=LONDON, marks=marks,
                     series=[Series(a_week(), "loft", "heat")])  # fmt: skip
    bars: dict[str, set[str]] = {}
    for path in parsed(svg).iterfind(f".//{SVG}path"):
        if path.attrib["class"].startswith("mark"):
            bars.setdefault(path.attrib["class"], set()).add(
                path.attrib["d"].split("H")[0].split()[1]
            )
    assert {kind: len(heights) for kind, heights in bars.items()} == {"mark heat": 1, "mark sun": 1}
    assert bars["mark heat"] != bars["mark sun"]
    assert 1 <= words(svg).count("hot") < 6
    assert not any("more" in text for text in words(svg))


def test_nothing_known_is_said() -> None:
    svg = line_chart(title="Loft", unit="°C", begin=BEGIN, timezone=LONDON,
                     series=[Series(np.full(WEEK, np.nan), "loft", "heat")])  # fmt: skip
    assert "not known" in words(svg)
    assert not list(parsed(svg).iterfind(f".//{SVG}path[@class='line heat']"))


def test_values_further_apart_than_a_minute_fill_the_same_span() -> None:
    day = a_week(1440)
    by_minute, by_half_hour = (
        line_chart(title="Loft", unit="°C", begin=BEGIN, timezone=LONDON, every=every,
                   series=[Series(day[::every], "loft", "heat")])
        for every in (1, 30)
    )  # fmt: skip
    assert "highest 28 °C around Mon 13, 15:00" in by_half_hour
    ends = []
    for svg in (by_minute, by_half_hour):
        path = parsed(svg).find(f".//{SVG}path[@class='line heat']")
        assert path is not None
        ends.append(points(path.attrib["d"])[-1][0])
    a_half_hour = 30 / 1440 * 318
    assert ends[0] - ends[1] == pytest.approx(a_half_hour, abs=0.5)


@pytest.mark.parametrize("length", [1440, 10_080, 43_200, 525_600])
def test_moments_named_along_the_axis_fit(length: int) -> None:
    svg = line_chart(title="Loft", unit="°C", begin=BEGIN, timezone=LONDON,
                     series=[Series(a_week(length), "loft", "heat")])  # fmt: skip
    axis = [t for t in parsed(svg).iter(f"{SVG}text") if "text-anchor" in t.attrib]
    bottom = max(float(t.attrib["y"]) for t in axis)
    named = [(float(t.attrib["x"]), t.text or "") for t in axis if float(t.attrib["y"]) == bottom]
    assert 3 <= len(named) <= 12
    for (x, text), (after, _) in itertools.pairwise(named):
        assert x + 5.8 * len(text) <= after
    assert len(svg) < 16_000


def test_days_of_the_axis_begin_at_the_sites_midnight() -> None:
    # Clocks went forward in the night to Sunday 29 March 2026: Sunday begins at 00:00 UTC, Monday
    # at 23:00 UTC.
    from zoneinfo import ZoneInfo

    sunday, monday = (midnight(date(2026, 3, d), ZoneInfo(LONDON)) for d in (29, 30))
    assert monday - sunday == 23 * 60


def test_a_fan_shows_what_is_expected_and_what_was_weighed() -> None:
    minutes = BEGIN + 60.0 * np.arange(200)
    middle = 100 * np.exp(-np.arange(200) / 60)
    svg = fan_chart(
        title="Statice 1, still to lose", unit="%", minutes=minutes, p10=middle * 0.8, p50=middle,
        p90=middle * 1.2, timezone=LONDON, now=BEGIN + 6000,
        points=[(BEGIN + 1200, 70.0), (BEGIN + 3000, 44.0)],
        levels=[ChartLevel(0.0, "crisp", "pull")],
        due=Mark(BEGIN + 9000, BEGIN + 11_000, "crisp, 8 times in 10", "pull"),
    )  # fmt: skip
    root = parsed(svg)
    assert len(list(root.iterfind(f".//{SVG}circle"))) == 2 + 1  # and one beside its word
    assert {"expected", "weighed", "crisp, 8 times in 10"} <= set(words(svg))
    assert "crisp, 8 times in 10: Sun 19, 06:00 to Mon 20, 15:20" in svg
    assert "2 weighed" in svg
    until = root.find(f".//{SVG}path[@class='line pull']")
    after = root.find(f".//{SVG}path[@class='line pull ahead']")
    assert until is not None
    assert after is not None
    assert points(until.attrib["d"])[-1] == points(after.attrib["d"])[0]


# -- the hours of a week ----------------------------------------------------------------------


def drawn(week: str, values: Floats | None = None, **more: object) -> str:
    begin, end = Week.parse(week).span(LONDON)
    temperature = a_week(end - begin) if values is None else values
    return strips(title="Loft, hour by hour", unit="°C", begin=begin, temperature=temperature,
                  timezone=LONDON, **more)  # type: ignore[arg-type] # fmt: skip


@pytest.mark.parametrize("week", ["2026-W29", "2026-W13", "2026-W43"])
def test_a_week_has_seven_strips_whatever_the_clocks_do(week: str) -> None:
    told = words(drawn(week))
    assert [w for w in told if w in ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")] == [
        *("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
    ]
    assert told.count("12 to 28 °C") == 7


def test_an_hour_that_comes_twice_is_drawn_twice_in_its_place() -> None:
    # On 25 October 2026 the clocks go back from 02:00 to 01:00: the line starts again there.
    svg = drawn("2026-W43")
    lines = [p.attrib["d"] for p in parsed(svg).iterfind(f".//{SVG}path[@class='line ink']")]
    starts = [path.count("M") for path in lines[:7]]
    assert starts == [1, 1, 1, 1, 1, 1, 2]


def test_hours_past_a_limit_stand_at_the_strips_end_in_words() -> None:
    values = a_week()
    damp = np.zeros(WEEK, dtype=np.bool_)
    damp[1440 + 60 : 1440 + 420] = True
    hot = values > 27.9
    values[3 * 1440 : 4 * 1440] = np.nan
    values[4 * 1440 : 4 * 1440 + 120] = np.nan
    passed = [Passed("damp", "damp: over 75 %", "damp", damp),
              Passed("hot", "hot: over 27.9 °C", "heat", hot)]  # fmt: skip
    told = words(drawn("2026-W29", values, passed=passed))
    assert told.count("damp 6 h") == 1
    # 20 + 8 sin x > 27.9 for x within acos(7.9 / 8) of the top: 2 · 0.1582 / 2π · 24 h = 1.2 h.
    assert told.count("hot 1 h") == 6
    assert told.count("not known") == 2  # in the strip and at its end
    assert "2 h not known" in told
    assert {"damp: over 75 %", "hot: over 27.9 °C"} <= set(told)


def test_days_that_have_not_come_are_no_gaps() -> None:
    values = a_week()
    values[2 * 1440 :] = np.nan
    told = words(drawn("2026-W29", values, until=BEGIN + 2 * 1440))
    assert told.count("not yet") == 5
    assert "not known" not in told


def test_pictures_bring_no_style_of_their_own_and_their_classes_are_all_known() -> None:
    damp = np.ones(WEEK, dtype=np.bool_)
    passed = [Passed(k, k, k, damp) for k in ("damp", "heat", "sun")]
    svgs = drawn("2026-W29", passed=passed, nights=damp) + line_chart(
        title="x", unit="lx", begin=BEGIN, timezone=LONDON,
        series=[Series(a_week(), "light", k) for k in ("heat", "damp", "sun", "pull", "outdoors")],
        levels=[ChartLevel(20.0, "limit", "sun")],
        marks=[Mark(BEGIN, BEGIN + 9, "m", k) for k in ("heat", "damp", "sun", "dry", "gap")],
    )  # fmt: skip
    assert "style=" not in svgs
    assert "<script" not in svgs
    style = STYLE.read_text(encoding="utf-8")
    used = {name for found in re.findall(r'class="([^"]*)"', svgs) for name in found.split()}
    assert {name for name in used if f".{name}" not in style} <= {"hatched", "chart"}


def test_of_a_batch_that_was_taken_down_no_day_to_come_is_drawn() -> None:
    hung_ms, hour_ms = BEGIN * 60_000, 3_600_000
    batch = Batch("first", 1, "statice", 6, hung_ms, (Stay(hung_ms, None, "loft"),))
    site = Site("Withy End", 52.0, -3.0, 120.0, LONDON, "°C", {}, {})
    said = [
        Prospect(
            *(1, hung_ms + h * hour_ms, "expected", 90.0 - h, 60.0, 0.01),
            *(BEGIN + 2880, BEGIN + 4320, BEGIN + 5760, 9.0, False, 55.0),
        )
        for h in range(1, 9)
    ]
    due = "crisp, 8 times in 10"
    [left, _] = of_prospects(batch, said, True, [], site)
    assert due in words(left)
    [left, _] = of_prospects(batch, said, False, [], site)
    assert due not in words(left)
