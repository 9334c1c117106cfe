"""The questions of config/many-sites.sql over many sites, beside a bare scan of the same columns.

    python -m tests.benchmarks.bench_many_sites [--quick] [--sites N] [--days N]

One site's store is exported as the command does it, and again to see what a repeat costs; the
others are that site's days with their air and outcomes shifted, written with the same columns.
Each question runs in a process of its own, so that its memory is its own.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pyarrow as pa
from pyarrow import compute, parquet

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

BEGIN_MIN = 29_714_400  # 2026-07-01T00:00Z
SPACE = "loft"
FLOWERS = ("statice", "lavender", "poppy", "rhodanthe")
# The columns each question reads, for the bare scan beside it.
SCANS = {
    "best space for each flower": "SELECT MAX(flower), MAX(site), MAX(space), MAX(taken_down),"
    " MAX(heads_good), MAX(heads_mould), MAX(heads_opened), MAX(heads_faded), MAX(heads_shed)"
    " FROM batches",
    "hours out of limits by site": "SELECT MAX(site), MAX(space), MAX(temperature_c),"
    " MAX(relative_humidity_pct) FROM air",
    "losses against load": "SELECT MAX(site), MAX(space), MAX(date), MAX(drying_load_kpa_h)"
    " FROM air",
}
ASK = """
import sys, time, duckdb
from tests.benchmarks.child import peak_mb
into, *asked = sys.argv[1:]
db = duckdb.connect()
db.execute("SET enable_progress_bar = false")
for table in ("air", "batches", "stays"):
    files = f"{into}/{table}/*/*/*.parquet"
    db.execute(f"CREATE VIEW {table} AS SELECT * FROM"
               f" read_parquet('{files}', hive_partitioning = true)")
began = time.perf_counter()
rows = len(db.execute(asked[0]).fetchall())
print(time.perf_counter() - began, peak_mb("self"), rows)
"""


def questions() -> dict[str, str]:
    """The shipped questions, by what they ask."""
    lines = shipped("config/many-sites.sql").read_text("utf-8").splitlines()
    asked = "\n".join(line for line in lines if not line.startswith("--")).split(";")
    return dict(zip(SCANS, asked[:-1], strict=True))


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


def copies(into: Path, first: str, sites: int) -> None:
    """Other sites: the first one's days, a little warmer or damper, with other losses."""
    rng = np.random.default_rng(8)
    read = {
        file: parquet.read_table(file, partitioning=None)
        for file in sorted(into.glob(f"*/site={first}/*/*.parquet"))
    }
    for n in range(1, sites):
        warmer, damper = rng.normal(0, 2), rng.normal(0, 5)
        worse = int(rng.integers(0, 12))
        for file, table in read.items():
            changes: dict[str, float] = {
                "air.parquet": {"temperature_c": warmer, "relative_humidity_pct": damper},
                "batches.parquet": {"heads_mould": worse},
            }.get(file.name, {})
            for column, more in changes.items():
                moved = compute.add(table[column], pa.scalar(more, table[column].type))
                table = table.set_column(table.column_names.index(column), column, moved)
            there = Path(str(file).replace(f"site={first}", f"site=Site{n}"))
            there.parent.mkdir(parents=True)
            parquet.write_table(table, there)


def ask(into: Path, sql: str) -> tuple[float, float, int]:
    """Seconds, peak memory [MB] and rows of one question, in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-c", ASK, str(into), sql], capture_output=True, text=True, check=True
    )
    seconds, memory, rows = done.stdout.split()
    return float(seconds), float(memory), int(rows)


def main(quick: bool, sites: int = 200, days: int = 182) -> list[Row]:
    """The export first, then each question beside its scan."""
    if quick:
        sites, days = 3, 21
    now_ms = (BEGIN_MIN + days * 1440) * 60_000
    with tempfile.TemporaryDirectory(prefix="sites-") as name:
        folder, into = Path(name), Path(name) / "all"
        fill(folder / "store.sqlite", days)
        took = []
        with Reader(folder / "store.sqlite") as reader:
            for _ in range(2):
                began = time.perf_counter()
                for what in ("air", "batches", "stays"):
                    partition(reader, site_called("Site0"), what, into, now_ms)
                took.append(time.perf_counter() - began)
        peak = peak_mb("self")
        copies(into, "Site0", sites)
        size = f"{sites} sites, {days} days of minutes"
        rows = [
            Row("a site's days as Parquet, first time", f"{days} days", f"{took[0]:.1f} s"),
            Row("… and again", f"{days} days", f"{took[1]:.1f} s", f"first time {took[0]:.1f} s",
                took[1] / took[0]),
            Row("… peak memory", f"{days} days", f"{peak:.0f} MB"),
        ]  # fmt: skip
        for what, sql in questions().items():
            scan_s, scan_mb, _ = ask(into, SCANS[what])
            ours_s, ours_mb, answers = ask(into, sql)
            assert answers
            rows.append(
                Row(f"{what}: {answers} rows", size, f"{ours_s:.2f} s, {ours_mb:.0f} MB",
                    f"scan of the same columns {scan_s:.2f} s, {scan_mb:.0f} MB", ours_s / scan_s)
            )  # fmt: skip
    return rows


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--sites", type=int, default=200)
    parser.add_argument("--days", type=int, default=182)
    asked = parser.parse_args()
    show(main(asked.quick, asked.sites, asked.days))
