"""What people enter, as the commands, the page and a file of entries send it.

All three bring text by field name to `request_from`, which is the one validation. What needs
the state of the room (does the batch exist?) is judged by `monitor.entries.admission` later.
"""

from __future__ import annotations

import argparse
import shlex
from collections.abc import Mapping, Sequence
from typing import NamedTuple, NoReturn
from zoneinfo import ZoneInfo

from monitor.entries.entries import CORRECT, JSON, LONGEST_SENTENCE, UNDO, Request, RequestError
from monitor.entries.fields import FIELDS, PARTS, Field, number_of_entry
from monitor.service.times import read_time
from monitor.site.words import shown

VERBS = (*PARTS, CORRECT, UNDO)

_ENTRY = Field("entry", "the number of an entry", "5", number_of_entry)

# Parts given by their place after the verb; all others are options.
_IN_PLACE: dict[str, tuple[str, ...]] = {
    "hang": ("flower",),
    "weigh": ("batch", "grams"),
    "snap": ("batch", "result"),
    "move": ("batch",),
    "takedown": ("batch",),
    "seen": ("notice",),
    "pause": ("kind",),
    "calibrate": ("sensor",),
    "aside": ("sensor",),
    "back": ("sensor",),
    CORRECT: ("entry",),
    UNDO: ("entry",),
}
_OPTION = {"fresh_mass_g": "--fresh-mass", "target_pct_db": "--target", "for_min": "--for"}

_HELP: dict[str, tuple[str, str]] = {
    "hang": (
        "a batch was hung",
        "hang statice --space loft --bunches 6 --colour violet --at 08:30",
    ),
    "weigh": ("the tagged bunch was weighed [g]", "weigh statice-1 164.5"),
    "snap": ("a stem was bent: it snaps or bends", "snap statice-1 bends"),
    "move": (
        "a batch went to another space; away: sold, used up or thrown out",
        "move statice-1 --space spare-room",
    ),
    "takedown": (
        "a batch was taken down, with its heads counted",
        "takedown statice-1 --good 170 --mould 4 --space box-cupboard",
    ),
    "seen": ("a notice was read; without a number: all of them", "seen 12"),
    "pause": ("no more notices of a kind for a while", 'pause hot --space loft --for "1 h"'),
    "calibrate": (
        "a sensor reads differently from a time on: value = slope × reading + offset",
        "calibrate loft-rail --from 08:30 --quantity humidity --offset -1.5",
    ),
    "aside": (
        "a sensor is out of service: what it tells is kept, not used",
        "aside loft-rail --at 08:30",
    ),
    "back": ("a sensor is in service again", "back loft-rail"),
    CORRECT: (
        'change parts of an entry; "" takes an optional part away',
        "correct 5 --bunches 7 --at 08:15",
    ),
    UNDO: ("take an entry back; an undoing can be undone too", "undo 5"),
}
# part → (what stands for its value in the help, what the help says of it)
_PART_HELP: dict[str, tuple[str, str]] = {
    "entry": ("ENTRY", "number of the entry, as `drying-room batches --history` shows it"),
    "flower": ("FLOWER", "name of the flower"),
    "space": ("S", "name of the space"),
    "bunches": ("N", "how many bunches"),
    "stems_per_bunch": ("N", "how many stems are in a bunch"),
    "colour": ("COLOUR", "colour of the flowers"),
    "fresh_mass_g": ("GRAMS", "mass of one tagged bunch when hung [g]"),
    "scale": ("SENSOR", "the sensor that is a scale, if one bunch hangs from it"),
    "target_pct_db": ("PCT_DB", "moisture that counts as crisp [%% of dry mass]"),
    "name": ("BATCH", "name of the batch; left out, it gets one"),
    "batch": ("BATCH", "name of the batch"),
    "grams": ("GRAMS", "mass of the tagged bunch [g]"),
    "result": ("RESULT", "what the bent stem did: snaps or bends"),
    "note": ("TEXT", "anything worth remembering"),
    "notice": ("NOTICE", "number of the notice"),
    "kind": ("KIND", "kind of notice: hot, damp, …"),
    "for_min": ("TIME", '"1 h", "1 day", or spell for as long as the spell lasts'),
    "sensor": ("NAME", "name of the sensor"),
    "quantity": ("QUANTITY", "which of its quantities is meant"),
    "offset": ("X", "added to the reading, in °C, %%, lx, …"),
    "slope": ("X", "multiplies the reading"),
    "salt": ("SALT", "the salt it is shut in with: table or magnesium"),
    "beside": ("NAME", "the trusted sensor it hangs beside"),
    "swap": ("", "another sensor hangs there now"),
}


