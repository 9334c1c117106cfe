"""What to say about a spell: where, what, how much, since when, and the one best thing to do.

The measures and cautions are common practice among growers, or fire and health services' usual
advice (keep what burns a metre from heaters; no unvented heaters; fine-dust masks with mouldy
plants), from memory. Opening up is advised only where `airing_helps` says so.
"""

from __future__ import annotations

from collections.abc import Sequence

from monitor.ahead.airing import airing_helps
from monitor.air.minute import MinuteOfAir
from monitor.air.spells import Spell
from monitor.notices.notice import Circumstances, Notice, Part, Weight, body, place_of
from monitor.places.sun import Position, beams
from monitor.science.sun import sun_elevation
from monitor.site.kinds import Advice, Kind
from monitor.site.spaces import Site, Use
from monitor.site.time import MINUTE_MS, local, local_day
from monitor.site.words import (
    ELECTRICS,
    FIRE,
    MOULD,
    UNVENTED,
    count,
    degrees,
    figure,
    humidity,
    lasting,
    listed,
    named,
    shortened,
    title,
    two_figures,
    when_minute,
)

# Darker than this indoors, the sun is not what heats a room [lx]. Our own choice.
DARK_LUX = 50.0
MOST_NAMES = 24  # no notice can hold more


def notice(
    spell: Spell,
    part: Part,
    weight: Weight,
    circumstances: Circumstances,
    now_ms: int,
    times: int = 0,
) -> Notice:
    """What is to be said of a spell for a part of its story.

    times  how often it began in a day, where it comes and goes
    """
    if part is Part.ENDED:
        over = spell.kind.row.over or f"no longer {spell.kind.row.state}"
        left = "look over every bunch once more" if spell.kind is Kind.MUSTY else "nothing to do"
        line = f"{_who(spell)}: {over}, after {lasting(_minutes(spell))}"
        text = f"{_from_to(spell, circumstances, now_ms)} That is over; {left}."
    elif part is Part.TAKEN_BACK:
        line = f"{_who(spell)}: not {spell.kind.row.state} after all"
        text = (
            f"The message about {when_minute(spell.began, now_ms, circumstances.site.timezone)} "
            "was mistaken: readings that came in late, or were corrected since, tell it "
            "differently. Nothing to do."
        )
    else:
        how = "" if times else _HOW.get(part, "")
        line = first_line(spell, circumstances, how, " again" if times else "")
        advice = best_thing(spell, circumstances)
        since = what(spell, circumstances, now_ms)
        if times:
            since += f" It has begun {count(times, 'time')} in 24 hours."
            advice = advice._replace(to_do=_to_change(spell, advice))
        text = body(since, _hangs_here(spell, circumstances), advice.to_do, advice.caution)
    return _as_notice(spell, part, weight, line, text, now_ms)


def afterwards(spell: Spell, circumstances: Circumstances, now_ms: int) -> Notice:
    """A spell that was over when it first became known."""
    line = f"{_who(spell)}: was {spell.kind.row.state} for {lasting(_minutes(spell))}"
    text = f"{_from_to(spell, circumstances, now_ms)} This came to light only afterwards."
    return _as_notice(spell, Part.ENDED, Weight.NOTE, line, text, now_ms)


_HOW = {Part.WORSE: "very ", Part.REMINDER: "still "}


def of_many(
    one: Spell,
    spells: Sequence[Spell],
    part: Part,
    weight: Weight,
    circumstances: Circumstances,
    now_ms: int,
) -> Notice:
    """Spells of one kind in many spaces, or of many sensors, in one notice that names them.

    one     all of them as one spell of no space
    spells  those that go on
    """
    row = one.kind.row
    if part is Part.ENDED:
        over = row.over or f"no longer {row.state}"
        since = when_minute(one.began, now_ms, circumstances.site.timezone)
        text = f"It began in many places at {since}. The last of them is back now; nothing to do."
        return _as_notice(one, part, weight, f"Everywhere: {over}", text, now_ms)
    worst = (max if row.above else min)(spells, key=lambda s: (s.urgent, s.worst))
    figure_, way = _figure(worst, worst.worst, circumstances), "up" if row.above else "down"
    many = f"{count(len(spells), 'sensor' if row.fault else 'space').capitalize()}: "
    line = f"{many}{_HOW.get(part, '')}{row.state}{figure_ and f', {way} to {figure_}'}"
    names = sorted({shortened((s.sensor if row.fault else s.space) or "") for s in spells})
    first = (
        f"Now {row.state}: {listed(names, MOST_NAMES)}; others may follow, and the page has all."
    )
    advice = _ONE_CAUSE if row.fault else best_thing(worst, circumstances)
    worst_at = "" if row.fault else f"Begin with the worst, {shortened(worst.space or '')}."
    return _as_notice(*(one, part, weight, line, body(first, worst_at, *advice), now_ms))


