"""What to say about a spell: where, what, how much, since when, and what to do."""

from __future__ import annotations

from typing import NamedTuple

from monitor.air.spells import Spell
from monitor.notices.circumstances import Circumstances
from monitor.notices.sentences.measures import best_thing
from monitor.places.sun import Place, beams
from monitor.site.kinds import Kind
from monitor.site.spaces import Site, Use
from monitor.site.time import MINUTE_MS, local, local_day
from monitor.site.words import (
    degrees,
    humidity,
    lasting,
    light,
    listed,
    named,
    shortened,
    title,
    two_figures,
    when_minute,
)


class Words(NamedTuple):
    """A message in its parts; empty where it has none."""

    title: str
    what: str
    at_risk: str = ""
    to_do: str = ""
    caution: str = ""

    @property
    def body(self) -> str:
        """What stands below the title: at most four lines."""
        to_do = f"To do: {self.to_do}" if self.to_do else ""
        return "\n".join(line for line in (self.what, self.at_risk, to_do, self.caution) if line)


def began(spell: Spell, circumstances: Circumstances, now_ms: int) -> Words:
    """A spell has begun."""
    return _going_on(spell, circumstances, now_ms, _state(spell))


def reminder(spell: Spell, circumstances: Circumstances, now_ms: int) -> Words:
    """A spell still goes on."""
    return _going_on(spell, circumstances, now_ms, f"still {_state(spell)}")


def worse(spell: Spell, circumstances: Circumstances, now_ms: int) -> Words:
    """A spell has become urgent."""
    return _going_on(spell, circumstances, now_ms, f"very {_state(spell)}")


def ended(spell: Spell, circumstances: Circumstances, now_ms: int) -> Words:
    """A spell that was told of is over: how long it was and how bad."""
    back = {Kind.SILENT: "heard again", Kind.STUCK: "fine again"}
    state = back.get(spell.kind, f"no longer {_state(spell)}")
    return Words(
        title(f"{_who(spell)}: {state}, after {lasting(_minutes(spell))}"),
        f"{_from_to(spell, circumstances, now_ms)} That is over.",
    )


def was(spell: Spell, circumstances: Circumstances, now_ms: int) -> Words:
    """A spell that was over when it first became known."""
    return Words(
        title(f"{_who(spell)}: was {_state(spell)} for {lasting(_minutes(spell))}"),
        f"{_from_to(spell, circumstances, now_ms)} This came to light only afterwards.",
    )


def taken_back(spell: Spell, circumstances: Circumstances, now_ms: int) -> Words:
    """A spell that was told of turned out not to have been one."""
    began_at = when_minute(spell.began, now_ms, circumstances.site.timezone)
    return Words(
        title(f"{_who(spell)}: not {_state(spell)} after all"),
        f"The message about {began_at} was mistaken: readings that came in late, or were corrected "
        "since, tell it differently. Nothing to do.",
    )


def _going_on(spell: Spell, circumstances: Circumstances, now_ms: int, state: str) -> Words:
    advice = best_thing(spell, circumstances)
    return Words(
        title(f"{_who(spell)}: {state}{_figure(spell, circumstances)}"),
        _since(spell, circumstances, now_ms) + _sun_until(spell, circumstances, now_ms),
        _hangs_here(spell, circumstances),
        advice.to_do,
        advice.caution,
    )


# --- who, and in what state -----------------------------------------------------------------


def _who(spell: Spell) -> str:
    """What a message's first word names: the space, the sensor in it, or all sensors."""
    if spell.sensor is not None:
        where = "" if spell.space is None else f"{named(spell.space, 14)}, "
        return f"{where}sensor {shortened(spell.sensor)}"
    return "All sensors" if spell.space is None else named(spell.space)


