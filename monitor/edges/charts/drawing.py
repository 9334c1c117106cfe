"""The parts that pictures are drawn from: the sheet, its scales, its axes, its words."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from html import escape
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from monitor.site.time import DAY_MIN, MINUTE_MS, local, local_day, midnight

Floats = npt.NDArray[np.float64]

WIDTH = 360.0
LEFT, RIGHT, BOTTOM = 34.0, 8.0, 20.0
LETTER = 5.8  # mean width of a letter at the size of `charts.css`

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


@dataclass(frozen=True)
class Plot:
    """Where values go: data from x0 to x1 and y0 to y1 into a box of the picture."""

    x0: float
    x1: float
    y0: float
    y1: float
    top: float
    height: float
    left: float = LEFT
    width: float = WIDTH - LEFT - RIGHT

    def x(self, value: float) -> float:
        """Across, in the picture's units."""
        return self.left + (value - self.x0) / (self.x1 - self.x0) * self.width

    def y(self, value: float) -> float:
        """Down, in the picture's units."""
        return self.top + (self.y1 - value) / (self.y1 - self.y0) * self.height

    @property
    def bottom(self) -> float:
        """The lower edge."""
        return self.top + self.height


@dataclass
class Picture:
    """An SVG picture being drawn; `key` makes its ids its own among others on a page."""

    key: str
    title: str
    description: str
    height: float
    parts: list[str] = field(default_factory=list)

    def add(self, part: str) -> None:
        """One more element."""
        self.parts.append(part)

    def text(self, x: float, y: float, words: str, kind: str = "", anchor: str = "start") -> None:
        """Words at a place."""
        self.add(
            f'<text x="{x:.1f}" y="{y:.1f}" class="{kind}" text-anchor="{anchor}">'
            f"{escape(words)}</text>"
        )

    def shade(self, x: float, y: float, width: float, height: float, kind: str) -> None:
        """A shaded stretch; what is damp is hatched, so that it is seen without its colour too."""
        damp = f'class="hatched" fill="url(#{self.key}-damp)"'
        look = damp if kind == "damp" else f'class="shade {kind}"'
        self.add(
            f'<rect {look} x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}"/>'
        )

    def svg(self) -> str:
        """The finished picture."""
        return (
            f'<svg class="chart" viewBox="0 0 {WIDTH:.0f} {self.height:.0f}" role="img" '
            f'aria-labelledby="{self.key}-title {self.key}-desc" '
            f'xmlns="http://www.w3.org/2000/svg"><title id="{self.key}-title">'
            f'{escape(self.title)}</title><desc id="{self.key}-desc">{escape(self.description)}'
            f"</desc>{_hatching(self.key)}{''.join(self.parts)}</svg>"
        )


def line_path(plot: Plot, values: Floats, every: int = 1, steps: int = 300) -> str:
    """The path of values `every` minutes apart from plot.x0 on; it breaks where none is known."""
    at, found = extremes(values, steps)
    across = plot.left + at * every / (plot.x1 - plot.x0) * plot.width
    down = plot.top + (plot.y1 - found) / (plot.y1 - plot.y0) * plot.height
    return broken_path(across, down)


def broken_path(x: Floats, y: Floats) -> str:
    """A path through points; it breaks where y is NaN and where x goes back."""
    known = ~np.isnan(y)
    x, y, gone_on = x[known], y[known], known[:-1][known[1:]]
    if not len(x):
        return ""
    if not known[0]:
        gone_on = gone_on[1:]
    starts = np.concatenate(([True], ~gone_on | (np.diff(x) < 0)))
    return "".join(
        f"{'M' if start else 'L'}{across:g} {down:g}"
        for start, across, down in zip(
            starts.tolist(), np.round(x, 1).tolist(), np.round(y, 1).tolist(), strict=True
        )
    )


def extremes(values: Floats, steps: int) -> tuple[Floats, Floats]:
    """Lowest and highest value of each of `steps` equal stretches, in the order they came.

    returns  where they are (index into values) and what they are; NaN where nothing is known

    >>> extremes(np.array([1.0, 5.0, 3.0, 9.0, 2.0, 4.0]), 2)
    (array([0., 1., 3., 4.]), array([1., 5., 9., 2.]))
    """
    if len(values) <= 2 * steps:
        return np.arange(len(values), dtype=np.float64), values
    size = math.ceil(len(values) / steps)
    padded = np.full(size * math.ceil(len(values) / size), np.nan)
    padded[: len(values)] = values
    table = padded.reshape(-1, size)
    unknown = np.isnan(table)
    lowest = np.where(unknown, np.inf, table).argmin(axis=1)
    highest = np.where(unknown, -np.inf, table).argmax(axis=1)
    row = np.arange(len(table))
    pairs = np.sort(np.stack((lowest, highest), axis=1), axis=1) + row[:, None] * size
    at = pairs.ravel()
    return at.astype(np.float64), padded[at]


