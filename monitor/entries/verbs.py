"""What can be entered: one table of the verbs, and the one validation.

Words, parts, help, example, order and the form on the page are read from here. A new verb is a row;
where it changes a batch, a step in `batches`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from monitor.entries.entries import CORRECT, JSON, UNDO, Request, RequestError
from monitor.entries.fields import ENTRY, FIELDS


class Question(NamedTuple):
    """How a form asks for a part: what stands above it, what helps below it."""

    label: str
    hint: str = ""


class Verb(NamedTuple):
    """What can be entered, and all that is said and asked of it.

    name        the command's word; it is stored
    called      an entry of it, in a sentence
    help        what the command says of itself
    example     what to write after `drying-room`
    must, may   parts that it must have and may have
    in_place    parts given by their place after the verb, all others are options; (): the first
    said        what the command prints when it made one
    title       of its form on the page; "": it has none there
    button      of that form
    asked       the parts that its form asks for otherwise
    moves       whether the batch then is elsewhere: where it is, is said
    hanging     whether it is offered only while the batch hangs
    time        the options for its time
    """

    name: str
    called: str
    help: str
    example: str
    must: tuple[str, ...] = ()
    may: tuple[str, ...] = ()
    in_place: tuple[str, ...] = ()
    said: str = ""
    title: str = ""
    button: str = ""
    asked: Mapping[str, Question] = {}
    moves: bool = False
    hanging: bool = False
    time: tuple[str, ...] = ("--at",)


_TABLE = (
    Verb(
        "hang",
        "a hanging",
        "a batch was hung",
        "hang statice --space loft --bunches 6 --colour violet --at 08:30",
        must=("flower", "space", "bunches"),
        may=("stems_per_bunch", "colour", "fresh_mass_g", "scale", "target_pct_db", "name"),
        said="hung",
        title="Hang a batch",
        button="It hangs",
        moves=True,
    ),
    Verb(
        "weigh",
        "a weighing",
        "the tagged bunch was weighed [g]",
        "weigh statice-1 164.5",
        must=("batch", "grams"),
        in_place=("batch", "grams"),
        said="weighed",
        title="Weigh",
        button="Weighed",
    ),
    Verb(
        "snap",
        "a snap test",
        "a stem was bent: it snaps or bends",
        "snap statice-1 bends",
        must=("batch", "result"),
        in_place=("batch", "result"),
        said="bent",
        title="Snap test",
        button="Tried",
    ),
    Verb(
        "move",
        "a move",
        "a batch went to another space; away: sold, used up or thrown out",
        "move statice-1 --space spare-room",
        must=("batch", "space"),
        said="moved",
        title="Move",
        button="Moved",
        asked={"space": Question("To")},
        moves=True,
    ),
    Verb(
        "takedown",
        "a taking down",
        "a batch was taken down, with its heads counted",
        "takedown statice-1 --good 170 --mould 4 --space box-cupboard",
        must=("batch",),
        may=("space", "good", "mould", "opened", "faded", "shed", "note"),
        said="taken down",
        title="Take down",
        button="Taken down",
        asked={"space": Question("Kept in", "where its air is watched on")},
        moves=True,
        hanging=True,
    ),
    Verb(
        "seen",
        "a notice seen",
        "a notice was read; without a number: all of them",
        "seen 12",
        may=("notice",),
        in_place=("notice",),
        said="notice seen",
        time=(),
    ),
    Verb(
        "pause",
        "a pause",
        "no more notices of a kind for a while",
        'pause hot --space loft --for "1 h"',
        must=("kind", "for_min"),
        may=("space",),
        said="paused",
        time=(),
    ),
    Verb(
        "calibrate",
        "a change to a sensor",
        "a sensor reads differently from a time on: value = slope × reading + offset",
        "calibrate loft-rail --from 08:30 --quantity humidity --offset -1.5",
        must=("sensor",),
        may=("quantity", "offset", "slope", "swap"),
        said="sensor changed",
        time=("--from", "--at"),
    ),
    Verb(
        "aside",
        "a sensor put out of service",
        "a sensor is out of service: what it tells is kept, not used",
        "aside loft-rail --at 08:30",
        must=("sensor",),
        may=("salt", "beside"),
        said="out of service",
    ),
    Verb(
        "back",
        "a sensor back in service",
        "a sensor is in service again",
        "back loft-rail",
        must=("sensor",),
        said="back in service",
    ),
    Verb(
        CORRECT,
        "a correction",
        'change parts of an entry; "" takes an optional part away',
        "correct 5 --bunches 7 --at 08:15",
        may=tuple(FIELDS),
        in_place=("entry",),
        said="corrected",
        button="Correct it",
    ),
    Verb(
        UNDO,
        "an undoing",
        "take an entry back; an undoing can be undone too",
        "undo 5",
        in_place=("entry",),
        said="undone",
        time=(),
    ),
)
VERBS = {v.name: v._replace(in_place=v.in_place or v.must[:1]) for v in _TABLE}


def verb_named(name: str) -> Verb:
    """The verb; raises RequestError with those there are."""
    if name not in VERBS:
        raise RequestError(f'nothing is entered by "{name}"; choose {", ".join(VERBS)}', "verb")
    return VERBS[name]


def request_of(name: str, given: Mapping[str, JSON], changes: JSON, at_ms: JSON) -> Request:
    """The one validation: values by the names of FIELDS → a request; raises RequestError.

    given    an empty text, or None, in a correction takes that part away (kept as None)
    changes  the number of the entry that a correction or an undoing speaks of
    at_ms    when it happened [UTC epoch ms]; None: now
    """
    verb = verb_named(name)
    for part in given:
        if part not in (*verb.must, *verb.may):
            raise RequestError(f"{name} has no part called {part}", part)
    number = _changed(verb, changes)
    arguments: dict[str, JSON] = {}
    for part in (*verb.must, *verb.may):
        field = FIELDS[part]
        if part in given:
            value = given[part]
            blank = value is None or (isinstance(value, str) and not value.strip())
            arguments[part] = None if blank and name == CORRECT else field.value(value)
        elif part in verb.must:
            raise RequestError(f"{name} needs {field.words}, for example {field.example}", part)
    if at_ms is not None and (not isinstance(at_ms, int) or isinstance(at_ms, bool) or at_ms < 0):
        raise RequestError("the time must be a whole number of milliseconds since 1970", "at")
    return Request(name, arguments, at_ms, number)


def _changed(verb: Verb, given: JSON) -> int | None:
    if ENTRY.name not in verb.in_place:
        return None
    if given is None:
        raise RequestError(
            f"{verb.name} needs {ENTRY.words}, for example {verb.name} 5", ENTRY.name
        )
    number = ENTRY.value(given)
    return number if isinstance(number, int) else None
