"""Whether a limit will be passed in the coming hours, as the paths ahead see it.

A limit counts as passed once it has been for as long as its delay, as for spells. What was past
it already in the last minutes counts towards that.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.ahead.courses import NextDay, derived
from monitor.ahead.grid import STEP_MIN, Array, History
from monitor.science.moist_air import (
    saturation_vapour_pressure_liquid_array,
    vapour_pressure_array,
)
from monitor.site.kinds import Kind
from monitor.site.spaces import Space

WITHIN_H = 12
A_DAY_H = 24


class Chance(NamedTuple):
    """How likely a limit is passed within so many hours.

    probability  0 to 1
    begins       UTC epoch minute by which half of the paths that pass it have done so
    latest       and nine in ten of them
    ends         UTC epoch minute by which half of them are back; None: most stay past it for a day
    """

    probability: float
    begins: int
    latest: int
    ends: int | None


class Watched(NamedTuple):
    """A limit of a space, passed upwards: what has been, and what may come.

    behind   the last ten-minute values before now
    ahead    (paths, steps)
    delay    steps it must be passed to count
    """

    kind: Kind
    limit: float
    behind: Array
    ahead: Array
    delay: int


def watched(
    space: Space, recent: History, outlook: NextDay, outdoors: NextDay | None
) -> list[Watched]:
    """The limits of a space that can be foreseen: hot, damp, and dewy where its walls are known."""
    set_, delay = space.limits, space.delays
    found: list[Watched] = []
    if set_.hot_c is not None:
        ahead = outlook.courses("temperature_c")
        behind = recent.temperature_c
        found.append(Watched(Kind.HOT, set_.hot_c, behind, ahead, _steps(delay.hot)))
    if set_.damp_pct is not None and not set_.damp_is_daily_mean:
        ahead = outlook.courses("relative_humidity_pct")
        behind, _ = derived(recent.temperature_c, recent.humidity_ratio_g_kg, outlook.pressure_pa)
        found.append(Watched(Kind.DAMP, set_.damp_pct, behind, ahead, _steps(delay.damp)))
    margin_k = set_.dew_margin_k
    if margin_k is not None and space.surface_factor is not None and outdoors is not None:
        ahead = _beyond_the_surface(outlook, outdoors, space.surface_factor, margin_k)
        found.append(Watched(Kind.DEWY, 0.0, np.empty(0), ahead, _steps(delay.dewy)))
    return found


def hot_chance(space: Space, outlook: NextDay, now: int) -> float | None:
    """How likely the coming day passes a space's hot limit, whatever was before [-]; None: it has
    no such limit."""
    if space.limits.hot_c is None:
        return None
    ahead, delay = outlook.courses("temperature_c"), _steps(space.delays.hot)
    told = chance(Watched(Kind.HOT, space.limits.hot_c, np.empty(0), ahead, delay), now, A_DAY_H)
    return 0.0 if told is None else told.probability


def _steps(delay_min: int) -> int:
    return max(1, -(-delay_min // STEP_MIN))


def _beyond_the_surface(
    indoors: NextDay, outdoors: NextDay, factor: float, margin_k: float
) -> Array:
    """Vapour pressure along each path, less what the coldest surface bears with its margin [Pa].

    Above 0 the dew point lies less than the margin below the surface. Both bundles take their
    errors from the same days.
    """
    inside = indoors.courses("temperature_c")
    outside = outdoors.courses("temperature_c")
    surface = outside + factor * (inside - outside)
    water = indoors.courses("humidity_ratio_g_kg")
    vapour = vapour_pressure_array(water, indoors.pressure_pa)
    beyond: Array = vapour - saturation_vapour_pressure_liquid_array(surface - margin_k)
    return beyond


def chance(of: Watched, now: int, within_h: float = WITHIN_H) -> Chance | None:
    """How likely the limit is passed; None: no path passes it.

    now  UTC epoch minute from which `ahead` looks on
    """
    behind = of.behind[max(0, len(of.behind) - of.delay + 1) :]
    values = np.concatenate([np.broadcast_to(behind, (len(of.ahead), len(behind))), of.ahead], 1)
    beyond = values > of.limit
    windows = np.lib.stride_tricks.sliding_window_view(beyond, of.delay, axis=1)
    lasting: NDArray[np.bool_] = np.asarray(windows.all(axis=2))
    within = lasting[:, : len(behind) + round(within_h * 60 / STEP_MIN)]
    passes = within.any(axis=1)
    if not passes.any():
        return None
    first = within[passes].argmax(axis=1)
    begins = now + STEP_MIN * (first - len(behind) + 1)
    return Chance(
        float(passes.mean()),
        int(np.median(begins)),
        int(np.quantile(begins, 0.9)),
        _ends(beyond[passes], first, now - STEP_MIN * (len(behind) - 1)),
    )


def _ends(beyond: NDArray[np.bool_], first: NDArray[np.int64], begin: int) -> int | None:
    steps = np.arange(beyond.shape[1])
    over = ~beyond & (steps > first[:, None])
    ends = np.where(over.any(axis=1), over.argmax(axis=1), len(steps))
    end = int(np.median(ends))
    return begin + STEP_MIN * end if end < len(steps) else None