def points_path(plot: Plot, x: Floats, y: Floats) -> str:
    """The points of a path, all of them known."""
    return "L".join(
        f"{plot.x(a):.1f} {plot.y(b):.1f}" for a, b in zip(x.tolist(), y.tolist(), strict=True)
    )


def axes(picture: Picture, plot: Plot, timezone: str) -> None:
    """Values up the left edge, moments along the lower one."""
    for value in _ticks(plot.y0, plot.y1):
        y = plot.y(value)
        picture.add(
            f'<path class="grid" d="M{plot.left:.0f} {y:.1f}H{plot.left + plot.width:.0f}"/>'
        )
        picture.text(plot.left - 4, y + 3.5, f"{value:,g}".replace("-", "−"), "small", "end")
    last = -math.inf
    for minute, words in _moments(int(plot.x0), int(plot.x1), timezone):
        x = plot.x(minute)
        picture.add(f'<path class="tick" d="M{x:.1f} {plot.bottom:.1f}v4"/>')
        if x - last >= LETTER * (len(words) + 1) and x + LETTER * len(words) <= WIDTH:
            picture.text(x + 1, plot.bottom + 14, words, "small")
            last = x
    picture.add(f'<path class="axis" d="M{plot.left:.0f} {plot.bottom:.1f}h{plot.width:.0f}"/>')


def _ticks(low: float, high: float) -> list[float]:
    """Three to six round values within a span."""
    step = _step(high - low)
    first = math.ceil(low / step - 1e-9)
    return [round(n * step, 10) for n in range(first, math.floor(high / step + 1e-9) + 1)]


def _step(span: float) -> float:
    power = 10.0 ** math.floor(math.log10(span / 4))
    return next(factor * power for factor in (1, 2, 5, 10) if span / (factor * power) <= 5)


def _moments(begin: int, end: int, timezone: str) -> Iterator[tuple[int, str]]:
    """Moments to name along the time axis: quarters of a day, days, or firsts of the month."""
    zone = ZoneInfo(timezone)
    days = (end - begin) / DAY_MIN
    day = local_day(begin * MINUTE_MS, zone)
    while (minute := midnight(day, zone)) < end:
        for hour in (0, 6, 12, 18) if days <= 2 else (0,):
            at = minute + hour * 60
            if begin <= at < end and (days <= 60 or day.day == 1):
                yield at, f"{hour:02d}:00" if hour else day_words(day, days)
        day += timedelta(days=1)


def day_words(day: date, days: float) -> str:
    """A day as it is named in a span of so many days: `Mon 13`, or `13 Jul` in a longer one."""
    weekday = _WEEKDAYS[day.weekday()]
    return f"{weekday} {day.day}" if days <= 10 else f"{day.day} {_MONTHS[day.month - 1]}"


def round_out(values: Iterable[float]) -> tuple[float, float]:
    """A span of round values that holds these."""
    inside = list(values)
    low, high = min(inside), max(inside)
    if high - low < 1e-9:
        low, high = low - 1, high + 1
    step = _step(high - low) / 2
    return math.floor(low / step) * step, math.ceil(high / step) * step


def moment(minute: int, timezone: str) -> str:
    """A moment by the clock on the wall: `Mon 13, 14:10`."""
    there = local(minute * MINUTE_MS, timezone)
    return f"{day_words(there.date(), 1)}, {there:%H:%M}"


def day_of(minute: int, timezone: str) -> str:
    """The day of a moment within a year: `13 Jul`."""
    return day_words(local_day(minute * MINUTE_MS, timezone), 365)


def key_of(title: str, begin: int) -> str:
    """An id of a picture's own, from its title and its beginning."""
    return f"{re.sub(r'[^a-z0-9]+', '-', title.lower()).strip('-')}-{begin}"


def _hatching(key: str) -> str:
    return (
        f'<defs><pattern id="{key}-damp" width="5" height="5" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)"><path class="hatch damp" d="M0 0V5"/></pattern></defs>'
    )
