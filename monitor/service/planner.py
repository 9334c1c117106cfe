"""Where a harvest should hang: gathered from the store, in a process beside."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.ahead.courses import hot_chance
from monitor.ahead.lesson import Exchange, by_following
from monitor.drying.members import book_prior
from monitor.edges.beside import Command
from monitor.engine.effects import Snapshot
from monitor.entries.admission import flower_named
from monitor.entries.batches import Batch, described, fold, hanging_in
from monitor.entries.entries import JSON, RequestError, standing
from monitor.entries.fields import FIELDS
from monitor.places.plan import Candidate, Harvest, days_to_crisp, ranking, told
from monitor.places.sun import Position, beams
from monitor.places.water import SpaceAir
from monitor.places.what_ifs import read_what_ifs, told_what_ifs
from monitor.science.moist_air import standard_pressure
from monitor.service.settings.files import shipped
from monitor.service.settings.settings import load
from monitor.site.flowers import Book, read_book
from monitor.site.quantities import Quantity
from monitor.site.spaces import OUTDOORS, Site, Space, Use
from monitor.site.time import DAY_MIN, MINUTE_MS, local_day
from monitor.store.queries import Reader

Floats = NDArray[np.float64]
Plan = dict[str, Any]  # as the command and the page show it
# The air of so many days stands for that to come; the air change is learned from so many; so many
# tell how often it gets hot. Our own choice.
AIR_DAYS, EXCHANGE_DAYS, HOT_DAYS = 3, 4, 7
FEWEST_MIN = 12 * 60
STEP_MIN = 10


@dataclass(frozen=True)
class PlanOrder:
    """What is asked.

    settings  path of the settings file
    fresh_g   mass of a fresh bunch [g]; None: as earlier bunches of this flower were
    hot       of spaces whose coming day is foreseen, how likely it passes their hot limit [-]
    exchange  of spaces, their air changes an hour as last learned: likeliest, low, high
    """

    settings: str
    now_ms: int
    flower: str
    bunches: int
    fresh_g: float | None
    what_if: tuple[str, ...]
    hot: Mapping[str, float]
    exchange: Mapping[str, tuple[float, float, float]]


def order_from(
    given: Mapping[str, JSON],
    settings: Path,
    site: Site,
    snapshot: Snapshot,
    flowers: Mapping[str, str],
) -> PlanOrder:
    """The order out of what somebody asked; raises RequestError with one sentence."""
    for name in ("flower", "bunches"):
        if given.get(name) in (None, ""):
            field = FIELDS[name]
            raise RequestError(f"a plan needs {field.words}, for example {field.example}", name)
    flower = flower_named(str(FIELDS["flower"].value(given["flower"])), flowers)
    bunches = FIELDS["bunches"].value(given["bunches"])
    fresh = given.get("fresh_mass_g")
    fresh_g = None if fresh in (None, "") else FIELDS["fresh_mass_g"].value(fresh)
    asked = given.get("what_if") or []
    if not isinstance(asked, list) or not all(isinstance(one, str) for one in asked):
        raise RequestError("what-ifs are a list of texts", "what_if")
    what_if = tuple(str(one) for one in asked)
    read_what_ifs(what_if)
    return PlanOrder(
        str(settings),
        snapshot.now_ms,
        str(flower),
        bunches if isinstance(bunches, int) else 1,
        fresh_g if isinstance(fresh_g, float) else None,
        what_if,
        _hot(site, snapshot),
        {
            name: (found.per_h, found.low, found.high)
            for name, coming in snapshot.coming.items()
            if (found := coming.exchange) is not None
        },
    )


def _hot(site: Site, snapshot: Snapshot) -> dict[str, float]:
    chances = {
        name: hot_chance(site.spaces[name], coming.outlook, coming.asked)
        for name, coming in snapshot.coming.items()
        if coming.outlook is not None and name in site.spaces
    }
    return {name: chance for name, chance in chances.items() if chance is not None}


def plan(order: PlanOrder) -> Plan:
    """The ranking, as plain values and in words."""
    settings = load(Path(order.settings))
    book = read_book(shipped("config/flowers.toml").read_text("utf-8"), settings.flowers)
    site, now = settings.site, order.now_ms // MINUTE_MS
    with Reader(settings.store.file) as reader:
        batches = fold(standing(reader.entries()), site.spaces).batches
        spaces = [
            _candidate(reader, site, space, batches, order)
            for space in site.spaces.values()
            if space.use is Use.HANGING
        ]
    wanted = read_what_ifs(order.what_if)
    harvest = _harvest(order, book, batches)
    flower = book.find(order.flower) or book.other
    days = days_to_crisp(flower, None, now, book_prior())
    choices = ranking(harvest, spaces, days)
    lines = told(harvest, choices)
    more = told_what_ifs(wanted, choices, spaces)
    if wanted.bunches is not None:
        fewer = replace(harvest, bunches=wanted.bunches)
        more += told(fewer, ranking(fewer, spaces, days))
    return {
        "flower": harvest.flower,
        "bunches": harvest.bunches,
        "choices": [
            choice._asdict() | {"rank_by": choice.rank_by if choice.days else None}
            for choice in choices
        ],
        "lines": lines,
        "what_if": more,
    }


def _harvest(order: PlanOrder, book: Book, batches: tuple[Batch, ...]) -> Harvest:
    flower = book.find(order.flower) or book.other
    weighed = [b.fresh_mass_g for b in batches if b.flower == flower.key and b.fresh_mass_g]
    fresh_g = order.fresh_g
    if fresh_g is None and weighed:
        fresh_g = float(np.mean(weighed))
    low, high = flower.water_pct_wb
    return Harvest(flower.key, order.bunches, fresh_g, (low + high) / 200)


def _candidate(
    reader: Reader, site: Site, space: Space, batches: tuple[Batch, ...], order: PlanOrder
) -> Candidate:
    now = order.now_ms // MINUTE_MS
    pressure_pa = standard_pressure(site.elevation_m)
    indoors = _mean_air(reader, space.name, now)
    outdoors = _mean_air(reader, OUTDOORS, now)
    air = None
    if indoors is not None:
        # Without outdoors no air change is known either, so nothing rests on what stands in here.
        air = SpaceAir(indoors, outdoors or indoors, pressure_pa)
    exchange = None if outdoors is None else _exchange(reader, space.name, now, pressure_pa)
    if exchange is None and outdoors is not None and space.name in order.exchange:
        exchange = Exchange(*order.exchange[space.name])
    foreseen = order.hot.get(space.name)
    return Candidate(
        space.name,
        air,
        damp_pct=space.limits.damp_pct,
        hot_c=space.limits.hot_c,
        hot_chance=_hot_lately(reader, space, now) if foreseen is None else foreseen,
        sun_min=_sun_min(reader, site, space, now),
        volume_m3=space.volume_m3,
        exchange=exchange,
        hangs=tuple(described(b) for b in hanging_in(batches, space.name, now * MINUTE_MS)),
    )


def _mean_air(reader: Reader, space: str, now: int) -> tuple[float, float] | None:
    """Mean temperature [°C] and humidity [%] of the last days; None: hardly anything is known."""
    told = reader.air_of(
        space, now - AIR_DAYS * DAY_MIN, now, ("temperature_c", "relative_humidity_pct")
    )
    t, rh = told["temperature_c"], told["relative_humidity_pct"]
    if np.isfinite(t + rh).sum() < FEWEST_MIN:
        return None
    return float(np.nanmean(t)), float(np.nanmean(rh))


def _hot_lately(reader: Reader, space: Space, now: int) -> float | None:
    """On what share of the last days it was hotter than its limit; None: cannot be told."""
    if space.limits.hot_c is None:
        return None
    told = reader.air_of(space.name, now - HOT_DAYS * DAY_MIN, now, ("temperature_c",))
    days = told["temperature_c"].reshape(HOT_DAYS, DAY_MIN)
    known = np.isfinite(days).sum(axis=1) >= FEWEST_MIN
    if not known.any():
        return None
    hot = (days[known] > space.limits.hot_c).any(axis=1)
    return float(hot.mean())


def _sun_min(reader: Reader, site: Site, space: Space, now: int) -> float | None:
    """Minutes of sun on the rail in a day: by its windows, else by its light; None: not known."""
    if space.windows:
        place = Position(site.latitude, site.longitude, site.timezone)
        today = local_day(now * MINUTE_MS, site.timezone)
        return float(sum(b.ends - b.begins for b in beams(space.windows, place, today)))
    lit = any(Quantity.ILLUMINANCE in s.reads for s in site.sensors_of(space.name))
    if not lit or space.limits.sun_lux is None:
        return None
    told = reader.air_of(space.name, now - AIR_DAYS * DAY_MIN, now, ("illuminance_lx",))
    lux = told["illuminance_lx"]
    if np.isfinite(lux).sum() < FEWEST_MIN:
        return None
    return float((lux > space.limits.sun_lux).sum() / AIR_DAYS)


def _exchange(reader: Reader, space: str, now: int, pressure_pa: float) -> Exchange | None:
    """How often its air changes, from how its water follows that outdoors."""
    end = now // STEP_MIN * STEP_MIN
    begin = end - EXCHANGE_DAYS * DAY_MIN
    columns = ("temperature_c", "humidity_ratio_g_kg")
    inside, outside = (reader.air_of(name, begin, end, columns) for name in (space, OUTDOORS))
    minute = np.arange(begin, end, STEP_MIN, dtype=np.int64)
    return by_following(
        minute,
        _tens(inside["temperature_c"]),
        _tens(inside["humidity_ratio_g_kg"]),
        _tens(outside["humidity_ratio_g_kg"]),
        pressure_pa,
    )


def _tens(values: Floats) -> Floats:
    """Means of ten minutes, of those that are known."""
    tens = values.reshape(-1, STEP_MIN)
    known = np.isfinite(tens)
    total = np.where(known, tens, 0.0).sum(axis=1)
    return np.where(known.any(axis=1), total / np.maximum(known.sum(axis=1), 1), np.nan)


# Who asks waits for 30 s.
PLAN = Command("monitor.service.planner:plan", PlanOrder, Plan, within_s=28)