_ONE_CAUSE = Advice("see whether one receiver passes them all on, and has power.")


def _to_change(spell: Spell, advice: Advice) -> str:
    """What to change about the limit or the room, where a spell comes and goes."""
    if spell.kind.row.fault:
        better = "give it a fresh battery and a place nearer to the receiver, or replace it."
        return advice.to_do if spell.sensor is None else better
    way = "higher" if spell.kind.row.above else "lower"
    return f"if this harms nothing, set the limit {way} or its delay longer; else {advice.to_do}"


def first_line(spell: Spell, circumstances: Circumstances, how: str = "", again: str = "") -> str:
    """Where, in what state, and the present value, or the worst where that is not known."""
    value = _present(spell, circumstances)
    told = _figure(spell, spell.worst if value is None else value, circumstances)
    return title(f"{_who(spell)}: {how}{spell.kind.row.state}{again}{told and f', {told}'}")


def what(spell: Spell, circumstances: Circumstances, now_ms: int) -> str:
    """The limit that is passed, since when, the present value and the worst."""
    since = when_minute(spell.began, now_ms, circumstances.site.timezone)
    urgent = circumstances.limits(spell.space).damp_now_pct if spell.urgent else None
    for_long = "" if urgent is None else f", and for long above {humidity(urgent)}"
    has = "have" if _many(spell) else "has"
    first = f"{_subject(spell, circumstances)} {has} been {_passed(spell, circumstances)}"
    value, extreme = _present(spell, circumstances), _extreme(spell, circumstances)
    now = "" if value is None else f"Now {_figure(spell, value, circumstances)}."
    if now and extreme.endswith(f" {now.removeprefix('Now ')}"):
        extreme = ""
    sun = _sun_until(spell, circumstances, now_ms)
    return " ".join(filter(None, (f"{first} since {since}{for_long}.", now, extreme, sun)))


def _as_notice(
    spell: Spell, part: Part, weight: Weight, line: str, text: str, now_ms: int
) -> Notice:
    return Notice(
        made_ms=now_ms,
        space=spell.space,
        sensor=spell.sensor,
        kind=spell.kind.value,
        part=part.value,
        weight=weight,
        title=title(line),
        body=text,
        place=place_of(spell.space),
        spell_began=spell.began,
    )


def _who(spell: Spell) -> str:
    """What a message's first word names: the space, the sensor in it, or all sensors."""
    if spell.sensor is not None:
        where = "" if spell.space is None else f"{named(spell.space, 14)}, "
        return f"{where}sensor {shortened(spell.sensor)}"
    return "All sensors" if spell.space is None else named(spell.space)


def _figure(spell: Spell, value: float, circumstances: Circumstances) -> str:
    """A value of what the limit is of; "" where that has no figure."""
    row, site = spell.kind.row, circumstances.site
    if row.quantity is None:
        return ""
    told, limit = (
        figure(row.quantity, value, site),
        getattr(circumstances.limits(spell.space), row.limit),
    )
    if limit is None or abs(value - limit) < 0.05 or told != figure(row.quantity, limit, site):
        return told
    return figure(row.quantity, value, site, places=1)


def _present(spell: Spell, circumstances: Circumstances) -> float | None:
    air, row = circumstances.indoors(spell.space), spell.kind.row
    if air is None or row.quantity is None:
        return None
    value: float | None = getattr(air, row.column)
    return value


