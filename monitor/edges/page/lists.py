"""What the pages of batches, entries, notices, weeks and sensors tell."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

from markupsafe import Markup

from monitor.air.spells import Spell
from monitor.edges.page import figures, pictures, rail
from monitor.edges.page.forms import actions, can_be_checked
from monitor.edges.page.house import House, Told
from monitor.engine.effects import Snapshot
from monitor.entries.batches import Batch, BatchState, Stay, described
from monitor.entries.entries import Entry, first_of, out_of_service, services, standing, undone
from monitor.entries.logbook import history_lines
from monitor.notices.sentences.foreseen import ANEW, sentences, tag, why_nothing
from monitor.site.kinds import Kind
from monitor.site.quantities import Flag
from monitor.site.spaces import Site
from monitor.site.time import DAY_MS, HOUR_MS, MINUTE_MS
from monitor.site.words import count, lasting, shown, when
from monitor.store.air import Load
from monitor.store.queries import NoticeSent, Reader


@dataclass(frozen=True)
class HungShown:
    """A batch as it hangs on its rail, or lies on its shelf."""

    sentences: list[str]
    tag: str
    name: str
    what: str
    since: str
    picture: Markup
    flower: str
    space: str | None
    state: BatchState
    hung: str


def hung(batch: Batch, snapshot: Snapshot, site: Site) -> HungShown:
    """A batch as it hangs on its rail."""
    now_ms, timezone = snapshot.now_ms, site.timezone
    days = (now_ms - batch.hung_ms) / DAY_MS
    said = snapshot.prospects.get(batch.hung_by)
    left = None if said is None else said.still_to_lose_pct / 100
    doubted = batch.hung_by in snapshot.doubted
    silence = why_nothing(batch, doubted, batch.space in snapshot.air) if said is None else None
    return HungShown(
        sentences=(
            list(filter(None, [silence])) if said is None else sentences(said, site, batch.colour)
        ),
        tag=(ANEW if doubted else "") if said is None else tag(said, site),
        name=batch.name,
        what=described(batch),
        since="first day" if days < 1 else f"day {int(days) + 1}",
        picture=Markup(  # noqa: S704 (our own drawing; names are escaped in it)
            rail.bunches(
                batch.flower,
                batch.colour,
                batch.bunches,
                described(batch),
                left,
            )
        ),
        flower=batch.flower,
        space=batch.space,
        state=batch.state,
        hung=when(batch.hung_ms, now_ms, timezone),
    )


def shapes(hung: Iterable[HungShown]) -> Markup:
    """What the pictures of the bunches are drawn of, once a page."""
    return Markup(rail.shapes(b.flower for b in hung))  # noqa: S704 (our own drawing)


def batches(house: House, snapshot: Snapshot) -> Told:
    """What hangs where, what is kept, and what was."""
    rows = [hung(b, snapshot, house.site) for b in reversed(snapshot.history.batches)]
    hanging = [r for r in rows if r.state == BatchState.HANGING]
    others = [r for r in rows if r.state != BatchState.HANGING]
    return {"hanging": hanging, "others": others, "shapes": shapes(rows)}


@dataclass(frozen=True)
class EntryShown:
    """An entry. batch: number of the entry that hung its batch; None: it has none."""

    number: int
    line: str
    undone: bool
    can_correct: bool
    can_undo: bool
    batch: object


def batch(house: House, snapshot: Snapshot, found: Batch) -> Told:
    """One batch: where it was, what was measured, what it went through."""
    site, now_ms = house.site, snapshot.now_ms
    until_ms = now_ms if found.taken_down_ms is None else found.taken_down_ms
    spells, load = _went_through(house, found, until_ms, now_ms)
    with Reader(house.store) as reader:
        said = reader.prospects_of(found.hung_by, found.hung_ms)
    bunch, last = hung(found, snapshot, site), snapshot.prospects.get(found.hung_by)
    foreseen = last is not None and last.crisp_p50 is not None

    def at(epoch_ms: int) -> str:
        return when(epoch_ms, now_ms, site.timezone)

    return vars(bunch) | {
        "shapes": shapes([bunch]),
        "stays": [(_came_to(found, s), s.space, at(s.from_ms)) for s in found.stays],
        "hanging": found.taken_down_ms is None,
        "days": f"{(until_ms - found.hung_ms) / DAY_MS:.0f}",
        "taken_down": None if found.taken_down_ms is None else at(found.taken_down_ms),
        "outcome": _outcome(found),
        "note": found.note,
        "load": figures.pull(load),
        "tests": [(at(at_ms), result) for at_ms, result in _tests(found)],
        "chart": pictures.of_weighings(found, spells, site),
        "drying": pictures.of_prospects(found, said, foreseen, spells, site),
        "past": [figures.past(house, s, now_ms) for s in spells],
        "entries": [e for e in _entries(house, snapshot) if e.batch == found.hung_by],
        "actions": actions(found.state),
    }


def _went_through(
    house: House, found: Batch, until_ms: int, now_ms: int
) -> tuple[list[Spell], Load]:
    """The spells of the air it hung in, and the pull of that air, added up."""
    spells: list[Spell] = []
    load = Load(0.0, 0)
    with Reader(house.store) as reader:
        for stay in found.stays:
            if stay.from_ms < until_ms:
                end_ms = min(stay.until_ms or now_ms, until_ms)
                span = stay.from_ms // MINUTE_MS, end_ms // MINUTE_MS
                there = (s for s in reader.spells(*span) if s.space == stay.space)
                spells += [s for s in there if s.sensor is None]
                pull = reader.load_of(stay.space, *span)
                load = Load(load.kpa_h + pull.kpa_h, load.minutes + pull.minutes)
    return spells, load


def _came_to(found: Batch, stay: Stay) -> str:
    if found.taken_down_ms is not None and stay.from_ms >= found.taken_down_ms:
        return "Kept in"
    return "HungShown in" if stay is found.stays[0] else "Moved to"


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
    return {"entries": _entries(house, snapshot)[::-1]}


def _entries(house: House, snapshot: Snapshot) -> list[EntryShown]:
    known = {e.id: e for e in snapshot.entries}
    zone = ZoneInfo(house.site.timezone)
    lines = history_lines(snapshot.entries, snapshot.history, zone)
    out = undone(snapshot.entries)
    return [
        EntryShown(
            number=entry.id,
            line=line.strip().split("  ", 1)[1],
            undone=entry.id in out,
            can_correct=entry.verb not in ("undo", "correct") and entry.id not in out,
            can_undo=entry.id not in out,
            batch=_batch_of(entry, known),
        )
        for entry, line in zip(sorted(known.values(), key=lambda e: e.id), lines, strict=True)
    ]


def _batch_of(entry: Entry, known: dict[int, Entry]) -> object:
    root = first_of(known, entry.id)
    if root is None:
        return None
    return root.id if root.verb == "hang" else root.arguments.get("batch")


# -- notices and weeks -------------------------------------------------------------------------


NOTICES_DAYS = 30
LATELY_H = 24  # older notices are folded away


@dataclass(frozen=True)
class NoticeShown:
    """A notice, whether it arrived, and what was done about it."""

    number: int
    made_ms: int
    made: str
    dye: str
    weight: str
    title: str
    body: str
    place: str
    kind: str
    space: str
    can_pause: bool
    seen: str | None
    paused: str | None
    deliveries: list[str]


def notices(house: House, snapshot: Snapshot) -> Told:
    """What was sent, whether it arrived, and what was done about it."""
    from_ms = snapshot.now_ms - NOTICES_DAYS * DAY_MS
    with Reader(house.store) as reader:
        rows = list(reader.notices(from_ms))
    grouped: dict[int, list[NoticeSent]] = {}
    for row in rows:
        grouped.setdefault(row.number, []).append(row)
    told = [_notice(house, snapshot, group) for group in reversed(grouped.values())]
    lately_ms = snapshot.now_ms - LATELY_H * HOUR_MS
    return {
        "notices": [n for n in told if n.made_ms >= lately_ms],
        "earlier": [n for n in told if n.made_ms < lately_ms],
        "unseen": sum(not n.seen and n.weight != "note" for n in told),
    }


def _notice(house: House, snapshot: Snapshot, group: list[NoticeSent]) -> NoticeShown:
    first, zone, now_ms = group[0], house.site.timezone, snapshot.now_ms
    kind = first.notice.kind
    going_on = {(s.kind.value, s.space, s.sensor) for s in snapshot.going_on}
    newest = snapshot.notices.get(first.number)
    seen_ms = newest.seen_ms if newest else first.seen_ms
    paused_ms = newest.paused_until_ms if newest else first.paused_until_ms
    return NoticeShown(
        number=first.number,
        made_ms=first.notice.made_ms,
        made=when(first.notice.made_ms, now_ms, zone),
        dye=Kind(kind).row.dye if kind in tuple(Kind) else "",
        weight=first.notice.weight.value,
        title=first.notice.title,
        body=first.notice.body,
        place=first.notice.place,
        kind=first.notice.kind,
        space=first.notice.space or "",
        can_pause=(kind, first.notice.space, first.notice.sensor) in going_on,
        seen=None if seen_ms is None else when(seen_ms, now_ms, zone),
        paused=_paused(paused_ms, now_ms, zone),
        deliveries=[_arrived(d, now_ms, zone) for d in group],
    )


def _paused(until_ms: int | None, now_ms: int, zone: str) -> str | None:
    if until_ms is None or until_ms <= now_ms:
        return None
    far = until_ms > now_ms + 400 * DAY_MS
    return "until this spell is over" if far else f"until {when(until_ms, now_ms, zone)}"


def _arrived(delivery: NoticeSent, now_ms: int, zone: str) -> str:
    if delivery.address is None:
        return "kept for the digest; nobody was written to"
    if delivery.sent_ms is not None:
        return f"reached {delivery.address} {when(delivery.sent_ms, now_ms, zone)}"
    if delivery.failure:
        tries = count(delivery.tries, "try", "tries")
        return f"has not reached {delivery.address} after {tries}: {delivery.failure}"
    return f"waits to be sent to {delivery.address}"


def weeks(house: House, snapshot: Snapshot) -> Told:
    """The weekly reports."""
    now_ms, zone = snapshot.now_ms, house.site.timezone
    with Reader(house.store) as reader:
        made = [(r.week, when(r.made_ms, now_ms, zone), r.text) for r in reader.reports()]
    return {"weeks": made}


# -- sensors -----------------------------------------------------------------------------------


UNREAD_SHOWN = 20
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


@dataclass(frozen=True)
class SensorShown:
    """A sensor as it stands now. readings, doubts: of its last day, on the sensors' page alone."""

    name: str
    space: str
    heard: str
    checkable: bool
    says: list[tuple[str, str, str]]
    topics: list[str]
    every: str
    timed: bool
    out: str | None
    faults: list[str]
    not_read: int
    why_not: str | None
    readings: int = 0
    doubts: tuple[str, ...] = ()


