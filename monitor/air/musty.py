"""Mould: the index of a space's coldest surface, and batches that dry too slowly.

The index is stepped hour by hour from the means of the hour, and never applied to a batch's own
water: every healthy batch is wet inside for days. What is said of a batch is a rule of our own.
"""

from __future__ import annotations

from typing import NamedTuple

from monitor.air.minute import MinuteOfAir
from monitor.science import moist_air, mould
from monitor.site.words import lasting

# Walls, beams and boards of a space. Our own choice among the classes.
WALLS = mould.SENSITIVE
# A musty spell is over once mould could not grow for so long [h]; the traces stay for months.
OVER_AFTER_H = 24.0
# An hour with fewer known minutes leaves the mould as it was. Our own choice.
_FEWEST_MINUTES = 20

# Drying too slowly, our own rule: still so moist after so many days in air so damp.
SLOW_STILL_TO_LOSE_PCT = 50.0
SLOW_DAYS = 4.0
SLOW_HUMIDITY_PCT = 75.0


class Musty(NamedTuple):
    """What is remembered of a space's coldest surface.

    grown        the mould at the end of the last full hour
    hour         epoch hour going on; None: none yet
    minutes      known minutes of it, with their sums of surface temperature [°C] and humidity [%]
    """

    grown: mould.Mould = mould.Mould()
    hour: int | None = None
    minutes: int = 0
    sum_c: float = 0.0
    sum_pct: float = 0.0

    def with_minute(self, minute: int, air: MinuteOfAir | None) -> Musty:
        """One minute further; the air of hours never told of leaves the mould as it was."""
        hour = minute // 60
        state = self if self.hour == hour else Musty(self._closed(), hour)
        surface = None if air is None else surface_of(air)
        if surface is None:
            return state
        return state._replace(
            minutes=state.minutes + 1,
            sum_c=state.sum_c + surface[0],
            sum_pct=state.sum_pct + surface[1],
        )

    def _closed(self) -> mould.Mould:
        """The mould once the hour going on is over."""
        if self.minutes < _FEWEST_MINUTES:
            return self.grown
        return mould.step(self.grown, self.sum_c / self.minutes, self.sum_pct / self.minutes, WALLS)

    def measured(self) -> float:
        """What the musty limit compares: the index while mould can grow, 0 once it long cannot."""
        return self.grown.value if self.grown.dry_h < OVER_AFTER_H else 0.0


def surface_of(air: MinuteOfAir) -> tuple[float, float] | None:
    """Temperature [°C] and relative humidity [%] at the coldest surface; the room's own where no
    surface is known; None where the air is not."""
    t, rh = air.temperature_c, air.relative_humidity_pct
    if t is None or rh is None or not (-40 <= t <= 60 and 0 <= rh <= 100):
        return None
    if air.surface_margin_k is None or air.dew_point_c is None:
        return t, rh
    surface_c = air.dew_point_c + air.surface_margin_k
    if not -40 <= surface_c <= 60:
        return t, rh
    return surface_c, min(100.0, moist_air.surface_relative_humidity(t, rh, surface_c))


class SlowDrying(NamedTuple):
    """That a batch dries too slowly, in words."""

    why: str
    to_do: str
    changes: str


def drying_too_slowly(still_to_lose_pct: float, hung_h: float, damp_h: float) -> SlowDrying | None:
    """Whether a batch risks going mouldy because it dries too slowly; None: it does not.

    still_to_lose_pct  100 fresh, 0 crisp [%]
    hung_h             since it was hung [h]
    damp_h             of these, hours in air over SLOW_HUMIDITY_PCT [h]

    >>> drying_too_slowly(40, 120, 120) is None
    True
    >>> drying_too_slowly(70, 144, 120).why
    'After 6 days about 70 % of its water is still to lose, and for 5 days its air was over 75 %.'
    """
    if still_to_lose_pct <= SLOW_STILL_TO_LOSE_PCT or damp_h < 24 * SLOW_DAYS:
        return None
    return SlowDrying(
        f"After {lasting(60 * hung_h)} about {still_to_lose_pct:.0f} % of its water is still to "
        f"lose, and for {lasting(60 * damp_h)} its air was over {SLOW_HUMIDITY_PCT:.0f} %.",
        "split the bunches, hang them a hand apart where air moves, and look inside the thickest.",
        "drier air, or a weighing that shows more has gone.",
    )


def safe_to_store(relative_humidity_pct: float) -> bool:
    """Whether nothing can grow on what has settled in this air: a water activity below 0.60."""
    return relative_humidity_pct / 100 < mould.NOTHING_GROWS_BELOW
