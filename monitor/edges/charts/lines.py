"""Lines over time, and the fan of what is expected."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from monitor.edges.charts.drawing import (
    BOTTOM,
    LEFT,
    LETTER,
    RIGHT,
    WIDTH,
    Floats,
    Picture,
    Plot,
    axes,
    day_of,
    key_of,
    line_path,
    moment,
    points_path,
    round_out,
)
from monitor.site.time import DAY_MIN
from monitor.site.words import begun

_HEAD = 24.0  # the name above the plot
_MARK_ROW = 14.0  # height of a row of marks above the plot
_MOST_MARK_ROWS = 3
_POINTS_ARE = "weighed"  # what a person measured
_EACH_MARK_TOLD_DAYS = 31  # in a longer span they are counted
_UNTIL_SAID_AGAIN = 90.0  # free room after which a row repeats its words


class Series(NamedTuple):
    """A line: values evenly in time (NaN: not known), what it is in words, and its class.

    kind  heat, damp, sun, pull or outdoors
    """

    values: Floats
    words: str
    kind: str


class ChartLevel(NamedTuple):
    """A limit or target: where it lies, and what it is in words."""

    value: float
    words: str
    kind: str


class Mark(NamedTuple):
    """A time that is marked above the plot and shaded in it [UTC epoch minutes]."""

    begin: int
    end: int
    words: str
    kind: str


@dataclass
class _Row:
    """Marks side by side above a plot: each with whether its words stand there.

    own   the words that all of them have; None: of each something else
    free  from where on there is room for words
    """

    placed: list[tuple[Mark, bool]]
    own: str | None
    free: float = 0.0


def line_chart(
    *,
    title: str,
    unit: str,
    begin: int,
    series: Sequence[Series],
    timezone: str,
    levels: Sequence[ChartLevel] = (),
    marks: Sequence[Mark] = (),
    every: int = 1,
    height: float = 150.0,
) -> str:
    """Lines over time.

    begin   minute of the first value [UTC epoch minutes]; all series are equally long
    levels  drawn if they lie near the values
    every   minutes from one value to the next; above 1 the values are extremes of longer stretches
    height  of the plot itself
    """
    end = begin + every * len(series[0].values)
    known = [s for s in series if not np.isnan(s.values).all()]
    reach = low, high = _reach(known, levels)
    described = _described(series, unit, levels, marks, begin, every, timezone)
    name = f"{', '.join(s.words for s in series)} [{unit}]"
    frame = _Frame(title, name, described, (begin, end), reach, marks, timezone, height)
    picture, plot = frame.picture, frame.plot
    near = [level for level in levels if low <= level.value <= high]
    for level in near:
        _level(picture, plot, level)
    for one in known:
        path = line_path(plot, one.values, every)
        picture.add(f'<path class="line {one.kind}" d="{path}"/>')
    third = len(series[0].values) // 3
    free_first = bool(known) and all(np.isnan(s.values[:third]).all() for s in known)
    for level in near:
        _level_words(picture, plot, level, at_the_left=free_first)
    if not known:
        middle = plot.left + plot.width / 2, plot.top + height / 2
        picture.text(*middle, "not known", "", "middle")
    return frame.svg()


class _Frame:
    """What all pictures over time have: a name, the marks in rows and shades, and the axes.

    weighed  points are told beside the name
    """

    def __init__(
        self,
        title: str,
        name: str,
        described: str,
        span: tuple[int, int],
        reach: tuple[float, float],
        marks: Iterable[Mark],
        timezone: str,
        height: float,
        weighed: bool = False,
    ) -> None:
        self.rows, left_over = _rows(marks, *span)
        top = _HEAD + _MARK_ROW * len(self.rows)
        self.plot = Plot(*span, *reach, top, height)
        picture = Picture(key_of(title, span[0]), title, described, top + height + BOTTOM)
        self.picture = picture
        picture.text(0, 11, name, "name")
        right = WIDTH - RIGHT
        if weighed:
            picture.add(f'<circle class="point" cx="{right - 4:.0f}" cy="7" r="3.5"/>')
            picture.text(right - 11, 11, _POINTS_ARE, "small", "end")
            right -= 20 + LETTER * len(_POINTS_ARE)
        if left_over:
            picture.text(right, 11, f"and {left_over} more", "small", "end")
        for mark in (mark for row in self.rows for mark, _ in row.placed):
            _shade(picture, self.plot, mark)
        axes(picture, self.plot, timezone)

    def svg(self) -> str:
        """The finished picture, the marks' words upon all else."""
        _mark_rows(self.picture, self.plot, self.rows)
        return self.picture.svg()