def _minutes(spell: Spell) -> int:
    return 0 if spell.ended is None else spell.ended - spell.began


def _many(spell: Spell) -> bool:
    """Whether what the sentence is about is many things."""
    return spell.kind.row.many or (spell.kind.row.fault and spell.sensor is None)


# --- what, how much, since when -------------------------------------------------------------


def _passed(spell: Spell, circumstances: Circumstances) -> str:
    """The limit that is passed, to follow `has been` or `was`."""
    row = spell.kind.row
    limit = getattr(circumstances.limits(spell.space), row.limit) if row.quantity else None
    if limit is None:
        return row.passed
    return f"{'above' if row.above else 'below'} {_figure(spell, limit, circumstances)}"


def _subject(spell: Spell, circumstances: Circumstances) -> str:
    if spell.sensor is not None:
        return "This sensor"
    if spell.kind is Kind.DAMP and circumstances.limits(spell.space).damp_is_daily_mean:
        return "The humidity, as the mean of a day,"
    return spell.kind.row.subject


def _sun_until(spell: Spell, circumstances: Circumstances, now_ms: int) -> str:
    """Until when the sun stays, where the windows are known and it comes through one now."""
    space = circumstances.site.spaces.get(spell.space or "")
    if spell.kind is not Kind.SUNNY or space is None or not space.windows:
        return ""
    site, now = circumstances.site, now_ms // MINUTE_MS
    place = Position(site.latitude, site.longitude, site.timezone)
    today = beams(space.windows, place, local_day(now_ms, site.timezone))
    ends = [b.ends for b in today if b.begins <= now < b.ends]
    if not ends:
        return ""
    until = local(max(ends) * MINUTE_MS, site.timezone)
    return f"Through its windows the sun stays until {until:%H:%M}."


def _from_to(spell: Spell, circumstances: Circumstances, now_ms: int) -> str:
    zone = circumstances.site.timezone
    since = when_minute(spell.began, now_ms, zone)
    until = when_minute(spell.began + _minutes(spell), now_ms, zone)
    if " " in since and " " not in until:
        until += " today"
    was = "were" if _many(spell) else "was"
    subject, passed = _subject(spell, circumstances), _passed(spell, circumstances)
    told = f"{subject} {was} {passed} from {since} to {until}."
    return f"{told} {_extreme(spell, circumstances)}".rstrip()


def _extreme(spell: Spell, circumstances: Circumstances) -> str:
    many, row = _many(spell), spell.kind.row
    match spell.kind:
        case Kind.DEWY:
            return _closest(spell.worst, circumstances.site.temperature_unit)
        case Kind.MUSTY:
            return (
                f"Mould index {two_figures(spell.worst):g}: 1 is the first trace under a "
                "microscope, 3 is what the eye sees."
            )
        case Kind.STUCK:
            told = "told" if spell.ended is not None else "tell" if many else "tells"
            they = "they" if many else "it"
            return f"Real air always stirs a little; what {they} {told} is kept but not used."
        case Kind.SILENT if spell.ended is None:
            who = (
                "the other sensors watch alone"
                if _others(spell, circumstances)
                else "nobody watches"
            )
            return f"Until {'they are' if many else 'it is'} heard again, {who} here."
    return f"{row.extreme}: {_figure(spell, spell.worst, circumstances)}." if row.extreme else ""


def _others(spell: Spell, circumstances: Circumstances) -> bool:
    """Whether a space is still measured while one of its sensors is silent."""
    air, sensors = circumstances.indoors(spell.space), circumstances.site.sensors.values()
    measured = air is not None and air.readings > 0 and spell.sensor is not None
    return measured and sum(s.space == spell.space for s in sensors) > 1


def _closest(margin_k: float, unit: str) -> str:
    if margin_k <= 0:
        return "At worst water settled on it."
    apart = margin_k * 1.8 if unit == "°F" else margin_k
    return f"At worst only {two_figures(apart):g} {unit} above it."


