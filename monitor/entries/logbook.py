"""What people entered, what follows from it, and both in plain words."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import NamedTuple
from zoneinfo import ZoneInfo

from monitor.entries.admission import Known, admit, upset
from monitor.entries.batches import Batch, BatchState, History, described, fold, hanging_in, kept_in
from monitor.entries.entries import (
    CORRECT,
    JSON,
    UNDO,
    Calibration,
    Entry,
    Request,
    Service,
    calibrations,
    first_of,
    services,
    standing,
    undone,
)
from monitor.entries.fields import FIELDS, THIS_SPELL
from monitor.entries.verbs import VERBS
from monitor.science.sorption import SALTS
from monitor.site.spaces import Site
from monitor.site.time import MINUTE_MS, local
from monitor.site.words import lasting


class CrispSpan(NamedTuple):
    """Minutes in which a batch of which a stem has snapped hung in a space; until exclusive."""

    space: str
    from_min: int
    until_min: int | None


def crisp_spans(batches: Iterable[Batch]) -> frozenset[CrispSpan]:
    """When and where something crisp hung, by what a bent stem told.

    A limit on dry air holds then; it goes by the entries alone, never by what the model thinks.
    """
    return frozenset(
        CrispSpan(
            stay.space,
            max(stay.from_ms, snapped_ms) // MINUTE_MS,
            None if stay.until_ms is None else stay.until_ms // MINUTE_MS,
        )
        for batch in batches
        for snapped_ms in [min((t.at_ms for t in batch.snap_tests if t.snaps), default=None)]
        if snapped_ms is not None
        for stay in batch.stays
        if batch.hangs_at(stay.from_ms) and (stay.until_ms is None or snapped_ms < stay.until_ms)
    )


def crisp_in(spans: Iterable[CrispSpan], space: str, minute: int) -> bool:
    """Whether something crisp hung in a space in that minute."""
    return any(
        span.space == space
        and span.from_min <= minute
        and (span.until_min is None or minute < span.until_min)
        for span in spans
    )


def first_change(before: frozenset[CrispSpan], after: frozenset[CrispSpan]) -> int | None:
    """The first minute in which something crisp hung by one and not by the other; None: none."""
    turns = {(s.space, minute) for s in before | after for minute in (s.from_min, s.until_min)}
    return min(
        (
            minute
            for space, minute in turns
            if minute is not None
            and crisp_in(before, space, minute) != crisp_in(after, space, minute)
        ),
        default=None,
    )


class Entered(NamedTuple):
    """An entry taken in.

    said   what it came to, in words
    batch  name of the batch it speaks of; None: it speaks of none
    upset  sentences about older entries that no longer count because of it
    """

    entry: Entry
    said: str
    batch: str | None
    upset: list[str]


class Logbook:
    """The entries of one site, and what they come to."""

    def __init__(self, site: Site, flowers: Mapping[str, str], entries: Iterable[Entry]) -> None:
        self._site = site
        self._flowers = flowers
        self.entries = list(entries)
        self.history = History((), ())
        self.calibrations: list[Calibration] = []
        self.services: list[Service] = []
        self.crisp: frozenset[CrispSpan] = frozenset()
        self._read()

    def enter(self, request: Request, notices: Collection[int], now_ms: int) -> Entered:
        """Take in what someone asks for; raises RequestError with one sentence."""
        known = Known(
            self.entries,
            self._site.spaces,
            self._site.sensors,
            self._flowers,
            notices,
            scales=self._site.scales(),
        )
        number = self.entries[-1].id + 1 if self.entries else 1
        entry = admit(request, known, number, now_ms)
        warnings = upset(known, entry) if entry.changes is not None else []
        self.entries.append(entry)
        self._read()
        return Entered(entry, made(entry, self.history), self._batch_of(entry), warnings)

    def at_risk(self, now_ms: int) -> dict[str, tuple[str, ...]]:
        """For each space the batches in it now, in words."""
        return {
            space: tuple(described(b) for b in self._in(space, now_ms))
            for space in self._site.spaces
        }

    def _in(self, space: str, now_ms: int) -> list[Batch]:
        batches = self.history.batches
        return hanging_in(batches, space, now_ms) + kept_in(batches, space, now_ms)

    def _read(self) -> None:
        self.standing = standing(self.entries)
        self.history = fold(self.standing, self._site.spaces)
        self.calibrations = calibrations(self.standing)
        self.services = services(self.standing)
        self.crisp = crisp_spans(self.history.batches)

    def _batch_of(self, entry: Entry) -> str | None:
        if entry.verb == "hang":
            return str(entry.arguments["name"])
        by_number = {b.hung_by: b.name for b in self.history.batches}
        batch = entry.arguments.get("batch")
        return by_number.get(batch) if isinstance(batch, int) else None


def made(entry: Entry, history: History) -> str:
    """What an entry just made, for the command that asked: its name, and how it now stands.

    history  the batches with the entry taken in
    """
    number = f"(entry {entry.id})"
    if entry.verb in (CORRECT, UNDO):
        return f"entry {entry.changes} is {VERBS[entry.verb].said} {number}"
    verb = VERBS[entry.verb]
    hung_by = entry.id if entry.verb == "hang" else entry.arguments.get("batch")
    batch = next((b for b in history.batches if b.hung_by == hung_by), None)
    if batch is None:
        return f"{verb.said}{_parts(entry.arguments, history)} {number}"
    if not verb.moves:
        what = {k: v for k, v in entry.arguments.items() if k != "batch"}
        return f"{batch.name} {verb.said}{_parts(what, history)} {number}"
    return f"{batch.name}: {described(batch)}, {whereabouts(batch)} {number}"


def whereabouts(batch: Batch) -> str:
    """Where a batch is, e.g. "hanging in loft"."""
    if batch.state is BatchState.HANGING:
        return f"hanging in {batch.space}"
    return "taken down" if batch.space is None else f"taken down, kept in {batch.space}"


def history_lines(entries: Iterable[Entry], history: History, zone: ZoneInfo) -> list[str]:
    """One line an entry, in the order they were made: number, time, what was said, its fate."""
    known = {entry.id: entry for entry in entries}
    out = undone(known.values())
    problems = {problem.entry: problem.sentence for problem in history.problems}
    lines = []
    for number, entry in sorted(known.items()):
        at = local(entry.at_ms, zone).strftime("%Y-%m-%d %H:%M")
        said = _said(entry, known, history, zone)
        fate = " · undone" if number in out else ""
        fate += f" · does not count: {problems[number]}" if number in problems else ""
        lines.append(f"{number:>5}  {at}  {said}{fate}")
    return lines


def _said(entry: Entry, known: dict[int, Entry], history: History, zone: ZoneInfo) -> str:
    if entry.verb == UNDO:
        return f"undo {entry.changes}"
    if entry.verb != CORRECT:
        return f"{entry.verb}{_parts(entry.arguments, history)}"
    root = first_of(known, entry.id)
    at_ms = entry.arguments.get("at_ms")
    at = ""
    if isinstance(at_ms, int):
        at = f", time {local(at_ms, zone):%Y-%m-%d %H:%M}"
    verb = root.verb if root is not None else "entry"
    return f"correct {entry.changes} ({verb}){_parts(entry.arguments, history)}{at}"


def _parts(arguments: dict[str, JSON], history: History) -> str:
    told = [_part(name, value, history) for name, value in arguments.items() if name in FIELDS]
    return f": {', '.join(told)}" if told else ""


def _part(name: str, value: JSON, history: History) -> str:
    words = FIELDS[name].words.removeprefix("the ")
    if value is None:
        return f"no {words}"
    if name == "batch":
        return next((b.name for b in history.batches if b.hung_by == value), f"entry {value}")
    if name == "for_min":
        return "for this spell" if value == THIS_SPELL else f"for {lasting(float(str(value)))}"
    if value is True:
        return words
    if name == "salt":
        return f"checked in {SALTS[str(value)].value}"
    if name == "beside":
        return f"checked beside {value}"
    if name == "result":
        return f"the stem {value}"
    shown = f"{value:g}" if isinstance(value, float) else str(value)
    return f"{words} {shown}{FIELDS[name].unit}"
