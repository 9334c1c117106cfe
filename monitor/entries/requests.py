"""What people enter, as the commands, the page and a file of entries send it.

All three bring text by field name; `verbs.request_of` checks it. What needs the state of the room
(does the batch exist?) is judged by `monitor.entries.admission` later.
"""

from __future__ import annotations

import argparse
import re
import shlex
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, time, timedelta
from typing import NamedTuple, NoReturn
from zoneinfo import ZoneInfo

from monitor.entries.admission import FUTURE_ALLOWED_MS
from monitor.entries.entries import CORRECT, JSON, LONGEST_SENTENCE, UNDO, Request, RequestError
from monitor.entries.fields import ENTRY, FIELDS
from monitor.entries.verbs import VERBS, Verb, request_of
from monitor.site.time import epoch_ms_of, local_day
from monitor.site.words import shown

_IN_PLACE_FIELD = {
    field.stands: field
    for verb in VERBS.values()
    for part in verb.in_place
    for field in [FIELDS.get(part, ENTRY)]
}


class CommandParser(argparse.ArgumentParser):
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


def add_entry_words(parser: CommandParser, verb: Verb) -> None:
    """The words of hang, weigh, … undo; the namespace's `verb` then says which one was asked."""
    parser.set_defaults(verb=verb.name)
    for part in verb.in_place:
        # Only `seen` can do without: elsewhere "?" would miss a word that follows an option.
        nargs = "?" if part in verb.may else None
        field = FIELDS.get(part, ENTRY)
        parser.add_argument(part, nargs=nargs, metavar=field.stands, help=field.help)
    for part in (*verb.must, *verb.may):
        field = FIELDS[part]
        if part in verb.in_place:
            continue
        if part == "swap":
            parser.add_argument(field.option, action="store_const", const="yes", help=field.help)
        else:
            told = field.help or field.words
            parser.add_argument(field.option, dest=part, metavar=field.stands, help=told)
    if verb.time:
        parser.add_argument(*verb.time, dest="at", metavar="TIME", help=_time_help(verb.name))


def fields_of(namespace: argparse.Namespace) -> dict[str, str]:
    """What was typed, by field name, out of a namespace of `add_entry_words`."""
    names = ("verb", "entry", "at", *FIELDS)
    given = {name: getattr(namespace, name, None) for name in names}
    return {name: value for name, value in given.items() if value is not None}


def parse_words(words: Sequence[str], now_ms: int | None, zone: ZoneInfo) -> Request:
    """A request from a command's own words, e.g. ["weigh", "statice-1", "164.5"].

    now_ms  the present, for "08:30" and "yesterday 18:00"; None: only full dates are taken
    raises  RequestError
    """
    if not words or words[0] not in VERBS:
        said = f'"{words[0]}"' if words else "nothing"
        raise RequestError(f"an entry begins with {', '.join(VERBS)}, not {said}", "verb")
    parser = CommandParser(prog=f"drying-room {words[0]}", add_help=False, allow_abbrev=False)
    add_entry_words(parser, VERBS[words[0]])
    return request_from(fields_of(parser.parse_args(list(words[1:]))), now_ms, zone)


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
    """Text by field name → Request, with the time as people write it; raises RequestError."""
    said: dict[str, JSON] = {k: v for k, v in given.items() if k not in ("verb", "at")}
    verb = given.get("verb", "")
    changes = said.pop("entry", None) if verb in (CORRECT, UNDO) else None
    request = request_of(verb, said, changes, None)
    by_day = "--from" in VERBS[verb].time  # a sensor errs from a day on; a hand has its hour
    at_ms = read_time(given["at"], now_ms, zone, by_day) if "at" in given else None
    return request._replace(at_ms=at_ms)


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
    return request_of(verb, said, told.get("changes"), told.get("at_ms"))


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
    if request.at_ms is None and request.verb not in (CORRECT, UNDO):
        raise RequestError('give its date in a file, for example --at "2026-07-04 08:30"', "at")
    return request


