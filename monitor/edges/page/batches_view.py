"""What the pages of the batches and of what was entered tell: plain values for the templates."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any
from zoneinfo import ZoneInfo

from markupsafe import Markup

from monitor.edges.page import passed, pictures, rail
from monitor.edges.page.house import House
from monitor.engine.snapshot import Snapshot
from monitor.entries.batches import Batch, Stay, described
from monitor.entries.entries import Entry, first_of, undone
from monitor.entries.logbook import history_lines
from monitor.notices.sentences.foreseen import ANEW, sentences, tag, why_nothing
from monitor.site.spaces import Site, Use
from monitor.site.time import DAY_MS, MINUTE_MS
from monitor.site.words import count, when
from monitor.store.air import Load
from monitor.store.queries import Reader

Told = dict[str, Any]


def hung(batch: Batch, snapshot: Snapshot, site: Site) -> Told:
    """A batch as it hangs on its rail."""
    now_ms, timezone = snapshot.now_ms, site.timezone
    days = (now_ms - batch.hung_ms) / DAY_MS
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


def shapes(hung: Iterable[Told]) -> Markup:
    """What the pictures of the bunches are drawn of, once a page."""
    return Markup(rail.shapes(b["flower"] for b in hung))  # noqa: S704 (our own drawing)


def batches(house: House, snapshot: Snapshot) -> Told:
    """What hangs where, what is kept, and what was."""
    rows = [
        hung(b, snapshot, house.site) | {"space": b.space, "state": b.state.value}
        for b in reversed(snapshot.history.batches)
    ]
    return {
        "hanging": [r for r in rows if r["state"] == "hanging"],
        "others": [r for r in rows if r["state"] != "hanging"],
        "hang_in": [s.name for s in house.site.spaces.values() if s.use is Use.HANGING],
        "shapes": shapes(rows),
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
    bunch = hung(found, snapshot, site)
    last = snapshot.prospects.get(found.hung_by)
    foreseen = last is not None and last.crisp_p50 is not None
    return bunch | {
        "shapes": shapes([bunch]),
        "state": found.state.value,
        "space": found.space,
        "stays": [
            (_came_to(found, s), s.space, when(s.from_ms, now_ms, site.timezone))
            for s in found.stays
        ],
        "hanging": found.taken_down_ms is None,
        "days": f"{(until_ms - found.hung_ms) / DAY_MS:.0f}",
        "taken_down": None
        if found.taken_down_ms is None
        else when(found.taken_down_ms, now_ms, site.timezone),
        "outcome": _outcome(found),
        "note": found.note,
        "load": passed.pull(
            Load(sum(one.kpa_h for one in loads), sum(one.minutes for one in loads))
        ),
        "tests": [(when(at_ms, now_ms, site.timezone), result) for at_ms, result in _tests(found)],
        "chart": pictures.of_weighings(found, spells, site),
        "drying": pictures.of_prospects(found, said, foreseen, spells, site),
        "past": [passed.past(house, s, now_ms) for s in spells],
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
