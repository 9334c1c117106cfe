"""Checking a humidity sensor against salt, or two sensors against each other.

Wet salt in a closed vessel holds the air at a humidity that depends on the salt and, a little, on
the temperature. The sensor must be as warm as the salt: one kelvin makes some 4.5 % at table salt.
So nothing is said until both temperature and humidity have long been still.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.science.sorption import Salt, salt_humidity

Floats = NDArray[np.float64]

# Still enough to be believed: our own choice. Salt takes hours to take up or give off the water.
SETTLE_H = 3.0
STILL_PCT = 0.6
STILL_K = 0.6
LEAST_H = 12.0
# What is left of a difference of temperature between salt and sensor, once all is still [K].
APART_K = 0.1
# Sensors side by side share their air only so well [K], [%]. Our own choice.
SIDE_BY_SIDE_K = 0.2
# A change of the rate per kelvin: RH falls by about 6 % of itself, from the saturation curve.
_SHARE_PER_K = 0.0619
# Farther off than this a sensor wants replacing, not correcting [%]. Our own choice.
REPLACE_PCT = 10.0
_READINGS_A_SETTLED = 20


HOW_TO = (
    "Wet a few spoons of {salt} in a bottle cap until it is a slush, not swimming. Put cap and "
    "sensor side by side in a jar or bag that shuts tight, without touching, and stand it for a "
    "day where it is indoors, steady and out of the sun."
)
HOW_TO_BESIDE = (
    "Hang the two within a hand of each other, out of the sun and the draught, for a day."
)


class Check(NamedTuple):
    """How a check stands.

    says         what to tell the person
    offset_pct   to be added to the sensor's humidity [%]; None: not settled
    doubt_pct    standard uncertainty of that [%]
    worth_it     whether the offset is beyond its own doubt, twice over, and not too far
    """

    says: str
    offset_pct: float | None = None
    doubt_pct: float | None = None
    worth_it: bool = False

    @property
    def settled(self) -> bool:
        """Whether an answer can be given."""
        return self.offset_pct is not None


def against_salt(
    salt: Salt, minute: NDArray[np.int64], temperature_c: Floats, humidity_pct: Floats
) -> Check:
    """A sensor shut in with wet salt.

    minute         UTC epoch minutes since it was shut in, rising
    temperature_c, humidity_pct  what the sensor told [°C], [%], NaN where it told nothing
    """
    waiting = _not_settled(minute, temperature_c, humidity_pct)
    if waiting is not None:
        return Check(waiting)
    last = _last_hours(minute)
    t, rh = float(np.nanmean(temperature_c[last])), float(np.nanmean(humidity_pct[last]))
    try:
        true, known_to = salt_humidity(salt, t)
    except ValueError as error:
        return Check(f"No answer: {error}.")
    doubt = math.hypot(known_to / 2, APART_K * _SHARE_PER_K * true, _wander(humidity_pct[last]))
    return _answer(true - rh, doubt, f"over {salt.value} at {t:.0f} °C it is {true:.1f} %")


def side_by_side(
    minute: NDArray[np.int64],
    checked: tuple[Floats, Floats],
    trusted: tuple[Floats, Floats],
    trusted_doubt_pct: float,
) -> Check:
    """A sensor beside one that is trusted; each (temperature [°C], humidity [%]).

    trusted_doubt_pct  what the trusted one may be wrong by [%]
    """
    for temperature_c, humidity_pct in (checked, trusted):
        waiting = _not_settled(minute, temperature_c, humidity_pct)
        if waiting is not None:
            return Check(waiting)
    last = _last_hours(minute)
    apart = trusted[1][last] - checked[1][last]
    humidity = float(np.nanmean(trusted[1][last]))
    doubt = math.hypot(trusted_doubt_pct, SIDE_BY_SIDE_K * _SHARE_PER_K * humidity, _wander(apart))
    return _answer(float(np.nanmean(apart)), doubt, f"the sensor beside it tells {humidity:.1f} %")


def _last_hours(minute: NDArray[np.int64]) -> NDArray[np.bool_]:
    return np.asarray(minute > minute[-1] - SETTLE_H * 60, dtype=bool)


def _not_settled(
    minute: NDArray[np.int64], temperature_c: Floats, humidity_pct: Floats
) -> str | None:
    """Why nothing can be said yet; None: it is settled."""
    if minute.size == 0 or minute[-1] - minute[0] < LEAST_H * 60:
        since = 0.0 if minute.size == 0 else float(minute[-1] - minute[0]) / 60
        so_far = "less than an hour" if since < 1 else f"{since:.0f} h"
        return f"It has told for {so_far} so far; leave it alone until it has been {LEAST_H:.0f} h."
    last = _last_hours(minute)
    t, rh = temperature_c[last], humidity_pct[last]
    both = np.isfinite(t) & np.isfinite(rh)
    if both.sum() < _READINGS_A_SETTLED:
        return "Too few readings in the last hours to judge by; see that the sensor is heard."
    if np.ptp(t[both]) > STILL_K:
        return "The temperature still moves; stand the vessel away from sun, doors and heating."
    thirds = np.array_split(rh[both], 3)
    if abs(thirds[-1].mean() - thirds[0].mean()) > STILL_PCT:
        return "The humidity still moves; leave it shut, and look again in a few hours."
    return None


def _wander(humidity_pct: Floats) -> float:
    """What the mean of the last hours may be off by for the sensor's own unrest [%]: its readings
    hang together, so it is not divided by their number."""
    return float(np.nanstd(humidity_pct)) / 3


def _answer(offset_pct: float, doubt_pct: float, reference: str) -> Check:
    worth_it = abs(offset_pct) > 2 * doubt_pct
    sign = "low" if offset_pct > 0 else "high"
    found = (
        f"The sensor reads {abs(offset_pct):.1f} % too {sign}, give or take {2 * doubt_pct:.1f} "
        f"({reference})."
    )
    if abs(offset_pct) > REPLACE_PCT:
        worth_it = False
        then = (
            "That is too far to correct: try once more with fresh salt, wet but not swimming, and "
            "replace the sensor if it stays so."
        )
    elif worth_it:
        then = f"On your yes, {offset_pct:+.1f} % is added from now on; `undo` takes it back."
    else:
        then = "That is within the doubt: leave it as it is."
    return Check(f"{found} {then}", offset_pct, doubt_pct, worth_it)
