"""When the sun's beam reaches the rail: today, through the season, and how much light it brings.

A window is placed as seen from the rail, looking straight out through it: so far away, its lower
edge so high above the rail, its middle so far to the right. A roof light leans; its lower edge is
what `distance_m` and `lower_edge_m` tell of. The beam reaches the rail when the straight line from
the rail to the sun passes through the pane, and neither hill nor house stands before it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import date, timedelta
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.science.sun import (
    SunPosition,
    clear_beam,
    glass_transmittance,
    incidence,
    sun_position,
)
from monitor.site import words
from monitor.site.spaces import Window
from monitor.site.time import DAY_MIN, MINUTE_MS, local, midnight

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
_Lit = Callable[[int], bool]

_STEP_MIN = 5
_WEEK = 7
_YEAR = 366
# How light is told to be the beam's: our own choice. A rail in the beam is many times as bright
# as the same rail minutes before or after.
_BEAM_TIMES = 4.0
_BEAM_LEAST_LX = 3000.0
# How far a window may lie from where it was measured, in time of the sun's passing [min].
_MARGIN_MIN = 20
_NEAR_MIN = 120
# A beam so near the foreseen time confirms it [min].
_WELL_MEASURED_MIN = 8
# Fewer seen minutes than these tell nothing of a window's measures.
_ENOUGH_SEEN = 30
# Log odds: constant, per 10 % of humidity above the usual, per ln(1 + K above the day's coldest).
_CONSTANT, _HUMIDITY, _WARMTH = -1.896, -0.483, 1.592
# What is usual for an hour: the median of so many days before.
_USUAL_DAYS = 15
_FEWEST_DAYS = 3
LIKELIER_THAN_NOT = 0.5
# A beam is worth telling of when it lasts so long [min].
_SHORTEST_MIN = 5


class Position(NamedTuple):
    """Where the site is. latitude, longitude [°]."""

    latitude: float
    longitude: float
    timezone: str


def reaches(window: Window, sun: SunPosition) -> bool:
    """Whether the beam reaches the rail through this window.

    The line from the rail to the sun meets the pane's plane once; it passes where that point lies
    within the pane's edges. Axes: ahead through the window, right, up.
    """
    if sun.elevation_deg <= max(0.0, horizon_at(window.horizon, sun.azimuth_deg)):
        return False
    height = math.radians(sun.elevation_deg)
    aside = math.radians(sun.azimuth_deg - window.facing_deg)
    ahead, right = math.cos(height) * math.cos(aside), math.cos(height) * math.sin(aside)
    up = math.sin(height)
    lean = math.radians(window.tilt_deg)
    out_ahead, out_up = math.sin(lean), math.cos(lean)
    square = ahead * out_ahead + up * out_up
    away = window.distance_m * out_ahead + window.lower_edge_m * out_up
    if square <= 1e-9 or away <= 0:
        return False
    far = away / square
    along_slope = (up * far - window.lower_edge_m) * out_ahead
    along_slope -= (ahead * far - window.distance_m) * out_up
    return (
        abs(right * far - window.right_m) <= window.width_m / 2
        and 0 <= along_slope <= window.height_m
    )


def horizon_at(horizon: Sequence[tuple[float, float]], azimuth_deg: float) -> float:
    """Height of hills and houses in a direction [°]; 0 where nothing is said."""
    if not horizon:
        return 0.0
    points = sorted(horizon)
    around = [(points[-1][0] - 360, points[-1][1]), *points, (points[0][0] + 360, points[0][1])]
    directions, heights = zip(*around, strict=True)
    return float(np.interp(azimuth_deg % 360, directions, heights))


class Beam(NamedTuple):
    """The sun on the rail through one window. begins, ends: UTC epoch minutes."""

    window: str
    begins: int
    ends: int


def beams(windows: Sequence[Window], place: Position, day: date) -> list[Beam]:
    """When the beam reaches the rail on a local day under a clear sky, in order of time."""
    path = _sun_path(place, day)
    found: list[Beam] = []
    for window in windows:
        lit = [at for at, sun in path if reaches(window, sun)]
        found.extend(_runs(window, place, lit))
    return sorted(found, key=lambda beam: (beam.begins, beam.window))


def _runs(window: Window, place: Position, lit: list[int]) -> list[Beam]:
    """Runs of lit moments, their edges to the minute."""
    runs: list[list[int]] = []
    for at in lit:
        if runs and at - runs[-1][1] <= _STEP_MIN:
            runs[-1][1] = at
        else:
            runs.append([at, at])
    return [
        Beam(window.name, _edge(window, place, first, -1), _edge(window, place, last, 1) + 1)
        for first, last in runs
    ]


def _edge(window: Window, place: Position, lit: int, step: int) -> int:
    """The last lit minute from a lit one in one direction."""
    at = lit
    while abs(at - lit) < _STEP_MIN:
        sun = sun_position(place.latitude, place.longitude, at + step)
        if not reaches(window, sun):
            break
        at += step
    return at


@lru_cache(maxsize=128)  # some 4 MB; a look through the year takes about 70 days
def _sun_path(place: Position, day: date) -> tuple[tuple[int, SunPosition], ...]:
    """Where the sun stands on a local day, every few minutes while it is up."""
    begin = midnight(day, place.timezone)

    def at(minute: int) -> SunPosition:
        return sun_position(place.latitude, place.longitude, minute)

    # Most of a night is passed over by the hour: in one the sun climbs 15° at most.
    hourly = [(m, at(m).elevation_deg) for m in range(begin, begin + DAY_MIN, 60)]
    near = (
        (m, at(m))
        for hour, height in hourly
        if height > -15
        for m in range(hour, hour + 60, _STEP_MIN)
    )
    return tuple((m, sun) for m, sun in near if sun.elevation_deg > 0)


def lit_days(windows: Sequence[Window], place: Position, day: date) -> tuple[date, date] | None:
    """The first and last day, from this one on, of the next run of days with sun on the rail.

    returns  None where the sun does not reach the rail within a year. A whole year of it ends
             with the year.
    """

    def lit(offset: int) -> bool:
        told = beams(windows, place, day + timedelta(days=offset))
        return any(beam.ends - beam.begins >= _SHORTEST_MIN for beam in told)

    first = 0 if lit(0) else _turn(lit, 0, wanted=True)
    if first is None:
        return None
    last = _turn(lit, first, wanted=False)
    return day + timedelta(days=first), day + timedelta(days=_YEAR if last is None else last - 1)


def _turn(lit: _Lit, begin: int, *, wanted: bool) -> int | None:
    """The first day after `begin` that is as wanted; looked for by weeks, then by days."""
    for week in range(begin + _WEEK, _YEAR + _WEEK, _WEEK):
        if lit(week) is wanted:
            return next(d for d in range(week - _WEEK + 1, week + 1) if lit(d) is wanted)
    return None


def ends_it(window: Window, place: Position, day: date) -> str | None:
    """To which side one metre along the rail ends it: left, right; None: neither."""
    for side, right_m in (("left", -1.0), ("right", 1.0)):
        if not beams([window.moved(right_m)], place, day):
            return side
    return None


def told(windows: Sequence[Window], place: Position, day: date) -> str:
    """In words: from when to when, until which day, and what ends it. For a space's page.

    Looking out through the window, left is left.
    """
    zone = place.timezone
    today = beams(windows, place, day)
    season = lit_days(windows, place, day)
    if not today:
        if season is None:
            return "The sun never reaches the rail through the windows told of."
        return (
            f"The sun does not reach the rail now; it does from {words.day(season[0])}. "
            "This is geometry, for a clear sky."
        )
    sentences = []
    for beam in today:
        window = next(w for w in windows if w.name == beam.window)
        until = lit_days([window], place, day)
        last = (
            ""
            if until is None or (until[1] - day).days >= _YEAR
            else f" until {words.day(until[1])}"
        )
        side = ends_it(window, place, day)
        step = "" if side is None else f" or one metre to the {side}"
        sentences.append(
            f"Through the {window.name} the sun reaches the rail from "
            f"{_clock(beam.begins, zone)} to {_clock(beam.ends, zone)}{last}; a curtain{step} "
            "ends it."
        )
    return " ".join([*sentences, "This is geometry, for a clear sky."])


def direct_minutes(
    windows: Sequence[Window],
    place: Position,
    minute: NDArray[np.int64],
    lux: Floats | None,
    chance_of_sun: Floats | None = None,
) -> Flags:
    """In which minutes the beam is on the rail.

    minute   UTC epoch minutes, evenly spaced
    lux      light at the rail [lx], NaN where unknown; None: no light sensor
    chance_of_sun  probability that the sun shines [-], NaN where unknown; used without light
    returns  by the light where it is known: a beam is many times as bright as the room, and only
             comes when the sun passes the window, give or take a margin. Elsewhere by geometry,
             where the sun likelier shines than not; under a clear sky where nothing is known of it
    """
    by_geometry = np.array(
        [
            any(reaches(w, sun) for w in windows)
            for sun in (sun_position(place.latitude, place.longitude, float(m)) for m in minute)
        ],
        dtype=bool,
    )
    shining: Flags = by_geometry
    if chance_of_sun is not None:
        shining = by_geometry & ~(chance_of_sun < LIKELIER_THAN_NOT)
    if lux is None or minute.size < 2:
        return shining
    step = max(1, int(minute[1] - minute[0]))
    may_be = _widened(by_geometry, _MARGIN_MIN // step)
    known = np.isfinite(lux)
    dim = np.where(may_be | ~known, np.nan, lux)
    seen, reach = shining.copy(), _NEAR_MIN // step
    for i in np.flatnonzero(may_be & known):
        about = dim[max(0, i - reach) : i + reach + 1]
        about = about[np.isfinite(about)]
        room_lx = float(np.median(about)) if about.size else 0.0
        seen[i] = lux[i] >= max(_BEAM_LEAST_LX, _BEAM_TIMES * room_lx)
    seen[known & ~may_be] = False
    return seen


def _widened(flags: Flags, steps: int) -> Flags:
    wide = np.convolve(flags.astype(int), np.ones(2 * steps + 1, dtype=int), mode="same") > 0
    return np.asarray(wide, dtype=bool)


class Correction(NamedTuple):
    """What the light sensor says of the windows' measures.

    seen       share of the foreseen sunny minutes in which the beam was seen [-]; clouds lower it
    shift_min  how much later it came than foreseen [min]; None: not seen often enough to tell
    """

    seen: float
    shift_min: float | None


def corrected(
    windows: Sequence[Window], place: Position, minute: NDArray[np.int64], lux: Floats
) -> Correction | None:
    """Whether the light sensor bears the geometry out; None: no sun was foreseen.

    lux  light at the rail over some days [lx], NaN where unknown
    """
    foreseen = direct_minutes(windows, place, minute, None)
    seen = direct_minutes(windows, place, minute, lux) & np.isfinite(lux)
    if not (foreseen & np.isfinite(lux)).any():
        return None
    share = float(seen[foreseen & np.isfinite(lux)].mean())
    if seen.sum() < _ENOUGH_SEEN:
        return Correction(share, None)
    step = max(1, int(minute[1] - minute[0]))
    shifts = np.arange(-_MARGIN_MIN // step, _MARGIN_MIN // step + 1)
    hits = np.array([(seen & np.roll(foreseen, s)).sum() for s in shifts])
    return Correction(share, float(shifts[hits == hits.max()].mean() * step))


def told_correction(found: Correction | None) -> str:
    """In words, what the light sensor says of the windows' measures."""
    if found is None:
        return ""
    if found.shift_min is None:
        return "The light sensor has hardly seen the sun there lately, so it cannot confirm this."
    minutes = abs(round(found.shift_min))
    if minutes <= _WELL_MEASURED_MIN:
        return (
            f"The light sensor bears this out: lately it saw the sun in {100 * found.seen:.0f} % "
            "of those minutes; clouds had the rest."
        )
    late = "later" if found.shift_min > 0 else "earlier"
    return (
        f"The light sensor saw the sun there about {minutes} minutes {late} than these windows "
        "would let it in: measure where they look to once more."
    )