def _time_help(verb: str) -> str:
    otherwise = "as it was" if verb == CORRECT else "now"
    return f'when: "2026-07-04 08:30", "08:30", "yesterday 18:00"; left out: {otherwise}'


_EXAMPLES = '"2026-07-04 08:30", "08:30" or "yesterday 18:00"'
_DAY_AND_HOUR = re.compile(r"(?:(today|yesterday)\s+)?(\d{1,2}):(\d\d)", re.ASCII)
_DATE_ALONE = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)


def read_time(text: str, now_ms: int | None, zone: ZoneInfo, by_day: bool = False) -> int:
    """UTC epoch ms of a time as people write it; without an offset it is the zone's.

    now_ms  the present; None: only full dates are taken, and none is too late
    by_day  a day alone is taken, as its first moment
    raises  RequestError for the field "at"
    """
    text = " ".join(text.split())
    if by_day and _DATE_ALONE.fullmatch(text):
        text += " 00:00"
        now_ms = None  # a span may end tomorrow
    relative = _DAY_AND_HOUR.fullmatch(text.lower())
    if text.lower() == "now" and now_ms is not None:
        return now_ms
    if relative is None:
        return _not_future(_full(text, zone), text, now_ms)
    if now_ms is None:
        raise _error(f'"{text}" needs its date here, for example "2026-07-04 {text.split()[-1]}"')
    day = local_day(now_ms, zone)
    if relative[1] == "yesterday":
        day -= timedelta(days=1)
    at_ms = _of_zone(datetime.combine(day, _hour(relative, text)), zone)
    if relative[1] is None and at_ms > now_ms + FUTURE_ALLOWED_MS:
        raise _error(f'{text} is still to come today; for the day before write "yesterday {text}"')
    return _not_future(at_ms, text, now_ms)


def _hour(found: re.Match[str], text: str) -> time:
    try:
        return time(int(found[2]), int(found[3]))
    except ValueError:
        raise _error(f'"{text}" is no time of day; hours go from 00:00 to 23:59') from None


def _full(text: str, zone: ZoneInfo) -> int:
    if _DATE_ALONE.fullmatch(text):
        raise _error(f'"{text}" needs its hour too, for example "{text} 08:30"')
    try:
        told = datetime.fromisoformat(text)
    except ValueError:
        raise _error(f'"{text}" is no time; write it as {_EXAMPLES}') from None
    if not date(2000, 1, 1) <= told.date() < date(2200, 1, 1):
        raise _error(f"the year {told.year} cannot be meant; write it as {_EXAMPLES}")
    return _of_zone(told, zone) if told.tzinfo is None else epoch_ms_of(told)


def _of_zone(local: datetime, zone: ZoneInfo) -> int:
    """Epoch ms of a wall-clock time; one that never was, or came twice, is not guessed."""
    first, second = (local.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.utcoffset() == second.utcoffset():
        return epoch_ms_of(first)
    shown = local.strftime("%Y-%m-%d %H:%M")
    back = first.astimezone(UTC).astimezone(zone)
    if back.replace(tzinfo=None) != local:
        raise _error(
            f"{shown} never was in {zone.key}: the clocks went forward over it; "
            f"by the new time it is {back.strftime('%H:%M')}"
        )
    raise _error(
        f"{shown} came twice in {zone.key}: the clocks went back; write "
        f'"{first.isoformat(" ", "minutes")}" for the first or '
        f'"{second.isoformat(" ", "minutes")}" for the second'
    )


def _not_future(at_ms: int, text: str, now_ms: int | None) -> int:
    if now_ms is not None and at_ms > now_ms + FUTURE_ALLOWED_MS:
        raise _error(f"{text} lies in the future; give the time it happened")
    return at_ms


def _error(sentence: str) -> RequestError:
    return RequestError(sentence, "at")
