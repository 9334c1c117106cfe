"""Exports: the columns that are promised, the bytes that are written, the memory they take."""

import csv
import io
import json
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.air.minute import MinuteOfAir
from monitor.air.spells import Spell
from monitor.drying.prospects import Prospect
from monitor.engine.effects import Effects
from monitor.entries.entries import Entry
from monitor.notices.notice import Notice, NoticeRow, Weight
from monitor.notices.settlement import Settlement
from monitor.site.kinds import Kind
from monitor.site.quantities import Flag, Quantity, Reading
from monitor.site.spaces import ReadAs, Sensor, Site, Space, Use
from monitor.store.exports import WHAT, ExportError, flag_text, time_text
from monitor.store.formats import Format, export, no_formula
from monitor.store.queries import Reader
from monitor.store.writer import Writer

# 2026-07-14T00:00:00Z, from `date -u -d 2026-07-14 +%s`.
BEGIN_MS = 1_783_987_200_000
DAY = BEGIN_MS // 60_000

PROMISED = {
    "readings": "time sensor space quantity value unit flags",
    "air": "time space temperature_c relative_humidity_pct illuminance_lx dew_point_c vpd_kpa "
    "humidity_ratio_g_kg absolute_humidity_g_m3 drying_load_kpa_h light_dose_lx_h readings",
    "spells": "space sensor kind began ended worst unit",
    "notices": "made space kind weight title body address spell_began sent tries failure seen "
    "paused_until",
    "batches": "batch flower colour space hung taken_down bunches stems_per_bunch "
    "still_to_lose_pct moisture_pct_db crisp_probability state heads_good heads_mould "
    "heads_opened heads_faded heads_shed",
    "forecasts": "batch asked_at state crisp_p10 crisp_p50 crisp_p90",
    "amounts": "hour sensor space quantity amount unit readings",
    "ahead": "asked_at space horizon_h temperature_p10_c temperature_p50_c temperature_p90_c "
    "humidity_ratio_p10_g_kg humidity_ratio_p50_g_kg humidity_ratio_p90_g_kg",
}

SITE = Site(
    name="Withy End",
    latitude=52.0,
    longitude=-3.0,
    elevation_m=120.0,
    timezone="Europe/London",
    temperature_unit="°C",
    spaces={"apple loft": Space("apple loft", Use.HANGING)},
    sensors={
        "loft-peg": Sensor(
            "loft-peg",
            "apple loft",
            "withy/loft",
            60.0,
            {Quantity.BATTERY: ReadAs("V"), Quantity.TEMPERATURE: ReadAs("°C")},
        )
    },
)


def minute(at: int, space: str, t: float | None = 20.0, lx: float | None = None) -> MinuteOfAir:
    vpd = None if t is None else 0.7
    return MinuteOfAir(at, space, t, 50.0, lx, 9.0, vpd, 7.0, 8.5, None, 1)


def settled(spells: Sequence[Spell] = (), notices: Sequence[NoticeRow] = ()) -> Settlement:
    return Settlement([], list(spells), [], list(notices))


def stored(folder: Path, *effects: Effects) -> Path:
    writer = Writer(folder / "store.sqlite")
    for each in effects:
        writer.apply(each, ["phone"])
    writer.commit()
    writer.close()
    return folder / "store.sqlite"


def exported(file: Path, what: str, form: Format = Format.CSV, **span: int) -> bytes:
    out = io.BytesIO()
    with Reader(file) as reader:
        count = export(reader, SITE, what, out, form, **span)
    if form is Format.CSV:
        assert count == len(as_rows(out.getvalue()))
    return out.getvalue()


def as_rows(raw: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(raw.decode())))


@pytest.mark.parametrize("what", PROMISED)
@pytest.mark.parametrize("form", list(Format))
def test_an_empty_store_exports_the_promised_columns(
    tmp_path: Path, what: str, form: Format
) -> None:
    raw = exported(stored(tmp_path), what, form)
    if form is Format.CSV:
        assert raw.decode() == PROMISED[what].replace(" ", ",") + "\n"
    elif form is Format.JSON:
        assert json.loads(raw) == []
    else:
        from pyarrow import parquet

        assert parquet.read_table(io.BytesIO(raw)).column_names == PROMISED[what].split()