_IN_PLACE_FIELD = {
    _PART_HELP[part][0]: FIELDS.get(part, _ENTRY) for parts in _IN_PLACE.values() for part in parts
}


class Words(argparse.ArgumentParser):
    """A parser that raises RequestError with one sentence where argparse would exit."""

    def error(self, message: str) -> NoReturn:
        part = None
        what, _, names = message.partition(": ")
        if what == "unrecognized arguments":
            message = f"{names} is not known here; `{self.prog} --help` shows what is"
        elif what == "the following arguments are required":
            field = _IN_PLACE_FIELD[names.split(",")[0]]
            part = field.name
            message = f"{self.prog.split()[-1]} needs {field.words}, for example {field.example}"
        elif names == "expected one argument":
            message = f"{what.removeprefix('argument ')} needs a value after it"
        raise RequestError(message, part)


def add_entry_commands(
    subparsers: argparse._SubParsersAction[Words],
    parents: Sequence[Words] = (),
    add_help: bool = True,
) -> None:
    """Mount hang, weigh, … undo; the namespace's `verb` then says which one was asked.

    parents  parsers whose options every command has (with add_help=False), such as --config
    """
    for verb in VERBS:
        summary, example = _HELP[verb]
        parser = subparsers.add_parser(
            verb,
            help=summary,
            description=f"{summary[0].upper()}{summary[1:]}.",
            epilog=f"example: drying-room {example}",
            parents=list(parents),
            add_help=add_help,
            allow_abbrev=False,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        parser.set_defaults(verb=verb)
        for part in _IN_PLACE[verb]:
            # Only `seen` can do without: elsewhere "?" would miss a word that follows an option.
            nargs = "?" if verb == "seen" else None
            metavar, told = _part_help(part)
            parser.add_argument(part, nargs=nargs, metavar=metavar, help=told)
        for part in _options(verb):
            metavar, told = _part_help(part)
            if part == "swap":
                parser.add_argument("--swap", action="store_const", const="yes", help=told)
            else:
                parser.add_argument(_flag(part), dest=part, metavar=metavar, help=told)
        if verb not in (UNDO, "seen", "pause"):
            flags = ("--from", "--at") if verb == "calibrate" else ("--at",)
            parser.add_argument(*flags, dest="at", metavar="TIME", help=_time_help(verb))


def fields_of(namespace: argparse.Namespace) -> dict[str, str]:
    """What was typed, by field name, out of a namespace of `add_entry_commands`."""
    names = ("verb", "entry", "at", *FIELDS)
    given = {name: getattr(namespace, name, None) for name in names}
    return {name: value for name, value in given.items() if value is not None}


def parse_words(words: Sequence[str], now_ms: int | None, zone: ZoneInfo) -> Request:
    """A request from a command's own words, e.g. ["weigh", "statice-1", "164.5"].

    now_ms  the present, for "08:30" and "yesterday 18:00"; None: only full dates are taken
    raises  RequestError
    """
    parser = Words(prog="drying-room", add_help=False, allow_abbrev=False)
    add_entry_commands(parser.add_subparsers(parser_class=Words, metavar="COMMAND"), add_help=False)
    if not words or words[0] not in VERBS:
        said = f'"{words[0]}"' if words else "nothing"
        raise RequestError(f"an entry begins with {', '.join(VERBS)}, not {said}", "verb")
    return request_from(fields_of(parser.parse_args(list(words))), now_ms, zone)


def parse_form(form: Mapping[str, str], now_ms: int, zone: ZoneInfo) -> Request:
    """A request from a form of the page: verb, entry, at and the names of FIELDS.

    An empty field is one left out; in a correction it takes the part away, except the time.
    """
    correcting = form.get("verb") == CORRECT
    kept_empty = FIELDS if correcting else {}
    return request_from(
        {name: text for name, text in form.items() if text.strip() or name in kept_empty},
        now_ms,
        zone,
    )


def request_from(given: Mapping[str, str], now_ms: int | None, zone: ZoneInfo) -> Request:
    """The one validation: text by field name → Request; raises RequestError.

    An empty text in a correction takes that part away (kept as None).
    """
    verb = given.get("verb", "")
    parts = _parts(verb)
    for name in given:
        if name not in (*parts, "verb", "at", *(("entry",) if verb in (CORRECT, UNDO) else ())):
            raise RequestError(f"{verb} has no part called {name}", name)
    changes = _changes(verb, given.get("entry"))
    arguments: dict[str, JSON] = {}
    for name in parts:
        if name in given:
            taken_away = verb == CORRECT and not given[name].strip()
            arguments[name] = None if taken_away else FIELDS[name].value(given[name])
        elif verb in PARTS and name in PARTS[verb][0]:
            field = FIELDS[name]
            raise RequestError(f"{verb} needs {field.words}, for example {field.example}", name)
    at_ms = read_time(given["at"], now_ms, zone) if "at" in given else None
    return Request(verb, arguments, at_ms, changes)


def to_json(request: Request) -> dict[str, JSON]:
    """A request as it goes over the socket."""
    return {"enter": dict(request._asdict())}


def from_json(message: Mapping[str, JSON]) -> Request:
    """A request as it came over the socket, checked again; raises RequestError."""
    told = message.get("enter")
    if not isinstance(told, dict):
        raise RequestError("this is no entry")
    verb, said = told.get("verb"), told.get("arguments")
    if not isinstance(verb, str) or not isinstance(said, dict):
        raise RequestError("an entry needs a verb and its arguments")
    parts = _parts(verb)
    arguments: dict[str, JSON] = {}
    for name, value in said.items():
        if name not in parts:
            raise RequestError(f"{verb} has no part called {name}", name)
        taken_away = verb == CORRECT and value is None
        arguments[name] = None if taken_away else FIELDS[name].value(value)
    for name in PARTS[verb][0] if verb in PARTS else ():
        if name not in arguments:
            raise RequestError(f"{verb} needs {FIELDS[name].words}", name)
    at_ms = told.get("at_ms")
    if at_ms is not None and (not isinstance(at_ms, int) or isinstance(at_ms, bool) or at_ms < 0):
        raise RequestError("the time must be a whole number of milliseconds since 1970", "at")
    return Request(verb, arguments, at_ms, _changes(verb, told.get("changes")))


class EntryLine(NamedTuple):
    """One line of a file of entries."""

    line: int
    request: Request


class EntriesError(ValueError):
    """Every problem of a file of entries: (line number, sentence)."""

    def __init__(self, problems: Sequence[tuple[int, str]]) -> None:
        self.problems = [(line, shown(sentence, LONGEST_SENTENCE)) for line, sentence in problems]
        super().__init__("\n".join(f"line {line}: {told}" for line, told in self.problems))


def read_entries_file(text: str, zone: ZoneInfo) -> list[EntryLine]:
    """The requests of a file: one a line in a command's own words, # begins a comment.

    Each needs its full date (--at, or --from). Raises EntriesError with all problems at once.
    """
    lines: list[EntryLine] = []
    problems: list[tuple[int, str]] = []
    for number, line in enumerate(text.splitlines(), start=1):
        try:
            words = shlex.split(line, comments=True)
            if words:
                lines.append(EntryLine(number, _dated(parse_words(words, None, zone))))
        except RequestError as error:
            problems.append((number, error.sentence))
        except ValueError:
            problems.append((number, "a quotation mark is not closed; close it on the same line"))
    if problems:
        raise EntriesError(problems)
    return lines


def _dated(request: Request) -> Request:
    if request.at_ms is None and request.verb in PARTS:
        raise RequestError('give its date in a file, for example --at "2026-07-04 08:30"', "at")
    return request


def _parts(verb: str) -> tuple[str, ...]:
    if verb == CORRECT:
        return tuple(FIELDS)
    if verb == UNDO:
        return ()
    if verb not in PARTS:
        raise RequestError(f'nothing is entered by "{verb}"; choose {", ".join(VERBS)}', "verb")
    must, may = PARTS[verb]
    return must + may


def _options(verb: str) -> list[str]:
    return [part for part in _parts(verb) if part not in _IN_PLACE[verb]]


def _flag(part: str) -> str:
    return _OPTION.get(part, "--" + part.replace("_", "-"))


def _part_help(part: str) -> tuple[str, str]:
    return _PART_HELP.get(part) or ("N", FIELDS[part].words)


def _time_help(verb: str) -> str:
    otherwise = "as it was" if verb == CORRECT else "now"
    return f'when: "2026-07-04 08:30", "08:30", "yesterday 18:00"; left out: {otherwise}'


def _changes(verb: str, given: JSON) -> int | None:
    """The number of the entry that a correction or an undoing changes."""
    if verb not in (CORRECT, UNDO):
        return None
    if given is None:
        raise RequestError(f"{verb} needs {_ENTRY.words}, for example {verb} 5", "entry")
    number = _ENTRY.value(given)
    return number if isinstance(number, int) else None
