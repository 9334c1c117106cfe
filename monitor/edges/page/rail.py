"""The rail and what hangs from it, drawn; its day, and the sun upon it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from functools import lru_cache
from html import escape
from pathlib import Path
from random import Random
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
from numpy.typing import NDArray

from monitor.places import places, sun
from monitor.places.sun import Beam, Position, chance_of_sun
from monitor.site.quantities import Quantity
from monitor.site.spaces import OUTDOORS, Site, Space, Use, Window
from monitor.site.time import DAY_MIN, MINUTE_MS, epoch_ms_of, local, midnight
from monitor.store.queries import Reader

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

    def draw(shape: str, begin: int, end: int, least: float = 0.0) -> None:
        width = max(least, (end - begin) * across)
        parts.append(shape.format(x=f"{begin * across:.1f}", width=f"{width:.1f}"))

    if sun_up is not None:
        draw('<rect class="daylight" x="{x}" width="{width}" height="22"/>', *sun_up)
    parts.append(_light_path(light, across))
    for begin, end, kind in spells:
        spell = f'<rect class="spell {kind}" x="{{x}}" y="17" width="{{width}}" height="5"/>'
        draw(spell, begin, end, least=1.5)
    for begin, end in airings:
        draw('<path class="airing" d="M{x} 2v3h{width}v-3"/>', begin, end)
    for begin, end in beams:
        draw('<path class="beam" d="M{x} 0h{width}"/>', begin, end)
    for hour in (6, 12, 18):
        draw(
            '<path class="hour" d="M{x} 22v3"/>'
            f'<text x="{{x}}" y="35" text-anchor="middle">{hour}</text>',
            60 * hour,
            60 * hour,
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


# -- the sun -----------------------------------------------------------------------------------

Floats = NDArray[np.float64]
# Days of light and of air outdoors that are looked back upon.
LOOKED_BACK_DAYS = 16
STEP_MIN = 5


def beams_today(site: Site, space: Space, today: date) -> list[Beam]:
    """When the sun reaches the rail today, if the sky is clear."""
    return list(_beams(space.windows, _place(site), today)) if space.windows else []


def sun_strip_words(beams: list[Beam], timezone: str) -> str:
    """The same in words, for below the strip."""
    if not beams:
        return ""
    spans = [f"{_clock(b.begins, timezone)} to {_clock(b.ends, timezone)}" for b in beams]
    return f"Under a clear sky the sun is on the rail from {' and '.join(spans)}."


def sun_words(site: Site, space: Space, store: Path, today: date) -> list[str]:
    """The sun in words: today, the season, what ends it, and what the light says of it."""
    if space.name == OUTDOORS:
        return []
    if not space.windows:
        if space.use is not Use.HANGING:
            return []
        return [
            "Whether the sun reaches the rail cannot be told: measure the windows and write them "
            "into the settings."
        ]
    lit = any(Quantity.ILLUMINANCE in s.reads for s in site.sensors_of(space.name))
    place = _place(site)
    checked = _checked(space.windows, place, space.name, store, today, lit)
    return [_told(space.windows, place, today), checked]


@lru_cache(maxsize=64)
def _beams(windows: tuple[Window, ...], place: Position, today: date) -> tuple[Beam, ...]:
    return tuple(sun.beams(windows, place, today))


@lru_cache(maxsize=64)
def _told(windows: tuple[Window, ...], place: Position, today: date) -> str:
    return sun.told(windows, place, today)


@lru_cache(maxsize=64)  # once a day for each space
def _checked(
    windows: tuple[Window, ...], place: Position, name: str, store: Path, today: date, lit: bool
) -> str:
    """What the light says of the windows; where none is measured, yesterday's estimated dose."""
    end = midnight(today, ZoneInfo(place.timezone))
    begin = end - LOOKED_BACK_DAYS * DAY_MIN
    with Reader(store) as reader:
        if lit:
            lux = reader.air_of(name, begin, end, ("illuminance_lx",))["illuminance_lx"]
            minute = np.arange(begin, end, STEP_MIN, dtype=np.int64)
            found = sun.corrected(windows, place, minute, lux[::STEP_MIN])
            return sun.told_correction(found)
        chance = _chance(reader, begin, end)[-1]
    yesterday = today - timedelta(days=1)
    sunny = [
        chance[(minute - end + DAY_MIN) // 60 % 24]
        for beam in sun.beams(windows, place, yesterday)
        for minute in range(beam.begins, beam.ends)
    ]
    sunshine = float(np.mean(sunny)) if sunny and np.isfinite(sunny).all() else None
    dose = sun.estimated_dose(windows, place, yesterday, sunshine)
    return f"Yesterday: {dose.says[:1].lower()}{dose.says[1:]}" if dose.lx_h >= 1 else ""


def _chance(reader: Reader, begin: int, end: int) -> Floats:
    """Probability of sunshine by hour, shape (days, 24), from the air outdoors."""
    told = reader.air_of(OUTDOORS, begin, end, ("temperature_c", "relative_humidity_pct"))
    hourly = [_by_hour(column) for column in told.values()]
    return chance_of_sun(hourly[0], hourly[1])


def _by_hour(minutes: Floats) -> Floats:
    hours = minutes.reshape(-1, 24, 60)
    known = np.isfinite(hours)
    total = np.where(known, hours, 0.0).sum(axis=2)
    return np.where(known.any(axis=2), total / np.maximum(known.sum(axis=2), 1), np.nan)


def as_a_place(space: Space, reader: Reader, now: int, blue_wool: float) -> list[str]:
    """How good a space is for keeping or showing flowers, in words; empty for others.

    blue_wool  the class of what fades first there
    """
    if space.use not in (Use.STORING, Use.SHOWING):
        return []
    columns = ("temperature_c", "relative_humidity_pct", "illuminance_lx")
    end = now // 60 * 60
    told = reader.air_of(space.name, end - DAY_MIN, end, columns)
    humidity, lux = told["relative_humidity_pct"], told["illuminance_lx"]
    found = []
    if np.isfinite(humidity).sum() >= DAY_MIN // 2:
        found.append(places.humidity_there(space.use, float(np.nanmean(humidity))))
    hourly = _by_hour(told["temperature_c"]).ravel()
    near = places.near_a_radiator([float(t) for t in hourly[np.isfinite(hourly)]])
    found += [] if near is None else [near]
    if np.isfinite(lux).sum() >= DAY_MIN // 2:
        dose = float(np.nansum(lux)) / 60
        found.append(places.colour_there(dose, blue_wool, ultraviolet=True))
    return [places.told(place) for place in found]


def _place(site: Site) -> Position:
    return Position(site.latitude, site.longitude, site.timezone)


def _clock(minute: int, timezone: str) -> str:
    return f"{local(minute * MINUTE_MS, timezone):%H:%M}"
