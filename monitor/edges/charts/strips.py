"""The hours of a week: each day a strip hung from its rail.

The rail is the strip's upper edge, with a hook at 6, 12 and 18 o'clock by the clock on the wall.
The temperature runs below it as a line; hours past a limit are drawn over it (damp: hatched, hot:
the line itself thick, sunny: a bar upon the rail) and told in words at the strip's end.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from monitor.edges.charts.drawing import (
    Floats,
    Picture,
    broken_path,
    day_words,
    extremes,
    key_of,
    round_out,
)
from monitor.site.time import DAY_MIN, MINUTE_MS, local, local_day, midnight

Bools = npt.NDArray[np.bool_]

_STRIP = 44.0  # from rail to rail
_AIR = 32.0  # height of the air below a rail
_HEAD = 29.0
_LEFT, _ACROSS = 44.0, 224.0
_WORDS_AT = _LEFT + _ACROSS + 6
_STEPS = 75  # a third of the strip's width: two points a step
_OFFSET_STEP_MIN = 30  # clocks change at full and half hours
_COARSE_MIN = 10  # shorter interruptions are not drawn


class Passed(NamedTuple):
    """Minutes in which a limit is passed: what they are in a word, and how they are drawn.

    words   short, for a strip's end: "damp"
    legend  what it means: "damp: over 75 %"
    kind    damp, heat or sun
    """

    words: str
    legend: str
    kind: str
    minutes: Bools


class _Day(NamedTuple):
    """One day's part of the week: indices into it, and the clock on the wall for each minute."""

    day: date
    part: slice
    wall: npt.NDArray[np.int64]


def week_strips(
    *,
    title: str,
    unit: str,
    begin: int,
    temperature: Floats,
    timezone: str,
    passed: Sequence[Passed] = (),
    nights: Bools | None = None,
    since: int | None = None,
    until: int | None = None,
) -> str:
    """Strips of days from local midnight `begin` on.

    begin         minute of the first value [UTC epoch minutes]
    temperature   one value a minute for whole days, NaN: not known
    nights        whether the sun is down, minute by minute
    since, until  the air was looked at from here, to here; outside, nothing is said to be missing
    """
    low, high = round_out(_ends(temperature))
    since = begin if since is None else since
    until = begin + len(temperature) if until is None else until
    days = list(_days(begin, len(temperature), timezone))
    legend = _legend(low, high, unit, passed, nights is not None)
    height = _HEAD + _STRIP * len(days) + 4 + 14 * len(legend)
    picture = Picture(
        key_of(title, begin), title, _described(days, temperature, unit, passed), height
    )
    picture.text(0, 11, title, "name")
    for hour in (0, 6, 12, 18, 24):
        picture.text(_LEFT + hour / 24 * _ACROSS, 25, f"{hour}", "small", "middle")
    for n, day in enumerate(days):
        rail = _HEAD + _STRIP * n + 3
        looked = slice(since - begin, until - begin)
        _strip(picture, rail, day, temperature, (low, high), passed, nights, looked, unit)
    for n, (kind, words) in enumerate(legend):
        _legend_line(picture, height - 14 * (len(legend) - n) + 10, kind, words)
    return picture.svg()


def _strip(
    picture: Picture,
    rail: float,
    day: _Day,
    temperature: Floats,
    reach: tuple[float, float],
    passed: Sequence[Passed],
    nights: Bools | None,
    looked: slice,
    unit: str,
) -> None:
    picture.text(0, rail + 12, day_words(day.day, 1).split()[0], "name")
    picture.text(0, rail + 25, day_words(day.day, 30), "small")
    values = temperature[day.part]
    indices = np.arange(day.part.start, day.part.stop)
    if nights is not None:
        _stretches(picture, day, nights[day.part], rail, _AIR, "night")
    for one in passed:
        if one.kind == "damp":
            _stretches(picture, day, one.minutes[day.part], rail, _AIR, "damp")
        elif one.kind == "sun":
            _stretches(picture, day, one.minutes[day.part], rail - 3.5, 3.5, "sun strong")
    within = (indices >= looked.start) & (indices < looked.stop)
    _unknown(picture, day, np.isnan(values) & within, rail)
    _line(picture, day, values, reach, rail, "ink")
    for one in passed:
        if one.kind == "heat":
            hot = np.where(one.minutes[day.part], values, np.nan)
            _line(picture, day, hot, reach, rail, "heat thick")
    hooks = "".join(f"M{_LEFT + h / 24 * _ACROSS:.1f} {rail:.1f}v4" for h in (6, 12, 18))
    picture.add(f'<path class="rail" d="M{_LEFT:.0f} {rail:.1f}h{_ACROSS:.0f}{hooks}"/>')
    for n, words in enumerate(_said(values, within, passed, day, unit)[:3]):
        picture.text(_WORDS_AT, rail + 9 + 12 * n, words, "" if n == 0 else "small")


