"""The week as one HTML file: it needs no network, no script, and prints on A4."""

from __future__ import annotations

from datetime import timedelta
from typing import NamedTuple

from markupsafe import Markup

from monitor.ahead.airing_hours import AiringSeen
from monitor.air.spells import Spell
from monitor.edges.report import batch_words, pictures
from monitor.edges.report.gather import SensorWeek, SiteWeek
from monitor.edges.report.numbers import Extreme, SpaceWeek, days_over_dose
from monitor.edges.report.outcomes import in_common
from monitor.edges.report.paper import printed
from monitor.edges.report.pictures import nights
from monitor.edges.report.text import (
    PULL_EXPLAINED,
    at,
    between,
    compared_with,
    headline,
    machine_told,
    means_line,
    missing_line,
    promises_kept,
    sensors_changed,
)
from monitor.site import words
from monitor.site.kinds import Kind
from monitor.site.spaces import OUTDOORS, Use
from monitor.site.time import MINUTE_MS
from monitor.store.exports import flag_text

# A page that opens at once on a slow link: pictures beyond this are left out, and said so.
MOST_PICTURE_BYTES = 380_000
MOST_BATCH_BYTES = 100_000
MOST_SPELLS_TOLD = 3  # of one kind in one space; each of them is in spells.csv
_USES = {
    Use.HANGING: "for hanging",
    Use.STORING: "for storing",
    Use.SHOWING: "for showing",
    Use.OUTDOORS: "to compare with",
}


Facts = list[tuple[str, str]]


class LimitRow(NamedTuple):
    """Hours past a limit, within it and not known."""

    name: str
    past: str
    within: str
    unknown: str


class SpaceSection(NamedTuple):
    """What the page says of a space."""

    name: str
    use: str
    outdoors: bool
    facts: Facts
    limits: list[LimitRow]
    untold: str
    spells: list[str]
    pictures: list[Markup]
    left_out: bool


class SensorRow(NamedTuple):
    """How a sensor did."""

    name: str
    space: str
    readings: str
    used: str
    silent: str
    stuck: str
    doubts: str
    last: str


class WeekPage(NamedTuple):
    """Everything the page says, in words."""

    site: str
    number: int
    days: str
    so_far: str
    headline: str
    missing: str
    means: str
    spaces: list[SpaceSection]
    pull_explained: str
    batches: list[batch_words.HangingBatch]
    taken_down: list[batch_words.TakenBatch]
    in_common: list[str]
    kept: list[batch_words.KeptBatch]
    promises: list[str]
    machine: str
    notices: Facts
    changed: list[str]
    sensors: list[SensorRow]
    unread: str


def sheet(week: SiteWeek, change: str = "") -> str:
    """The whole page.

    change  the one thing to change next week
    """
    return printed("week.html", change=change, **told(week)._asdict())


def told(week: SiteWeek) -> WeekPage:
    """Everything the page says, in words."""
    first, last = week.week.monday, week.week.monday + timedelta(days=6)
    return WeekPage(
        site=words.named(week.site.name, 60),
        number=week.week.number,
        days=f"{words.day(first)} to {words.day(last)} {last.year}",
        so_far="" if week.over else f"So far, until {at(week.end, week.site)}.",
        headline=headline(week),
        missing=missing_line(week),
        means=means_line(week),
        spaces=_spaces(week),
        pull_explained=PULL_EXPLAINED,
        batches=_batches(week),
        taken_down=[batch_words.taken_down(week, one) for one in week.taken_down],
        in_common=in_common(week.season),
        kept=[batch_words.kept(week.site, batch, said) for batch, said in week.kept],
        promises=promises_kept(week),
        machine=machine_told(week),
        notices=_notices(week),
        changed=sensors_changed(week),
        sensors=[_sensor(week, sensor) for sensor in week.sensors],
        unread=words.count(week.unread, "payload") if week.unread else "",
    )


