"""What each page tells, from the snapshot and the store: plain values for the templates."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from markupsafe import Markup

from monitor.edges.charts.drawing import midnight
from monitor.edges.page import coming, figures, pictures, rail, sun
from monitor.edges.page.checking import can_be_checked
from monitor.edges.page.house import House
from monitor.room import advice, places
from monitor.room.batches import Batch, Stay, described, hanging_in, kept_in
from monitor.room.calibrations import out_of_service, services
from monitor.room.entries import Entry, first_of, standing, undone
from monitor.room.harmless import shown
from monitor.room.limits import limits_of
from monitor.room.prospect_words import ANEW, sentences, tag, why_nothing
from monitor.room.readings import MINUTE_MS, Flag, Quantity
from monitor.room.snapshot import Snapshot
from monitor.room.spaces import OUTDOORS, Site, Space, Use
from monitor.room.spells import Kind, Spell
from monitor.room.told import history_lines
from monitor.room.words import (
    count,
    humidity,
    lasting,
    light,
    local,
    local_day,
    named,
    temperature,
    two_figures,
    when,
    when_minute,
)
from monitor.store.reader import Delivery, Load, Reader

Told = dict[str, Any]

SPANS = {
    "day": ("the last day", 1),
    "week": ("the last week", 7),
    "month": ("the last month", 30),
    "year": ("the last year", 365),
}
# Minutes of which only the lowest and the highest are drawn: some 600 points across.
_STEPS_MIN = {"week": 36, "month": 144, "year": 1440}
PAST_SHOWN = 60
NOTICES_DAYS = 30
LATELY_H = 24  # older notices are folded away
UNREAD_SHOWN = 20
# The worst for the flowers first.
_WORST_FIRST = (
    *(Kind.MUSTY, Kind.DEWY, Kind.DAMP, Kind.HOT, Kind.SUNNY),
    *(Kind.ARID, Kind.SILENT, Kind.STUCK, Kind.COLD),
)
_FLAG_WORDS = {
    Flag.CLAMPED: "a little over 100 %, taken as 100",
    Flag.RANGE: "cannot be true",
    Flag.STEP: "a jump that the next did not confirm",
    Flag.STUCK: "stuck",
    Flag.FEED: "the whole feed stood still",
    Flag.IN_THE_SUN: "in the sun",
    Flag.DISAGREES: "disagrees with its neighbour",
    Flag.TIME_OF_ARRIVAL: "its own time could not be true",
    Flag.TOO_OLD: "too old to be used",
    Flag.OUT_OF_SERVICE: "out of service",
}


# -- spaces -----------------------------------------------------------------------------------


def spaces(house: House, snapshot: Snapshot) -> Told:
    """Every space with its rail, and above all the one thing to do."""
    going_on = sorted(snapshot.going_on, key=_urgency)
    # What is only a note (cold) asks for nothing.
    matters = [s for s in going_on if s.kind is not Kind.COLD]
    with Reader(house.store) as reader:
        rails = [_rail(house, snapshot, name, reader) for name in house.spaces()]
    return {
        "to_do": _said(house, snapshot, matters[0]) if matters else None,
        "more": [_said(house, snapshot, s) for s in matters[1:]],
        "rails": [r for r in rails if r["name"] != OUTDOORS],
        "outdoors": next((r for r in rails if r["name"] == OUTDOORS), None),
        "heard": snapshot.now_ms > 0 and bool(snapshot.air),
        "shapes": _shapes([b for r in rails for b in r["bunches"]]),
    }


def _urgency(spell: Spell) -> tuple[bool, int, int]:
    return not spell.urgent, _WORST_FIRST.index(spell.kind), spell.began


def _said(house: House, snapshot: Snapshot, spell: Spell) -> Told:
    said = advice.began(spell, house.circumstances(snapshot), snapshot.now_ms)
    return {
        "title": said.title,
        "what": said.what,
        "to_do": said.to_do[:1].upper() + said.to_do[1:],
        "caution": said.caution,
        "space": spell.space,
        "kind": pictures.dye_of(spell.kind),
    }


def _rail(house: House, snapshot: Snapshot, name: str, reader: Reader) -> Told:
    site, space = house.site, house.site.spaces[name]
    batches, now_ms = snapshot.history.batches, snapshot.now_ms
    return {
        "name": name,
        "title": named(name, 60),
        "use": space.use.value,
        "hangs": space.use is Use.HANGING,
        "figures": figures.air_figures(name, snapshot.air.get(name), site),
        "strip": _strip(house, snapshot, name, reader),
        "spells": [_said(house, snapshot, s) for s in snapshot.going_on if s.space == name],
        "bunches": [_hung(b, snapshot, site) for b in hanging_in(batches, name, now_ms)],
        "kept": [_hung(b, snapshot, site) for b in kept_in(batches, name, now_ms)],
        "how": _how(house, snapshot, name),
        "do": coming.one_line(snapshot, name),
    }


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


def _hung(batch: Batch, snapshot: Snapshot, site: Site) -> Told:
    now_ms, timezone = snapshot.now_ms, site.timezone
    days = (now_ms - batch.hung_ms) / 86_400_000
    said = snapshot.prospects.get(batch.hung_by)
    left = None if said is None else said.still_to_lose_pct / 100
    doubted = batch.hung_by in snapshot.doubted
    silence = why_nothing(batch, doubted, batch.space in snapshot.air) if said is None else None
    return {
        "sentences": (
            list(filter(None, [silence])) if said is None else sentences(said, site, batch.colour)
        ),
        "tag": (ANEW if doubted else "") if said is None else tag(said, site),
        "name": batch.name,
        "what": described(batch),
        "since": "first day" if days < 1 else f"day {int(days) + 1}",
        "picture": Markup(  # noqa: S704 (our own drawing; names are escaped in it)
            rail.bunches(
                batch.flower,
                batch.colour,
                batch.bunches,
                described(batch),
                left,
            )
        ),
        "flower": batch.flower,
        "colour": batch.colour,
        "hung": when(batch.hung_ms, now_ms, timezone),
    }


def _shapes(hung: Iterable[Told]) -> Markup:
    return Markup(rail.shapes(b["flower"] for b in hung))  # noqa: S704 (our own drawing)


def _strip(house: House, snapshot: Snapshot, name: str, reader: Reader) -> Markup:
    site, now = house.site, snapshot.now_ms // MINUTE_MS
    today = local_day(snapshot.now_ms, site.timezone)
    zone = ZoneInfo(site.timezone)
    begin, end = midnight(today, zone), midnight(today + timedelta(days=1), zone)
    lux = reader.air_of(name, begin, end, ("illuminance_lx",))["illuminance_lx"]
    spells = [s for s in reader.spells(begin, end) if s.space == name and s.sensor is None]
    up = rail.sun_up(site.latitude, site.longitude, today, begin)
    marks = [
        (max(s.began, begin) - begin, min(s.ended or now, end) - begin, pictures.dye_of(s.kind))
        for s in spells
    ]
    airings = coming.airings_of(snapshot, name, begin, end)
    beams = sun.beams_today(site, site.spaces[name], today)
    lit = any(Quantity.ILLUMINANCE in sensor.reads for sensor in site.sensors_of(name))
    told = " ".join(
        part
        for part in (
            _strip_words(lux, begin, spells, snapshot.now_ms, site.timezone, lit),
            coming.strip_words(snapshot, name, site),
            sun.strip_words(beams, site.timezone),
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
            word = pictures.WORDS[spell.kind]
            since = when_minute(spell.began, now_ms, timezone)
            told.append(f"{word[:1].upper()}{word[1:]} from {since}, {_lasted(spell)}.")
    return " ".join(told)


def _lasted(spell: Spell) -> str:
    return f"for {lasting((spell.ended or spell.began) - spell.began)}"


# -- a space ----------------------------------------------------------------------------------


def space(house: House, snapshot: Snapshot, name: str, span: str) -> Told:
    """One space: its air over a day, a week or a month, its sensors, its settings."""
    site, of = house.site, house.site.spaces[name]
    begin, end = _span(span, snapshot)
    with Reader(house.store) as reader:
        load = reader.load_of(name, begin, end)
        spells = [s for s in reader.spells(begin, end) if s.space == name]
        one = _rail(house, snapshot, name, reader)
        as_place = sun.as_a_place(
            of, reader, snapshot.now_ms // MINUTE_MS, _fades_first(house, snapshot, name)
        )
    today = local_day(snapshot.now_ms, site.timezone)
    return one | {
        "coming": coming.of_space(house, snapshot, name),
        "sun": sun.of_space(site, of, house.store, today),
        "as_place": as_place,
        "span": span,
        "spans": SPANS,
        "charts": _charts(house, of, span, begin, end, spells),
        "load": _load(load),
        "load_hours": f"{load.minutes / 60:,.0f}",
        "past": [_past(house, s, snapshot.now_ms) for s in spells[: -PAST_SHOWN - 1 : -1]],
        "earlier": max(len(spells) - PAST_SHOWN, 0),
        "sensors": [_sensor(house, snapshot, s.name) for s in site.sensors_of(name)],
        "limits": _limits(of, house),
        "shapes": _shapes(one["bunches"]),
    }


def _span(span: str, snapshot: Snapshot) -> tuple[int, int]:
    """From its first minute to after the last; a year begins with a whole day, as they are kept."""
    end = snapshot.now_ms // MINUTE_MS + 1
    begin = end - SPANS[span][1] * 1440
    return (begin if span != "year" else -(-begin // 1440) * 1440), end


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


def _load(load: Load) -> str | None:
    return f"{two_figures(load.kpa_h):,g} kPa·h" if load.minutes else None


def _fades_first(house: House, snapshot: Snapshot, name: str) -> float:
    """The blue-wool class of what fades first among the flowers kept in a space."""
    there = kept_in(snapshot.history.batches, name, snapshot.now_ms)
    classes = [(house.book.find(b.flower) or house.book.other).blue_wool(b.colour) for b in there]
    return min(classes, default=places.FADES_EARLY)


def _past(house: House, spell: Spell, now_ms: int) -> str:
    zone = house.site.timezone
    since = when_minute(spell.began, now_ms, zone)
    who = f"sensor {spell.sensor} " if spell.sensor else ""
    what = f"{who}{pictures.WORDS[spell.kind]}"
    what = what[:1].upper() + what[1:]
    if spell.ended is None:
        return f"{what} since {since}, and still so"
    return f"{what} from {since}, {_lasted(spell)}"


def _limits(of: Space, house: House) -> list[str]:
    """A space's settings in plain words."""
    told = []
    for limit in limits_of(of):
        match limit.kind:
            case Kind.HOT | Kind.COLD:
                bound = _degrees(limit.value, house)
            case Kind.SUNNY:
                bound = light(limit.value)
            case Kind.DEWY:
                factor = 1.8 if house.site.temperature_unit == "°F" else 1.0
                bound = (
                    f"{limit.value * factor:g} {house.site.temperature_unit} above the dew point"
                )
            case Kind.MUSTY:
                told.append(f"Mould: a word once its index passes {limit.value:g}")
                continue
            case _:
                bound = humidity(limit.value)
        side = "above" if limit.above else "below"
        after = f" for {lasting(limit.delay_min)}" if limit.delay_min else " as the mean of a day"
        word = pictures.WORDS[limit.kind]
        told.append(f"{word[:1].upper()}{word[1:]}: {side} {bound}{after}")
        if limit.urgent_value is not None:
            told.append(f"Urgent: {side} {humidity(limit.urgent_value)}")
    volume = "not told" if of.volume_m3 is None else f"{of.volume_m3:g} m³"
    return [*told, f"Room: {volume}"]


