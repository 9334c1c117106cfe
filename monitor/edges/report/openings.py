"""What was made of the good air outside, space by space, from the week's minutes."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import pandas as pd

from monitor.ahead.airing_seen import AiringSeen, airing_seen
from monitor.air.minute import MinuteOfAir
from monitor.edges.report.numbers import SpaceWeek
from monitor.science.moist_air import standard_pressure
from monitor.site.spaces import OUTDOORS, Site, Use

# The air is looked at so often: it changes slowly.
STEP_MIN = 10
_TOLD = ["temperature_c", "relative_humidity_pct", "dew_point_c", "surface_margin_k"]


def airings(site: Site, spaces: Sequence[SpaceWeek]) -> dict[str, AiringSeen]:
    """Hours of airing used and missed in each space for hanging; those that can be told."""
    outdoors = next((space for space in spaces if space.space.name == OUTDOORS), None)
    if outdoors is None:
        return {}
    pressure_pa = standard_pressure(site.elevation_m)
    found = {}
    for space in spaces:
        if space.space.use is Use.HANGING:
            minutes = space.minutes.index[space.minutes.index % STEP_MIN == 0]
            seen = airing_seen(
                list(air(space, minutes)),
                list(air(outdoors, minutes)),
                pressure_pa,
                STEP_MIN,
                space.space.limits.hot_c,
            )
            if seen.known_h:
                found[space.space.name] = seen
    return found


def air(space: SpaceWeek, minutes: pd.Index[int]) -> Iterator[MinuteOfAir]:
    """The air in these minutes, as far as airing asks for it."""
    table = space.minutes[_TOLD].reindex(minutes).to_numpy(dtype="float64")
    for minute, row in zip(minutes.tolist(), table.tolist(), strict=True):
        t, rh, dew, margin = (None if math.isnan(value) else value for value in row)
        yield MinuteOfAir(minute, space.space.name, t, rh, None, dew, None, None, None, margin, 1)