class Dose(NamedTuple):
    """Light of a day's beams on the rail [lx·h]; always an estimate, and to be told as one."""

    lx_h: float
    says: str


def estimated_dose(
    windows: Sequence[Window], place: Position, day: date, sunshine: float | None
) -> Dose:
    """Light that the beam brings to the rail in a day, where no light sensor tells it.

    sunshine  share of the day's beam that clouds let through, 0 to 1; None: unknown, told as for a
              clear sky, the most it can be
    """
    total = 0.0
    for _, sun in _sun_path(place, day):
        for window in windows:
            if reaches(window, sun):
                at = incidence(sun, window.tilt_deg, window.facing_deg)
                beam = clear_beam(sun.elevation_deg) * glass_transmittance(at)
                total += beam * _STEP_MIN / 60
                break
    total *= 1.0 if sunshine is None else sunshine
    sky = "at most, under a clear sky" if sunshine is None else "under the day's clouds"
    return Dose(
        total,
        f"About {words.two_figures(total):,.0f} lux hours from the sun {sky}: estimated from the "
        "windows, not measured.",
    )


def _clock(epoch_minute: int, timezone: str) -> str:
    return f"{local(epoch_minute * MINUTE_MS, timezone):%H:%M}"


def chance_of_sun(outdoor_c: Floats, outdoor_pct: Floats) -> Floats:
    """Probability that the sun shone, hour by hour, from the air outdoors; nothing at night.

    A sunny hour is drier than that hour was of late, and warmer than the day's coldest: from these
    two alone (a beam of over 120 W/m², as the WMO counts sunshine), fitted by logistic regression
    to the typical years of Sand Point, Alaska, and Miami, Florida, sun above 5°, 11 April to 7
    October; `bench_adviser` holds it against Greensboro, North Carolina, which it never saw.

    outdoor_c, outdoor_pct  temperature [°C] and humidity [%] of the hours of local days one after
                            the other, shape (days, 24), NaN where unknown
    returns                 [-], shape (days, 24); NaN where the day or those before are not known
    """
    chance = np.full(outdoor_c.shape, np.nan)
    known = np.flatnonzero(np.isfinite(outdoor_c + outdoor_pct).all(axis=1))
    for day in range(len(outdoor_c)):
        before = known[(known >= day - _USUAL_DAYS) & (known < day)]
        if before.size < _FEWEST_DAYS:
            continue
        damper = outdoor_pct[day] - np.median(outdoor_pct[before], axis=0)
        warmer = outdoor_c[day] - outdoor_c[day].min()
        odds = np.exp(_CONSTANT + _HUMIDITY * damper / 10 + _WARMTH * np.log1p(warmer))
        chance[day] = odds / (1 + odds)
    return chance
