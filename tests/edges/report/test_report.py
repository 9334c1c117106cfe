"""The weekly report: golden weeks worked by hand, sums against independent sums, plain words."""

import io
import json
import math
import re
import subprocess
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import date
from html import unescape
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from monitor.air.minute import MinuteOfAir
from monitor.air.spells import Spell
from monitor.edges.beside import BesideError, ask
from monitor.edges.report.build import build
from monitor.edges.report.change import thing_to_change
from monitor.edges.report.gather import NotYetError, SiteWeek, Source, gather
from monitor.edges.report.numbers import SpaceWeek, by_day, by_hour, days_over_dose
from monitor.edges.report.order import REPORT, Answer, ReportOrder, Week
from monitor.edges.report.pictures import nights
from monitor.edges.report.sheet import sheet
from monitor.edges.report.text import MOST_LINES, PULL_EXPLAINED, phone_text
from monitor.engine.effects import Effects
from monitor.entries.entries import Entry
from monitor.notices.notice import Notice, NoticeRow, Weight
from monitor.notices.settlement import Settlement
from monitor.science.moist_air import state
from monitor.service.settings.files import shipped
from monitor.site.flowers import read_book
from monitor.site.kinds import Kind
from monitor.site.quantities import Flag, Quantity, Reading
from monitor.site.spaces import (
    OUTDOORS,
    ForecastFrom,
    Limits,
    ReadAs,
    Sensor,
    Site,
    Space,
    TimeAt,
    Use,
)
from monitor.site.words import TITLE_LENGTH
from monitor.store.formats import Format, export
from monitor.store.queries import Reader
from monitor.store.writer import Writer

BOOK = read_book(shipped("config/flowers.toml").read_text("utf-8"), {})
LATER_MS = 1_900_000_000_000  # 2030: every week of these tests is over

ATTIC = Space(
    "attic", Use.HANGING, Limits(hot_c=32.0, damp_pct=75.0, sun_lux=3000.0, light_klxh_a_day=1.0)
)
READS = {
    Quantity.TEMPERATURE: ReadAs("°C", "/t"),
    Quantity.HUMIDITY: ReadAs("%", "/h"),
    Quantity.ILLUMINANCE: ReadAs("lx", "/l"),
}


Air = Callable[[int], tuple[float, float, float]]  # minute of the day → °C, %, lx


def site_of(*spaces: Space, zone: str = "Europe/London", unit: str = "°C") -> Site:
    return Site(
        name="withy end",
        latitude=52.0,
        longitude=-3.0,
        elevation_m=120.0,
        timezone=zone,
        temperature_unit=unit,
        spaces={space.name: space for space in spaces},
        sensors={
            f"{space.name}-peg": Sensor(
                f"{space.name}-peg", space.name, "withy/peg", 60.0, READS, TimeAt("/ts", "s")
            )
            for space in spaces
        },
        forecasts=(ForecastFrom(Sensor("hill", OUTDOORS, "withy/sky", 3600.0, READS), "/hours"),),
    )


def air(minute: int, space: str, t: float = 20.0, rh: float = 50.0, vpd: float = 0.5,
        lx: float | None = None) -> MinuteOfAir:  # fmt: skip
    return MinuteOfAir(minute, space, t, rh, lx, 9.0, vpd, 7.0, 8.5, None, 1)


def settled(spells: Sequence[Spell] = (), notices: Sequence[NoticeRow] = ()) -> Settlement:
    return Settlement([], list(spells), [], list(notices))


def stored(folder: Path, *effects: Effects) -> Path:
    writer = Writer(folder / "store.sqlite")
    for each in effects:
        writer.apply(each, ["phone"])
    writer.commit()
    writer.close()
    return folder / "store.sqlite"


def gathered(file: Path, site: Site, week: str, now_ms: int = LATER_MS) -> SiteWeek:
    with Reader(file) as reader:
        return gather(Source(reader, file, site, BOOK), Week.parse(week), now_ms)


def only(week: SiteWeek) -> SpaceWeek:
    (space,) = week.spaces
    return space


# -- a golden week ----------------------------------------------------------------------------

# Monday 12 January 2026, 00:00 in London, which is UTC in winter; from `date -u -d 2026-01-12 +%s`.
MONDAY = 1_768_176_000 // 60
HOUR, DAY = 60, 1440


def golden_minute(at: int) -> MinuteOfAir | None:
    """The air at a minute of the week: see the working below."""
    day, of_day = divmod(at, DAY)
    if day == 3 and 3 * HOUR <= of_day < 6 * HOUR:
        return None
    lx = 600.0 if 12 * HOUR <= of_day < 14 * HOUR else 0.0
    if day == 2 and 12 * HOUR <= of_day < 13 * HOUR + 30:
        return air(MONDAY + at, "attic", t=33.0, rh=40.0, vpd=2.0, lx=lx)
    if day == 4 and of_day < 45:
        return air(MONDAY + at, "attic", t=14.5, rh=80.0, lx=lx)
    return air(MONDAY + at, "attic", lx=lx)


@pytest.fixture
def golden(tmp_path: Path) -> SiteWeek:
    minutes = [m for at in range(7 * DAY) if (m := golden_minute(at))]
    before = [air(MONDAY - 7 * DAY + at, "attic", vpd=0.25) for at in range(7 * DAY)]
    began = MONDAY + 2 * DAY + 12 * HOUR
    hot = Spell(Kind.HOT, "attic", None, began, began + 19, began + 90, 33.0)
    # It began two days before the week and reaches ten hours into it.
    damp = Spell(Kind.DAMP, "attic", None, MONDAY - 2 * DAY, MONDAY - DAY, MONDAY + 600, 81.0)
    gap = MONDAY + 3 * DAY + 3 * HOUR
    silent = Spell(Kind.SILENT, "attic", "attic-peg", gap, gap + 30, gap + 180, 3.0)
    file = stored(
        tmp_path, Effects(air=before + minutes, settlements=[settled([hot, damp, silent])])
    )
    return gathered(file, site_of(ATTIC), "2026-W03")


