"""Days of many sites as Parquet, read back and asked by DuckDB, which knows nothing of us."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import duckdb
import pytest
from pyarrow import parquet

from monitor.air.spells import Spell
from monitor.drying.prospects import Prospect
from monitor.engine.effects import Effects
from monitor.entries.entries import Entry
from monitor.site.kinds import Kind
from monitor.site.quantities import Quantity, Reading
from monitor.site.time import DAY_MS
from monitor.store.formats import AGAIN_DAYS, partition
from monitor.store.queries import Reader
from monitor.store.writer import Writer
from tests.benchmarks.bench_many_sites import many_sites
from tests.store.test_exports import BEGIN_MS, DAY, SITE, minute, settled


def stored(file: Path, *effects: Effects) -> None:
    writer = Writer(file)
    for each in effects:
        writer.apply(each, [])
    writer.commit()
    writer.close()


def written(file: Path, into: Path, what: str, site: str = SITE.name, now_ms: int = BEGIN_MS,
            from_ms: int | None = None) -> tuple[int, int]:  # fmt: skip
    with Reader(file) as reader:
        return partition(reader, replace(SITE, name=site), what, into, now_ms, from_ms)


def ask(into: Path, sql: str) -> list[tuple[object, ...]]:
    with duckdb.connect() as db:
        for folder in into.iterdir():
            files = f"{folder}/*/*/*.parquet"
            db.read_parquet(files, hive_partitioning=True).create_view(folder.name)
        return db.execute(sql).fetchall()


def test_a_file_a_day_with_site_and_date_in_its_path(tmp_path: Path) -> None:
    store, into = tmp_path / "store.sqlite", tmp_path / "all"
    stored(store, Effects(air=[minute(DAY + at, "apple loft") for at in (0, 1439, 1440)]))
    assert written(store, into, "air") == (2, 3)
    assert [str(f.relative_to(into)) for f in sorted(into.rglob("*.*"))] == [
        "air/site=Withy%20End/date=2026-07-14/air.parquet",
        "air/site=Withy%20End/date=2026-07-15/air.parquet",
    ]
    told = (
        "SELECT site, CAST(date AS VARCHAR), epoch_ms(time), temperature_c FROM air ORDER BY time"
    )
    assert ask(into, told) == [
        ("Withy End", "2026-07-14", BEGIN_MS, 20.0),
        ("Withy End", "2026-07-14", BEGIN_MS + DAY_MS - 60_000, 20.0),
        ("Withy End", "2026-07-15", BEGIN_MS + DAY_MS, 20.0),
    ]


def test_again_changes_nothing_and_brings_what_is_new_or_late(tmp_path: Path) -> None:
    store, into = tmp_path / "store.sqlite", tmp_path / "all"
    days = AGAIN_DAYS + 10
    stored(store, Effects(air=[minute(DAY + 1440 * at, "apple loft") for at in range(days)]))
    assert written(store, into, "air") == (days, days)
    before = {file: file.read_bytes() for file in into.rglob("*.parquet")}
    assert written(store, into, "air") == (AGAIN_DAYS + 1, AGAIN_DAYS + 1)
    assert {file: file.read_bytes() for file in into.rglob("*.parquet")} == before
    late, new = DAY + 1440 * (days - AGAIN_DAYS) + 7, DAY + 1440 * days
    stored(store, Effects(air=[minute(late, "apple loft"), minute(new, "apple loft")]))
    assert written(store, into, "air") == (AGAIN_DAYS + 2, AGAIN_DAYS + 3)
    assert ask(into, "SELECT count(*) FROM air") == [(days + 2,)]
    stored(store, Effects(air=[minute(DAY + 9, "apple loft")]))  # too long ago to be looked for
    written(store, into, "air")
    assert ask(into, "SELECT count(*) FROM air") == [(days + 2,)]
    written(store, into, "air", from_ms=BEGIN_MS)
    assert ask(into, "SELECT count(*) FROM air") == [(days + 3,)]


def test_a_day_that_retention_has_begun_to_delete_stays_as_it_was_written(tmp_path: Path) -> None:
    whole, part, into = tmp_path / "whole.sqlite", tmp_path / "part.sqlite", tmp_path / "all"
    told = [
        Reading(BEGIN_MS + at * DAY_MS // 2, "loft-peg", Quantity.BATTERY, 2.9) for at in range(6)
    ]
    stored(whole, Effects(readings=told))
    assert written(whole, into, "readings") == (3, 6)
    stored(part, Effects(readings=told[1:]))  # as if the first had been deleted since
    now_ms = BEGIN_MS + (SITE.raw_days * 24 + 6) * 3_600_000
    assert written(part, into, "readings", now_ms=now_ms, from_ms=0) == (2, 4)
    assert ask(into, "SELECT count(*) FROM readings") == [(6,)]


def test_a_spell_undone_leaves_and_one_that_ended_is_told_as_ended(tmp_path: Path) -> None:
    store, into = tmp_path / "store.sqlite", tmp_path / "all"
    hot = Spell(Kind.HOT, "apple loft", None, DAY, DAY + 20, None, 33.0)
    damp = Spell(Kind.DAMP, "apple loft", None, DAY - 1440, DAY - 1000, None, 80.0)
    stored(store, Effects(settlements=[settled([hot, damp])]))
    assert written(store, into, "spells") == (2, 2)
    stored(
        store,
        Effects(settlements=[settled([hot._replace(ended=DAY + 60)])._replace(removed=[damp])]),
    )
    assert written(store, into, "spells") == (1, 1)
    assert ask(into, "SELECT kind, epoch_ms(ended) FROM spells") == [("hot", BEGIN_MS + 3_600_000)]


def test_the_command_asks_for_parquet_and_says_how_much_it_wrote(tmp_path: Path) -> None:
    settings, store, into = tmp_path / "x.toml", tmp_path / "x.sqlite", tmp_path / "all"
    settings.write_text(
        '[site]\nname = "Withy End"\nlatitude = 52.0\nlongitude = -3.0\n'
        f'timezone = "Europe/London"\n[store]\nfile = "{store}"\n'
        '[[space]]\nname = "apple loft"\nuse = "hanging"\n'
        '[[sensor]]\nname = "peg"\nspace = "apple loft"\ntopic = "withy/loft"\nevery = "60 s"\n'
        'reads.temperature = { at = "/t", unit = "°C" }\n'
    )
    stored(store, Effects(air=[minute(DAY, "apple loft")]))
    command = [sys.executable, "-m", "monitor", "export", "air", "--config", str(settings)]
    command += ["--into", str(into)]
    refused = subprocess.run(command, capture_output=True, text=True)
    assert refused.returncode == 2
    assert refused.stderr.strip() == (
        "--into goes with --format parquet, and without --to, --local and --json"
    )
    done = subprocess.run([*command, "--format", "parquet"], capture_output=True, text=True)
    assert done.stdout == f"1 rows of 1 days written below {into}.\n", done.stderr
    assert ask(into, "SELECT space FROM air") == [("apple loft",)]


@pytest.fixture
def two_sites(tmp_path: Path) -> Path:
    """Five days at two sites: one warm and dry, one cool and damp, a batch lost in part there."""
    into = tmp_path / "all"
    for name, t, humidity, mould in (("Warm", 33.0, 40.0, 0), ("Damp", 15.0, 80.0, 25)):
        store = tmp_path / f"{name}.sqlite"
        air = [
            minute(DAY + at, "apple loft", t)._replace(relative_humidity_pct=humidity)
            for at in range(5 * 1440)
        ]
        at_ms, down_ms = BEGIN_MS + 60_000, BEGIN_MS + 4 * DAY_MS
        hang = {"flower": "statice", "space": "apple loft", "bunches": 4}
        entries = [
            Entry(1, at_ms, at_ms, "hang", {**hang, "name": "first"}),
            Entry(2, at_ms, at_ms, "hang", {**hang, "name": "second"}),
            Entry(3, down_ms, down_ms, "takedown", {"batch": 1, "good": 75, "mould": mould}),
        ]
        if name == "Warm":
            entries.append(
                Entry(4, down_ms, down_ms, "aside", {"sensor": "loft-peg", "salt": "table"})
            )
        minutes = (DAY + 4 * 1440, DAY + 7 * 1440)
        said = Prospect(
            *(2, minutes[0] * 60_000, "expected", 20.0, 30.0, 0.2),
            *(*(minutes[1],) * 3, 5.0, False, None),
        )
        stored(store, Effects(air=air, entries=entries, prospects=[said]))
        for what in many_sites.TABLES:
            written(store, into, what, name)
    (into / "sites.csv").write_text("site,region\nWarm,south\nDamp,north\n", "utf-8")
    return into


def test_the_questions_run_as_they_are_and_answer_right(two_sites: Path) -> None:
    ask = many_sites.in_duckdb(two_sites, set())
    told = {named: ask(sql) for named, sql in many_sites.questions().items()}
    assert len(told) == 5
    # Of 100 heads 25 were mouldy at the damp site; it was damp there on each of five days.
    assert told["Which rooms lost what, and why"] == [
        ("Damp", "apple loft", 25, 0, 0, 0, 25.0, 0.0, 120.0)
    ]
    assert told["Which flower dries best where"] == [("statice", "Warm", "apple loft", 1, 100.0)]
    assert [row[0] for row in told["Whose sensors need a salt test"]] == ["Damp"]
    ready = told["What will be ready within a week of the last word about it"]
    assert [row[:5] for row in ready] == [
        (site, "second", "statice", "apple loft", 4) for site in ("Damp", "Warm")
    ]
    assert told["Hours past limits by region"] == [
        ("north", 0.0, 120.0, 120.0),
        ("south", 120.0, 0.0, 120.0),
    ]


def test_half_a_file_is_named_and_passed_over_and_a_newer_sites_column_is_empty_for_others(
    two_sites: Path,
) -> None:
    _first, half = sorted(two_sites.glob("air/site=Damp/*/air.parquet"))[:2]
    newer = sorted(two_sites.glob("air/site=Warm/*/air.parquet"))[0]
    half.write_bytes(half.read_bytes()[:-40])
    table = parquet.read_table(newer, partitioning=None)
    parquet.write_table(table.append_column("wind_m_s", [[1.5] * table.num_rows]), newer)
    [(file, why)] = many_sites.unreadable(two_sites)
    assert file == half
    assert "Parquet" in why
    ask = many_sites.in_duckdb(two_sites, {half})
    assert ask("SELECT COUNT(*) FROM air WHERE site = 'Damp'") == [(4 * 1440,)]
    assert ask("SELECT site, COUNT(wind_m_s) FROM air GROUP BY site ORDER BY site") == [
        ("Damp", 0),
        ("Warm", 1440),
    ]


def test_a_link_where_a_file_is_made_is_not_followed(tmp_path: Path) -> None:
    store, into, other = tmp_path / "store.sqlite", tmp_path / "all", tmp_path / "precious"
    other.write_text("as it was")
    stored(store, Effects(air=[minute(DAY, "apple loft")]))
    written(store, into, "air")
    [file] = into.rglob("air.parquet")
    file.unlink()
    file.symlink_to(other)
    file.with_name(".air.parquet.part").symlink_to(other)
    assert written(store, into, "air") == (1, 1)
    assert other.read_text() == "as it was"
    assert not file.is_symlink()
    assert ask(into, "SELECT temperature_c FROM air") == [(20.0,)]
