"""Whether a request can be entered now, and the entry that it becomes.

Everything that needs the state of the room is judged here, at the moment of entry: spaces,
flowers, batches, sensors, notices and the history that the new entry would make.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from difflib import get_close_matches
from typing import NamedTuple

from monitor.entries.batches import AWAY, KEEPING, History, Problem, fold, key_of
from monitor.entries.entries import (
    CORRECT,
    JSON,
    UNDO,
    Entry,
    Request,
    RequestError,
    first_of,
    out_of_service,
    services,
    standing,
    undone,
)
from monitor.entries.fields import FIELDS
from monitor.entries.verbs import VERBS
from monitor.site.kinds import Kind
from monitor.site.spaces import Space, Use
from monitor.site.time import MINUTE_MS
from monitor.site.words import listed

_NO_SCALE = "no sensor of the settings weighs: give the scale's [[sensor]] a reads.mass"
SCALES_DIFFER = 1.02  # a weighing may be off by so much; our own choice
AT_ONCE_MS = 10 * MINUTE_MS  # corrections of one entry within this may be of two people
FUTURE_ALLOWED_MS = MINUTE_MS  # clocks of phone and monitor differ a little


class Known(NamedTuple):
    """What the room knows when a request comes.

    entries   all entries so far, corrections and undoings among them
    flowers   every word a flower goes by → the name it is kept under
    notices   numbers of the notices made so far
    kinds     kinds of notices that can be paused
    scales    those of the sensors that weigh
    """

    entries: Sequence[Entry]
    spaces: Mapping[str, Space]
    sensors: Collection[str]
    flowers: Mapping[str, str]
    notices: Collection[int] = ()
    kinds: Collection[str] = tuple(Kind)
    scales: Collection[str] = ()


def admit(request: Request, known: Known, number: int, now_ms: int) -> Entry:
    """The entry that this request becomes, as entry `number`; raises RequestError.

    A batch is kept by the number of the entry that hung it, a flower by its book name, and a
    batch hung without a name gets one: its flower and the next free number.
    """
    if request.at_ms is not None and request.at_ms > now_ms + FUTURE_ALLOWED_MS:
        raise RequestError("the time lies in the future; give the time it happened", "at")
    if request.changes is not None:
        return _change(request, request.changes, known, number, now_ms)
    before = _history(known)
    arguments = _settled(request.arguments, known, before, request.verb)
    if request.verb == "hang":
        _name_free(arguments, before, number)
        arguments.setdefault("name", _new_name(str(arguments["flower"]), known.entries))
    at_ms = now_ms if request.at_ms is None else request.at_ms
    entry = Entry(number, now_ms, at_ms, request.verb, arguments)
    _service_changes(entry, known)
    _must_be_whole(entry)
    for problem in _new_problems(known, before, entry):
        raise _refusal(problem, number, known)
    if request.verb == "weigh":
        _no_heavier(arguments, before)
    return entry


def upset(known: Known, entry: Entry) -> list[str]:
    """Sentences about entries that stop counting once this correction or undoing is taken in."""
    new = _new_problems(known, _history(known), entry)
    told = [f"entry {p.entry} no longer counts: {p.sentence}" for p in new]
    return told + _corrected_at_once(known, entry)


def _corrected_at_once(known: Known, entry: Entry) -> list[str]:
    """Two people may correct one entry at once: the later one is told of the other."""
    entries = {one.id: one for one in known.entries} | {entry.id: entry}
    root, gone = first_of(entries, entry.id), undone(known.entries)
    return [
        f"entry {other.id} changed {listed(both)} just before; what you say counts now"
        for other in known.entries
        if entry.verb == other.verb == CORRECT
        and other.id not in gone
        and entry.made_ms - other.made_ms < AT_ONCE_MS
        and first_of(entries, other.id) == root
        and (both := [_called(part) for part in other.arguments if part in entry.arguments])
    ]


def _called(part: str) -> str:
    return FIELDS[part].words if part in FIELDS else "the time"


def _no_heavier(arguments: Mapping[str, JSON], history: History) -> None:
    """What dries gets lighter: a bunch that got heavier is another one, or was weighed wrongly."""
    grams = arguments["grams"]
    for batch in history.batches:
        fresh_g = batch.fresh_mass_g
        if batch.hung_by != arguments["batch"] or fresh_g is None:
            continue
        if isinstance(grams, int | float) and grams > fresh_g * SCALES_DIFFER:
            raise RequestError(
                f"{grams:g} g is more than when it was hung ({fresh_g:g} g): is it the same "
                f"bunch? If that figure is wrong, correct entry {batch.hung_by} first",
                "grams",
            )


def _history(known: Known, *more: Entry) -> History:
    return fold(standing([*known.entries, *more]), known.spaces)


def _new_problems(known: Known, before: History, entry: Entry) -> list[Problem]:
    old = {problem.entry for problem in before.problems}
    return [p for p in _history(known, entry).problems if p.entry not in old]


def _refusal(problem: Problem, own: int, known: Known) -> RequestError:
    """The problem as it is said of entry `own`; another's is named, not explained."""
    if problem.entry == own:
        return RequestError(problem.sentence, problem.field)
    verb = next(e.verb for e in known.entries if e.id == problem.entry)
    return RequestError(
        f"this contradicts entry {problem.entry} ({VERBS[verb].called}); "
        "correct or undo that one first"
    )