def fan_chart(
    *,
    title: str,
    unit: str,
    minutes: Floats,
    p10: Floats,
    p50: Floats,
    p90: Floats,
    timezone: str,
    now: int | None = None,
    points: Sequence[tuple[int, float]] = (),
    due: Mark | None = None,
    levels: Sequence[ChartLevel] = (),
    marks: Sequence[Mark] = (),
    foreseen: tuple[Floats, Floats] | None = None,
    height: float = 150.0,
) -> str:
    """A curve with the span in which eight of ten fall, and what was measured.

    minutes   of p10, p50 and p90, rising [UTC epoch minutes]
    now       the curve is solid up to here, what is expected is dashed after it
    points    (minute, value) of what a person measured
    due       when the first level is likely reached
    foreseen  minutes and values of the curve as it was once expected, a fine line
    """
    reach = round_out(
        [float(np.nanmin(p10)), float(np.nanmax(p90)), *(v for _, v in points)]
        + [level.value for level in levels]
        + ([] if foreseen is None else foreseen[1].tolist())
    )
    described = _fan_described(unit, p10, p50, p90, foreseen)
    if points:
        described += f" {len(points)} {_POINTS_ARE}."
    told = [] if due is None else [f"{due.words}: {_span_told(due, timezone)}."]
    told += [f"{moment(m.begin, timezone)}: {m.words}." for m in marks]
    described, span = " ".join([described, *told]), (int(minutes[0]), int(minutes[-1]))
    name = f"{title} [{unit}]"
    frame = _Frame(title, name, described, span, reach, marks, timezone, height, bool(points))
    picture, plot = frame.picture, frame.plot
    _fan(picture, plot, minutes, (p10, p50, p90), foreseen, now)
    for level in levels:
        _level(picture, plot, level)
        if due is None:
            _level_words(picture, plot, level)
    if due is not None:
        _due(picture, plot, levels[0].value, due)
    for minute, value in points:
        at = f'cx="{plot.x(minute):.1f}" cy="{plot.y(value):.1f}"'
        picture.add(f'<circle class="point" {at} r="3.5"/>')
    return frame.svg()


def _span_told(mark: Mark, timezone: str) -> str:
    return f"{moment(mark.begin, timezone)} to {moment(mark.end, timezone)}"


def _fan_described(
    unit: str, p10: Floats, p50: Floats, p90: Floats, foreseen: tuple[Floats, Floats] | None
) -> str:
    told = (
        f"From {p50[0]:.0f} to {p50[-1]:.0f} {unit}; eight of ten between {p10[-1]:.0f} and "
        f"{p90[-1]:.0f} {unit} at the end."
    )
    if foreseen is not None:
        told += f" As it was once expected: {foreseen[1][-1]:.0f} {unit}, the fine line."
    return told


def _fan(
    picture: Picture,
    plot: Plot,
    minutes: Floats,
    bands: tuple[Floats, Floats, Floats],
    foreseen: tuple[Floats, Floats] | None,
    now: int | None,
) -> None:
    """The span, and its middle: solid up to now, dashed from then on."""
    p10, p50, p90 = bands
    over = points_path(plot, minutes, p90)
    back = points_path(plot, minutes[::-1], p10[::-1])
    picture.add(f'<path class="fan" d="M{over}L{back}Z"/>')
    if foreseen is not None:
        then = points_path(plot, *foreseen)
        picture.add(f'<path class="line outdoors" d="M{then}"/>')
    split = len(minutes) if now is None else int(np.searchsorted(minutes, now, side="right"))
    if split:
        picture.add(
            f'<path class="line pull" d="M{points_path(plot, minutes[:split], p50[:split])}"/>'
        )
    if split < len(minutes):
        first = max(0, split - 1)
        ahead = points_path(plot, minutes[first:], p50[first:])
        picture.add(f'<path class="line pull ahead" d="M{ahead}"/>')
        _beside(picture, plot, plot.x(float(minutes[first])) + 4, 9, "expected")


def _due(picture: Picture, plot: Plot, value: float, due: Mark) -> None:
    """A bar along the level with its words over its end, where the curve has come down."""
    x, x_end, y = plot.x(due.begin), plot.x(due.end), plot.y(value)
    x_end = max(x_end, x + 2)
    picture.add(f'<path class="mark {due.kind}" d="M{x:.1f} {y - 9:.1f}V{y:.1f}H{x_end:.1f}v-9"/>')
    first = max(x_end - LETTER * len(due.words), plot.left + 2)
    _beside(picture, plot, first, y - 14 - plot.top, due.words)


def _beside(picture: Picture, plot: Plot, x: float, down: float, words: str) -> None:
    """Words from x on, or up to the right edge where they would not fit."""
    last = WIDTH - RIGHT - LETTER * len(words)
    picture.text(min(x, last), plot.top + down, words, "small halo")


