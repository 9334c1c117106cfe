"""What a forecast of cloud changes in a space's hours ahead: learned from where they were wrong.

A roof or a window lets the sun into a room, and how much is known of no room beforehand. So what
was foreseen six hours ahead is held against what came, beside how much more sun than in the last
days was foretold for those hours. Where the two go together, the next hours are moved by as much;
where they do not, or the forecast of cloud is poor, nothing moves.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np

from monitor.ahead.courses import NextDay, saturated
from monitor.ahead.features import Site, sun_height
from monitor.ahead.grid import STEP_MIN, Array

LEAD_MIN = 360
# So long a room feels an hour of sun [h]; what an hour of it may do before a room has shown it
# [K]; so many hours on end have one weather and count as one. All our own choice.
FELT_H, UNPROVED_K, ONE_WEATHER_H = 6.0, 2.0, 6.0
# An hour is forgotten by half after ten days; the cloud of the last days is a mean over some two.
FADES, USUAL_FADES = 0.997, 0.96


class Seen(NamedTuple):
    """Faded sums over the hours held against what came.

    sun_2      of the squares of the sun felt more than usual [h²], see `sun_felt`
    sun_error  of the same times the error of the middle [K h]
    error_2    of the squares of the error [K²]
    """

    times: float = 0.0
    sun_2: float = 0.0
    sun_error: float = 0.0
    error_2: float = 0.0

    def after(self, sun_h: float, error_k: float) -> Seen:
        """With one more."""
        return Seen(
            FADES * self.times + 1,
            FADES * self.sun_2 + sun_h**2,
            FADES * self.sun_error + sun_h * error_k,
            FADES * self.error_2 + error_k**2,
        )

    @property
    def per_h(self) -> float:
        """What an hour of sun more than usual does [K/h], drawn towards nothing until shown."""
        if self.times == 0:
            return 0.0
        doubt = ONE_WEATHER_H * self.error_2 / self.times / UNPROVED_K**2
        return self.sun_error / max(self.sun_2 + doubt, 1e-9)


class Clouds:
    """The cloud of the last days, and what sun does to each space.

    kept  as `fact` gave it; None: nothing yet
    """

    def __init__(self, site: Site, kept: Mapping[str, Any] | None = None) -> None:
        self._site = site
        kept = kept or {}
        self._usual_pct: float | None = kept.get("usual")
        self._seen = {space: Seen(*sums) for space, sums in kept.get("seen", {}).items()}
        # Space → (minute it is for, sun felt more than usual [h], temperature foreseen [°C]).
        self._awaited: dict[str, list[tuple[int, float, float]]] = {
            space: [(minute, sun_h, told) for minute, sun_h, told in waiting]
            for space, waiting in kept.get("awaited", {}).items()
        }

    @property
    def fact(self) -> dict[str, Any]:
        """All of it, to be kept."""
        return {"usual": self._usual_pct, "seen": self._seen, "awaited": self._awaited}

    def note(self, now: int, cloud_pct: float) -> None:
        """At a full hour: the cloud that was foretold for it; by night it does nothing."""
        if sun_height(np.array([float(now)]), self._site)[0][0] > 0:
            before = cloud_pct if self._usual_pct is None else self._usual_pct
            self._usual_pct = USUAL_FADES * before + (1 - USUAL_FADES) * cloud_pct

    def hold_against(self, space: str, now: int, came_c: float) -> None:
        """At a full hour: what was foreseen of it against what came."""
        waiting = self._awaited.get(space, [])
        for minute, sun_h, told in waiting:
            if minute == now and np.isfinite(came_c):
                self._seen[space] = self._seen.get(space, Seen()).after(sun_h, came_c - told)
        self._awaited[space] = [one for one in waiting if one[0] > now]

    def brightened(
        self, space: str, outlook: NextDay, cloud_pct: Array, full_hour: bool
    ) -> NextDay:
        """The hours ahead with the cloud in them; at a full hour they wait to be held against.

        cloud_pct  foretold at each of the outlook's minutes; NaN: not
        """
        if self._usual_pct is None or not np.isfinite(cloud_pct).any():
            return outlook
        height = np.maximum(sun_height(outlook.minute.astype(np.float64), self._site)[0], 0.0)
        felt = sun_felt(height * np.nan_to_num(self._usual_pct - cloud_pct) / 100)
        step = LEAD_MIN // STEP_MIN - 1
        if full_hour and np.isfinite(cloud_pct[: step + 1]).any():
            one = (int(outlook.minute[step]), float(felt[step]))
            told = float(outlook.temperature_c.p50[step])
            self._awaited.setdefault(space, []).append((*one, told))
        by = self._seen.get(space, Seen()).per_h * felt
        temperature = outlook.courses("temperature_c") + by
        water = outlook.courses("humidity_ratio_g_kg")
        full = saturated(temperature, outlook.pressure_pa)
        return outlook.with_courses(temperature, np.minimum(water, full))


def sun_felt(more: Array) -> Array:
    """What a room feels at each step of the sun since the first [h]: it fades over FELT_H.

    more  sine of the sun's height times the share of the sky that is clearer than usual, each
          step

    >>> float(np.round(sun_felt(np.ones(144))[-1], 1))
    6.0
    """
    hours = STEP_MIN / 60 * np.arange(1, more.size + 1)
    grows = np.exp(hours / FELT_H)
    felt: Array = np.cumsum(more * STEP_MIN / 60 * grows) / grows
    return felt
