"""What a space's own leaks do for the water it is given, in words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from monitor.ahead.exchange import Exchange, opening_that_gives, tightness
from monitor.air.minute import MinuteOfAir
from monitor.drying.prospects import Prospect
from monitor.entries.batches import Batch
from monitor.science.air_exchange import airflow_needed
from monitor.site.flowers import Book
from monitor.site.spaces import Space
from monitor.site.words import two_figures

# Held where the space has no limit of its own [%].
HELD_PCT = 65.0
LITTLE_G_H = 1.0


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


def told(
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
    return [gives] if found is None else [gives, found.says]


def _without(what: str) -> str:
    return f"What airflow the water here needs cannot be told without {what}."


def _rate(exchange: Exchange | None) -> str:
    if exchange is None:
        return "How often the leaks change the air here cannot be told from the last days."
    return f"The leaks change the air {exchange.low:.2g} to {exchange.high:.2g} times an hour."