def _line(
    picture: Picture, day: _Day, values: Floats, reach: tuple[float, float], rail: float, kind: str
) -> None:
    at, found = extremes(values, _STEPS)
    low, high = reach
    x = _LEFT + day.wall[at.astype(np.int64)] / DAY_MIN * _ACROSS
    y = rail + 3 + (high - found) / (high - low) * (_AIR - 5)
    path = broken_path(x, y)
    if path:
        picture.add(f'<path class="line {kind}" d="{path}"/>')


def _stretches(
    picture: Picture, day: _Day, true: Bools, y: float, height: float, kind: str
) -> None:
    for x, x_end in _runs(day, true):
        picture.shade(x, y, x_end - x, height, kind)


def _unknown(picture: Picture, day: _Day, unknown: Bools, rail: float) -> None:
    for x, x_end in _runs(day, unknown):
        y = rail + _AIR / 2
        if x_end - x > 50:
            picture.text((x + x_end) / 2, y + 3, "not known", "small", "middle")
        else:
            picture.add(f'<path class="missing" d="M{x:.1f} {y:.1f}H{x_end:.1f}"/>')


def _runs(day: _Day, true: Bools) -> Iterator[tuple[float, float]]:
    """Where the stretches lie across; interruptions of a few minutes are not drawn."""
    at = np.flatnonzero(true)
    if not len(at):
        return
    wall = day.wall[at]
    breaks = np.flatnonzero((np.diff(at) > _COARSE_MIN) | (np.diff(wall) < 0))
    firsts = wall[np.concatenate(([0], breaks + 1))]
    lasts = wall[np.concatenate((breaks, [len(at) - 1]))] + 1
    for first, last in zip(firsts.tolist(), lasts.tolist(), strict=True):
        yield _LEFT + first / DAY_MIN * _ACROSS, _LEFT + last / DAY_MIN * _ACROSS


def _days(begin: int, length: int, timezone: str) -> Iterator[_Day]:
    zone = ZoneInfo(timezone)
    steps = range(begin, begin + length, _OFFSET_STEP_MIN)
    offsets = np.repeat([_offset(minute, zone) for minute in steps], _OFFSET_STEP_MIN)[:length]
    wall = (np.arange(begin, begin + length) + offsets) % DAY_MIN
    day = local_day(begin * MINUTE_MS, zone)
    first = begin
    while first < begin + length:
        after = min(midnight(day + timedelta(days=1), zone), begin + length)
        part = slice(first - begin, after - begin)
        yield _Day(day, part, wall[part])
        first, day = after, day + timedelta(days=1)


def _offset(minute: int, zone: ZoneInfo) -> int:
    ahead = local(minute * MINUTE_MS, zone).utcoffset()
    return round((ahead or timedelta()).total_seconds() / 60)


# -- words --------------------------------------------------------------------------------------


def _said(
    values: Floats, within: Bools, passed: Sequence[Passed], day: _Day, unit: str
) -> list[str]:
    """A strip's end: the day's range, then what was passed for how long, the longest first."""
    if not within.any():
        return ["not yet"]
    if np.isnan(values).all():
        return ["not known"]
    low, high = (_figure(f(values)) for f in (np.nanmin, np.nanmax))
    said = [f"{low} to {high} {unit}" if low != high else f"{high} {unit}"]
    hours = [(one.minutes[day.part].sum() / 60, one.words) for one in passed]
    said += [f"{words} {_hours(h)}" for h, words in sorted(hours, reverse=True) if h]
    unknown = (np.isnan(values) & within).sum() / 60
    if unknown >= 0.5:
        said.insert(1, f"{_hours(unknown)} not known")
    return said


def _figure(value: float) -> str:
    return f"{value:.0f}".replace("-0", "0").replace("-", "−")


def _hours(hours: float) -> str:
    return f"{hours:.0f} h" if hours >= 0.95 else f"{hours * 60:.0f} min"


def _ends(values: Floats) -> list[float]:
    if np.isnan(values).all():
        return [0.0, 1.0]
    return [float(np.nanmin(values)), float(np.nanmax(values))]


def _legend(
    low: float, high: float, unit: str, passed: Sequence[Passed], nights: bool
) -> list[tuple[str, str]]:
    line = f"temperature: {_figure(low)} {unit} at the foot of a strip, {_figure(high)} at its rail"
    legend = [("ink", line), *((one.kind, one.legend) for one in passed if one.minutes.any())]
    return [*legend, ("night", "night")] if nights else legend


def _legend_line(picture: Picture, y: float, kind: str, words: str) -> None:
    if kind in ("damp", "night"):
        picture.shade(0, y - 8, 24, 9, kind)
    elif kind == "sun":
        picture.shade(0, y - 5, 24, 3.5, "sun strong")
    else:
        thick = " thick" if kind == "heat" else ""
        picture.add(f'<path class="line {kind}{thick}" d="M0 {y - 3.5:.1f}h24"/>')
    picture.text(30, y, words, "small")


def _described(
    days: Sequence[_Day], temperature: Floats, unit: str, passed: Sequence[Passed]
) -> str:
    told = []
    for day in days:
        values = temperature[day.part]
        everything = np.ones(len(values), dtype=np.bool_)
        said = ", ".join(_said(values, everything, passed, day, unit))
        told.append(f"{day_words(day.day, 1)}: {said}.")
    return " ".join(told)