def _change(request: Request, changes: int, known: Known, number: int, now_ms: int) -> Entry:
    """A correction or an undoing, checked against what it changes."""
    entries = {entry.id: entry for entry in known.entries}
    target, root = entries.get(changes), first_of(entries, changes)
    if target is None or root is None:
        raise RequestError(
            f"there is no entry {changes}; `drying-room batches --history` numbers them", "entry"
        )
    if changes in undone(known.entries):
        raise RequestError(f"entry {changes} is undone already", "entry")
    if request.verb == UNDO:
        entry = Entry(number, now_ms, root.at_ms, UNDO, {}, changes)
    elif target.verb == UNDO:
        raise RequestError(
            f"entry {changes} is an undoing: it can be undone, not corrected", "entry"
        )
    elif root.id in undone(known.entries):
        raise RequestError(f"entry {root.id} is undone; undo the undoing first", "entry")
    else:
        entry = Entry(number, now_ms, root.at_ms, CORRECT, _patch(request, root, known), changes)
    _must_leave_whole(known, root, entry)
    return entry


def _must_leave_whole(known: Known, root: Entry, entry: Entry) -> None:
    """A change may upset later entries, but neither its own root nor another batch as such."""
    hangings = {e.id for e in known.entries if e.verb == "hang"}
    for problem in _new_problems(known, _history(known), entry):
        if problem.entry in hangings | {root.id}:
            raise _refusal(problem, root.id, known)
    for stands in standing([*known.entries, entry]):
        if stands.id == root.id:
            _must_be_whole(stands)


def _patch(request: Request, root: Entry, known: Known) -> dict[str, JSON]:
    verb = VERBS[root.verb]
    must, may = verb.must, verb.may
    patch = dict(request.arguments)
    if request.at_ms is not None:
        patch["at_ms"] = request.at_ms
    if not patch:
        raise RequestError("a correction needs what to change, for example --bunches 7", None)
    for part, value in request.arguments.items():
        words = FIELDS[part].words
        if part not in must + may:
            raise RequestError(
                f"entry {root.id} is {VERBS[root.verb].called}: it has nothing called {words}", part
            )
        if value is None and (part in must or part == "name"):
            raise RequestError(f"{VERBS[root.verb].called} needs {words}; undo it instead", part)
    history = _history(known)
    _name_free(request.arguments, history, root.id)
    return patch | _settled(request.arguments, known, history, root.verb)


def _settled(
    arguments: Mapping[str, JSON], known: Known, history: History, verb: str
) -> dict[str, JSON]:
    """The arguments with each name found in what is known, in the spelling kept there."""
    settled = dict(arguments)
    hung_by = {batch.name: batch.hung_by for batch in history.batches}
    names: dict[str, Collection[str]] = {
        "space": known.spaces, "sensor": known.sensors, "beside": known.sensors,
        "scale": known.scales, "kind": known.kinds, "batch": hung_by,
    }  # fmt: skip
    fit = _spaces_for(verb, arguments.get("batch"), known, history)
    for part, said in arguments.items():
        if not isinstance(said, str) or (part == "space" and verb == "move" and said == AWAY):
            continue
        if part == "flower":
            settled[part] = flower_named(said, known.flowers)
        elif part in names:
            settled[part] = _name_in(
                said, names[part], part, fit if part == "space" else names[part]
            )
    if isinstance(batch := settled.get("batch"), str):
        settled["batch"] = hung_by[batch]
    if (notice := settled.get("notice")) is not None and notice not in known.notices:
        raise RequestError(
            f"there is no notice {notice}; `drying-room export notices` lists them", "notice"
        )
    return settled


