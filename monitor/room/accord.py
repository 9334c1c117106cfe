"""The sensors of a space held against each other through many minutes at once, while all agree.

What `together` does minute by minute, done on arrays: as long as all are heard, none is in the sun
and no two disagree, a minute only moves on what is remembered. Either way comes to the same, to the
last bit.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from monitor.room.air import SensorMinute, vapour_pressure_pa
from monitor.room.pairs import Pair, SensorAirs, Shine, agreeing, first_odd, in_the_shade


def accord(
    pairs: Sequence[Pair],
    shines: Sequence[Shine],
    shone: Sequence[int],
    told: Sequence[Sequence[SensorMinute]],
    sun_up: NDArray[np.bool_],
) -> tuple[int, list[Pair], list[Shine]]:
    """For how many of the first minutes all agree in the shade; the pairs and shines after these.

    pairs   of every two sensors, none disagreeing
    shines  of those on which the sun is seen by their neighbours, none in the sun
    shone   which of the sensors these are
    told    of at least two sensors, minute by minute; each tells temperature and humidity
    sun_up  in each minute
    """
    airs = _airs(told)
    numbers = range(len(told))
    two = np.array(list(combinations(numbers, 2))).T
    one, other = (SensorAirs(*(column[n] for column in airs)) for n in two)
    count, pairs_after = agreeing(pairs, one, other)
    if not (shines and count):
        return count, pairs_after(count), list(shines)
    beside = np.array([[m for m in numbers if m != n] for n in shone]).T
    warm = airs.temperature_c[:, :count]
    count, shines_after = in_the_shade(shines, warm[list(shone)], warm[beside], sun_up[:count])
    return count, pairs_after(count), shines_after(count)


def _airs(told: Sequence[Sequence[SensorMinute]]) -> SensorAirs:
    """What sensors told of minutes (sensors, minutes), up to the first bone-dry one."""
    warm = np.array([[minute.temperature_c for minute in of_one] for of_one in told], float)
    damp = np.array([[minute.humidity_pct for minute in of_one] for of_one in told], float)
    count = first_odd(damp <= 0.0)
    warm, damp = warm[:, :count], damp[:, :count]
    of_each = zip(warm.tolist(), damp.tolist(), strict=True)
    water = [list(map(vapour_pressure_pa, *of_one)) for of_one in of_each]
    return SensorAirs(warm, damp, np.array(water).reshape(damp.shape))
