"""What heat and light do to a batch while it hangs, and what becomes of it once taken down.

After takedown a batch is stepped on through the air of the space that keeps it: `dryness.step`
lets it take up water again. Nothing here but what the air alone does not say.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.drying.ensemble import Ensemble
from monitor.science import light
from monitor.site.flowers import Flower

# °C·h above the opening threshold while moist: our own choice, until outcomes calibrate it.
SOME_OPENING, MUCH_OPENING = 150.0, 500.0
NOT_DRY_BELOW = 0.5  # probability of crisp under which a takedown was likely too soon


def opening(ensemble: Ensemble) -> str | None:
    """How much the warmth has opened its heads: little, some or much; None: they never do."""
    if ensemble.hung.flower.opening_above_c is None:
        return None
    return opening_word(ensemble.opening_c_h)


def opening_word(load_c_h: float) -> str:
    """The load in a word: little, some or much."""
    if load_c_h < SOME_OPENING:
        return "little"
    return "some" if load_c_h < MUCH_OPENING else "much"


@dataclass(frozen=True)
class Colour:
    """How a batch's colour stands.

    share_used   light dose so far as a share of what it bears [-], 1 at a noticeable fade
    months_left  months of good colour at the light of a day now, or None in the dark
    """

    share_used: float
    months_left: float | None


def colour_left(
    flower: Flower,
    colour: str | None,
    dose_lx_h: float,
    daily_dose_lx_h: float,
    *,
    ultraviolet: bool = False,
) -> Colour:
    """How much light the colour has had and how long it will last.

    dose_lx_h        light dose since it was hung [lx·h]
    daily_dose_lx_h  light dose of a day in the space now [lx·h]
    ultraviolet      true where the sun reaches it
    """
    blue_wool = flower.blue_wool(colour)
    return Colour(
        light.share_of_colour_used(dose_lx_h, blue_wool, ultraviolet=ultraviolet),
        light.months_of_colour_left(dose_lx_h, daily_dose_lx_h, blue_wool, ultraviolet=ultraviolet),
    )