_STATES: dict[Kind, str] = {
    Kind.HOT: "hot",
    Kind.COLD: "cold",
    Kind.DAMP: "damp",
    Kind.ARID: "too dry",
    Kind.SUNNY: "in bright light",
    Kind.DEWY: "close to dew",
    Kind.MUSTY: "damp enough for mould",
    Kind.SILENT: "silent",
    Kind.STUCK: "stuck",
}


def _state(spell: Spell) -> str:
    return _STATES[spell.kind]


def _figure(spell: Spell, circumstances: Circumstances) -> str:
    """The present value, or the worst where the present is not known: `, 33 °C`."""
    value = _now_or_worst(spell, circumstances)
    match spell.kind:
        case Kind.HOT | Kind.COLD:
            return f", {degrees(value, circumstances.site)}"
        case Kind.DAMP | Kind.ARID:
            return f", {humidity(value)}"
        case Kind.SUNNY:
            return f", {light(value)}"
        case _:
            return ""


def _present(spell: Spell, circumstances: Circumstances) -> float | None:
    air = circumstances.indoors(spell.space)
    if air is None:
        return None
    match spell.kind:
        case Kind.HOT | Kind.COLD:
            return air.temperature_c
        case Kind.DAMP | Kind.ARID:
            return air.relative_humidity_pct
        case Kind.SUNNY:
            return air.illuminance_lx
        case _:
            return None


def _now_or_worst(spell: Spell, circumstances: Circumstances) -> float:
    present = _present(spell, circumstances)
    return spell.worst if present is None else present


def _minutes(spell: Spell) -> int:
    return 0 if spell.ended is None else spell.ended - spell.began


# --- what, how much, since when -------------------------------------------------------------


def _passed(spell: Spell, circumstances: Circumstances) -> str:
    """The limit that is passed, to follow `has been` or `was`."""
    limits, site = circumstances.limits(spell.space), circumstances.site
    match spell.kind:
        case Kind.HOT:
            return f"above {degrees(limits.hot_c, site)}" if limits.hot_c is not None else "hot"
        case Kind.COLD:
            return f"below {degrees(limits.cold_c, site)}" if limits.cold_c is not None else "cold"
        case Kind.DAMP:
            return f"above {humidity(limits.damp_pct)}" if limits.damp_pct is not None else "high"
        case Kind.ARID:
            return f"below {humidity(limits.arid_pct)}" if limits.arid_pct is not None else "low"
        case Kind.SUNNY:
            return f"above {light(limits.sun_lux)}" if limits.sun_lux is not None else "strong"
        case Kind.DEWY:
            return "close to the temperature at which water settles on it"
        case Kind.MUSTY:
            return "damp and warm enough for mould"
        case Kind.SILENT:
            return "silent"
        case Kind.STUCK:
            return "telling the same value over and over"


def _subject(spell: Spell, circumstances: Circumstances) -> str:
    match spell.kind:
        case Kind.HOT | Kind.COLD:
            return "The air"
        case Kind.DAMP if circumstances.limits(spell.space).damp_is_daily_mean:
            return "The humidity, as the mean of a day,"
        case Kind.DAMP | Kind.ARID:
            return "The humidity"
        case Kind.SUNNY:
            return "The light"
        case Kind.DEWY:
            return "The coldest surface"
        case Kind.MUSTY:
            return "The walls and beams"
        case Kind.SILENT | Kind.STUCK:
            return "This sensor" if spell.sensor is not None else "The sensors"


def _verb(spell: Spell, singular: str, plural: str) -> str:
    many = spell.kind is Kind.MUSTY or (
        spell.kind in (Kind.SILENT, Kind.STUCK) and spell.sensor is None
    )
    return plural if many else singular


def _since(spell: Spell, circumstances: Circumstances, now_ms: int) -> str:
    subject, passed = _subject(spell, circumstances), _passed(spell, circumstances)
    since = when_minute(spell.began, now_ms, circumstances.site.timezone)
    has = _verb(spell, "has", "have")
    first = f"{subject} {has} been {passed} since {since}{_and_urgent(spell, circumstances)}."
    return " ".join(part for part in (first, _how_bad(spell, circumstances)) if part)