def test_readings_say_time_space_unit_and_doubts_in_words(tmp_path: Path) -> None:
    doubted = Flag.CLAMPED | Flag.STEP
    readings = [
        Reading(BEGIN_MS + 250, "loft-peg", Quantity.BATTERY, 2.9),
        Reading(BEGIN_MS, "loft-peg", Quantity.TEMPERATURE, 0.1 + 0.2, doubted),
        Reading(BEGIN_MS, "a sensor of old", Quantity.PRESSURE, 100_100.0),
    ]
    file = stored(tmp_path, Effects(readings=readings))
    assert exported(file, "readings").decode().splitlines()[1:] == [
        "2026-07-14T00:00:00Z,a sensor of old,,pressure,100100,Pa,",
        "2026-07-14T00:00:00Z,loft-peg,apple loft,temperature,0.3,°C,clamped+step",
        "2026-07-14T00:00:00.250Z,loft-peg,apple loft,battery,2.9,V,",
    ]


def test_every_flag_has_a_word() -> None:
    assert [flag_text(flag) for flag in Flag] == [
        *("clamped", "range", "step", "stuck", "feed", "in the sun", "disagrees"),
        *("time of arrival", "too old", "out of service"),
    ]
    assert flag_text(Flag.NONE) == ""


def test_air_adds_this_minutes_share_of_load_and_dose(tmp_path: Path) -> None:
    air = [minute(DAY, "apple loft", lx=900.0), minute(DAY, "air", None)]
    empty, full = as_rows(exported(stored(tmp_path, Effects(air=air)), "air"))
    assert (empty["space"], empty["temperature_c"], empty["drying_load_kpa_h"]) == ("air", "", "")
    assert full["drying_load_kpa_h"] == "0.0116667"
    assert full["light_dose_lx_h"] == "15"


def test_rows_come_in_one_order_whatever_order_names_were_met_in(tmp_path: Path) -> None:
    minutes = [minute(DAY + at, space) for at in range(3) for space in ("b", "a", "c")]
    (tmp_path / "one").mkdir()
    (tmp_path / "other").mkdir()
    one = stored(tmp_path / "one", Effects(air=minutes))
    other = stored(tmp_path / "other", *(Effects(air=[m]) for m in reversed(minutes)))
    assert exported(one, "air") == exported(other, "air")


def test_a_span_is_half_open_on_the_rows_own_time(tmp_path: Path) -> None:
    file = stored(tmp_path, Effects(air=[minute(DAY + at, "a") for at in range(4)]))
    rows = as_rows(exported(file, "air", from_ms=BEGIN_MS + 60_000, to_ms=BEGIN_MS + 180_000))
    assert [row["time"] for row in rows] == ["2026-07-14T00:01:00Z", "2026-07-14T00:02:00Z"]
    within = as_rows(exported(file, "air", from_ms=BEGIN_MS + 1, to_ms=BEGIN_MS + 60_001))
    assert [row["time"] for row in within] == ["2026-07-14T00:01:00Z"]


def test_spells_that_touch_the_span_and_one_that_goes_on(tmp_path: Path) -> None:
    def spell(began: int, ended: int | None) -> Spell:
        until = None if ended is None else DAY + ended
        return Spell(Kind.HOT, "a", None, DAY + began, DAY + began + 20, until, 33.5)

    spells = [
        spell(0, 60),  # over as the span begins
        spell(1, 61),  # reaches one minute in
        spell(119, 300),  # begins in the span's last minute
        spell(118, None),  # goes on
        spell(120, None),  # begins as the span ends
    ]
    file = stored(tmp_path, Effects(settlements=[settled(spells)]))
    hour = 3_600_000
    rows = as_rows(exported(file, "spells", from_ms=BEGIN_MS + hour, to_ms=BEGIN_MS + 2 * hour))
    assert [(row["began"][11:16], row["ended"][11:16]) for row in rows] == [
        ("00:01", "01:01"),
        ("01:58", ""),
        ("01:59", "05:00"),
    ]
    assert (rows[0]["worst"], rows[0]["unit"]) == ("33.5", "°C")


