"""What to say about a spell, and the one best thing to do about it.

The measures and cautions are common practice among growers, or fire and health services' usual
advice (keep what burns a metre from heaters; no unvented heaters; fine-dust masks with mouldy
plants), from memory. Opening up is advised only where `airing_helps` says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from monitor.room.air import MinuteOfAir
from monitor.room.airing import airing_helps
from monitor.room.spaces import OUTDOORS, Limits, Site, Use
from monitor.room.spells import Kind, Spell
from monitor.room.words import (
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

# Darker than this indoors, the sun is not what heats a room [lx]. Our own choice.
DARK_LUX = 50.0

UNVENTED = "Never a gas or paraffin heater: it gives off water and poisonous fumes."
HEATERS = "Keep all that can burn a metre (3 ft) from any heater: dried flowers are tinder."
FIRE = f"{HEATERS} If you smell smoke, stay out and call for help: this is no fire alarm."
ELECTRICS = "Local rules for electrics first: no plugs or leads where water can drip."
HEIGHT = "Only what you reach safely: a steady ladder, and somebody near."
MOULD = (
    "Do not shake mouldy bunches: bag them where they hang, wear a fine-dust mask (FFP3), "
    "and air the room after."
)


@dataclass(frozen=True)
class Circumstances:
    """What a message needs to know besides the spell itself.

    pressure_pa  air pressure at the site [Pa]
    at_risk      for each space the batches in it, in words: `six bunches of statice`
    air          the latest minute of each space, outdoors too, where it is known
    """

    site: Site
    pressure_pa: float
    at_risk: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    air: Mapping[str, MinuteOfAir] = field(default_factory=dict)

    def indoors(self, space: str | None) -> MinuteOfAir | None:
        """The latest minute of a space; None: not known."""
        return None if space is None else self.air.get(space)

    @property
    def outdoors(self) -> MinuteOfAir | None:
        """The latest minute outdoors; None: not known."""
        return self.air.get(OUTDOORS)

    def use(self, space: str | None) -> Use:
        """What a space is for; hanging where the settings no longer know it."""
        known = self.site.spaces.get(space) if space is not None else None
        return Use.HANGING if known is None else known.use

    def limits(self, space: str | None) -> Limits:
        """The limits of a space; none where the settings no longer know it."""
        known = self.site.spaces.get(space) if space is not None else None
        return Limits() if known is None else known.limits


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


class _Advice(NamedTuple):
    to_do: str
    caution: str = ""


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
    back = {Kind.SILENT: "heard again", Kind.STUCK: "no longer stuck"}
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
    advice = _best_thing(spell, circumstances)
    return Words(
        title(f"{_who(spell)}: {state}{_figure(spell, circumstances)}"),
        _since(spell, circumstances, now_ms),
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


# --- the one best thing to do ---------------------------------------------------------------


def _best_thing(spell: Spell, circumstances: Circumstances) -> _Advice:
    use = circumstances.use(spell.space)
    opens = airing_helps(
        circumstances.indoors(spell.space), circumstances.outdoors, circumstances.pressure_pa
    )
    match spell.kind:
        case Kind.HOT:
            return _when_hot(spell, circumstances, use, opens)
        case Kind.COLD:
            return _Advice("leave it be, cold only slows the drying.", UNVENTED)
        case Kind.DAMP:
            return _when_damp(spell, circumstances, use, opens)
        case Kind.ARID:
            return _when_arid(use)
        case Kind.SUNNY:
            return _Advice("draw a curtain, or move what hangs in the light.", HEIGHT)
        case Kind.DEWY:
            return _when_dewy(use, opens, circumstances)
        case Kind.MUSTY:
            return _Advice(
                "look over the coldest corner and every bunch, and throw out what is mouldy.", MOULD
            )
        case Kind.SILENT | Kind.STUCK:
            return _when_faulty(spell)


def _open_up(circumstances: Circumstances) -> _Advice:
    air = circumstances.outdoors
    outside_c = None if air is None else air.temperature_c
    outside = "" if outside_c is None else f" ({degrees(outside_c, circumstances.site)})"
    return _Advice(
        "open a door or a window, and shut it again when it turns damp out there: "
        f"the air outside{outside} carries less water."
    )


def _when_hot(spell: Spell, circumstances: Circumstances, use: Use, opens: bool | None) -> _Advice:
    if use is Use.STORING:
        return _Advice("move the boxes to a cooler room, away from radiators and pipes.")
    if use is Use.SHOWING:
        return _Advice("move the flowers away from radiators, stoves and sunny panes.", HEATERS)
    indoors, outdoors = circumstances.indoors(spell.space), circumstances.outdoors
    if opens and _cooler(outdoors, indoors):
        return _open_up(circumstances)
    lux = None if indoors is None else indoors.illuminance_lx
    if lux is not None and lux < DARK_LUX:
        return _Advice("find what heats this room, and turn it down.", FIRE)
    return _Advice("keep the sun off: draw a curtain, or hang a sheet over the window.", HEIGHT)


def _cooler(outdoors: MinuteOfAir | None, indoors: MinuteOfAir | None) -> bool:
    if outdoors is None or indoors is None:
        return False
    outside, inside = outdoors.temperature_c, indoors.temperature_c
    return outside is not None and inside is not None and outside < inside


def _when_damp(spell: Spell, circumstances: Circumstances, use: Use, opens: bool | None) -> _Advice:
    if use is Use.STORING:
        if spell.urgent:
            return _Advice("open the boxes, look for mould, and move them to a drier room.", MOULD)
        return _Advice("move the boxes to a drier room; above 65 % mould can start.")
    if opens:
        return _open_up(circumstances)
    if spell.urgent:
        return _Advice(
            "move the moistest bunches to a drier room, or run a dehumidifier.",
            f"{ELECTRICS} {UNVENTED}",
        )
    if opens is False:
        return _Advice("keep doors and windows shut: the air outside would not dry this room now.")
    return _Advice("hang the bunches further apart, so that air gets between them.", HEIGHT)


def _when_arid(use: Use) -> _Advice:
    if use is Use.STORING:
        return _Advice("keep the boxes shut, away from radiators and pipes.")
    if use is Use.SHOWING:
        return _Advice(
            "move the flowers away from radiators and stoves: they turn brittle.", HEATERS
        )
    return _Advice("take down what is crisp before it turns brittle, and box it in paper.")


def _when_dewy(use: Use, opens: bool | None, circumstances: Circumstances) -> _Advice:
    if opens:
        return _open_up(circumstances)
    if use is Use.HANGING:
        return _Advice("move the bunches an arm's length from the coldest wall or pane.", HEIGHT)
    return _Advice("move what stands here away from the coldest wall, and off the floor.")


def _when_faulty(spell: Spell) -> _Advice:
    if spell.sensor is None:
        if spell.kind is Kind.SILENT:
            return _Advice(
                "see that the broker, the router and what passes readings on have power."
            )
        return _Advice("restart what passes the readings on: it repeats itself.")
    if spell.kind is Kind.SILENT:
        return _Advice("look at its battery, then at how far it is from the radio.", HEIGHT)
    return _Advice("take out its battery, put it back, and breathe on it: it should stir.", HEIGHT)
