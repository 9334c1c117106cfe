"""The questions of config/many-sites.sql over many sites, in DuckDB and in Apache Spark.

    python -m tests.benchmarks.bench_many_sites [--quick] [--sites 10 100 1000] [--days N]

One site's store is exported as the command does it, and again to see what a repeat costs. The
other sites are made: an air of hours, not minutes, in the same folders with the same columns.
DuckDB answers in a process of its own. At full size Spark is asked too, over the fewest sites, with
two processes beside it, where it is installed (a Java, and `pip install pyspark`): it fails where
an answer differs.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from datetime import UTC, date, datetime, timedelta
from importlib.util import find_spec, module_from_spec, spec_from_file_location
from math import isclose
from pathlib import Path
from types import ModuleType

import numpy as np
import pyarrow as pa
from pyarrow import parquet

from monitor.air.minute import MinuteOfAir
from monitor.engine.effects import Effects
from monitor.entries.entries import Entry
from monitor.service.settings.files import shipped
from monitor.site.spaces import Site, Space, Use
from monitor.store.formats import partition
from monitor.store.queries import Reader
from monitor.store.writer import Writer
from tests.benchmarks.child import peak_mb
from tests.benchmarks.table import Row, show


def _shipped_script() -> ModuleType:
    spec = spec_from_file_location("many_sites", shipped("config/many_sites.py"))
    assert spec is not None
    assert spec.loader is not None
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


many_sites = _shipped_script()
BEGIN_MIN = 29_714_400  # 2026-07-01T00:00Z
FIRST_DAY = date(2026, 7, 1)
SPACE = "loft"
FLOWERS = ("statice", "lavender", "poppy", "rhodanthe")
REGIONS = ("coast", "moor", "valley")
ASK = """
import sys, time
from pathlib import Path
from tests.benchmarks.bench_many_sites import many_sites
from tests.benchmarks.child import peak_mb
began = time.perf_counter()
ask = many_sites.in_duckdb(Path(sys.argv[1]), set())
print(time.perf_counter() - began)
for named, sql in many_sites.questions().items():
    began = time.perf_counter()
    rows = len(ask(sql))
    print(f"{named}|{rows}|{time.perf_counter() - began}")