def test_a_notice_is_a_row_for_each_address_and_its_text_no_formula(tmp_path: Path) -> None:
    def notice(made: int, title: str) -> Notice:
        body = 'one\n"two"'
        return Notice(made, "a", None, "hot", "began", Weight.NOW, title, body, "/space/a", DAY)

    outgoing = [
        NoticeRow(1, notice(BEGIN_MS, "=1+1 in the loft"), BEGIN_MS),
        NoticeRow(2, notice(BEGIN_MS + 1, "for the digest"), None),
    ]
    file = stored(tmp_path, Effects(settlements=[settled(notices=outgoing)]))
    sent, kept = as_rows(exported(file, "notices"))
    assert (sent["address"], sent["tries"], sent["sent"]) == ("phone", "0", "")
    assert sent["title"] == "'=1+1 in the loft"
    assert sent["body"] == 'one\n"two"'
    assert sent["spell_began"] == "2026-07-14T00:00:00Z"
    assert (kept["address"], kept["title"]) == ("", "for the digest")
    from pyarrow import parquet

    table = parquet.read_table(io.BytesIO(exported(file, "notices", Format.PARQUET)))
    assert table["title"].to_pylist() == ["'=1+1 in the loft", "for the digest"]
    assert [no_formula(text) for text in ("\t=1", "\uff1d1+1", "1-1")] == [
        *("'\t=1", "'\uff1d1+1"),
        "1-1",
    ]
    as_json = json.loads(exported(file, "notices", Format.JSON))
    assert as_json[0]["title"] == "=1+1 in the loft"
    assert as_json[1]["address"] is None


def test_batches_that_were_there_with_their_outcome(tmp_path: Path) -> None:
    def entry(number: int, at_ms: int, verb: str, **said: str | int) -> Entry:
        return Entry(number, at_ms, at_ms, verb, dict(said))

    day = 86_400_000
    hung = {"flower": "sea lavender", "space": "apple loft", "bunches": 6}
    entries = [
        entry(1, BEGIN_MS, "hang", name="lavender-1", colour="violet", **hung),
        entry(2, BEGIN_MS + 1, "hang", name="lavender-2", stems_per_bunch=12, **hung),
        entry(3, BEGIN_MS + 9 * day, "takedown", batch=1, good=60, mould=2),
    ]
    file = stored(tmp_path, Effects(entries=entries))
    one, two = as_rows(exported(file, "batches"))
    assert (one["batch"], one["colour"], one["state"], one["space"]) == (
        "lavender-1",
        "violet",
        "taken down",
        "",
    )
    assert (one["hung"], one["taken_down"]) == ("2026-07-14T00:00:00Z", "2026-07-23T00:00:00Z")
    assert (one["heads_good"], one["heads_mould"], one["heads_shed"]) == ("60", "2", "")
    assert (two["space"], two["stems_per_bunch"], two["taken_down"]) == ("apple loft", "12", "")
    later = as_rows(exported(file, "batches", from_ms=BEGIN_MS + 9 * day))
    assert [row["batch"] for row in later] == ["lavender-2"]
    assert as_rows(exported(file, "batches", to_ms=BEGIN_MS)) == []


def test_forecasts_are_what_was_said_then_a_row_a_batch_and_hour(tmp_path: Path) -> None:
    """With empty dates where no day was named; of one taken down nothing is foreseen."""
    hour, first = 3_600_000, BEGIN_MS // 60_000
    hung = {"flower": "statice", "space": "apple loft", "bunches": 6, "name": "statice-1"}
    expected = Prospect(
        *(1, BEGIN_MS + hour, "expected", 40.0, 60.0, 0.01),
        *(first + 1440, first + 2880, first + 4320),
        *(9.0, False, 55.0),
    )
    never = replace(expected, asked_ms=BEGIN_MS + 2 * hour, state="cannot_finish")
    never = replace(never, crisp_p10=None, crisp_p50=None, crisp_p90=None)
    kept = replace(never, asked_ms=BEGIN_MS + 3 * hour, state="kept", still_to_lose_pct=38.5)
    file = stored(
        tmp_path,
        Effects(entries=[Entry(1, BEGIN_MS, BEGIN_MS, "hang", dict(hung))]),
        *(Effects(prospects=[said]) for said in (expected, never, kept)),
    )
    assert exported(file, "forecasts").decode().splitlines()[1:] == [
        "statice-1,2026-07-14T01:00:00Z,expected,"
        "2026-07-15T00:00:00Z,2026-07-16T00:00:00Z,2026-07-17T00:00:00Z",
        "statice-1,2026-07-14T02:00:00Z,cannot_finish,,,",
    ]
    [batch] = as_rows(exported(file, "batches"))
    shown = ("still_to_lose_pct", "moisture_pct_db", "crisp_probability")
    assert [float(batch[name]) for name in shown] == [38.5, 60.0, 0.01]


