"""Boxes and display rooms: is this a good place, and how long will colours last here."""

from __future__ import annotations

from typing import NamedTuple

from monitor.air.minute import safe_to_store
from monitor.science import light
from monitor.site.spaces import Use
from monitor.site.words import HEATERS, count

# A warm corner dries and fades what stands there: so much above the rest of the day [K] within
# two hours means a radiator, a stove or the sun. Our own choice.
RADIATOR_RISE_K = 4.0
BRITTLE_BELOW_PCT = 40.0
GOOD_COLOUR_MONTHS = 6.0
# From here on other things than light age them [months]. Our own choice.
A_FEW_YEARS = 24.0
# The class of colours that fade early, where it is not known what stands there [blue wool].
FADES_EARLY = 2.0


class Judgement(NamedTuple):
    """A judgement of a place: what, why, what to do, what would change it, with what caution."""

    good: bool
    what: str
    to_do: str
    changes: str
    caution: str = ""


def humidity_there(use: Use, daily_mean_pct: float) -> Judgement:
    """Whether the air of a place is right for dried flowers. daily_mean_pct: of a day or more."""
    if safe_to_store(daily_mean_pct):
        if daily_mean_pct >= BRITTLE_BELOW_PCT:
            return Judgement(
                True,
                f"At {daily_mean_pct:.0f} % nothing can grow, and petals stay on.",
                "nothing.",
                "A damp spell over 60 % would change that, or heating that brings it under 40 %.",
            )
        where = "shut the boxes" if use is Use.STORING else "move them from what heats"
        return Judgement(
            False,
            f"At {daily_mean_pct:.0f} % petals turn brittle and fall.",
            f"{where}.",
            "Air between 45 and 60 % would be right.",
        )
    return Judgement(
        False,
        f"At {daily_mean_pct:.0f} % flowers take up water again; above 65 % mould can start.",
        "move them to a drier room, off the floor and away from outside walls.",
        "Air that stays under 60 % would do.",
    )


def near_a_radiator(hourly_c: list[float]) -> Judgement | None:
    """Whether something heats this place by fits and starts; None: not that one sees.

    hourly_c  temperatures hour by hour, a day or more [°C]
    """
    rises = [later - now for now, later in zip(hourly_c, hourly_c[2:], strict=False)]
    worst = max(rises, default=0.0)
    if worst < RADIATOR_RISE_K:
        return None
    return Judgement(
        False,
        f"It warms by {worst:.0f} K within two hours here: a radiator, a stove or the sun is near.",
        "move what stands here two steps away from it.",
        "A day without such a rise would take this back.",
        HEATERS,
    )


def colour_there(daily_dose_lx_h: float, blue_wool: float, *, ultraviolet: bool) -> Judgement:
    """How long a colour lasts in this light.

    daily_dose_lx_h  light of a day here [lx·h]
    blue_wool        the colour's class, 1 fades first, 8 last
    """
    months = light.months_of_colour_left(0.0, daily_dose_lx_h, blue_wool, ultraviolet=ultraviolet)
    if months is None:
        return Judgement(
            True, "No light fades them here.", "nothing.", "A lamp or a window would change that."
        )
    good = months >= GOOD_COLOUR_MONTHS
    return Judgement(
        good,
        f"In this light colours stay good for {_lasts(months)}; colours differ by a factor of two.",
        "nothing." if good else "move them out of the brightest light, or change them by then.",
        "In half the light they last twice as long.",
    )


def _lasts(months: float) -> str:
    if months < 1:
        return "less than a month"
    if months < A_FEW_YEARS:
        return f"about {count(round(months), 'month')}"
    return "years"


def told(place: Judgement) -> str:
    """A judgement in words."""
    to_do = "" if place.to_do == "nothing." else f"To do: {place.to_do} "
    caution = f" {place.caution}" if place.caution else ""
    return f"{place.what} {to_do}{place.changes}{caution}"
