"""A small garden's weeks of air, bunches and weighings, made for the report's tests; not measured.

Four places by the minute: vapour pressure by Tetens (FAO-56, Allen et al. 1998, eq. 11), days and
seasons as sines, weather as a slow wander from a seeded generator. Bunches lose water as an
exponential of the pull that their air had on it, so a batch in a dry place is sooner done.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.air.minute import MinuteOfAir
from monitor.air.spells import Spell
from monitor.drying.prospects import Prospects
from monitor.drying.standing import Standings
from monitor.edges.report.gather import HoursOfAir
from monitor.edges.report.order import Week
from monitor.engine.effects import Effects
from monitor.entries.batches import fold
from monitor.entries.entries import Entry, standing
from monitor.notices.settlement import Settlement
from monitor.service.settings.files import shipped
from monitor.site.flowers import read_book
from monitor.site.kinds import Kind
from monitor.site.quantities import Quantity
from monitor.site.spaces import OUTDOORS, Limits, ReadAs, Sensor, Site, Space, Use
from monitor.store.queries import Reader
from monitor.store.writer import Writer
from tests.drying.asked import said_of

Floats = npt.NDArray[np.float64]

BOOK = read_book(shipped("config/flowers.toml").read_text("utf-8"), {})
DAY = 1440
LIMITS = Limits(hot_c=30.0, cold_c=5.0, damp_pct=75.0, sun_lux=3000.0, light_klxh_a_day=5.0)
SPACES = (
    Space("barn loft", Use.HANGING, LIMITS),
    Space("back room", Use.HANGING, LIMITS),
    Space("linen chest", Use.STORING, Limits(damp_pct=60.0, damp_is_daily_mean=True)),
    Space(OUTDOORS, Use.OUTDOORS),
)
SITE = Site(
    name="Hazelcote",
    latitude=51.5,
    longitude=-2.5,
    elevation_m=90.0,
    timezone="Europe/London",
    temperature_unit="°C",
    spaces={space.name: space for space in SPACES},
    sensors={
        f"{space.name} peg": Sensor(
            f"{space.name} peg",
            space.name,
            "hazelcote",
            60.0,
            {Quantity.TEMPERATURE: ReadAs("°C"), Quantity.HUMIDITY: ReadAs("%")},
        )
        for space in SPACES
    },
)


class Weather(NamedTuple):
    """Added to a summer's week: [°C] and [%]; hours of the loft's sensor gone, from when on."""

    warmer_c: float = 0.0
    damper_pct: float = 0.0
    gone_h: tuple[int, int] | None = None


CALM = Weather()


def saturation_kpa(t: Floats) -> Floats:
    """FAO-56 eq. 11."""
    return np.asarray(0.6108 * np.exp(17.27 * t / (t + 237.3)), np.float64)


def air_of(space: str, begin: int, end: int, weather: Weather) -> tuple[Floats, Floats, Floats]:
    """Temperature, humidity and light of each minute."""
    minute = np.arange(begin, end, dtype=np.float64)
    rng = np.random.default_rng(7)
    day = np.sin((minute / 60 - 9) / 24 * 2 * np.pi)
    year = -np.cos((minute / 1440 - 17) / 365.25 * 2 * np.pi)
    days = int((end - begin) // DAY) + 2
    slow = np.convolve(rng.normal(0, 2, days + 4), np.ones(5) / 5, "valid")
    wander = np.interp(minute, begin + DAY * np.arange(days), slow)
    outdoors_c = 11 + 6 * year + 5 * day + 2 * wander + weather.warmer_c
    outdoors_pct = np.clip(74 - 16 * day - 2 * wander + weather.damper_pct, 25, 99)
    e = saturation_kpa(outdoors_c) * outdoors_pct / 100
    t = {
        "barn loft": outdoors_c + 4 + 3 * day,
        "back room": 0.4 * outdoors_c + 13,
        "linen chest": 0.3 * outdoors_c + 14,
    }.get(space, outdoors_c)
    moister = {"barn loft": 0.12, "back room": 0.05, "linen chest": 0.0}.get(space, 0.0)
    rh = np.clip(100 * (e + moister) / saturation_kpa(t), 5, 99.5)
    dark = {"barn loft": 900.0, "back room": 300.0, "linen chest": 0.0}.get(space, 20_000.0)
    return t, rh, np.clip(dark * day, 0, None)


def minutes(space: str, begin: int, end: int, weather: Weather) -> Iterator[MinuteOfAir]:
    """The air as the monitor keeps it."""
    t, rh, lx = air_of(space, begin, end, weather)
    saturated = saturation_kpa(t)
    e = saturated * rh / 100
    dew = 237.3 * np.log(e / 0.6108) / (17.27 - np.log(e / 0.6108))
    ratio = 622 * e / (101.3 - e)
    absolute = 2165 * e / (t + 273.15)
    gone = weather.gone_h if space == "barn loft" else None
    told = np.column_stack([t, rh, lx, dew, saturated - e, ratio, absolute]).tolist()
    for n, (a, b, c, d, v, w, g) in enumerate(told):
        if gone is None or not gone[0] * 60 <= n + begin - end + 7 * DAY < gone[1] * 60:
            yield MinuteOfAir(begin + n, space, a, b, c, d, v, w, g, None, 1)


def entries(begin: int, end: int) -> Iterator[Entry]:
    """A batch every nine days, by turns in the loft and the room; weighed, taken down, kept."""
    number = 0

    def entry(at: int, verb: str, **said: str | float) -> Entry:
        nonlocal number
        number += 1
        return Entry(number, at * 60_000, at * 60_000, verb, dict(said))

    told = []
    flowers = (("statice", "violet"), ("strawflower", "yellow"), ("larkspur", "blue"))
    for n, hung in enumerate(range(begin + 9 * 60, end - 2 * 60, 9 * DAY)):
        flower, colour = flowers[n // 2 % 3]
        space = ("barn loft", "back room")[n % 2]
        t, rh, _ = air_of(space, hung, min(hung + 18 * DAY, end), CALM)
        pulled = np.cumsum(saturation_kpa(t) * (1 - rh / 100)) / 60
        mass = 60 + 190 * np.exp(-pulled / 55)
        batch = {"name": f"{flower}-{n + 1}", "flower": flower, "colour": colour, "space": space}
        told.append((hung, n, "hang", batch | {"bunches": 8, "fresh_mass_g": 250.0}))
        for after in (3, 6, 10):
            if hung + after * DAY < end:
                grams = round(float(mass[after * DAY - 1]), 1)
                told.append((hung + after * DAY, n, "weigh", {"grams": grams}))
        down = hung + 16 * DAY
        if down < end:
            heads = {"good": 75 - n % 4, "mould": 3 * (n % 2 == 0 and n % 4 == 0), "opened": n % 4}
            told.append((down, n, "takedown", heads))
            if n % 2 and down + 60 < end:
                told.append((down + 60, n, "move", {"space": "linen chest"}))
    hung_by: dict[int, int] = {}
    for at, n, verb, said in sorted(told, key=lambda one: one[0]):
        about = {} if verb == "hang" else {"batch": hung_by[n]}
        made = entry(at, verb, **about, **said)
        if verb == "hang":
            hung_by[n] = number
        yield made


def _spells(kind: Kind, values: Floats, limit: float, delay: int, begin: int) -> Iterator[Spell]:
    """The loft's spells above a limit that outlast their delay [min]."""
    past = np.concatenate(([False], values > limit, [False])).astype(int)
    edges = np.flatnonzero(np.diff(past)).tolist()
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if last - first > delay:
            worst = float(values[first:last].max())
            began = begin + first
            yield Spell(kind, "barn loft", None, began, began + delay, begin + last, worst)