def _spaces_for(verb: str, batch: JSON, known: Known, history: History) -> list[str]:
    """Where a batch may be hung, moved to or kept; for all else, every space."""
    found = history.named(batch) if isinstance(batch, str) else None
    hangs = verb == "hang" or (found is not None and found.taken_down_ms is None)
    if verb not in ("hang", "move", "takedown") or (verb == "move" and found is None):
        return list(known.spaces)
    uses = (Use.HANGING,) if hangs and verb != "takedown" else KEEPING
    here = found.space if found is not None else None
    fit = [s.name for s in known.spaces.values() if s.use in uses and s.name != here]
    return fit + [AWAY] * (verb == "move" and not hangs)


def _list(names: Collection[str]) -> str:
    *most, last = names or ("one that the settings name",)
    return f"{', '.join(most)} or {last}" if most else last


def _name_free(arguments: Mapping[str, JSON], history: History, hung_by: int) -> None:
    name = arguments.get("name")
    other = history.named(name) if isinstance(name, str) else None
    if other is not None and other.hung_by != hung_by:
        raise RequestError(
            f"a batch is already named {other.name} (entry {other.hung_by}); choose another name",
            "name",
        )


def _must_be_whole(entry: Entry) -> None:
    """What is said of a sensor must go together, as it is entered and as it is corrected."""
    said = entry.arguments
    if entry.verb == "calibrate":
        figures = any(said.get(part) is not None for part in ("offset", "slope"))
        if figures and said.get("quantity") is None:
            example = "for example --quantity humidity"
            raise RequestError(f"an offset or a slope needs its quantity, {example}", "quantity")
        if not figures and not said.get("swap"):
            raise RequestError("say what changed: --offset, --slope or --swap", "offset")
    elif entry.verb == "aside":
        if said.get("salt") is not None and said.get("beside") is not None:
            only_one = "a sensor is checked against salt or beside another, not both"
            raise RequestError(only_one, "salt")
        if said.get("beside") == said["sensor"]:
            raise RequestError("a sensor cannot hang beside itself; name the trusted one", "beside")


def _service_changes(entry: Entry, known: Known) -> None:
    """A sensor goes out of service only from service, and back only from outside it."""
    if entry.verb not in ("aside", "back"):
        return
    sensor = str(entry.arguments["sensor"])
    since = out_of_service(services(standing(known.entries)), sensor, entry.at_ms)
    if entry.verb == "back" and since is None:
        raise RequestError(f"{sensor} is in service at that time already", "sensor")
    if entry.verb == "aside" and since is not None:
        already = f"{sensor} is out of service already (entry {since.entry})"
        raise RequestError(f"{already}; `drying-room back {sensor}` ends that", "sensor")


def flower_named(said: str, flowers: Mapping[str, str]) -> str:
    """The name a flower is kept under; raises RequestError with the nearest ones."""
    by_key = {key_of(word): name for word, name in flowers.items()}
    name = by_key.get(key_of(said))
    if name is not None:
        return name
    near = dict.fromkeys(by_key[k] for k in get_close_matches(key_of(said), list(by_key), n=3))
    hint = f"near it: {', '.join(near)}; " if near else ""
    raise RequestError(
        f'no flower is known as "{said}"; {hint}to add it, write [flower."{key_of(said)}"] '
        "into the settings",
        "flower",
    )


def _name_in(said: str, names: Collection[str], part: str, fit: Collection[str]) -> str:
    """The name as it is kept; raises with the nearest one, or else with those that `fit`."""
    by_key = {key_of(name): name for name in names}
    if key_of(said) in by_key:
        return by_key[key_of(said)]
    part = "sensor" if part == "beside" else part
    if near := get_close_matches(key_of(said), list(by_key), n=1):
        hint = f'did you mean "{by_key[near[0]]}"?'
    elif part == "batch":
        hint = "`drying-room batches` lists them"
    else:
        hint = _NO_SCALE if part == "scale" and not names else f"choose {_list(fit)}"
    raise RequestError(f'no {part} is named "{said}"; {hint}', part)


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