def test_golden_week_hours_and_limits(golden: SiteWeek) -> None:
    # 168 h, of which Thursday 03:00 to 06:00 is not known: 165 h.
    space = only(golden)
    assert (space.hours, space.air_known_h) == (168.0, 165.0)
    assert space.known_h == dict.fromkeys(READS, 165.0)
    # Over 32 °C: Wednesday 12:00 to 13:30, 90 min = 1.5 h; 165 - 1.5 = 163.5 h within.
    # Over 75 %: Friday 00:00 to 00:45, 45 min = 0.75 h; 165 - 0.75 = 164.25 h within.
    # Over 3000 lx: never.
    assert [(each.kind, *each[3:]) for each in space.limits] == [
        (Kind.HOT, 1.5, 163.5, 3.0),
        (Kind.DAMP, 0.75, 164.25, 3.0),
        (Kind.SUNNY, 0.0, 165.0, 3.0),
    ]


def test_golden_week_extremes_are_the_first_minute_that_reached_them(golden: SiteWeek) -> None:
    space = only(golden)
    assert space.warmest == (33.0, MONDAY + 2 * DAY + 720)
    assert space.coldest == (14.5, MONDAY + 4 * DAY)
    assert space.dampest == (80.0, MONDAY + 4 * DAY)
    assert space.driest == (40.0, MONDAY + 2 * DAY + 720)


def test_golden_week_sums_and_means(golden: SiteWeek) -> None:
    space = only(golden)
    # 1.5 h at 2.0 kPa and 163.5 h at 0.5 kPa: 3 + 81.75 = 84.75 kPa·h; by 165 h: 0.513636 kPa.
    assert space.drying_load_kpa_h == pytest.approx(84.75, abs=1e-9)
    assert space.mean_vpd_kpa == pytest.approx(84.75 / 165, abs=1e-12)
    # Two hours a day at 600 lx: 7 · 1,200 = 8,400 lx·h; each day over its limit of 1 klx·h.
    assert space.light_dose_lx_h == pytest.approx(8400.0, abs=1e-9)
    assert days_over_dose(space) == 7
    # (1.5 · 33 + 0.75 · 14.5 + 162.75 · 20) / 165 = 3315.375 / 165 = 20.0932 °C
    assert space.mean_temperature_c == pytest.approx(3315.375 / 165)
    # (1.5 · 40 + 0.75 · 80 + 162.75 · 50) / 165 = 8257.5 / 165 = 50.0455 %
    assert space.mean_humidity_pct == pytest.approx(8257.5 / 165)
    # The week before: 168 h at 0.25 kPa.
    assert golden.before["attic"].drying_load_kpa_h == pytest.approx(42.0, abs=1e-9)


def test_golden_week_spells_gaps_and_faults(golden: SiteWeek) -> None:
    space = only(golden)
    assert [(s.spell.kind, s.hours) for s in space.spells] == [(Kind.DAMP, 10.0), (Kind.HOT, 1.5)]
    gap = MONDAY + 3 * DAY + 180
    assert [(g.quantity, g.begin, g.end, g.hours) for g in space.gaps] == [
        (quantity, gap, gap + 180, 3.0) for quantity in READS
    ]
    (sensor,) = golden.sensors
    assert (sensor.heard, sensor.silent_h, sensor.stuck_h) == (None, 3.0, 0.0)


def test_golden_week_by_day_and_hour(golden: SiteWeek) -> None:
    days = by_day(only(golden))
    assert list(days.index) == [date(2026, 1, d) for d in range(12, 19)]
    assert list(days["known_h"]) == [24, 24, 24, 21, 24, 24, 24]
    # Wednesday: 22.5 h at 0.5 and 1.5 h at 2.0 kPa = 14.25; Thursday: 21 h at 0.5 = 10.5 kPa·h.
    assert list(days["drying_load_kpa_h"].round(9)) == [12, 12, 14.25, 10.5, 12, 12, 12]
    assert list(days["temperature_max_c"])[2] == 33.0
    hours = by_hour(only(golden))
    assert len(hours) == 168
    unknown = hours["drying_load_kpa_h"].isna()
    assert [hour.isoformat()[:13] for hour in hours.index[unknown]] == [
        "2026-01-15T03",
        "2026-01-15T04",
        "2026-01-15T05",
    ]


def test_golden_week_in_words(golden: SiteWeek) -> None:
    assert phone_text(golden).splitlines() == [
        "Week 3 at Withy end: Mon 12 Jan to Sun 18 Jan",
        "Attic was too damp for 45 min.",
        # 84.75 / 165 against 42 / 168 is 2.0545 to 1.
        "Attic: 14 to 33 °C, humidity 40 to 80 %; drying pull 85 kPa·h, 2.1 times that of the "
        "week before; too hot for 1 h 30 min, too damp for 45 min and too much light on seven "
        "days.",
        "Not known: attic 3 h (Thu 15 Jan, 03:00 to 06:00).",
        "Sensors: attic-peg (silent 3 h).",
        "Drying pull: how hard the air drew water from the flowers, hour by hour, added up.",
    ]


