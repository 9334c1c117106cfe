"""What the pages of the spaces tell: plain values for the templates."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from markupsafe import Markup

from monitor.ahead.courses import Band
from monitor.ahead.look import Coming
from monitor.air.spells import Spell
from monitor.edges.page import figures, lists, pictures, rail
from monitor.edges.page.house import House, Told
from monitor.edges.page.lists import HungShown
from monitor.engine.effects import Snapshot
from monitor.entries.batches import hanging_in, kept_in
from monitor.notices.sentences import foreseen
from monitor.notices.sentences import spells as words
from monitor.places import places, water
from monitor.site.quantities import Quantity
from monitor.site.spaces import OUTDOORS, Site, Space, Use
from monitor.site.time import DAY_MIN, MINUTE_MS, local, local_day, midnight
from monitor.site.words import begun, humidity, light, named, temperature, when_minute
from monitor.store.queries import Reader

SPANS = {
    "day": ("the last day", 1),
    "week": ("the last week", 7),
    "month": ("the last month", 30),
    "year": ("the last year", 365),
}
# Minutes of which only the lowest and the highest are drawn: some 600 points across.
_STEPS_MIN = {"week": 36, "month": 144, "year": DAY_MIN}
PAST_SHOWN = 60


@dataclass(frozen=True)
class SpellShown:
    """A spell that goes on, and the one best thing to do."""

    title: str
    what: str
    to_do: str
    caution: str
    space: str | None
    kind: str


@dataclass(frozen=True)
class RailShown:
    """A space: its rail, its day, how its air is."""

    name: str
    title: str
    use: str
    hangs: bool
    figures: dict[str, str]
    strip: Markup
    spells: list[SpellShown]
    bunches: list[HungShown]
    kept: list[HungShown]
    how: str
    do: str
    rain: str


def spaces(house: House, snapshot: Snapshot) -> Told:
    """Every space with its rail, and above all the one thing to do."""
    going_on = sorted(snapshot.going_on, key=_urgency)
    # What is only a note asks for nothing.
    matters = [s for s in going_on if s.kind.row.weight != "note"]
    with Reader(house.store) as reader:
        rails = [_rail(house, snapshot, name, reader) for name in house.spaces()]
    return {
        "to_do": _said(house, snapshot, matters[0]) if matters else None,
        "more": [_said(house, snapshot, s) for s in matters[1:]],
        "rails": [r for r in rails if r.name != OUTDOORS],
        "outdoors": next((r for r in rails if r.name == OUTDOORS), None),
        "heard": snapshot.now_ms > 0 and bool(snapshot.air),
        "shapes": lists.shapes([b for r in rails for b in r.bunches]),
    }


def _urgency(spell: Spell) -> tuple[bool, int, int]:
    return not spell.urgent, spell.kind.row.rank, spell.began


def _said(house: House, snapshot: Snapshot, spell: Spell) -> SpellShown:
    around = house.circumstances(snapshot)
    advice = words.best_thing(spell, around)
    return SpellShown(
        title=words.first_line(spell, around),
        what=words.what(spell, around, snapshot.now_ms),
        to_do=begun(advice.to_do),
        caution=advice.caution,
        space=spell.space,
        kind=spell.kind.row.dye,
    )


def _rail(house: House, snapshot: Snapshot, name: str, reader: Reader) -> RailShown:
    site, space = house.site, house.site.spaces[name]
    batches, now_ms = snapshot.history.batches, snapshot.now_ms
    return RailShown(
        name=name,
        title=named(name, 60),
        use=space.use.value,
        hangs=space.use is Use.HANGING,
        figures=figures.air_figures(name, snapshot.air.get(name), site),
        strip=_strip(house, snapshot, name, reader),
        spells=[_said(house, snapshot, s) for s in snapshot.going_on if s.space == name],
        bunches=[lists.hung(b, snapshot, site) for b in hanging_in(batches, name, now_ms)],
        kept=[lists.hung(b, snapshot, site) for b in kept_in(batches, name, now_ms)],
        how=_how(house, snapshot, name),
        do=one_line(snapshot, name),
        rain=_rain(reader.rain_today(site, now_ms)) if name == OUTDOORS else "",
    )


def _rain(fallen_mm: float | None) -> str:
    return "" if fallen_mm is None else f"Rain since midnight: {fallen_mm:.1f} mm."


def _how(house: House, snapshot: Snapshot, name: str) -> str:
    """How the air is, in one sentence."""
    air = snapshot.air.get(name)
    if air is None or air.temperature_c is None or air.vpd_kpa is None:
        return "Nothing is known of the air here just now."
    pull = air.vpd_kpa
    if name == OUTDOORS:
        dew = air.dew_point_c
        return "" if dew is None else f"Dew settles on what is below {_degrees(dew, house)}."
    if pull < 0.4:
        strength = "The air draws hardly any water."
    elif pull < 1.0:
        strength = "The air draws water slowly."
    elif pull < 2.0:
        strength = "The air draws water well."
    else:
        strength = "The air draws water hard."
    return strength


def _degrees(celsius: float, house: House) -> str:
    return temperature(celsius, house.site.temperature_unit)


def _strip(house: House, snapshot: Snapshot, name: str, reader: Reader) -> Markup:
    site, now = house.site, snapshot.now_ms // MINUTE_MS
    today = local_day(snapshot.now_ms, site.timezone)
    zone = ZoneInfo(site.timezone)
    begin, end = midnight(today, zone), midnight(today + timedelta(days=1), zone)
    lux = reader.air_of(name, begin, end, ("illuminance_lx",))["illuminance_lx"]
    spells = [s for s in reader.spells(begin, end) if s.space == name and s.sensor is None]
    up = rail.sun_up(site.latitude, site.longitude, today, begin)
    marks = [
        (max(s.began, begin) - begin, min(s.ended or now, end) - begin, s.kind.row.dye)
        for s in spells
    ]
    airings = airings_of(snapshot, name, begin, end)
    beams = rail.beams_today(site, site.spaces[name], today)
    lit = any(Quantity.ILLUMINANCE in sensor.reads for sensor in site.sensors_of(name))
    told = " ".join(
        part
        for part in (
            _strip_words(lux, begin, spells, snapshot.now_ms, site.timezone, lit),
            airing_words(snapshot, name, site),
            rail.sun_strip_words(beams, site.timezone),
        )
        if part
    )
    return Markup(  # noqa: S704 (our own drawing; names are escaped in it)
        rail.day_strip(
            day_minutes=end - begin,
            now=now - begin,
            sun_up=up,
            light=lux,
            spells=marks,
            airings=airings,
            words=f"Today from midnight to midnight. {told}",
            beams=[(b.begins - begin, b.ends - begin) for b in beams],
        )
    ) + Markup("<figcaption>{}</figcaption>").format(told)


def _strip_words(
    lux: Any, begin: int, spells: list[Spell], now_ms: int, timezone: str, lit: bool
) -> str:
    told = []
    if not lit:
        told.append("No light is measured here.")
    elif np.isnan(lux).all():
        told.append("Its light today is not known.")
    else:
        at = int(np.nanargmax(lux))
        clock = local((begin + at) * MINUTE_MS, timezone)
        brightest = f"Brightest {light(float(lux[at]))} at {clock:%H:%M}."
        told.append(brightest if lux[at] >= 1 else "Dark so far today.")
    for spell in spells:
        if spell.ended is not None:
            since = when_minute(spell.began, now_ms, timezone)
            told.append(f"{begun(spell.kind.row.word)} from {since}, {figures.lasted(spell)}.")
    return " ".join(told)


# -- a space ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class ForeseenShown:
    """What is likely: the middle, and where eight in ten fall."""

    middle: str
    span: str


@dataclass(frozen=True)
class HourShown:
    """An hour to come."""

    at: str
    temperature: ForeseenShown
    humidity: ForeseenShown


@dataclass(frozen=True)
class ComingShown:
    """The coming day of a space: what is likely, and what airing would do."""

    hours: list[HourShown]
    airing: list[str]
    best: str
    leaks: list[str]


def space(house: House, snapshot: Snapshot, name: str, span: str) -> Told:
    """One space: its air over a day up to a year, its sensors, its settings."""
    site, of = house.site, house.site.spaces[name]
    begin, end = _span(span, snapshot)
    with Reader(house.store) as reader:
        load = reader.load_of(name, begin, end)
        spells = [s for s in reader.spells(begin, end) if s.space == name]
        one = _rail(house, snapshot, name, reader)
        as_place = rail.as_a_place(
            of, reader, snapshot.now_ms // MINUTE_MS, _fades_first(house, snapshot, name)
        )
    today = local_day(snapshot.now_ms, site.timezone)
    return vars(one) | {
        "coming": coming_day(house, snapshot, name),
        "sun": rail.sun_words(site, of, house.store, today),
        "as_place": as_place,
        "span": span,
        "spans": SPANS,
        "charts": _charts(house, of, span, begin, end, spells),
        "load": figures.pull(load),
        "load_hours": f"{load.minutes / 60:,.0f}",
        "past": [figures.past(house, s, snapshot.now_ms) for s in spells[: -PAST_SHOWN - 1 : -1]],
        "earlier": max(len(spells) - PAST_SHOWN, 0),
        "sensors": [lists.sensor(house, snapshot, s.name) for s in site.sensors_of(name)],
        "limits": figures.limits(of, site),
        "shapes": lists.shapes(one.bunches),
    }


def _span(span: str, snapshot: Snapshot) -> tuple[int, int]:
    """From its first minute to after the last; a year begins with a whole day, as they are kept."""
    end = snapshot.now_ms // MINUTE_MS + 1
    begin = end - SPANS[span][1] * DAY_MIN
    return (begin if span != "year" else -(-begin // DAY_MIN) * DAY_MIN), end


def _charts(
    house: House, of: Space, span: str, begin: int, end: int, spells: list[Spell]
) -> list[Markup]:
    step = _STEPS_MIN.get(span)
    air, outside = _air(house.store, of.name, begin, end, step), None
    if of.name != OUTDOORS and OUTDOORS in house.spaces():
        outside = _air(house.store, OUTDOORS, begin, end, step)
    every = 1 if step is None else step // 2
    drawn = pictures.of_space(house.site, of, begin, air, outside, spells, every)
    return [Markup(chart) for chart in drawn]  # noqa: S704 (our own drawings)


def _air(
    store: Path, name: str, begin: int, end: int, step: int | None
) -> Mapping[str, pictures.Floats]:
    """Every minute, or the lowest and the highest of each step."""
    if step is not None:
        return _extremes(store, name, begin, end, step)
    with Reader(store) as reader:
        return reader.air_of(name, begin, end, pictures.COLUMNS)


@lru_cache(maxsize=32)  # for all who look within the same minute
def _extremes(
    store: Path, name: str, begin: int, end: int, step: int
) -> Mapping[str, pictures.Floats]:
    with Reader(store) as reader:
        return reader.extremes_of(name, begin, end, step, pictures.COLUMNS)


def _fades_first(house: House, snapshot: Snapshot, name: str) -> float:
    """The blue-wool class of what fades first among the flowers kept in a space."""
    there = kept_in(snapshot.history.batches, name, snapshot.now_ms)
    classes = [(house.book.find(b.flower) or house.book.other).blue_wool(b.colour) for b in there]
    return min(classes, default=places.FADES_EARLY)


# -- the coming day ----------------------------------------------------------------------------

NOTHING = ComingShown([], [], "", [])


def one_line(snapshot: Snapshot, name: str) -> str:
    """What to do about the air of a space, in one sentence; "": cannot be told."""
    coming = snapshot.coming.get(name)
    return (
        "" if coming is None or coming.airing is None else foreseen.airing_sentence(coming.airing)
    )


def airings_of(snapshot: Snapshot, name: str, begin: int, end: int) -> list[tuple[int, int]]:
    """The hours to air that lie in begin to end [UTC epoch minutes], from its beginning."""
    coming = snapshot.coming.get(name)
    spans = [] if coming is None else [(h.begins, h.ends) for h in sorted(coming.best)]
    return [(max(b, begin) - begin, min(e, end) - begin) for b, e in spans if b < end and e > begin]


def airing_words(snapshot: Snapshot, name: str, site: Site) -> str:
    """The same in words, for below the strip."""
    coming = snapshot.coming.get(name)
    best = () if coming is None else coming.best
    return foreseen.best_hours_told(best, snapshot.now_ms, site)


def coming_day(house: House, snapshot: Snapshot, name: str) -> ComingShown:
    """All of it, for a space's own page."""
    coming = snapshot.coming.get(name)
    if coming is None:
        return NOTHING
    site, now_ms = house.site, snapshot.now_ms
    advice = coming.airing
    return ComingShown(
        hours=_hours(coming, house, now_ms),
        airing=[] if advice is None else foreseen.airing_told(advice, site),
        best=foreseen.best_hours_told(coming.best, now_ms, site),
        leaks=[] if name == OUTDOORS else _leaks(house, snapshot, name, coming),
    )