def _reach(series: Iterable[Series], levels: Iterable[ChartLevel]) -> tuple[float, float]:
    """The span of values, with those limits that lie within half of it again."""
    ends = [f(s.values) for s in series for f in (np.nanmin, np.nanmax)]
    if not ends:
        return round_out([level.value for level in levels] or [0.0, 1.0])
    low, high = float(min(ends)), float(max(ends))
    near = max(0.5 * (high - low), 1e-9)
    return round_out(
        [low, high, *(v.value for v in levels if low - near <= v.value <= high + near)]
    )


def _level(picture: Picture, plot: Plot, level: ChartLevel) -> None:
    y = plot.y(level.value)
    picture.add(f'<path class="level {level.kind}" d="M{plot.left:.0f} {y:.1f}h{plot.width:.0f}"/>')


def _level_words(
    picture: Picture, plot: Plot, level: ChartLevel, at_the_left: bool = False
) -> None:
    y = plot.y(level.value)
    above = y - 3 if y - plot.top > 12 else y + 10
    if at_the_left:
        picture.text(plot.left + 2, above, level.words, "small halo")
    else:
        picture.text(plot.left + plot.width - 2, above, level.words, "small halo", "end")


def _rows(marks: Iterable[Mark], begin: int, end: int) -> tuple[list[_Row], int]:
    """The marks within the span in rows, so that no words run into others; how many had no room.

    What comes again has a row of its own, and its words where there is room for them.
    """
    within = [
        mark._replace(begin=max(mark.begin, begin), end=min(mark.end, end))
        for mark in sorted(marks)
        if mark.end > begin and mark.begin < end
    ]
    times = Counter(mark.words for mark in within)
    a_minute = (WIDTH - LEFT - RIGHT) / (end - begin)
    rows: list[_Row] = []
    left_over = 0
    for mark in within:
        own = mark.words if times[mark.words] > 1 else None
        first, last = _extent(mark, begin, a_minute)
        row = next((r for r in rows if r.own == own and (own or r.free <= first)), None)
        if row is None and len(rows) == _MOST_MARK_ROWS:
            left_over += 1
            continue
        if row is None:
            row = _Row([], own)
            rows.append(row)
        named = row.free <= first
        row.placed.append((mark, named))
        if named:
            row.free = last + (_UNTIL_SAID_AGAIN if own else 6)
    return rows, left_over


def _extent(mark: Mark, begin: int, a_minute: float) -> tuple[float, float]:
    """From where to where a mark and its words reach."""
    x = LEFT + (mark.begin - begin) * a_minute
    x_end = LEFT + (mark.end - begin) * a_minute
    width = LETTER * len(mark.words)
    first = min(x, WIDTH - RIGHT - width)
    return first, max(x_end, first + width)


def _shade(picture: Picture, plot: Plot, mark: Mark) -> None:
    x, x_end = plot.x(mark.begin), plot.x(mark.end)
    picture.shade(x, plot.top, max(x_end - x, 1), plot.height, mark.kind)


def _mark_rows(picture: Picture, plot: Plot, rows: Sequence[_Row]) -> None:
    a_minute = plot.width / (plot.x1 - plot.x0)
    for n, row in enumerate(rows):
        y = plot.top - 4 - _MARK_ROW * (len(rows) - 1 - n)
        for mark, named in row.placed:
            x, x_end = plot.x(mark.begin), plot.x(mark.end)
            first, _ = _extent(mark, int(plot.x0), a_minute)
            picture.add(
                f'<path class="mark {mark.kind}" d="M{x:.1f} {y + 2:.1f}H{max(x_end, x + 2):.1f}"/>'
            )
            if named:
                picture.text(first, y - 1, mark.words, "small")


def _described(
    series: Sequence[Series],
    unit: str,
    levels: Sequence[ChartLevel],
    marks: Sequence[Mark],
    begin: int,
    every: int,
    timezone: str,
) -> str:
    by_the_day = every * len(series[0].values) > _EACH_MARK_TOLD_DAYS * DAY_MIN

    def when(index: int) -> str:
        minute = begin + index * every
        if by_the_day:
            return f"on {day_of(minute, timezone)}"
        return ("" if every == 1 else "around ") + moment(minute, timezone)

    told = []
    for one in series:
        if np.isnan(one.values).all():
            told.append(f"{one.words}: not known.")
            continue
        low, high = int(np.nanargmin(one.values)), int(np.nanargmax(one.values))
        told.append(
            f"{one.words}: lowest {one.values[low]:.3g} {unit} {when(low)}, "
            f"highest {one.values[high]:.3g} {unit} {when(high)}."
        )
        unknown = every * int(np.isnan(one.values).sum())
        if unknown:
            told.append(f"Not known for {unknown / 60:.3g} h.")
    told += [f"{begun(level.words)}." for level in levels]
    if by_the_day:
        times = Counter(mark.words for mark in marks)
        told += [
            f"{begun(words)}: {'once' if n == 1 else f'{n} times'}." for words, n in times.items()
        ]
    else:
        told += [f"{moment(m.begin, timezone)}: {m.words}." for m in marks]
    return " ".join(told)