def _hangs_here(spell: Spell, circumstances: Circumstances) -> str:
    batches = circumstances.at_risk.get(spell.space or "", ())
    if not batches:
        return ""
    here = {Use.STORING: "Stored here", Use.SHOWING: "On show here"}
    return f"{here.get(circumstances.use(spell.space), 'Hanging here')}: {listed(batches)}."


# --- the one best thing to do ---------------------------------------------------------------


def best_thing(spell: Spell, circumstances: Circumstances) -> Advice:
    """The one best thing to do about a spell, with its caution: the kind's own, or better."""
    use = circumstances.use(spell.space)
    better: Advice | None = None
    if spell.kind.row.fault and spell.sensor is None:
        better = _WHOLE_FEED[spell.kind.value]
    elif spell.kind is Kind.HOT and use is Use.HANGING:
        better = _when_hot(spell, circumstances)
    elif spell.kind is Kind.DAMP:
        better = _when_damp(spell, circumstances, use)
    elif spell.kind is Kind.DEWY and _opening_helps(spell, circumstances):
        better = _open_up(circumstances)
    return better or spell.kind.advice(use)


_WHOLE_FEED = {
    "silent": Advice("see that the broker, the router and what passes readings on have power."),
    "stuck": Advice("restart what passes the readings on: it repeats itself."),
}


def before_it(kind: Kind, use: Use, airing: str) -> Advice:
    """The one best thing while it is still only coming.

    airing  when it is best to air before then, in words; "": not at all
    """
    if airing and kind is not Kind.HOT:
        return Advice(f"air it from {airing}, when the air outside carries less water.")
    return kind.before_it(use)


def _opening_helps(spell: Spell, circumstances: Circumstances) -> bool | None:
    return airing_helps(
        circumstances.indoors(spell.space),
        circumstances.outdoors,
        circumstances.pressure_pa,
        circumstances.advised.get(spell.space or ""),
        circumstances.limits(spell.space).hot_c,
    )


def _open_up(circumstances: Circumstances) -> Advice:
    return Advice(
        "open a door or a window, and shut it again when it turns damp out there: "
        f"the air outside{_outside(circumstances)} carries less water."
    )


def _outside(circumstances: Circumstances) -> str:
    """The temperature outdoors in brackets, where it is known."""
    air = circumstances.outdoors
    outside_c = None if air is None else air.temperature_c
    return "" if outside_c is None else f" ({degrees(outside_c, circumstances.site)})"


def _when_hot(spell: Spell, circumstances: Circumstances) -> Advice | None:
    indoors, outdoors = circumstances.indoors(spell.space), circumstances.outdoors
    if _opening_helps(spell, circumstances) and _cooler(outdoors, indoors):
        return Advice(
            f"open a door or a window, and shut it again once it is cool: the air outside"
            f"{_outside(circumstances)} is cooler."
        )
    if indoors is not None and _dark(indoors, circumstances.site):
        return Advice("find what heats this room, and turn it down.", FIRE)
    return None


def _dark(air: MinuteOfAir, site: Site) -> bool:
    """Whether no curtain would help: by the light in there, else by the sun."""
    if air.illuminance_lx is not None:
        return air.illuminance_lx < DARK_LUX
    return sun_elevation(site.latitude, site.longitude, 60.0 * air.minute) < 0


def _cooler(outdoors: MinuteOfAir | None, indoors: MinuteOfAir | None) -> bool:
    if outdoors is None or indoors is None:
        return False
    outside, inside = outdoors.temperature_c, indoors.temperature_c
    return outside is not None and inside is not None and outside < inside


def _when_damp(spell: Spell, circumstances: Circumstances, use: Use) -> Advice | None:
    if use is Use.STORING:
        look = "open the boxes, look for mould, and move them to a drier room."
        return Advice(look, MOULD) if spell.urgent else None
    if opens := _opening_helps(spell, circumstances):
        return _open_up(circumstances)
    if spell.urgent:
        drier = "move the moistest bunches to a drier room, or run a dehumidifier."
        return Advice(drier, f"{ELECTRICS} {UNVENTED}")
    if opens is False:
        return Advice("keep doors and windows shut: the air outside would not dry this room now.")
    return None