print(peak_mb("self"))
"""


def site_called(name: str) -> Site:
    return Site(
        name, 54.0, -2.0, 100.0, "Europe/London", "°C", {SPACE: Space(SPACE, Use.HANGING)}, {}
    )


def fill(file: Path, days: int) -> None:
    """A season's minutes in a loft, and a batch a week."""
    writer = Writer(file)
    for day in range(days):
        minute = BEGIN_MIN + day * 1440 + np.arange(1440)
        swing = np.sin(minute % 1440 / 1440 * 2 * np.pi)
        t, rh = 21 + 9 * swing + 2 * np.sin(day), 62 - 15 * swing + 8 * np.cos(day / 3)
        vpd = 0.6108 * np.exp(17.27 * t / (t + 237.3)) * (1 - rh / 100)
        effects = Effects(
            air=[
                MinuteOfAir(int(m), SPACE, *told, 400.0, told[0] - 8, pull, 9.0, 10.0, None, 2)
                for m, *told, pull in zip(
                    minute, t.tolist(), rh.tolist(), vpd.tolist(), strict=True
                )
            ]
        )
        if day % 7 == 0 and day + 7 < days:
            at_ms = (BEGIN_MIN + day * 1440 + 600) * 60_000
            number, name = 2 * day + 1, f"batch {day // 7}"
            hang = {"flower": FLOWERS[day // 7 % 4], "space": SPACE, "bunches": 10, "name": name}
            down = {"batch": number, "good": 90 - day % 5, "mould": day % 11}
            effects.entries.append(Entry(number, at_ms, at_ms, "hang", hang))
            down_ms = at_ms + 6 * 86_400_000
            effects.entries.append(Entry(number + 1, down_ms, down_ms, "takedown", down))
        writer.apply(effects)
    writer.commit()
    writer.close()


def made(into: Path, sites: range, days: int) -> None:
    """Sites of made days: hours of air, a batch a week, a forecast each, and a sensor."""
    rng = np.random.default_rng(8)
    stamp = pa.timestamp("ms", tz="UTC")
    hours = np.arange(24)
    swing = np.sin(hours / 24 * 2 * np.pi)

    def put(what: str, site: int, day: date, columns: dict[str, object]) -> None:
        there = into / what / f"site=Site{site}" / f"date={day}" / f"{what}.parquet"
        there.parent.mkdir(parents=True)
        parquet.write_table(pa.table(columns), there)

    def times(day: date, at: list[int], after: int = 0) -> pa.Array:
        begin = datetime(day.year, day.month, day.day, tzinfo=UTC) + timedelta(days=after)
        return pa.array([begin + timedelta(hours=int(h)) for h in at], stamp)

    for site in sites:
        warmer, damper, worse = rng.normal(0, 2), rng.normal(0, 5), int(rng.integers(0, 12))
        put("sensors", site, date(1970, 1, 1), {
            "sensor": ["peg"], "space": [SPACE],
            "tested": times(FIRST_DAY, [0]) if site % 3 else pa.array([None], stamp),
        })  # fmt: skip
        for n in range(days):
            day = FIRST_DAY + timedelta(days=n)
            t = 21 + warmer + 9 * swing + 2 * np.sin(n)
            rh = np.clip(62 + damper - 15 * swing + 8 * np.cos(n / 3), 5, 100)
            newer = {"wind_m_s": np.full(24, 1.5)} if site % 3 == 2 else {}
            put("air", site, day, {
                "time": times(day, hours.tolist()), "space": [SPACE] * 24,
                "temperature_c": t, "relative_humidity_pct": rh, **newer,
            })  # fmt: skip
            if n % 7:
                continue
            over = n + 7 < days
            down = times(day, [10], 6) if over else pa.array([None], stamp)
            name, flower = [f"batch {n // 7}"], [FLOWERS[(n // 7 + site) % 4]]
            heads = {
                f"heads_{what}": pa.array([count if over else None], pa.int64())
                for what, count in (("good", 90 - n % 5), ("mould", n % 11 + worse),
                                    ("opened", n % 3), ("faded", 0), ("shed", n % 2))
            }  # fmt: skip
            put("batches", site, day, {
                "batch": name, "flower": flower, "space": [SPACE], "hung": times(day, [10]),
                "taken_down": down, "bunches": [10], **heads,
            })  # fmt: skip
            put("stays", site, day, {
                "batch": name, "space": [SPACE], "began": times(day, [10]), "ended": down,
            })  # fmt: skip
            put("forecasts", site, day, {
                "batch": name, "asked_at": times(day, [12]), "crisp_p50": times(day, [12], 5),
            })  # fmt: skip


def in_duckdb(into: Path, size: str) -> tuple[list[Row], float]:
    """Each question's seconds and rows in one process, its most memory; the slowest [s]."""
    done = subprocess.run(
        [sys.executable, "-c", ASK, str(into)], capture_output=True, text=True, check=True
    )
    opened, *asked, memory = done.stdout.splitlines()
    rows = [
        Row(
            "DuckDB opens the folder",
            size,
            f"{float(opened):.2f} s, at most {float(memory):.0f} MB",
        )
    ]
    for line in asked:
        named, count, seconds = line.split("|")
        assert int(count)
        rows.append(Row(f"{named}: {count} rows", size, f"{float(seconds):.2f} s"))
    return rows, max(float(line.rpartition("|")[2]) for line in asked)


def alike(ours: list[tuple[object, ...]], theirs: list[tuple[object, ...]]) -> bool:
    """Whether two engines say the same, but for how they write numbers and times."""

    def same(one: object, other: object) -> bool:
        if isinstance(one, datetime) and isinstance(other, datetime):
            return one.replace(tzinfo=None) == other.replace(tzinfo=None)
        if one is None or isinstance(one, str):
            return one == other
        return isclose(float(one), float(other), rel_tol=1e-6)  # type: ignore[arg-type]

    return len(ours) == len(theirs) and all(
        len(a) == len(b) and all(map(same, a, b)) for a, b in zip(ours, theirs, strict=True)
    )


PRUNED = (
    "SELECT MAX(temperature_c) FROM air WHERE site = 'Site1' AND date = DATE '2026-07-02'",
    "SELECT MAX(temperature_c) FROM air",
)


def in_spark(into: Path, size: str) -> list[Row]:
    """The same questions to both engines, with half a file among the sites' and a newer column."""
    half = next((into / "air" / "site=Site0").glob("*/air.parquet"))
    whole = half.read_bytes()
    half.write_bytes(whole[:-40])
    bad = dict(many_sites.unreadable(into))
    assert list(bad) == [half], bad
    duck, spark = many_sites.in_duckdb(into, set(bad)), many_sites.in_spark(into)
    rows = []
    for named, sql in many_sites.questions().items():
        began = time.perf_counter()
        theirs = spark(sql)
        took = time.perf_counter() - began
        assert alike(duck(sql), theirs), (named, duck(sql)[:3], theirs[:3])
        said = f"{took:.1f} s, {len(theirs)} rows as DuckDB's"
        rows.append(Row(f"Spark: {named}", size, said))
    newer = "SELECT COUNT(wind_m_s), COUNT(*) FROM air"
    assert alike(duck(newer), spark(newer))
    plan = "\n".join(str(row[0]) for row in spark(f"EXPLAIN FORMATTED {PRUNED[0]}"))
    filters = next(line for line in plan.splitlines() if "PartitionFilters" in line)
    assert "site" in filters, plan
    assert "date" in filters, plan
    plan = duck(f"EXPLAIN ANALYZE {PRUNED[0]}")[0][1]
    assert "Scanning Files: 1/" in plan.replace("\n", " "), plan
    rows.append(Row("both read one file for a day of a site", size, "by their plans"))
    rows.append(Row("half a file", size, "named, passed over by both", goal="the same answers"))
    half.write_bytes(whole)
    return rows


def on_paper(sites: int, mb: float, files: int, slowest_s: list[float], days: int) -> Row:
    """A hundred thousand sites, from the most that were asked; tenfold costs what it did last."""
    more = 100_000 / sites
    tenfold = slowest_s[-1] / slowest_s[-2]
    hours = slowest_s[-1] * tenfold ** np.log10(more) / 3600
    return Row(
        "on paper: 100,000 sites",
        f"{days} days of hours",
        f"{mb * more / 1e6:.2f} TB in {files * more / 1e6:.0f} million files; the slowest question "
        f"{hours:.0f} h on one machine, {slowest_s[-1] * more / 6000:.0f} min on a hundred",
        f"{sites} sites: {mb:.0f} MB, {files:,} files, {slowest_s[-1]:.0f} s, times {more:.0f}: "
        f"tenfold took {tenfold:.0f} times as long; of a hundred machines each has {sites} sites",
    )


def main(quick: bool, sizes: tuple[int, ...] = (10, 100, 1000), days: int = 182) -> list[Row]:
    """The export first, then the questions over more and more sites."""
    if quick:
        sizes, days = (3,), 21
    now_ms = (BEGIN_MIN + days * 1440) * 60_000
    with tempfile.TemporaryDirectory(prefix="sites-") as name:
        folder, into = Path(name), Path(name) / "all"
        fill(folder / "store.sqlite", days)
        took = []
        with Reader(folder / "store.sqlite") as reader:
            for _ in range(2):
                began = time.perf_counter()
                for what in ("air", "batches", "stays"):
                    partition(reader, site_called("Own"), what, folder / "own", now_ms)
                took.append(time.perf_counter() - began)
        rows = [
            Row("a site's days as Parquet, first time", f"{days} days", f"{took[0]:.1f} s"),
            Row("… and again", f"{days} days", f"{took[1]:.1f} s", f"first time {took[0]:.1f} s",
                took[1] / took[0]),
            Row("… peak memory", f"{days} days", f"{peak_mb('self'):.0f} MB"),
        ]  # fmt: skip
        into.mkdir()
        regions = [f"Site{n},{REGIONS[n % 3]}" for n in range(max(sizes))]
        (into / "sites.csv").write_text("\n".join(["site,region", *regions]) + "\n", "utf-8")
        there, slowest = 0, list[float]()
        for sites in sorted(sizes):
            made(into, range(there, sites), days)
            there = sites
            files = list(into.rglob("*.parquet"))
            mb = sum(file.stat().st_size for file in files) / 1e6
            size = f"{sites} sites, {days} days of hours, {len(files):,} files, {mb:.0f} MB"
            told, slowest_s = in_duckdb(into, size)
            slowest.append(slowest_s)
            rows += told
            if sites == min(sizes) and not quick and find_spec("pyspark"):
                rows += in_spark(into, size)
        if len(slowest) > 1:
            rows.append(on_paper(there, mb, len(files), slowest, days))
    return rows


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--sites", type=int, nargs="+", default=[10, 100, 1000])
    parser.add_argument("--days", type=int, default=182)
    asked = parser.parse_args()
    show(main(asked.quick, tuple(asked.sites), asked.days))
