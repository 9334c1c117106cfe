"""The report's batches, airing, losses and season, by weeks worked out by hand."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from monitor.edges.beside import ask
from monitor.edges.report import season
from monitor.edges.report.build import build
from monitor.edges.report.gather import Source, gather
from monitor.edges.report.order import REPORT, Answer, ReportOrder, Week
from monitor.edges.report.season import PlaceRow, best_place, gather_season
from monitor.edges.report.sheet import sheet
from monitor.store.formats import Format, export
from monitor.store.queries import Reader
from tests.edges import garden
from tests.edges.garden import BOOK, DAY, SITE

WEEKS = 4


@pytest.fixture(scope="module")
def month(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four weeks of the garden; the clocks go back in the last: 169 hours."""
    file = tmp_path_factory.mktemp("garden") / "store.sqlite"
    garden.write(file, *garden.span("2026-W40", WEEKS))
    return file


def order(file: Path, folder: Path) -> ReportOrder:
    end = garden.span("2026-W40", WEEKS)[1]
    return ReportOrder(file, folder, "2026-W40", end * 60_000, SITE, BOOK)


@pytest.fixture(scope="module")
def answers(month: Path, tmp_path_factory: pytest.TempPathFactory) -> list[Answer]:
    """All four weeks in one run of the process."""
    asked = replace(order(month, tmp_path_factory.mktemp("reports")), weeks=WEEKS)
    return ask(REPORT, asked)


def exported(file: Path, begin: int, end: int) -> pd.DataFrame:
    """`drying-room export air` of a span."""
    out = io.BytesIO()
    with Reader(file) as reader:
        export(reader, SITE, "air", out, Format.JSON, begin * 60_000, end * 60_000)
    return pd.DataFrame(json.loads(out.getvalue()))


def test_weeks_in_a_row_say_what_the_exported_minutes_say(
    month: Path, answers: list[Answer]
) -> None:
    assert [a.week for a in answers] == ["2026-W40", "2026-W41", "2026-W42", "2026-W43"]
    hours = []
    for answer in answers:
        begin, end = Week.parse(answer.week).span(SITE.timezone)
        air = exported(month, begin, end)
        told = pd.read_csv(answer.folder / "spaces.csv", index_col="space")
        limits = pd.read_csv(answer.folder / "limits.csv", index_col=["space", "kind"])
        hours.append(int(told["hours"].iloc[0]))
        for space, minutes in air.groupby("space"):
            row = told.loc[str(space)]
            vpd = minutes["vpd_kpa"].to_numpy()
            assert row["drying_load_kpa_h"] == pytest.approx(np.sum(vpd) / 60, rel=1e-9)
            lux = minutes["illuminance_lx"].to_numpy()
            assert row["light_dose_klx_h"] == pytest.approx(np.sum(lux) / 60_000, rel=1e-9)
            assert row["mean_vpd_kpa"] == pytest.approx(np.mean(vpd), rel=1e-9)
            t, rh = minutes["temperature_c"], minutes["relative_humidity_pct"]
            assert row["warmest_c"] == pytest.approx(t.max(), abs=1e-9)
            assert row["driest_pct"] == pytest.approx(rh.min(), abs=1e-9)
            if (space, "hot") in limits.index:
                assert limits.loc[(space, "hot"), "past_h"] == pytest.approx((t > 30).sum() / 60)
                assert limits.loc[(space, "damp"), "past_h"] == pytest.approx((rh > 75).sum() / 60)
    # The clocks go back on Sunday 25 October 2026, at the end of week 43.
    assert hours == [168, 168, 168, 169]


def test_one_week_alone_is_told_as_in_a_row(
    month: Path, answers: list[Answer], tmp_path: Path
) -> None:
    (alone,) = build(replace(order(month, tmp_path), week="2026-W42"))
    in_row = answers[2]
    assert alone.text == in_row.text
    for file in alone.files[2:]:
        assert (alone.folder / file).read_text() == (in_row.folder / file).read_text()