# -- weeks that are not like others -----------------------------------------------------------


@pytest.mark.parametrize(
    ("week", "sunday", "hours"),
    # The clocks of London went forward on 29 March 2026 and go back on 25 October 2026.
    [("2026-W13", date(2026, 3, 29), 23), ("2026-W43", date(2026, 10, 25), 25)],
)
def test_weeks_in_which_the_clocks_change(
    tmp_path: Path, week: str, sunday: date, hours: int
) -> None:
    begin, end = Week.parse(week).span("Europe/London")
    whole = 144 + hours
    assert end - begin == 60 * whole
    minutes = [air(at, "attic", vpd=1.0, lx=100.0) for at in range(begin - 60, end + 60)]
    space = only(gathered(stored(tmp_path, Effects(air=minutes)), site_of(ATTIC), week))
    assert space.hours == space.air_known_h == whole
    assert space.drying_load_kpa_h == pytest.approx(whole, abs=1e-9)
    assert space.light_dose_lx_h == pytest.approx(100 * whole, abs=1e-9)
    assert list(by_day(space)["hours"]) == [24] * 6 + [hours]
    assert list(by_day(space).index)[-1] == sunday
    by_the_hour = by_hour(space)
    assert len(by_the_hour) == whole
    assert (by_the_hour["known_h"] == 1).all()


def test_weeks_are_named_as_iso_8601_does() -> None:
    # ISO 8601: week 1 holds the year's first Thursday. 1 January 2027 is a Friday.
    assert Week.parse("2026-W53").monday == date(2026, 12, 28)
    assert str(Week.parse("2026-w53").after()) == "2027-W01"
    assert str(Week.holding(1_798_761_600_000, "Europe/London")) == "2026-W53"
    # Monday 00:30 in Athens is still Sunday in London.
    athens_monday = 1_768_176_000_000 - 90 * 60_000
    assert str(Week.holding(athens_monday, "Europe/Athens")) == "2026-W03"
    assert str(Week.holding(athens_monday, "Europe/London")) == "2026-W02"


@pytest.mark.parametrize("text", ["2026-29", "2025-W53", "week 3", "", "2026-W00"])
def test_what_is_no_week(text: str) -> None:
    with pytest.raises(ValueError, match="is not a week; write the year and the week's number"):
        Week.parse(text)


def test_a_space_added_in_the_middle_counts_from_then(tmp_path: Path) -> None:
    begin, _ = Week.parse("2026-W03").span("Europe/London")
    shop = Space("shop", Use.SHOWING, Limits(hot_c=30.0))
    later = Space("later", Use.STORING)
    minutes = [air(at, "attic", vpd=1.0) for at in range(begin - 7 * DAY, begin + 7 * DAY)]
    # From Friday 10:20: 2 days, 13 h 40 min = 61 h 40 min to the week's end.
    friday = begin + 4 * DAY + 620
    minutes += [air(at, "shop", vpd=1.0) for at in range(friday, begin + 7 * DAY)]
    minutes += [air(begin + 7 * DAY, "later")]
    file = stored(tmp_path, Effects(air=minutes))
    week = gathered(file, site_of(ATTIC, shop, later), "2026-W03")
    attic, added = week.spaces
    assert (attic.added, added.added) == (False, True)
    assert added.hours == pytest.approx(61 + 40 / 60)
    assert added.limits[0].unknown_h == 0.0
    assert added.gaps == [(Quantity.ILLUMINANCE, friday, begin + 7 * DAY)]
    assert added.drying_load_kpa_h == pytest.approx(61 + 40 / 60, abs=1e-9)
    text = phone_text(week)
    assert "Shop: 20 °C, humidity 50 %; drying pull 62 kPa·h; first heard" in text
    assert "first heard Fri 16 Jan, 10:20." in text
    assert "later" not in text.lower()
    assert "drying pull 170 kPa·h, much the same as the week before." in text


def test_a_week_in_which_a_sensor_is_swapped(tmp_path: Path) -> None:
    """Until Wednesday 10:00 the old one told 21 °C and 55 %, from then on the new one 20 °C, 50 %.

    Over 52 %: 2 days and 10 h = 58 h; 168 - 58 = 110 h. Pull: 58 h at 1.0 and 110 h at 0.5 kPa
    make 58 + 55 = 113 kPa·h. The air between the two is known, so there is no gap.
    """
    begin, end = Week.parse("2026-W03").span("Europe/London")
    swapped = begin + 2 * DAY + 10 * HOUR
    minutes = [
        air(at, "room", 21.0, 55.0, 1.0) if at < swapped else air(at, "room", 20.0, 50.0, 0.5)
        for at in range(begin, end)
    ]
    entered = [
        Entry(number, 60_000 * at, 60_000 * at, "calibrate", {"sensor": "room-peg", "swap": True})
        for number, at in enumerate((begin - DAY, swapped), 1)
    ]
    room = Space("room", Use.HANGING, Limits(damp_pct=52.0))
    week = gathered(
        stored(tmp_path, Effects(air=minutes, entries=entered)), site_of(room), "2026-W03"
    )
    told = only(week)
    [limit] = told.limits
    assert (limit.past_h, limit.within_h, limit.unknown_h) == (58.0, 110.0, 0.0)
    assert told.drying_load_kpa_h == pytest.approx(113.0, abs=1e-9)
    assert [gap for gap in told.gaps if gap[0] is not Quantity.ILLUMINANCE] == []
    page = sheet(week)
    assert page.count("another sensor hangs there") == 1  # that of the week before is not told
    assert "room-peg, Wed 14 Jan, 10:00: another sensor hangs there from here on" in page