def test_a_number_below_nought_stays_a_number(tmp_path: Path) -> None:
    file = stored(tmp_path, Effects(air=[minute(DAY, "a", -3.5)]))
    assert as_rows(exported(file, "air"))[0]["temperature_c"] == "-3.5"


def test_the_three_forms_say_the_same(tmp_path: Path) -> None:
    from pyarrow import parquet

    file = stored(tmp_path, Effects(air=[minute(DAY + at, "a", 20 + at / 7) for at in range(50)]))
    text = as_rows(exported(file, "air"))
    plain = json.loads(exported(file, "air", Format.JSON))
    table = parquet.read_table(io.BytesIO(exported(file, "air", Format.PARQUET))).to_pylist()
    assert len(text) == len(plain) == len(table) == 50
    for one, other, third in zip(text, plain, table, strict=True):
        assert one["time"] == other["time"]
        assert third["time"] == datetime.fromisoformat(one["time"]).astimezone(UTC)
        assert other["temperature_c"] == third["temperature_c"]
        assert float(one["temperature_c"]) == pytest.approx(other["temperature_c"], rel=5e-6)
        assert (one["illuminance_lx"], other["illuminance_lx"]) == ("", None)
        assert third["illuminance_lx"] is None


def test_what_cannot_be_exported_is_said_in_one_sentence(tmp_path: Path) -> None:
    file = stored(tmp_path)
    with pytest.raises(ExportError, match="no export named honey; choose one of: readings, air,"):
        exported(file, "honey")
    with pytest.raises(ExportError, match=r"ends \(2026-07-14T00:00:00Z\) before it begins"):
        exported(file, "air", from_ms=BEGIN_MS, to_ms=BEGIN_MS)


def test_times_before_1970_and_far_ahead_are_still_times() -> None:
    assert time_text(-1) == "1969-12-31T23:59:59.999Z"
    assert time_text(4_102_444_800_000) == "2100-01-01T00:00:00Z"
    assert set(PROMISED) <= set(WHAT)


# Prints the growth of peak memory while a table is exported, in a process of its own.
_GROWTH = """
import resource, sys
from pathlib import Path
from monitor.store.formats import Format, export
from monitor.store.queries import Reader
from monitor.site.spaces import Site
site = Site("Withy End", 52.0, -3.0, 120.0, "Europe/London", "°C", {}, {})
with open("/dev/null", "wb") as out, Reader(Path(sys.argv[1])) as reader:
    first = int(sys.argv[2])
    export(reader, site, "readings", out, Format(sys.argv[3]), first, first + 60_000 * 12_000)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    count = export(reader, site, "readings", out, Format(sys.argv[3]))
    print(count, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
"""


@pytest.mark.parametrize("form", [Format.CSV, Format.JSON])
def test_twenty_times_the_readings_take_no_more_memory(tmp_path: Path, form: Format) -> None:
    writer = Writer(tmp_path / "store.sqlite")
    for part in range(24):
        at = BEGIN_MS + part * 10_000 * 60_000
        readings = [
            Reading(at + i * 60_000, "loft-peg", Quantity.TEMPERATURE, 20 + i / 1000)
            for i in range(10_000)
        ]
        writer.apply(Effects(readings=readings))
    writer.commit()
    writer.close()
    done = subprocess.run(
        [sys.executable, "-c", _GROWTH, str(tmp_path / "store.sqlite"), str(BEGIN_MS), form.value],
        capture_output=True,
        text=True,
        check=True,
    )
    count, growth_kib = map(int, done.stdout.split())
    assert count == 240_000
    assert growth_kib < 4_096


def test_a_table_by_the_sites_own_clock_has_the_promised_columns_first(tmp_path: Path) -> None:
    file = stored(tmp_path, Effects(air=[minute(DAY, "a", 20.0)]))
    out = io.BytesIO()
    with Reader(file) as reader:
        export(reader, SITE, "air", out, local=True)
    [row] = as_rows(out.getvalue())
    assert list(row) == [*PROMISED["air"].split(), "time_local"]
    assert datetime.fromisoformat(row["time_local"]) == datetime.fromisoformat(row["time"])
    assert row["time_local"].endswith("+01:00")
