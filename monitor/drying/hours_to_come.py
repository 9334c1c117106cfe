"""The next day of a space, as a batch that hangs in it will feel it.

The hours ahead are 200 likely courses of the air. Each member of a batch lives through one of them
first, and then through days about the mean day, which begin where its course ended.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.ahead import courses as ahead
from monitor.ahead.grid import STEP_MIN
from monitor.drying.crisp_day import DAY_KEEPS, STEP_H, Ahead

Floats = NDArray[np.float64]


class HoursToCome(NamedTuple):
    """The likely courses of the next day, in means of STEP_H hours.

    hour           epoch hour at which they begin
    temperature_c  [°C], shape (steps, courses)
    humidity_pct   as a sensor would measure it [%], shape (steps, courses)
    """

    hour: int
    temperature_c: Floats
    humidity_pct: Floats


def hours_to_come(foreseen: ahead.Outlook) -> HoursToCome:
    """The courses of what is foreseen from a full hour on."""
    return HoursToCome(
        foreseen.asked // 60,
        _by_steps(ahead.courses(foreseen, "temperature_c")),
        _by_steps(ahead.courses(foreseen, "relative_humidity_pct")),
    )


def _by_steps(courses: Floats) -> Floats:
    """Means of each step's ten minutes, (courses, minutes) → (steps, courses)."""
    each = STEP_H * 60 // STEP_MIN
    means: Floats = courses.reshape(courses.shape[0], -1, each).mean(axis=2).T
    return means


def beginning_with(coming: HoursToCome, usual: Ahead) -> Ahead:
    """The air to come, its first day as foreseen.

    usual  days about the mean day that begin at the same hour, in the same steps

    How far a course departs from its member's usual first day dies out in the days after it, as
    day-to-day changes do.
    """
    return Ahead(
        _joined(coming.temperature_c, usual.temperature_c),
        np.clip(_joined(coming.humidity_pct, usual.humidity_pct), 5, 98),
        usual.step_h,
    )


def _joined(courses: Floats, usual: Floats) -> Floats:
    a_day, members = courses.shape[0], usual.shape[1]
    first = courses[:, np.arange(members) * courses.shape[1] // members]
    departs = (first - usual[:a_day]).mean(axis=0)
    day = np.arange(usual.shape[0]) // a_day
    joined: Floats = usual + departs * DAY_KEEPS ** day[:, None]
    joined[:a_day] = first
    return joined