def test_the_first_week_ever(tmp_path: Path) -> None:
    begin, _ = Week.parse("2026-W03").span("Europe/London")
    minutes = [air(at, "attic") for at in range(begin + 3 * DAY, begin + 7 * DAY)]
    week = gathered(stored(tmp_path, Effects(air=minutes)), site_of(ATTIC), "2026-W03")
    assert phone_text(week).splitlines()[1:3] == [
        "The first week here: no limit was passed for long.",
        "Attic: 20 °C, humidity 50 %; drying pull 48 kPa·h; first heard Thu 15 Jan, 00:00.",
    ]


def test_the_same_week_a_year_before_is_compared_where_it_is_known(tmp_path: Path) -> None:
    # 52 weeks before 2026-W29 is 2025-W29: as many days from Monday to Sunday, same season.
    begin, end = Week.parse("2026-W29").span("Europe/London")
    then_begin, then_end = Week.parse("2025-W29").span("Europe/London")
    minutes = [air(at, "attic", vpd=1.0) for at in range(begin, end)]
    then = [air(at, "attic", vpd=0.8) for at in range(then_begin, then_end)]
    week = gathered(stored(tmp_path, Effects(air=then + minutes)), site_of(ATTIC), "2026-W29")
    # 1.0 / 0.8 - 1 = 25 %; nothing is known of the week before.
    assert "Drying pull 170 kPa·h, 25 % more than a year before" in text_of(sheet(week))


def test_no_data_at_all(tmp_path: Path) -> None:
    week = gathered(stored(tmp_path), site_of(ATTIC), "2026-W03")
    space = only(week)
    assert (space.drying_load_kpa_h, space.warmest, space.air_known_h) == (None, None, 0.0)
    assert [limit.unknown_h for limit in space.limits] == [168.0] * 3
    assert phone_text(week).splitlines()[1:] == [
        "Nothing is known of this week: no readings came. Look whether the sensors have power "
        "and the broker runs."
    ]


def test_a_week_that_goes_on_is_told_so_far_and_one_to_come_is_refused(tmp_path: Path) -> None:
    begin, _ = Week.parse("2026-W03").span("Europe/London")
    file = stored(tmp_path, Effects(air=[air(begin + at, "attic") for at in range(2 * DAY)]))
    noon_of_tuesday = (begin + DAY + 720) * 60_000 + 59_999
    week = gathered(file, site_of(ATTIC), "2026-W03", noon_of_tuesday)
    assert (only(week).hours, only(week).gaps[0].quantity) == (36.0, Quantity.ILLUMINANCE)
    assert phone_text(week).splitlines()[0].endswith("Sun 18 Jan, so far")
    with pytest.raises(NotYetError, match="week 2026-W03 has not begun yet"):
        gathered(file, site_of(ATTIC), "2026-W03", begin * 60_000)


def test_a_damp_limit_on_the_daily_mean_is_compared_with_it(tmp_path: Path) -> None:
    store = Space("box", Use.STORING, Limits(damp_pct=60.0, damp_is_daily_mean=True))
    begin, end = Week.parse("2026-W03").span("Europe/London")

    # 50 %, but 74 % all Tuesday. The mean is of 23 whole hours and the p minutes gone of this one.
    # Tuesday, hour k: (60 k + p) min of (1380 + p) at 74 %; over 60 % where
    # 24 (60 k + p) / (1380 + p) > 10: never up to k = 9, always from k = 10: from 10:00 on.
    # Wednesday, hour k: 60 (23 - k) min at 74 %; over 60 % where 1440 (23 - k) > 10 (1380 + p):
    # always up to k = 12; for k = 13 where 600 > 10 p, so for 59 min; never after: until 13:59.
    # From Tuesday 10:00 to Wednesday 13:59: 27 h 59 min.
    def humidity(at: int) -> float:
        return 74.0 if DAY <= at < 2 * DAY else 50.0

    span = range(begin - DAY, end)
    minutes = [air(at, "box", rh=humidity(at - begin)) for at in span]
    space = only(gathered(stored(tmp_path, Effects(air=minutes)), site_of(store), "2026-W03"))
    assert space.limits[0].past_h == pytest.approx(27 + 59 / 60, abs=1e-9)
    assert space.limits[0].unknown_h == 0.0


# -- sums against independent sums -------------------------------------------------------------


def fao56_vpd_kpa(t: "np.ndarray[tuple[int], np.dtype[np.float64]]", rh: float) -> object:
    """Allen et al. 1998, FAO Irrigation and Drainage Paper 56, eq. 11: es = 0.6108 exp(…)."""
    return 0.6108 * np.exp(17.27 * t / (t + 237.3)) * (1 - rh / 100)


