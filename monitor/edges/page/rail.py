"""The rail and what hangs from it, drawn: bunches head down in their own colours."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from html import escape
from random import Random

import numpy as np
import numpy.typing as npt

from monitor.site.time import MINUTE_MS, epoch_ms_of

# Flower colours by the words people use; mixed from what dried heads look like.
PAINTS: dict[str, str] = {
    "white": "#f4efe0",
    "cream": "#ecdcb0",
    "silver": "#d8d6cc",
    "yellow": "#dcb13c",
    "gold": "#d09a2c",
    "apricot": "#e0a070",
    "orange": "#cf7430",
    "bronze": "#a5683a",
    "brown": "#7d5a3e",
    "red": "#a3362f",
    "pink": "#d58c98",
    "rose": "#c8707f",
    "purple": "#7b5796",
    "violet": "#6d5a9e",
    "lilac": "#a793c2",
    "lavender": "#8d82b8",
    "blue": "#56719f",
    "green": "#7f9460",
    "straw": "#cdb06a",
    "mixed": "#b98a8e",
}
_UNKNOWN_PAINT = "#b9a58c"
_GREEN, _STRAW, _UNKNOWN_STEM = (95, 122, 62), (196, 160, 84), "#8b8a5c"

_SPIKES = ("lavender", "larkspur", "love-lies-bleeding", "suworow-statice")
_GRASSES = ("bunny-tail", "quaking-grass", "barley")
_GLOBES = ("poppy", "nigella", "gomphrena", "rose", "hydrangea")

_BUNCH_WIDTH, _HEIGHT = 34, 84
_APART = 48  # where there is room
_WIDEST = 300
MOST_DRAWN = 40
_VARIANTS = 3


def shapes(flowers: Iterable[str]) -> str:
    """What a page draws its bunches with, once for all of them: `bunches` refers to it."""
    drawn = "".join(
        _bunch(habit, f"{habit}{n}")
        for habit in sorted({_habit(flower) for flower in flowers})
        for n in range(_VARIANTS)
    )
    return f'<svg class="shapes" aria-hidden="true" width="0" height="0"><defs>{drawn}</defs></svg>'


def bunches(
    flower: str,
    colour: str | None,
    number: int,
    title: str,
    still_to_lose: float | None = None,
) -> str:
    """The bunches of one batch, hanging; the page needs the flower's `shapes` too.

    still_to_lose  share of the water that has still to go, 1 fresh to 0 crisp; None: not known
    """
    drawn = min(number, MOST_DRAWN)
    width = min(_APART * drawn, _WIDEST)
    apart = (width - _BUNCH_WIDTH) / (drawn - 1) if drawn > 1 else 0.0
    paint = PAINTS.get((colour or "").lower(), _UNKNOWN_PAINT)
    habit = _habit(flower)
    uses = "".join(
        f'<use href="#{habit}{n % _VARIANTS}" x="{apart * n:.0f}" y="{(n * 7) % 5}"/>'
        for n in range(drawn)
    )
    return (
        f'<svg class="bunches" role="img" aria-label="{escape(title)}" width="{width}" '
        f'height="{_HEIGHT}" viewBox="0 0 {width} {_HEIGHT}" fill="{paint}" '
        f'color="{stem_colour(still_to_lose)}">{uses}</svg>'
    )


def stem_colour(still_to_lose: float | None) -> str:
    """From green to straw as the water leaves."""
    if still_to_lose is None:
        return _UNKNOWN_STEM
    wet = min(max(still_to_lose, 0.0), 1.0)
    mixed = (round(g * wet + s * (1 - wet)) for g, s in zip(_GREEN, _STRAW, strict=True))
    return "#{:02x}{:02x}{:02x}".format(*mixed)


def _habit(flower: str) -> str:
    """How a flower carries its heads."""
    if flower in _GRASSES:
        return "grass"
    if flower in _SPIKES:
        return "spike"
    return "globe" if flower in _GLOBES else "spray"


def _bunch(habit: str, key: str) -> str:
    """One bunch: its heads take the fill of where it is used, its stems the colour."""
    chance = Random(key)  # noqa: S311 (how stems fall, nothing secret)
    middle, tie = _BUNCH_WIDTH / 2, 18
    lines, heads = [], []
    for n in range(7):
        lean = (n - 3) * 3.7 + chance.uniform(-1, 1)
        end = 50 + chance.uniform(-3, 9) - abs(n - 3) * 1.5
        lines.append(
            f"M{middle - lean * 0.35:.1f} {tie - 7 - n % 3}L{middle:.0f} {tie}"
            f"Q{middle + lean * 0.3:.1f} {tie + 14} {middle + lean:.1f} {end:.1f}"
        )
        heads.append(_head(habit, middle + lean, end, chance))
    return (
        f'<g id="{key}"><path d="M{middle:.0f} -6V{tie - 2}" class="string"/>'
        f'<path d="{"".join(lines)}" class="stems"/>'
        f'<g class="heads">{"".join(heads)}</g>'
        f'<path d="M{middle - 3.5:.1f} {tie - 1}h7'
        f'M{middle - 3.5:.1f} {tie + 1}h7" class="tie"/></g>'
    )


def _head(habit: str, x: float, y: float, chance: Random) -> str:
    match habit:
        case "grass":
            return f'<ellipse cx="{x:.1f}" cy="{y + 7:.1f}" rx="1.9" ry="8"/>'
        case "spike":
            return "".join(
                f'<circle cx="{x + chance.uniform(-1, 1):.1f}" cy="{y + 3.4 * n:.1f}" '
                f'r="{2.6 - 0.3 * n:.1f}"/>'
                for n in range(5)
            )
        case "globe":
            return f'<circle cx="{x:.1f}" cy="{y + 4:.1f}" r="4.6"/>'
        case _:
            return "".join(
                f'<circle cx="{x + dx + chance.uniform(-0.7, 0.7):.1f}" cy="{y + dy:.1f}" r="2.7"/>'
                for dx, dy in ((-2.4, 2), (2.4, 2.5), (0, 5.5), (-1.8, 8), (2, 8.6))
            )


def day_strip(
    *,
    day_minutes: int,
    now: int,
    sun_up: tuple[int, int] | None,
    light: npt.NDArray[np.float64],
    spells: Sequence[tuple[int, int, str]],
    words: str,
    airings: Sequence[tuple[int, int]] = (),
    beams: Sequence[tuple[int, int]] = (),
) -> str:
    """The day from midnight to midnight: night, the light that was measured, and spells.

    now     minutes since midnight
    sun_up  sunrise and sunset, minutes since midnight
    light   one value a minute from midnight on [lx], NaN: not known
    spells  (begin, end, kind of chart class), minutes since midnight
    airings (begin, end) of the hours to air, minutes since midnight
    beams   (begin, end) of the sun on the rail under a clear sky, minutes since midnight
    """
    across = 360 / day_minutes
    parts = ['<rect class="night" width="360" height="22"/>']
    if sun_up is not None:
        begin, end = sun_up
        parts.append(
            f'<rect class="daylight" x="{begin * across:.1f}" '
            f'width="{(end - begin) * across:.1f}" height="22"/>'
        )
    parts.append(_light_path(light, across))
    for begin, end, kind in spells:
        width = max(1.5, (end - begin) * across)
        parts.append(
            f'<rect class="spell {kind}" x="{begin * across:.1f}" y="17" '
            f'width="{width:.1f}" height="5"/>'
        )
    for begin, end in airings:
        parts.append(
            f'<path class="airing" d="M{begin * across:.1f} 2v3h{(end - begin) * across:.1f}v-3"/>'
        )
    for begin, end in beams:
        parts.append(
            f'<path class="beam" d="M{begin * across:.1f} 0h{(end - begin) * across:.1f}"/>'
        )
    for hour in (6, 12, 18):
        x = hour * 60 * across
        parts.append(
            f'<path class="hour" d="M{x:.1f} 22v3"/>'
            f'<text x="{x:.1f}" y="35" text-anchor="middle">{hour}</text>'
        )
    parts.append(f'<path class="now" d="M{now * across:.1f} -2v27"/>')
    return (
        f'<svg class="day" role="img" aria-label="{escape(words)}" viewBox="0 -3 360 40">'
        f"{''.join(parts)}</svg>"
    )


def _light_path(light: npt.NDArray[np.float64], across: float, step: int = 10) -> str:
    """Columns as high as the root of the light, so that a dim room is seen beside a sun patch."""
    columns = []
    for begin in range(0, len(light), step):
        part = light[begin : begin + step]
        if np.isnan(part).all():
            continue
        height = min(17.0, 17.0 * float(np.sqrt(np.nanmax(part) / 5000.0)))
        if height >= 0.4:
            columns.append(
                f"M{begin * across:.1f} 17v-{height:.1f}h{step * across:.1f}v{height:.1f}z"
            )
    return f'<path class="light" d="{"".join(columns)}"/>' if columns else ""


def sun_up(latitude: float, longitude: float, day: date, midnight: int) -> tuple[int, int] | None:
    """Sunrise and sunset in minutes since the local midnight [UTC epoch minutes given].

    None where the sun does not rise or set that day. Sun by astral.
    """
    from astral import Observer
    from astral.sun import sunrise, sunset

    here = Observer(latitude, longitude)
    try:
        up, down = sunrise(here, day), sunset(here, day)
    except ValueError:
        return None
    begin, end = (epoch_ms_of(t) // MINUTE_MS - midnight for t in (up, down))
    return (begin, end) if 0 <= begin < end else None