def _spaces(week: SiteWeek) -> list[SpaceSection]:
    dark = nights(week.site, *week.week.span(week.site.timezone))
    spent, shown = 0, []
    for space in week.spaces:
        drawings = [pictures.strips(week, space, dark), pictures.humidity(week, space)]
        spent += sum(len(drawing.encode()) for drawing in drawings) if _drawable(space) else 0
        fits = _drawable(space) and spent <= MOST_PICTURE_BYTES
        shown.append(
            SpaceSection(
                name=words.named(space.space.name, 60),
                use=_USES[space.space.use],
                outdoors=space.space.use is Use.OUTDOORS,
                facts=_facts(week, space),
                limits=_limits(week, space),
                untold=_untold(space) if _drawable(space) else "",
                spells=_spells(week, [s.spell for s in space.spells]),
                pictures=[Markup(d) for d in drawings] if fits else [],  # noqa: S704 (escaped)
                left_out=_drawable(space) and not fits,
            )
        )
    return shown


def _batches(week: SiteWeek) -> list[batch_words.HangingBatch]:
    """Those that hung in the week; pictures as long as they fit."""
    spent, shown = 0, []
    for one in week.batches:
        told = batch_words.hanging(week, one)
        spent += len(told.picture.encode())
        shown.append(told if spent <= MOST_BATCH_BYTES else told._replace(picture=Markup("")))
    return shown


def _drawable(space: SpaceWeek) -> bool:
    return bool(space.minutes["temperature_c"].notna().any())


def _facts(week: SiteWeek, space: SpaceWeek) -> Facts:
    facts = [("Known", _known(space))]
    if space.added:
        facts.append(("First heard", at(space.begin, week.site)))
    if space.coldest and space.warmest:
        facts.append(("Coldest", _extreme(week, space.coldest, "temperature")))
        facts.append(("Warmest", _extreme(week, space.warmest, "temperature")))
    if space.driest and space.dampest:
        facts.append(("Driest", _extreme(week, space.driest, "humidity")))
        facts.append(("Dampest", _extreme(week, space.dampest, "humidity")))
    if space.drying_load_kpa_h is not None:
        facts.append(("Drying pull", _pull(week, space)))
    airing = week.airing.get(space.space.name)
    if airing is not None:
        facts.append(("Airing", _airing(airing)))
    if space.light_dose_lx_h is not None:
        facts.append(("Light taken in", _light(space)))
    return facts


def _known(space: SpaceWeek) -> str:
    known, whole = space.air_known_h, space.hours
    if not known and space.known_h:
        known = max(space.known_h.values())
    return f"all {whole:.0f} h" if known == whole else f"{known:.3g} of {whole:.3g} h"


def _extreme(week: SiteWeek, extreme: Extreme, what: str) -> str:
    value = (
        words.degrees(extreme.value, week.site)
        if what == "temperature"
        else words.humidity(extreme.value)
    )
    return f"{value}, {at(extreme.minute, week.site)}"


def _pull(week: SiteWeek, space: SpaceWeek) -> str:
    told = f"{words.two_figures(space.drying_load_kpa_h or 0.0):,g} kPa·h"
    name = space.space.name
    for before, called in ((week.before, "the week before"), (week.year_before, "a year before")):
        compared = compared_with(space, before.get(name)) if week.over else ""
        if compared:
            told += f", {compared} {called}"
    return told


def _airing(seen: AiringSeen) -> str:
    good = seen.used_h + seen.missed_h
    if good < 0.5:
        return "would not have dried it"
    told = f"would have dried it for {good:.0f} h: used {seen.used_h:.0f} h"
    gained = f"{words.two_figures(seen.missed_kpa_h):,g} kPa·h"
    return f"{told}, missed {seen.missed_h:.0f} h (about {gained})" if seen.missed_h else told


def _light(space: SpaceWeek) -> str:
    told = f"{words.two_figures((space.light_dose_lx_h or 0.0) / 1000):,g} klx·h"
    days = days_over_dose(space)
    most = space.space.limits.light_klxh_a_day
    if days:
        told += f"; more than {most:g} on {words.count(days, 'day')}"
    return told