def test_sums_agree_with_the_exported_minutes_and_the_raw_readings(tmp_path: Path) -> None:
    begin, end = Week.parse("2026-W29").span("Europe/London")
    # Six readings a minute of a smooth week with a daily swing; a minute is their mean.
    seconds = np.arange(begin * 60, end * 60, 10)
    hours = (seconds - begin * 60) / 3600
    t = 22 + 9 * np.sin(2 * np.pi * hours / 24) + 2 * np.sin(2 * np.pi * hours / 5.3)
    by_minute = t.reshape(-1, 6).mean(axis=1)
    minutes = []
    for at, mean_t in enumerate(by_minute):
        if at % 977 == 0:
            continue
        moist = state(float(mean_t), 55.0, 100_000.0)
        minutes.append(
            MinuteOfAir(begin + at, "attic", float(mean_t), 55.0, 10.0 + at % 7, moist.dew_point_c,
                        moist.vpd_kpa, moist.humidity_ratio_g_kg, moist.absolute_humidity_g_m3,
                        None, 6)
        )  # fmt: skip
    file = stored(tmp_path, Effects(air=minutes))
    space = only(gathered(file, site_of(ATTIC), "2026-W29"))
    out = io.BytesIO()
    with Reader(file) as reader:
        export(reader, site_of(ATTIC), "air", out, Format.JSON)
    rows = json.loads(out.getvalue())
    load = math.fsum(float(row["drying_load_kpa_h"]) for row in rows)
    dose = math.fsum(float(row["light_dose_lx_h"]) for row in rows)
    assert space.drying_load_kpa_h == pytest.approx(load, rel=1e-9)
    assert space.light_dose_lx_h == pytest.approx(dose, rel=1e-9)
    raw = float(np.trapezoid(fao56_vpd_kpa(t, 55.0), hours))
    known = len(minutes) / len(by_minute)
    assert space.drying_load_kpa_h == pytest.approx(raw * known, rel=0.005)


def test_the_mean_pull_is_the_mean_of_pulls_not_the_pull_at_the_mean(tmp_path: Path) -> None:
    # FAO-56, table 2.3: e° is 1.228 kPa at 10 °C, 2.338 at 20 °C, 4.243 at 30 °C. Half the hours
    # at 10 °C and half at 30 °C, at 50 %: 0.5 · (1.228 + 4.243) / 2 = 1.36775 kPa; at the mean
    # temperature of 20 °C it would be 0.5 · 2.338 = 1.169 kPa.
    begin, end = Week.parse("2026-W29").span("Europe/London")
    minutes = []
    for at in range(begin, end):
        t = 10.0 if at // 60 % 2 else 30.0
        minutes.append(air(at, "attic", t=t, vpd=state(t, 50.0, 100_000.0).vpd_kpa))
    space = only(gathered(stored(tmp_path, Effects(air=minutes)), site_of(ATTIC), "2026-W29"))
    assert space.mean_temperature_c == pytest.approx(20.0)
    assert space.mean_vpd_kpa == pytest.approx(1.36775, abs=0.002)


# -- what to change ---------------------------------------------------------------------------


def a_day(folder: Path, inside: Air, outside: Air | None, limits: Limits, use: Use) -> str:
    """What is to change after a Tuesday of this air, by the minute of its day."""
    begin, _ = Week.parse("2026-W29").span("Europe/London")
    shed, garden = Space("shed", use, limits), Space(OUTDOORS, Use.OUTDOORS)
    minutes = []
    for at in range(DAY):
        for space, told in ((shed, inside), (garden, outside)):
            if told is not None:
                t, rh, lx = told(at)
                moist = state(t, rh, 100_000.0)
                minutes.append(
                    MinuteOfAir(begin + DAY + at, space.name, t, rh, lx, moist.dew_point_c,
                                moist.vpd_kpa, moist.humidity_ratio_g_kg,
                                moist.absolute_humidity_g_m3, None, 1)
                )  # fmt: skip
    file = stored(folder, Effects(air=minutes))
    spaces = [shed, garden] if outside else [shed]
    return thing_to_change(gathered(file, site_of(*spaces), "2026-W29"))


DAMP = Limits(damp_pct=75.0)


def test_opening_up_is_told_with_the_hours_it_would_have_dried(tmp_path: Path) -> None:
    # Indoors 20 °C and 80 % all day: 11.7 g/kg. Outdoors 20 °C, by turns of six hours 40 %
    # (5.8 g/kg, far drier) and 90 % (13.2 g/kg, wetter): it would have dried the shed for 12 h.
    def outside(at: int) -> tuple[float, float, float]:
        return 20.0, 40.0 if at // 360 % 2 else 90.0, 0.0

    assert a_day(tmp_path, lambda at: (20.0, 80.0, 0.0), outside, DAMP, Use.HANGING) == (
        "Next week, shed: open up while the air outside is drier, and shut it when it is not. "
        "It was too damp for 24 h. Opening up would have dried it for 12 h of it."
    )


