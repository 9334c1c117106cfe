"""The weekly report: seconds and memory of its process, size of its page.

    python -m tests.benchmarks.bench_report [--quick]

Of twelve sensors in two spaces and outdoors every ten seconds, and of some forty in twenty spaces
and outdoors every minute: two weeks of minutes of air, the second week's readings. The floor beside
it, in the same run: reading the same minutes from SQLite into numpy and nothing else.
"""

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from monitor.air.minute import MinuteOfAir
from monitor.air.spells import Spell
from monitor.edges.report.order import REPORT, ReportOrder, Week
from monitor.engine.effects import Effects
from monitor.notices.settlement import Settlement
from monitor.service.settings.files import shipped
from monitor.site.flowers import read_book
from monitor.site.kinds import Kind
from monitor.site.quantities import Quantity, Reading
from monitor.site.spaces import OUTDOORS, Limits, ReadAs, Sensor, Site, Space, Use
from monitor.store.queries import Reader
from monitor.store.writer import Writer
from tests.benchmarks import child
from tests.benchmarks.table import Row, show

BOOK = read_book(shipped("config/flowers.toml").read_text("utf-8"), {})
WEEK = Week.parse("2026-W29")
LIMITS = Limits(hot_c=32.0, cold_c=5.0, damp_pct=75.0, sun_lux=3000.0, light_klxh_a_day=5.0)
READS = {Quantity.TEMPERATURE: ReadAs("°C"), Quantity.HUMIDITY: ReadAs("%")}


def site_of(count: int, a_space: int, every_s: float) -> Site:
    """So many spaces and outdoors, each with so many sensors, at most four."""
    spaces = [Space(f"shed {n}", Use.HANGING, LIMITS) for n in range(count)]
    spaces.append(Space(OUTDOORS, Use.OUTDOORS))
    sensors = [
        Sensor(f"{s.name} {end}", s.name, "x", every_s, READS)
        for s in spaces
        for end in "abcd"[:a_space]
    ]
    return Site(
        "Withy End", 52.0, -3.0, 120.0, "Europe/London", "°C",
        {s.name: s for s in spaces}, {s.name: s for s in sensors},
    )  # fmt: skip


def fill(file: Path, site: Site) -> None:
    writer = Writer(file)
    begin, end = WEEK.before().span(site.timezone)[0], WEEK.span(site.timezone)[1]
    swing = np.sin((np.arange(end - begin) / 60 - 9) / 24 * 2 * np.pi)
    for n, space in enumerate(site.spaces):
        t, rh = 20 + (6 + n % 7) * swing, 62 - (15 + n % 5) * swing
        air = [
            MinuteOfAir(begin + at, space, float(a), float(b), max(0.0, 900 * float(s)), 9.0,
                        float(a) / 20, 8.0, 9.0, None, 2)
            for at, (a, b, s) in enumerate(zip(t, rh, swing, strict=True))
        ]  # fmt: skip
        spells = [
            Spell(Kind.HOT, space, None, end - 1440 * d, end - 1440 * d, end - 1440 * d + 99, 33.0)
            for d in range(1, 7)
        ]
        writer.apply(Effects(air=air, settlements=[Settlement([], spells, [], [])]))
    for sensor in site.sensors.values():
        readings = [
            Reading(at_ms, sensor.name, quantity, 20.0)
            for at_ms in range(
                (end - 7 * 1440) * 60_000, end * 60_000, round(1000 * sensor.every_s)
            )
            for quantity in READS
        ]
        writer.apply(Effects(readings=readings))
    writer.commit()
    writer.close()


def floor_s(file: Path, site: Site) -> float:
    began = time.perf_counter()
    with Reader(file) as reader:
        for week in (WEEK.before(), WEEK):
            for space in site.spaces:
                reader.air_of(space, *week.span(site.timezone))
    return time.perf_counter() - began


def main(quick: bool) -> list[Row]:
    """Seconds, memory and page size of one week's report."""
    if quick:
        return measured(site_of(4, 2, 60.0))
    return measured(site_of(2, 4, 10.0)) + measured(site_of(20, 2, 60.0))


def measured(site: Site) -> list[Row]:
    """Of one site."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "store.sqlite"
        fill(file, site)
        end_ms = WEEK.span(site.timezone)[1] * 60_000
        order = ReportOrder(file, Path(folder), str(WEEK), end_ms, site, BOOK)
        made = child.run(REPORT.words(), REPORT.line(order).decode())
        page = (REPORT.read(made.printed.encode())[0].folder / "week.html").stat().st_size
        floor = floor_s(file, site)
    every_s = max(sensor.every_s for sensor in site.sensors.values())
    size = f"{len(site.spaces)} spaces, {len(site.sensors)} sensors every {every_s:g} s"
    read = f"the same minutes into numpy {floor:.2f} s"
    return [
        Row(
            "a week's report",
            size,
            f"{made.seconds:.2f} s, {made.cpu_s:.1f} s of processor",
            read,
            made.seconds / floor,
            "under 5 s",
        ),
        Row("its peak memory", size, f"{made.peak_mb:.0f} MB", goal="under 250 MB"),
        Row("its page", size, f"{page / 1000:.0f} kB", goal="under 600 kB"),
    ]


if __name__ == "__main__":
    show(main("--quick" in sys.argv))