def write(file: Path, begin: int, end: int, weather: Weather = CALM) -> None:
    """A store of these minutes: air, hot and damp spells, entries, and what was said each noon."""
    writer = Writer(file)
    for space in SPACES:
        writer.apply(Effects(air=list(minutes(space.name, begin, end, weather))))
    t, rh, _ = air_of("barn loft", begin, end, weather)
    spells = [*_spells(Kind.HOT, t, 30.0, 20, begin), *_spells(Kind.DAMP, rh, 75.0, 360, begin)]
    if weather.gone_h is not None:
        gone, back = (end - 7 * DAY + 60 * hours for hours in weather.gone_h)
        spells.append(Spell(Kind.SILENT, "barn loft", "barn loft peg", gone, gone + 30, back, 3.0))
    told = list(entries(begin, end))
    writer.apply(Effects(entries=told, settlements=[Settlement([], spells, [], [])]))
    writer.commit()
    with Reader(file) as reader:
        prospects = Prospects(Standings(BOOK, HoursOfAir(reader), reader), SITE.hanging())
        batches = fold(standing(told), SITE.spaces).batches
        said = [
            one
            for hour in range(begin // 60 + 12, end // 60 + 1, 24)
            for batch in batches
            if (one := said_of(prospects, batch, batches, hour * 3_600_000)) is not None
        ]
    writer.apply(Effects(prospects=said))
    writer.commit()
    writer.close()


def span(first: str, weeks: int) -> tuple[int, int]:
    """From the first minute of a week to before the last of so many weeks."""
    week = last = Week.parse(first)
    for _ in range(weeks - 1):
        last = last.after()
    return week.span(SITE.timezone)[0], last.span(SITE.timezone)[1]