def test_the_hours_in_which_airing_would_have_dried_a_space(tmp_path: Path) -> None:
    # As above for a whole week: half of it; and none where there is no outdoors.
    begin, end = Week.parse("2026-W29").span("Europe/London")
    wet = [air(at, "attic", rh=80.0) for at in range(begin, end)]
    garden = [air(at, OUTDOORS, rh=40.0 if at // 360 % 2 else 90.0) for at in range(begin, end)]
    file = stored(tmp_path, Effects(air=wet + garden))
    week = gathered(file, site_of(ATTIC, Space(OUTDOORS, Use.OUTDOORS)), "2026-W29")
    seen = week.airing["attic"]
    assert (seen.used_h, seen.missed_h, seen.known_h) == (0.0, 84.0, 168.0)
    said = "Airing would have dried it for 84 h: used 0 h, missed 84 h (about"
    assert said in text_of(sheet(week))
    assert gathered(file, site_of(ATTIC), "2026-W29").airing == {}


def test_cold_night_air_that_carries_less_water_still_does_not_dry(tmp_path: Path) -> None:
    # 18 °C and 80 %: 10.4 g/kg, deficit 0.41 kPa. Outdoors 5 °C and 95 %: 5.1 g/kg, but the room
    # would cool to 5 + 0.22 · 13 = 7.9 °C, where the deficit is 1.06 - 0.83 = 0.23 kPa.
    told = a_day(
        tmp_path, lambda at: (18.0, 80.0, 0.0), lambda at: (5.0, 95.0, 0.0), DAMP, Use.HANGING
    )
    assert told == (
        "Next week, shed: keep it shut in damp weather, and hang less at once, or run a "
        "dehumidifier. It was too damp for 24 h. Opening up would have helped for none of it."
    )


def test_without_outdoors_nothing_is_said_of_opening_up(tmp_path: Path) -> None:
    told = a_day(tmp_path, lambda at: (18.0, 80.0, 0.0), None, DAMP, Use.HANGING)
    assert told.endswith("With a sensor outdoors we could say when opening up would help.")


def test_what_is_stored_is_moved(tmp_path: Path) -> None:
    told = a_day(tmp_path, lambda at: (18.0, 80.0, 0.0), None, DAMP, Use.STORING)
    assert told == (
        "Next week, shed: move what stands there to a drier room. It was too damp for 24 h."
    )


def test_heat_and_sun_are_told_with_their_hours_by_the_clock(tmp_path: Path) -> None:
    # 35 °C from 12:00 to 16:00, outdoors 20 °C until 15:00 and 40 °C after: cooler for 3 h of 4 h.
    def inside(at: int) -> tuple[float, float, float]:
        noon = 720 <= at < 960
        return 35.0 if noon else 20.0, 50.0, 5000.0 if noon else 0.0

    def outside(at: int) -> tuple[float, float, float]:
        return 20.0 if at < 900 else 40.0, 50.0, 0.0

    (tmp_path / "hot").mkdir()
    (tmp_path / "sunny").mkdir()
    assert a_day(tmp_path / "hot", inside, outside, Limits(hot_c=32.0), Use.HANGING) == (
        "Next week, shed: shade it or air it from 12:00 to 16:00. It was too hot for 4 h, and "
        "outside it was cooler for 3 h of it."
    )
    assert a_day(tmp_path / "sunny", inside, outside, Limits(sun_lux=3000.0), Use.HANGING) == (
        "Next week, shed: keep the sun off from 12:00 to 16:00. It was too bright for 4 h."
    )


def test_light_and_missing_air_come_last_and_a_good_week_needs_no_change(tmp_path: Path) -> None:
    def dim(at: int) -> tuple[float, float, float]:
        return 20.0, 50.0, 100.0

    for name in ("dose", "missing"):
        (tmp_path / name).mkdir()
    # 24 h at 100 lx: 2.4 klx·h.
    dose = Limits(hot_c=32.0, light_klxh_a_day=2.0)
    assert a_day(tmp_path / "dose", dim, None, dose, Use.HANGING) == (
        "Next week, shed: keep it darker. It took in more light than its limit on one day."
    )
    # Known from Tuesday on and not after it: five of six days are missing.
    assert a_day(tmp_path / "missing", dim, None, Limits(hot_c=32.0), Use.HANGING) == (
        "Next week, shed: see to its sensors. For 5 days nobody knows how the air was."
    )
    begin, end = Week.parse("2026-W29").span("Europe/London")
    whole = [air(at, "attic", lx=10.0) for at in range(begin, end)]
    file = stored(tmp_path, Effects(air=whole))
    assert thing_to_change(gathered(file, site_of(ATTIC), "2026-W29")) == ""


# -- words ------------------------------------------------------------------------------------

JARGON = ("VPD", "RH", "lx", "deficit", "nan", "None", "null", "integral", "DST", "UTC", "!")


def every_kind_of_week(folder: Path) -> Iterable[SiteWeek]:
    begin, _ = Week.parse("2026-W29").span("Europe/London")
    use = Use.HANGING
    names = ["attic", "box", "cellar under the old mill house", "shop", "loft", "barn", OUTDOORS]
    spaces = [replace(ATTIC, name=n, use=Use.OUTDOORS if n == OUTDOORS else use) for n in names]
    minutes, spells, readings = [], [], []
    for n, space in enumerate(spaces):
        for at in range(0, 7 * DAY, 1 + n % 2):
            minutes.append(air(begin + at, space.name, -3.4 + n, 40.0 + 9 * n, 0.1 * n, 5000.0))
        for kind in (Kind.HOT, Kind.DAMP, Kind.MUSTY, Kind.DEWY, Kind.COLD):
            spells.append(Spell(kind, space.name, None, begin + n, begin + n, begin + 99, 5.0))
        peg = f"{space.name}-peg"
        spells.append(Spell(Kind.STUCK, space.name, peg, begin + n, begin + n, None, 5.0))
        spells.append(Spell(Kind.SILENT, space.name, peg, begin + n, begin + n, begin + 400, 5.0))
        readings.append(Reading(begin * 60_000, peg, Quantity.TEMPERATURE, 9.0, Flag.STUCK))
    spells.append(Spell(Kind.SILENT, None, None, begin + 9, begin + 9, begin + 800, 13.0))
    notice = Notice(begin * 60_000, "attic", None, "hot", "began", Weight.NOW, "t", "b", "/", begin)
    notices = [NoticeRow(1, notice, 0), NoticeRow(2, notice, None)]
    effects = Effects(air=minutes, readings=readings, settlements=[settled(spells, notices)])
    file = stored(folder, effects)
    for unit in ("°C", "°F"):
        yield gathered(file, site_of(*spaces, unit=unit), "2026-W29")
        yield gathered(file, site_of(*spaces[:2], unit=unit), "2026-W28")
        yield gathered(file, site_of(*spaces[:1], unit=unit), "2026-W30")


def test_the_text_is_short_and_plain_whatever_happened(tmp_path: Path) -> None:
    for week in every_kind_of_week(tmp_path):
        text = phone_text(week, thing_to_change(week))
        lines = text.splitlines()
        assert 2 <= len(lines) <= MOST_LINES
        assert len(lines[0]) <= TITLE_LENGTH
        assert all(lines)
        assert ("rying pull" in text) == (lines[-1] == PULL_EXPLAINED)
        assert not [word for word in JARGON if re.search(rf"(?<!\w){word}(?!\w)", text)], text
        assert (week.site.temperature_unit in text) == bool(week.known_h)


def test_fahrenheit_is_spoken_where_the_site_reads_it(golden: SiteWeek) -> None:
    # 14.5 °C = 58.1 °F, 33 °C = 91.4 °F.
    text = phone_text(replace(golden, site=replace(golden.site, temperature_unit="°F")))
    assert "Attic: 58 to 91 °F," in text


# -- the process ------------------------------------------------------------------------------


@pytest.fixture
def ordered(tmp_path: Path) -> Callable[..., Answer]:
    minutes = [m for at in range(7 * DAY) if (m := golden_minute(at))]
    spell = Spell(Kind.HOT, "attic", None, MONDAY + 9, MONDAY + 30, None, 33.0)
    file = stored(tmp_path, Effects(air=minutes, settlements=[settled([spell])]))
    site = site_of(ATTIC, Space("=shed", Use.STORING))

    def run(week: str, store: Path = file) -> Answer:
        order = ReportOrder(store, tmp_path / "reports", week, LATER_MS, site, BOOK)
        (answer,) = ask(REPORT, order)
        return answer

    return run


def test_the_process_answers_with_a_text_and_a_folder_of_tables(
    ordered: Callable[..., Answer], tmp_path: Path
) -> None:
    answer = ordered("2026-W03")
    assert answer.folder == tmp_path / "reports" / "2026-W03"
    assert {f.name for f in answer.folder.iterdir()} == set(answer.files)
    assert (answer.folder / "week.txt").read_text() == answer.text + "\n"
    spaces = pd.read_csv(answer.folder / "spaces.csv", index_col="space")
    assert spaces.loc["attic", "drying_load_kpa_h"] == pytest.approx(84.75, abs=1e-9)
    assert spaces.loc["attic", "warmest_at"] == "2026-01-14T12:00+00:00"
    assert spaces.loc["'=shed", "temperature_known_h"] == 0
    assert pd.isna(spaces.loc["'=shed", "drying_load_kpa_h"])
    assert len(pd.read_csv(answer.folder / "hours.csv")) == 2 * 168
    assert len(pd.read_csv(answer.folder / "days.csv")) == 2 * 7
    assert pd.read_csv(answer.folder / "limits.csv")["past_h"].tolist() == [1.5, 0.75, 0.0]
    assert pd.read_csv(answer.folder / "spells.csv")["ended"].isna().tolist() == [True]
    # The shed's two quantities and light, and three gaps of the attic.
    assert len(pd.read_csv(answer.folder / "gaps.csv")) == 6
    assert pd.read_csv(answer.folder / "sensors.csv")["readings"].tolist() == [0, 0]
    assert ordered("2026-W03") == answer


@pytest.mark.parametrize(
    ("week", "sentence"),
    [
        (
            "2026-3",
            "“2026-3” is not a week; write the year and the week's number, such as 2026-W29",
        ),
        ("2031-W01", "week 2031-W01 has not begun yet; ask for one that has, such as the last"),
    ],
)
def test_a_report_that_cannot_be_made_is_one_sentence(
    ordered: Callable[..., Answer], week: str, sentence: str
) -> None:
    with pytest.raises(BesideError) as failed:
        ordered(week)
    assert str(failed.value) == sentence


def test_no_store_is_one_sentence_too(ordered: Callable[..., Answer], tmp_path: Path) -> None:
    with pytest.raises(BesideError, match="there is no store yet"):
        ordered("2026-W03", tmp_path / "none.sqlite")


def test_the_monitor_can_order_a_report_without_loading_pandas() -> None:
    check = "import sys, monitor.edges.report.order; sys.exit('pandas' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", check], check=False).returncode == 0