def _limits(week: SiteWeek, space: SpaceWeek) -> list[LimitRow]:
    if space.space.name == OUTDOORS:
        return []
    return [
        LimitRow(
            name=f"{limit.kind.row.too}, {pictures.limit_words(week, space, limit.kind)}",
            past=_hours(limit.past_h),
            within=_hours(limit.within_h),
            unknown=_hours(limit.unknown_h),
        )
        for limit in space.limits
        if limit.past_h + limit.within_h
    ]


def _untold(space: SpaceWeek) -> str:
    """The limits that nothing was known of all week; "" if there are none."""
    untold = [m.kind.row.too for m in space.limits if not m.past_h + m.within_h]
    return (
        f"Cannot be told here, for nothing measured it: {words.listed(untold, 6)}."
        if untold
        else ""
    )


def _hours(hours: float) -> str:
    return f"{hours:.1f}" if hours else "–"


def _spells(week: SiteWeek, spells: list[Spell]) -> list[str]:
    """A line a spell; one for all of a kind where there are many."""
    told = []
    for kind in dict.fromkeys(spell.kind for spell in spells):
        alike = [spell for spell in spells if spell.kind is kind]
        few = len(alike) <= MOST_SPELLS_TOLD
        told += [_spell(week, spell) for spell in alike] if few else [_many(week, alike)]
    return told


def _many(week: SiteWeek, spells: list[Spell]) -> str:
    """`Too damp seven times, 62 h in all, up to 96 %; the longest Tue 14 Jul, 23:19 to …`"""
    lasted = [min(s.ended or week.end, week.end) - max(s.began, week.begin) for s in spells]
    longest = spells[lasted.index(max(lasted))]
    worst = max if spells[0].kind.row.above else min
    worst_of_all = worst(spells, key=lambda spell: spell.worst)
    ended = min(longest.ended or week.end, week.end)
    return (
        f"{words.named(longest.kind.row.too)} "
        f"{words.count(len(spells), 'time')}, {words.lasting(sum(lasted))} in all"
        f"{_worst(week, worst_of_all)}; the longest "
        f"{between(max(longest.began, week.begin), ended, week.site)}"
    )


def _spell(week: SiteWeek, spell: Spell) -> str:
    ended = spell.ended
    when = (
        f"since {at(spell.began, week.site)}, still going on"
        if ended is None
        else between(spell.began, ended, week.site)
    )
    return f"{words.named(spell.kind.row.too)}: {when}{_worst(week, spell)}"


def _worst(week: SiteWeek, spell: Spell) -> str:
    row = spell.kind.row
    if spell.kind is Kind.DEWY:
        return ", wet at worst" if spell.worst <= 0 else ""
    if row.quantity is None:
        return ""
    worst = words.figure(row.quantity, spell.worst, week.site)
    return f", {'up' if row.above else 'down'} to {worst}"


def _notices(week: SiteWeek) -> Facts:
    notices = week.notices
    facts = [("made", notices.made), ("sent", notices.sent), ("marked as seen", notices.seen)]
    return [(name, str(n)) for name, n in [*facts, ("not delivered", notices.failed)]]


def _sensor(week: SiteWeek, ill: SensorWeek) -> SensorRow:
    heard = ill.heard
    doubts = heard.doubts if heard else {}
    return SensorRow(
        name=ill.sensor.name,
        space=ill.sensor.space,
        readings=f"{heard.readings:,}" if heard else "none",
        used=f"{100 * heard.used / heard.readings:.3g} %" if heard else "–",
        silent=words.lasting(60 * ill.silent_h) if ill.silent_h else "–",
        stuck=words.lasting(60 * ill.stuck_h) if ill.stuck_h else "–",
        doubts=words.listed([f"{flag_text(f)} {n:,}" for f, n in doubts.items()], 6) or "–",
        last=at(heard.last_ms // MINUTE_MS, week.site) if heard else "–",
    )
