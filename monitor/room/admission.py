"""Whether a request can be entered now, and the entry that it becomes.

Everything that needs the state of the room is judged here, at the moment of entry: spaces,
flowers, batches, sensors, notices and the history that the new entry would make.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from difflib import get_close_matches
from typing import NamedTuple

from monitor.room.batches import AWAY, History, fold, key_of
from monitor.room.entries import (
    CORRECT,
    JSON,
    UNDO,
    Entry,
    Request,
    RequestError,
    first_of,
    standing,
    undone,
)
from monitor.room.fields import CALLED, FIELDS, PARTS
from monitor.room.readings import MINUTE_MS
from monitor.room.spaces import Space
from monitor.room.spells import Kind

FUTURE_ALLOWED_MS = MINUTE_MS  # clocks of phone and monitor differ a little


class Known(NamedTuple):
    """What the room knows when a request comes.

    entries   all entries so far, corrections and undoings among them
    flowers   every word a flower goes by → the name it is kept under
    notices   numbers of the notices made so far
    kinds     kinds of notices that can be paused
    """

    entries: Sequence[Entry]
    spaces: Mapping[str, Space]
    sensors: Collection[str]
    flowers: Mapping[str, str]
    notices: Collection[int] = ()
    kinds: Collection[str] = tuple(Kind)


def admit(request: Request, known: Known, number: int, now_ms: int) -> Entry:
    """The entry that this request becomes, as entry `number`; raises RequestError.

    A batch is kept by the number of the entry that hung it, a flower by its book name, and a
    batch hung without a name gets one: its flower and the next free number.
    """
    at_ms = now_ms if request.at_ms is None else request.at_ms
    if at_ms > now_ms + FUTURE_ALLOWED_MS:
        raise RequestError("the time lies in the future; give the time it happened", "at")
    if request.changes is not None:
        return _change(request, known, number, now_ms)
    history = fold(standing(known.entries), known.spaces)
    arguments = _settled(request.verb, request.arguments, known, history)
    if request.verb == "hang" and "name" not in arguments:
        arguments["name"] = _new_name(str(arguments["flower"]), known.entries)
    entry = Entry(number, now_ms, at_ms, request.verb, arguments)
    after = fold(standing([*known.entries, entry]), known.spaces)
    for problem in after.problems:
        if problem not in history.problems:
            raise RequestError(_told(problem.entry, problem.sentence, number), None)
    return entry


def upset(known: Known, entry: Entry) -> list[str]:
    """Sentences about entries that stop counting once this correction or undoing is taken in."""
    before = fold(standing(known.entries), known.spaces).problems
    after = fold(standing([*known.entries, entry]), known.spaces).problems
    return [_told(p.entry, p.sentence, entry.id) for p in after if p not in before]


def _told(entry: int, sentence: str, number: int) -> str:
    return sentence if entry == number else f"entry {entry} could then not be true: {sentence}"


def _change(request: Request, known: Known, number: int, now_ms: int) -> Entry:
    """A correction or an undoing, checked against what it changes."""
    entries = {entry.id: entry for entry in known.entries}
    changes = request.changes if request.changes is not None else 0
    target, root = entries.get(changes), first_of(entries, changes)
    if target is None or root is None:
        raise RequestError(
            f"there is no entry {changes}; `drying-room batches --history` numbers them", "entry"
        )
    if changes in undone(known.entries):
        raise RequestError(f"entry {changes} is undone already", "entry")
    if request.verb == UNDO:
        return Entry(number, now_ms, root.at_ms, UNDO, {}, changes)
    if target.verb == UNDO:
        raise RequestError(
            f"entry {changes} is an undoing: it can be undone, not corrected", "entry"
        )
    patch = _patch(request, root, known)
    if root.verb == "calibrate":
        _calibration_whole(root.arguments | patch)
    entry = Entry(number, now_ms, root.at_ms, CORRECT, patch, changes)
    after = fold(standing([*known.entries, entry]), known.spaces)
    for problem in after.problems:
        if problem.entry == root.id:
            raise RequestError(problem.sentence, None)
    return entry


def _patch(request: Request, root: Entry, known: Known) -> dict[str, JSON]:
    must, may = PARTS[root.verb]
    patch = dict(request.arguments)
    if request.at_ms is not None:
        patch["at_ms"] = request.at_ms
    if not patch:
        raise RequestError("a correction needs what to change, for example --bunches 7", None)
    for part, value in request.arguments.items():
        words = FIELDS[part].words
        if part not in must + may:
            raise RequestError(
                f"entry {root.id} is {CALLED[root.verb]}: it has nothing called {words}", part
            )
        if value is None and (part in must or part == "name"):
            raise RequestError(f"{CALLED[root.verb]} needs {words}; undo it instead", part)
    history = fold(standing(known.entries), known.spaces)
    return patch | _settled(root.verb, request.arguments, known, history)


def _settled(
    verb: str, arguments: Mapping[str, JSON], known: Known, history: History
) -> dict[str, JSON]:
    """The arguments with each name found in what is known, in the spelling kept there."""
    settled = dict(arguments)
    if isinstance(flower := settled.get("flower"), str):
        settled["flower"] = _flower(flower, known.flowers)
    if isinstance(space := settled.get("space"), str) and not (verb == "move" and space == AWAY):
        settled["space"] = _name_in(space, known.spaces, "space", "the settings list the spaces")
    if isinstance(sensor := settled.get("sensor"), str):
        settled["sensor"] = _name_in(
            sensor, known.sensors, "sensor", "the settings list the sensors"
        )
    if isinstance(kind := settled.get("kind"), str):
        settled["kind"] = _name_in(kind, known.kinds, "kind", f"kinds are {', '.join(known.kinds)}")
    if isinstance(batch := settled.get("batch"), str):
        settled["batch"] = _batch(batch, history)
    if (notice := settled.get("notice")) is not None and notice not in known.notices:
        raise RequestError(
            f"there is no notice {notice}; the page and `drying-room export notices` list them",
            "notice",
        )
    if verb == "calibrate" and "sensor" in settled:
        _calibration_whole(settled)
    return settled


def _calibration_whole(arguments: Mapping[str, JSON]) -> None:
    figures = any(arguments.get(part) is not None for part in ("offset", "slope"))
    if figures and arguments.get("quantity") is None:
        raise RequestError(
            "an offset or a slope needs its quantity, for example --quantity humidity", "quantity"
        )
    if not figures and not arguments.get("swap"):
        raise RequestError("say what changed: --offset, --slope or --swap", "offset")


def _batch(said: str, history: History) -> JSON:
    batch = history.named(said)
    if batch is not None:
        return batch.hung_by
    names = {key_of(b.name): b.name for b in history.batches}
    raise RequestError(
        f'no batch is named "{said}"; {_hint(key_of(said), names, "`drying-room batches`")}',
        "batch",
    )


def _flower(said: str, flowers: Mapping[str, str]) -> JSON:
    by_key = {key_of(word): name for word, name in flowers.items()}
    name = by_key.get(key_of(said))
    if name is not None:
        return name
    near = dict.fromkeys(by_key[k] for k in get_close_matches(key_of(said), list(by_key), n=3))
    hint = f"near it: {', '.join(near)}; " if near else ""
    raise RequestError(
        f'no flower is known as "{said}"; {hint}to add it, put a [[flower]] with its name '
        "into the settings",
        "flower",
    )


def _name_in(said: str, names: Collection[str], field: str, lists: str) -> JSON:
    by_key = {key_of(name): name for name in names}
    if key_of(said) in by_key:
        return by_key[key_of(said)]
    raise RequestError(f'no {field} is named "{said}"; {_hint(key_of(said), by_key, lists)}', field)


def _hint(key: str, names: Mapping[str, str], lists: str) -> str:
    near = get_close_matches(key, list(names), n=1)
    if near:
        return f'did you mean "{names[near[0]]}"?'
    return lists if lists[0] != "`" else f"{lists} lists them"


def _new_name(flower: str, entries: Sequence[Entry]) -> str:
    """The flower and the next free number, counting every hanging of it that was ever entered.

    Undone ones count too, so that no name is ever given to two batches.
    """
    hangings = [e for e in entries if e.verb in ("hang", CORRECT)]
    taken = {key_of(str(e.arguments["name"])) for e in hangings if e.arguments.get("name")}
    count = 1 + sum(e.verb == "hang" and e.arguments.get("flower") == flower for e in hangings)
    slug = "-".join(flower.split())
    while key_of(f"{slug}-{count}") in taken:
        count += 1
    return f"{slug}-{count}"
