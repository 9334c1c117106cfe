"""How much water a space can carry off, and so how many bunches it bears."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from monitor.ahead.lesson import Exchange, opening_that_gives, tightness
from monitor.air.minute import MinuteOfAir
from monitor.drying.prospects import Prospect
from monitor.entries.batches import Batch
from monitor.science import moist_air
from monitor.science.air_exchange import airflow_needed, water_carried_off
from monitor.site.flowers import Book
from monitor.site.spaces import Space
from monitor.site.words import two_figures

# A drying bunch's course: all but a twentieth of its water is gone when it is called crisp.
_GONE_AT_CRISP = 3.0  # -ln 0.05
# Held where the space has no limit of its own [%].
HELD_PCT = 65.0
LITTLE_G_H = 1.0


class SpaceAir(NamedTuple):
    """The mean air of a day in a space, and outdoors: temperature [°C], humidity [%]."""

    indoors: tuple[float, float]
    outdoors: tuple[float, float]
    pressure_pa: float


def given_off_g_h(fresh_g: float, water_share: float, days_to_crisp: float) -> float:
    """Water that fresh bunches give off, the mean of their first day [g/h].

    fresh_g        weight of all of them when cut [g]
    water_share    of it [-]
    days_to_crisp  in this air [days]

    Water goes as it does in thin layers, a share of what is left each hour (Lewis 1921).

    >>> round(given_off_g_h(10_000, 0.8, 10))
    86
    """
    per_h = _GONE_AT_CRISP / (24 * max(days_to_crisp, 0.5))
    return fresh_g * water_share * (1 - math.exp(-24 * per_h)) / 24


def given_off_till_crisp_g_h(fresh_g: float, water_share: float, days_to_crisp: float) -> float:
    """The same, the mean of all days until they are crisp [g/h].

    >>> round(given_off_till_crisp_g_h(10_000, 0.8, 10))
    32
    """
    gone = 1 - math.exp(-_GONE_AT_CRISP)
    return fresh_g * water_share * gone / (24 * max(days_to_crisp, 0.5))


def bears_g_h(
    air: SpaceAir, limit_pct: float, volume_m3: float, changes_per_h: float, extra_g_h: float = 0.0
) -> float:
    """Water a space can be given before its mean humidity stays above a limit [g/h].

    extra_g_h  carried off by other means [g/h]
    returns    [g/h]; 0 where the air outside alone keeps it above the limit

    The mean of days: wood evens out the hours but in the mean takes up nothing.
    """
    at_limit = (air.indoors[0], limit_pct)
    flow = volume_m3 * changes_per_h
    return max(0.0, water_carried_off(flow, at_limit, air.outdoors, air.pressure_pa) + extra_g_h)


def humidity_with(air: SpaceAir, more_g_h: float, volume_m3: float, changes_per_h: float) -> float:
    """Mean humidity of a space once it is given so much more water [%], at most 100."""
    water = moist_air.vapour_pressure(*air.indoors)
    ratio = moist_air.humidity_ratio(water, air.pressure_pa)
    volume = moist_air.specific_volume(air.indoors[0], ratio, air.pressure_pa)
    more = ratio + more_g_h / 1000 / (volume_m3 * changes_per_h / volume)
    vapour = air.pressure_pa * more / (0.621945 + more)
    full = moist_air.saturation_vapour_pressure_liquid(air.indoors[0])
    return min(100.0, 100.0 * vapour / full)


def bears_range(
    limit_pct: float, air: SpaceAir, volume_m3: float, exchange: Exchange,
    more_per_h: float = 0.0, extra_g_h: float = 0.0,
) -> tuple[float, float, float]:  # fmt: skip
    """`bears_g_h` at the low, the likeliest and the high air change."""
    low, middle, high = (
        bears_g_h(air, limit_pct, volume_m3, n + more_per_h, extra_g_h)
        for n in (exchange.low, exchange.per_h, exchange.high)
    )
    return low, middle, high


# -- what a space's own leaks do for the water it is given -----------------------------------


def water_given_off_g_h(
    batches: Iterable[Batch], prospects: Mapping[int, Prospect], book: Book
) -> float | None:
    """What these batches give off in the coming day [g/h]; None: one of them was never weighed.

    The mass of the tagged bunch stands for every bunch of its batch.
    """
    total = 0.0
    for batch in batches:
        said = prospects.get(batch.hung_by)
        if said is None or batch.fresh_mass_g is None:
            return None
        flower = book.find(batch.flower) or book.other
        water_g = batch.bunches * batch.fresh_mass_g * sum(flower.water_pct_wb) / 200
        total += water_g * max(0.0, said.loses_pct_a_day) / 100 / 24
    return total


def told_leaks(
    space: Space,
    exchange: Exchange | None,
    water_g_h: float | None,
    indoors: MinuteOfAir | None,
    outdoors: MinuteOfAir | None,
    pressure_pa: float,
) -> list[str]:
    """How often the air is changed, what the water here needs, and how to give it.

    exchange   as last learned
    water_g_h  that the batches give off; None: cannot be told
    """
    rate = _rate(exchange)
    if space.volume_m3 is None:
        return [rate, _without("its volume (volume_m3 in the settings)")]
    if water_g_h is None:
        return [rate, _without("the mass of a bunch of each batch when it was hung")]
    if water_g_h < LITTLE_G_H:
        return [rate, "What is here gives off hardly any water."]
    if indoors is None or indoors.temperature_c is None:
        return [rate, _without("the air in here")]
    if outdoors is None or outdoors.temperature_c is None:
        return [rate, _without("the air outdoors")]
    if outdoors.relative_humidity_pct is None:
        return [rate, _without("the humidity outdoors")]
    held = (indoors.temperature_c, space.limits.damp_pct or HELD_PCT)
    outside = (outdoors.temperature_c, outdoors.relative_humidity_pct)
    gives = f"What hangs here gives off about {two_figures(water_g_h):g} g of water an hour."
    needs = airflow_needed(water_g_h, held, outside, pressure_pa)
    if needs is None:
        wet = "The air outdoors carries too much itself: no airing takes that away now."
        return [rate, f"{gives} {wet}"]
    if exchange is None:
        opening = opening_that_gives(needs, held[0] - outside[0])
        needed = f"That needs about {two_figures(needs):g} m³ of outdoor air an hour."
        return [rate, f"{gives} {needed} {opening}"]
    found = tightness(exchange, space.volume_m3, water_g_h, held, outside, pressure_pa)
    return [gives] if found is None else [gives, found]


def _without(what: str) -> str:
    return f"What airflow the water here needs cannot be told without {what}."


def _rate(exchange: Exchange | None) -> str:
    if exchange is None:
        return "How often the leaks change the air here cannot be told from the last days."
    return f"The leaks change the air {exchange.low:.2g} to {exchange.high:.2g} times an hour."