def _sun_until(spell: Spell, circumstances: Circumstances, now_ms: int) -> str:
    """Until when the sun stays, where the windows are known and it comes through one now."""
    space = circumstances.site.spaces.get(spell.space or "")
    if spell.kind is not Kind.SUNNY or space is None or not space.windows:
        return ""
    site, now = circumstances.site, now_ms // MINUTE_MS
    place = Place(site.latitude, site.longitude, site.timezone)
    today = beams(space.windows, place, local_day(now_ms, site.timezone))
    ends = [b.ends for b in today if b.begins <= now < b.ends]
    if not ends:
        return ""
    until = local(max(ends) * MINUTE_MS, site.timezone)
    return f" Through its windows the sun stays until {until:%H:%M}."


def _and_urgent(spell: Spell, circumstances: Circumstances) -> str:
    limit = circumstances.limits(spell.space).damp_now_pct
    return f", and for long above {humidity(limit)}" if spell.urgent and limit is not None else ""


def _from_to(spell: Spell, circumstances: Circumstances, now_ms: int) -> str:
    subject, passed = _subject(spell, circumstances), _passed(spell, circumstances)
    zone = circumstances.site.timezone
    since = when_minute(spell.began, now_ms, zone)
    until = when_minute(spell.began + _minutes(spell), now_ms, zone)
    first = f"{subject} {_verb(spell, 'was', 'were')} {passed} from {since} to {until}."
    return " ".join(part for part in (first, _extreme(spell, circumstances)) if part)


def _how_bad(spell: Spell, circumstances: Circumstances) -> str:
    """The present value and, where it was worse before, the worst."""
    present = _present(spell, circumstances)
    now = "" if present is None else f"Now {_figure(spell, circumstances).removeprefix(', ')}."
    extreme = _extreme(spell, circumstances)
    if present is not None and extreme.endswith(f" {now.removeprefix('Now ')}"):
        extreme = ""
    return " ".join(part for part in (now, extreme) if part)


def _extreme(spell: Spell, circumstances: Circumstances) -> str:
    worst, site = spell.worst, circumstances.site
    match spell.kind:
        case Kind.HOT:
            return f"Highest: {degrees(worst, site)}."
        case Kind.COLD:
            return f"Lowest: {degrees(worst, site)}."
        case Kind.DAMP:
            return f"Highest: {humidity(worst)}."
        case Kind.ARID:
            return f"Lowest: {humidity(worst)}."
        case Kind.SUNNY:
            return f"Brightest: {light(worst)}."
        case Kind.DEWY:
            return _closest(worst, site)
        case Kind.MUSTY:
            return (
                f"Mould index {two_figures(worst):g}: 1 is the first trace under a microscope, "
                "3 is what the eye sees."
            )
        case Kind.STUCK:
            told = "told" if spell.ended is not None else _verb(spell, "tells", "tell")
            they = _verb(spell, "it", "they")
            return f"Real air always stirs a little; what {they} {told} is kept but not used."
        case Kind.SILENT:
            until = _verb(spell, "Until it is", "Until they are")
            return f"{until} heard again, nobody watches here." if spell.ended is None else ""


def _closest(margin_k: float, site: Site) -> str:
    if margin_k <= 0:
        return "At worst water settled on it."
    apart = margin_k * 1.8 if site.temperature_unit == "°F" else margin_k
    return f"At worst only {two_figures(apart):g} {site.temperature_unit} above it."


def _hangs_here(spell: Spell, circumstances: Circumstances) -> str:
    batches = circumstances.at_risk.get(spell.space, ()) if spell.space is not None else ()
    if not batches:
        return ""
    here = {Use.STORING: "Stored here", Use.SHOWING: "On show here"}
    return f"{here.get(circumstances.use(spell.space), 'Hanging here')}: {listed(batches)}."