def _hours(coming: Coming, house: House, now_ms: int) -> list[HourShown]:
    if coming.outlook is None:
        return []
    outlook, site = coming.outlook, house.site

    def span(band: Band, step: int, unit: str) -> ForeseenShown:
        low, middle, high = (float(b[step]) for b in band)
        if unit == "%":
            return ForeseenShown(humidity(middle), f"{low:.0f} to {humidity(high)}")
        return ForeseenShown(
            temperature(middle, unit),
            f"{temperature(low, unit).split(' ')[0]} to {temperature(high, unit)}",
        )

    return [
        HourShown(
            when_minute(int(outlook.minute[step]), now_ms, site.timezone),
            span(outlook.temperature_c, step, site.temperature_unit),
            span(outlook.relative_humidity_pct, step, "%"),
        )
        for step in range(len(outlook.minute))  # HORIZONS_H alone are told
    ]


def _leaks(house: House, snapshot: Snapshot, name: str, coming: Coming) -> list[str]:
    batches = hanging_in(snapshot.history.batches, name, snapshot.now_ms)
    circumstances = house.circumstances(snapshot)
    return water.told_leaks(
        house.site.spaces[name],
        coming.exchange,
        water.water_given_off_g_h(batches, snapshot.prospects, house.book),
        snapshot.air.get(name),
        snapshot.air.get(OUTDOORS),
        circumstances.pressure_pa,
    )