def test_a_batch_in_the_dry_room_and_the_same_in_the_loft(month: Path) -> None:
    # The batches of the loft lose by the pull of the loft's air; their weighings are drawn on the
    # curve where still to lose = (mass - dry) / (fresh - dry): by the garden, 60 g dry of 250 g.
    end = garden.span("2026-W40", WEEKS)[1]
    with Reader(month) as reader:
        week = gather(Source(reader, month, SITE, BOOK), Week.parse("2026-W41"), end * 60_000)
        page = sheet(week)
    hung = {one.batch.name: one for one in week.batches}
    first = hung["statice-1"]
    assert first.space == "barn loft"
    assert first.course is not None
    assert len(first.weighed) == 4  # fresh, and after three, six and ten days
    grams = [250.0, *(w.grams for w in first.batch.weighings)][: len(first.weighed)]
    for (minute, left), mass in zip(first.weighed, grams, strict=True):
        assert left == pytest.approx(100 * (mass - 60) / 190, abs=8.0)
        known = np.interp(minute, first.course.minutes, first.course.p50)
        assert known == pytest.approx(left, abs=10.0)
    assert (first.course.p10 <= first.course.p50 + 1e-9).all()
    assert (first.course.p50 <= first.course.p90 + 1e-9).all()
    assert first.would_have is not None
    # October's loft stands near 80 %, where nothing gets crisp; the back room is dry.
    assert first.would_have.space == "back room"
    assert first.would_have.sooner_d[1] > 0
    low, middle, high = first.would_have.sooner_d
    assert low <= middle <= high
    assert page.count("still to lose [%]") == len(week.batches)


def test_the_season_book_holds_every_batch_and_its_sums(month: Path, tmp_path: Path) -> None:
    begin, end = garden.span("2026-W40", WEEKS)
    (answer,) = build(replace(order(month, tmp_path), season=(begin, end)))
    table = pd.read_csv(answer.folder / "batches.csv", index_col="batch")
    # Hung every nine days from the first Monday at 9:00, down after sixteen: on days 16 and 25.
    assert table.index.tolist() == ["statice-1", "statice-2"]
    assert table["days"].tolist() == [16.0, 16.0]
    assert table["good"].tolist() == [75, 74]
    assert table["lost_mould"].tolist() == [3, 0]
    air = exported(month, begin, end)
    hung = begin + 9 * 60
    loft = air[air["space"] == "barn loft"]["vpd_kpa"].to_numpy()
    load = loft[9 * 60 : 9 * 60 + 16 * DAY].sum() / 60
    assert table.loc["statice-1", "drying_load_kpa_h"] == pytest.approx(load, rel=1e-9)
    assert hung % 60 == 0
    weeks = pd.read_csv(answer.folder / "weeks.csv")
    assert len(weeks) == WEEKS * len(SITE.spaces)
    assert weeks["drying_load_kpa_h"].sum() == pytest.approx(air["vpd_kpa"].sum() / 60, rel=1e-9)
    paces = pd.read_csv(answer.folder / "paces.csv")
    assert (paces["pace_p10"] < paces["pace_p50"]).all()
    assert (paces["pace_p50"] < paces["pace_p90"]).all()
    assert len(answer.text.splitlines()) <= 10
    page = (answer.folder / season.NAME).read_text()
    assert "Two batches taken down: 149 heads good, 4 lost (3\u00a0%)." in page
    assert "Statice: too few batches in two places to say which is best." in page
    assert "<script" not in page


def test_the_best_place_is_where_fewest_heads_are_lost(month: Path) -> None:
    # Ten of a hundred lost in one place, one of a hundred in the other, two batches each.
    begin, end = garden.span("2026-W40", WEEKS)
    with Reader(month) as reader:
        book = gather_season(Source(reader, month, SITE, BOOK), begin, end)
    loft = PlaceRow("statice", "barn loft", 2, 9.0, 300.0, 90, 10)
    room = PlaceRow("statice", "back room", 2, 12.0, 320.0, 99, 1)
    assert best_place(replace(book, places=[loft, room]), "statice") == room
    assert best_place(replace(book, places=[loft, room._replace(batches=1)]), "statice") is None
    alike = loft._replace(good=99, lost=1)
    assert best_place(replace(book, places=[alike, room]), "statice") == alike