def test_an_order_can_be_built_in_this_process_too(tmp_path: Path) -> None:
    file = stored(tmp_path, Effects(air=[air(MONDAY, "attic")]))
    (answer,) = build(ReportOrder(file, tmp_path, "2026-W03", LATER_MS, site_of(ATTIC), BOOK))
    assert answer.week == "2026-W03"


# -- the page -----------------------------------------------------------------------------------


def text_of(page: str) -> str:
    """The words of a page without its marks, blanks folded."""
    body = re.sub(r"<style>.*?</style>|<svg.*?</svg>", " ", page, flags=re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", body)).replace("\u00a0", " ").split())


def test_the_page_says_what_the_golden_week_holds(golden: SiteWeek) -> None:
    words = text_of(sheet(golden))
    for said in (
        "Mon 12 Jan to Sun 18 Jan 2026 · week 3",
        "The week at Withy end",
        "Attic was too damp for 45 min.",
        "Not known: attic 3 h (Thu 15 Jan, 03:00 to 06:00).",
        "Known 165 of 168 h",
        "Coldest 14 °C, Fri 16 Jan, 00:00",
        "Warmest 33 °C, Wed 14 Jan, 12:00",
        "Driest 40 %, Wed 14 Jan, 12:00",
        "Dampest 80 %, Fri 16 Jan, 00:00",
        "Drying pull 85 kPa·h, 2.1 times that of the week before",
        "Light taken in 8.4 klx·h; more than 1 on seven days",
        "too hot, over 32 °C 1.5 163.5 3.0",
        "too damp, over 75 % 0.8 164.2 3.0",
        "too bright, over 3,000 lux – 165.0 3.0",
        "Too hot: Wed 14 Jan, 12:00 to 13:30, up to 33 °C",
        "Too damp: Sat 10 Jan, 00:00 to Mon 12 Jan, 10:00, up to 81 %",
        "attic-peg attic none – 3 h – – –",
    ):
        assert said in words, said


def test_every_kind_of_week_is_one_light_page_that_needs_nothing_from_elsewhere(
    tmp_path: Path,
) -> None:
    for week in every_kind_of_week(tmp_path):
        page = sheet(week)
        assert len(page.encode()) < 600_000
        assert not re.search(r"(?:src|href)=|<script|@import|url\((?!#)", page)
        ids = re.findall(r' id="([^"]+)"', page)
        assert len(ids) == len(set(ids))
        assert "nan" not in text_of(page).lower().split()
        empty = bool(week.spaces) and not week.known_h
        assert ("Nothing is known of its air this week." in page) == empty


def test_what_people_named_is_text_and_never_markup(tmp_path: Path) -> None:
    space = replace(ATTIC, name="<b>attic & co</b>")
    begin, _ = Week.parse("2026-W29").span("Europe/London")
    minutes = [air(begin + at, space.name, rh=90.0, lx=5000.0) for at in range(600)]
    spell = Spell(Kind.DAMP, space.name, None, begin, begin, None, 90.0)
    file = stored(tmp_path, Effects(air=minutes, settlements=[settled([spell])]))
    page = sheet(gathered(file, site_of(space), "2026-W29"))
    assert "<b>" not in page
    assert "&lt;b&gt;attic &amp; co&lt;/b&gt;" in page


def test_batches_that_hang_and_that_were_taken_down(tmp_path: Path) -> None:
    begin, end = Week.parse("2026-W29").span("Europe/London")

    def entry(number: int, at: int, verb: str, **said: str | float) -> Entry:
        return Entry(number, at * 60_000, at * 60_000, verb, dict(said))

    hung = {"flower": "statice", "colour": "violet", "space": "attic", "bunches": 6}
    entries = [
        entry(1, begin - 3 * DAY, "hang", name="statice-1", **hung),
        entry(2, begin + DAY, "hang", name="statice-2", **hung),
        entry(3, begin + 2 * DAY, "weigh", batch=2, grams=212.0),
        entry(4, begin + 5 * DAY, "takedown", batch=1, good=70, mould=2),
        entry(5, end + 60, "hang", name="statice-3", **hung),
    ]
    air_ = [air(begin + at, "attic") for at in range(7 * DAY)]
    file = stored(tmp_path, Effects(air=air_, entries=entries))
    words = text_of(sheet(gathered(file, site_of(ATTIC), "2026-W29")))
    assert (
        "statice-2 attic Six bunches of statice (violet), hung Tue 14 Jul, 00:00, 6 days ago; "
        "last weighed 212 g." in words
    )
    # 0.5 kPa for the five days whose air is known of the eight it hung: 60 kPa·h.
    assert (
        "statice-1 attic Six bunches of statice (violet), Sat 18 Jul, 00:00, after 8 days on the "
        "rail. Heads: 70 good and 2 lost to mould. It met: drying pull 60 kPa·h" in words
    )
    assert "Two heads to mould: " in words
    assert "Mould: one of one batch lost heads to it; too few to say" in words
    assert "statice-3" not in words


def test_spaces_too_many_to_draw_are_told_all_the_same(tmp_path: Path) -> None:
    begin, _ = Week.parse("2026-W29").span("Europe/London")
    spaces = [replace(ATTIC, name=f"shed {n}") for n in range(24)]
    swing = 20 + 8 * np.sin(np.arange(7 * DAY) / 229.2) + np.arange(7 * DAY) % 7
    minutes = [
        air(begin + at, space.name, t=float(t), rh=50.0 + at % 31, lx=9.0)
        for space in spaces
        for at, t in enumerate(swing)
    ]
    file = stored(tmp_path, Effects(air=minutes))
    page = sheet(gathered(file, site_of(*spaces), "2026-W29"))
    assert len(page.encode()) < 600_000
    assert page.count("<h2>Shed") == 24
    assert 0 < page.count("Its picture is left out to keep this page light") < 24


def test_nights_are_where_the_sun_is_down() -> None:
    # Withy end on 13 July 2026, by the almanac equation (Meeus 1998, ch. 15): declination 21.8°,
    # cos H = (sin(-0.833°) - sin 52° sin 21.8°) / (cos 52° cos 21.8°) = -0.5274, H = 8.12 h; solar
    # noon at 12:00 + 12 min (3° W) + 5.8 min (equation of time) UTC: up from 04:10 to 20:25 UTC.
    begin, _ = Week.parse("2026-W29").span("UTC")
    dark = nights(site_of(ATTIC), begin, begin + DAY)
    assert len(dark) == DAY
    changes = np.flatnonzero(np.diff(dark.astype(int)))
    assert [abs(int(c) - at) <= 15 for c, at in zip(changes, (250, 1225), strict=True)] == [
        True
    ] * 2
    polar = replace(site_of(ATTIC), latitude=70.0)
    assert not nights(polar, begin, begin + DAY).any()