def sensors(house: House, snapshot: Snapshot, wrong_tries: int) -> Told:
    """What each sensor last said, and what could not be read."""
    with Reader(house.store) as reader:
        heard = reader.heard(snapshot.now_ms - DAY_MS, snapshot.now_ms + 1)
        unread = [u for u, _ in zip(reader.unread(), range(UNREAD_SHOWN), strict=False)]
    site = house.site
    told = []
    for name in site.sensors:
        one, day = sensor(house, snapshot, name), heard.get(name)
        if day is not None:
            doubts = tuple(f"{n:,} {_FLAG_WORDS[f]}" for f, n in day.doubts.items())
            one = replace(one, readings=day.readings, doubts=doubts)
        told.append(one)
    lost = [
        (
            when(u.arrived_ms, snapshot.now_ms, site.timezone),
            shown(u.topic),
            shown(u.payload[:400].decode("utf-8", "replace"), 200),
            u.reason,
        )
        for u in unread
    ]
    return {"sensors": told, "unread": lost, "wrong_tries": wrong_tries}


def sensor(house: House, snapshot: Snapshot, name: str) -> SensorShown:
    """One sensor, as it stands now."""
    site = house.site
    sensor, told = site.sensors[name], snapshot.sensors.get(name)
    faults = [s for s in snapshot.going_on if s.sensor == name]
    out = out_of_service(services(standing(snapshot.entries)), name, snapshot.now_ms)
    return SensorShown(
        name=name,
        space=sensor.space,
        heard=figures.last_heard(told, snapshot.now_ms, site),
        checkable=can_be_checked(house, name),
        says=[
            (q.value, q.row.called, text)
            for q, text in figures.sensor_figures(sensor, told, site).items()
        ],
        topics=sorted({r.topic or sensor.topic or "" for r in sensor.reads.values()}),
        every=lasting(sensor.every_s / 60) if sensor.every_s >= 60 else f"{sensor.every_s:g} s",
        timed=sensor.timed,
        out=None if out is None else when(out.from_ms, snapshot.now_ms, site.timezone),
        faults=[figures.past(house, s, snapshot.now_ms) for s in faults],
        not_read=0 if told is None else told.unread,
        why_not=None if told is None else told.why_unread,
    )