# -- batches ----------------------------------------------------------------------------------


def batches(house: House, snapshot: Snapshot) -> Told:
    """What hangs where, what is kept, and what was."""
    rows = [
        _hung(b, snapshot, house.site) | {"space": b.space, "state": b.state.value}
        for b in reversed(snapshot.history.batches)
    ]
    return {
        "hanging": [r for r in rows if r["state"] == "hanging"],
        "others": [r for r in rows if r["state"] != "hanging"],
        "hang_in": [s.name for s in house.site.spaces.values() if s.use is Use.HANGING],
        "shapes": _shapes(rows),
    }


def batch(house: House, snapshot: Snapshot, found: Batch) -> Told:
    """One batch: where it was, what was measured, what it went through."""
    site, now_ms = house.site, snapshot.now_ms
    until_ms = now_ms if found.taken_down_ms is None else found.taken_down_ms
    stays = [(s, s.until_ms or now_ms) for s in found.stays if s.from_ms < until_ms]
    with Reader(house.store) as reader:
        spells = [
            s
            for stay, end_ms in stays
            for s in reader.spells(stay.from_ms // MINUTE_MS, min(end_ms, until_ms) // MINUTE_MS)
            if s.space == stay.space and s.sensor is None
        ]
        said = reader.prospects_of(found.hung_by, found.hung_ms)
        loads = [
            reader.load_of(s.space, s.from_ms // MINUTE_MS, min(end_ms, until_ms) // MINUTE_MS)
            for s, end_ms in stays
        ]
    lines = _entries(house, snapshot)
    own = [e for e in lines if e["batch"] == found.hung_by]
    hung = _hung(found, snapshot, site)
    last = snapshot.prospects.get(found.hung_by)
    foreseen = last is not None and last.crisp_p50 is not None
    return hung | {
        "shapes": _shapes([hung]),
        "state": found.state.value,
        "space": found.space,
        "stays": [
            (_came_to(found, s), s.space, when(s.from_ms, now_ms, site.timezone))
            for s in found.stays
        ],
        "hanging": found.taken_down_ms is None,
        "days": f"{(until_ms - found.hung_ms) / 86_400_000:.0f}",
        "taken_down": None
        if found.taken_down_ms is None
        else when(found.taken_down_ms, now_ms, site.timezone),
        "outcome": _outcome(found),
        "note": found.note,
        "load": _load(Load(sum(one.kpa_h for one in loads), sum(one.minutes for one in loads))),
        "tests": [(when(at_ms, now_ms, site.timezone), result) for at_ms, result in _tests(found)],
        "chart": pictures.of_weighings(found, spells, site),
        "drying": pictures.of_prospects(found, said, foreseen, spells, site),
        "past": [_past(house, s, now_ms) for s in spells],
        "entries": own,
    }


def _came_to(found: Batch, stay: Stay) -> str:
    if found.taken_down_ms is not None and stay.from_ms >= found.taken_down_ms:
        return "Kept in"
    return "Hung in" if stay is found.stays[0] else "Moved to"


def _tests(found: Batch) -> list[tuple[int, str]]:
    """Weighings and snap tests as they came: time and result."""
    weighed = [(w.at_ms, f"{w.grams:,g} g") for w in found.weighings]
    bent = [(s.at_ms, "stem snaps" if s.snaps else "stem bends") for s in found.snap_tests]
    return sorted(weighed + bent)


def _outcome(found: Batch) -> list[str]:
    if found.outcome is None:
        return []
    words = {
        "good": "good",
        "mould": "lost to mould",
        "opened": "lost to opening",
        "faded": "lost to fading",
        "shed": "lost to shedding",
    }
    heads = found.outcome._asdict()
    return [
        f"{count(heads[part], 'head')} {word}"
        for part, word in words.items()
        if heads[part] is not None
    ]


def entries(house: House, snapshot: Snapshot) -> Told:
    """Everything entered, the newest first."""
    return {"entries": list(reversed(_entries(house, snapshot)))}


def _entries(house: House, snapshot: Snapshot) -> list[Told]:
    known = {e.id: e for e in snapshot.entries}
    zone = ZoneInfo(house.site.timezone)
    lines = history_lines(snapshot.entries, snapshot.history, zone)
    out = undone(snapshot.entries)
    return [
        {
            "number": entry.id,
            "line": line.strip().split("  ", 1)[1],
            "undone": entry.id in out,
            "can_correct": entry.verb not in ("undo", "correct") and entry.id not in out,
            "can_undo": entry.id not in out,
            "batch": _batch_of(entry, known),
        }
        for entry, line in zip(sorted(known.values(), key=lambda e: e.id), lines, strict=True)
    ]


def _batch_of(entry: Entry, known: dict[int, Entry]) -> object:
    root = first_of(known, entry.id)
    if root is None:
        return None
    return root.id if root.verb == "hang" else root.arguments.get("batch")


# -- notices ----------------------------------------------------------------------------------


def notices(house: House, snapshot: Snapshot) -> Told:
    """What was sent, whether it arrived, and what was done about it."""
    from_ms = snapshot.now_ms - NOTICES_DAYS * 86_400_000
    with Reader(house.store) as reader:
        rows = list(reader.notices(from_ms))
    grouped: dict[int, list[Delivery]] = {}
    for row in rows:
        grouped.setdefault(row.number, []).append(row)
    told = [_notice(house, snapshot, group) for group in reversed(grouped.values())]
    lately_ms = snapshot.now_ms - LATELY_H * 3_600_000
    return {
        "notices": [n for n in told if n["made_ms"] >= lately_ms],
        "earlier": [n for n in told if n["made_ms"] < lately_ms],
        "unseen": sum(not n["seen"] and n["weight"] != "note" for n in told),
    }


def _notice(house: House, snapshot: Snapshot, group: list[Delivery]) -> Told:
    first, zone, now_ms = group[0], house.site.timezone, snapshot.now_ms
    kind = first.notice.kind
    going_on = {(s.kind.value, s.space, s.sensor) for s in snapshot.going_on}
    newest = snapshot.notices.get(first.number)
    seen_ms = newest.seen_ms if newest else first.seen_ms
    paused_ms = newest.paused_until_ms if newest else first.paused_until_ms
    return {
        "number": first.number,
        "made_ms": first.notice.made_ms,
        "made": when(first.notice.made_ms, now_ms, zone),
        "dye": pictures.dye_of(Kind(kind)) if kind in tuple(Kind) else "",
        "weight": first.notice.weight.value,
        "title": first.notice.title,
        "body": first.notice.body,
        "place": first.notice.place,
        "kind": first.notice.kind,
        "space": first.notice.space or "",
        "can_pause": (kind, first.notice.space, first.notice.sensor) in going_on,
        "seen": None if seen_ms is None else when(seen_ms, now_ms, zone),
        "paused": _paused(paused_ms, now_ms, zone),
        "deliveries": [_arrived(d, now_ms, zone) for d in group],
    }


def _paused(until_ms: int | None, now_ms: int, zone: str) -> str | None:
    if until_ms is None or until_ms <= now_ms:
        return None
    far = until_ms > now_ms + 400 * 86_400_000
    return "until this spell is over" if far else f"until {when(until_ms, now_ms, zone)}"


def _arrived(delivery: Delivery, now_ms: int, zone: str) -> str:
    if delivery.address is None:
        return "kept for the digest; nobody was written to"
    if delivery.sent_ms is not None:
        return f"reached {delivery.address} {when(delivery.sent_ms, now_ms, zone)}"
    if delivery.failure:
        tries = count(delivery.tries, "try", "tries")
        return f"has not reached {delivery.address} after {tries}: {delivery.failure}"
    return f"waits to be sent to {delivery.address}"


# -- weeks and sensors ------------------------------------------------------------------------


def weeks(house: House, snapshot: Snapshot) -> Told:
    """The weekly reports."""
    with Reader(house.store) as reader:
        kept = reader.reports()
    zone = house.site.timezone
    return {
        "weeks": [
            {"week": r.week, "made": when(r.made_ms, snapshot.now_ms, zone), "text": r.text}
            for r in kept
        ]
    }


def sensors(house: House, snapshot: Snapshot) -> Told:
    """What each sensor last said, and what could not be read."""
    with Reader(house.store) as reader:
        heard = reader.heard(snapshot.now_ms - 86_400_000, snapshot.now_ms + 1)
        unread = [u for u, _ in zip(reader.unread(), range(UNREAD_SHOWN), strict=False)]
    site = house.site
    told = [_sensor(house, snapshot, name) for name in site.sensors]
    for one in told:
        day = heard.get(one["name"])
        one["readings"] = 0 if day is None else day.readings
        one["doubts"] = (
            [] if day is None else [f"{n:,} {_FLAG_WORDS[f]}" for f, n in day.doubts.items()]
        )
    return {
        "sensors": told,
        "unread": [
            {
                "at": when(u.arrived_ms, snapshot.now_ms, site.timezone),
                "topic": shown(u.topic),
                "sensor": u.sensor,
                "payload": shown(u.payload[:400].decode("utf-8", "replace"), 200),
                "reason": u.reason,
            }
            for u in unread
        ],
    }


def _sensor(house: House, snapshot: Snapshot, name: str) -> Told:
    site = house.site
    sensor, told = site.sensors[name], snapshot.sensors.get(name)
    faults = [s for s in snapshot.going_on if s.sensor == name]
    out = out_of_service(services(standing(snapshot.entries)), name, snapshot.now_ms)
    return {
        "name": name,
        "space": sensor.space,
        "heard": figures.last_heard(told, snapshot.now_ms, site),
        "checkable": can_be_checked(house, name),
        "says": [
            (q.value, figures.name_of(q), text)
            for q, text in figures.sensor_figures(sensor, told, site).items()
        ],
        "topics": sorted({r.topic or sensor.topic or "" for r in sensor.reads.values()}),
        "every": lasting(sensor.every_s / 60) if sensor.every_s >= 60 else f"{sensor.every_s:g} s",
        "timed": sensor.timed,
        "out": None if out is None else when(out.from_ms, snapshot.now_ms, site.timezone),
        "faults": [_past(house, s, snapshot.now_ms) for s in faults],
        "not_read": 0 if told is None else told.unread,
        "why_not": None if told is None else told.why_unread,
    }
