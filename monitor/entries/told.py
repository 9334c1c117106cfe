"""Entries in plain words: what a command prints when it made one, and the numbered history."""

from __future__ import annotations

from collections.abc import Iterable
from zoneinfo import ZoneInfo

from monitor.entries.batches import Batch, BatchState, History, described
from monitor.entries.entries import CORRECT, JSON, UNDO, Entry, first_of, undone
from monitor.entries.fields import FIELDS, THIS_SPELL
from monitor.science.salts import SALTS
from monitor.site.time import local

_SAYS = {
    "weigh": "weighed",
    "snap": "bent",
    "move": "moved",
    "takedown": "taken down",
    "seen": "notice seen",
    "pause": "paused",
    "calibrate": "sensor changed",
    "aside": "out of service",
    "back": "back in service",
}


def made(entry: Entry, history: History) -> str:
    """What an entry just made, for the command that asked: its name, and how it now stands.

    history  the batches with the entry taken in
    """
    number = f"(entry {entry.id})"
    if entry.verb in (CORRECT, UNDO):
        word = "corrected" if entry.verb == CORRECT else "undone"
        return f"entry {entry.changes} is {word} {number}"
    hung_by = entry.id if entry.verb == "hang" else entry.arguments.get("batch")
    batch = next((b for b in history.batches if b.hung_by == hung_by), None)
    if batch is None:
        return f"{_SAYS[entry.verb]}{_parts(entry.arguments, history)} {number}"
    if entry.verb in ("weigh", "snap"):
        what = {k: v for k, v in entry.arguments.items() if k != "batch"}
        return f"{batch.name} {_SAYS[entry.verb]}{_parts(what, history)} {number}"
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
        return "for this spell" if value == THIS_SPELL else f"for {value} min"
    if value is True:
        return words
    if name == "salt":
        return f"checked in {SALTS[str(value)].value}"
    if name == "beside":
        return f"checked beside {value}"
    if name == "result":
        return f"the stem {value}"
    unit = " g" if name in ("grams", "fresh_mass_g") else ""
    shown = f"{value:g}" if isinstance(value, float) else str(value)
    return f"{words} {shown}{unit}"
