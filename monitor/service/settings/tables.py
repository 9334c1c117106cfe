"""Tables of the settings file, read key by key; every problem is kept, none stops the reading."""

from __future__ import annotations

import difflib
import json
import re
import stat
import unicodedata
from collections.abc import Iterable
from datetime import time
from pathlib import Path
from typing import Any, Final, TypeVar

from monitor.service.settings.text import KeyPath, key_lines, line_of, meant, seconds_of
from monitor.site import words

T = TypeVar("T")

NAME_LETTERS, LONGEST_TEXT = 60, 4096
MISSING: Final = object()
LONGEST_PROBLEM = 600  # it may repeat what the file says
_CLOCK = re.compile(r"([01]?[0-9]|2[0-3]):([0-5][0-9])")


class SettingsError(Exception):
    """The settings cannot be used. problems: one sentence each, by line."""

    def __init__(self, problems: list[str]) -> None:
        self.problems = [words.shown(problem, LONGEST_PROBLEM) for problem in problems]
        super().__init__("\n".join(self.problems))


class Problems:
    """Everything wrong with a settings file, with the lines.

    known   every key that was asked for, dotted, whether the file has it or not
    """

    def __init__(self, file: Path, text: str) -> None:
        self.file = file
        self.known: set[str] = set()
        self._lines = key_lines(text)
        self._found: list[tuple[int, object, str]] = []

    def add(self, path: KeyPath, wrong: str, expected: str, write: str) -> None:
        """One more problem."""
        line = line_of(self._lines, path)
        table = path[0] if path else None
        self._found.append((line, table, f"{self.file}:{line}: {wrong}; {expected}; {write}"))

    def all(self, *tables: str) -> list[str]:
        """The sentences, by line; with tables named, only those of these."""
        found = sorted(self._found, key=lambda one: one[0])
        return [sentence for _, table, sentence in found if not tables or table in tables]


class TomlTable:
    """One table of the file. Ask for every key it may have, then call `finish`.

    given   whether the file has it at all
    """

    def __init__(
        self,
        problems: Problems,
        values: dict[str, Any],
        path: KeyPath = (),
        given: bool = True,
    ) -> None:
        self.problems, self.path = problems, path
        self.given = given
        self._values = values
        self._asked: list[str] = []

    def __contains__(self, key: str) -> bool:
        return key in self._values

    def problem(self, key: str | None, wrong: str, expected: str, write: str) -> None:
        """One more problem, at the key's line or the table's."""
        self.problems.add(self.path if key is None else (*self.path, key), wrong, expected, write)

    def take(self, key: str) -> Any:
        """The raw value, or MISSING."""
        self._asked.append(key)
        names = [part for part in (*self.path, key) if isinstance(part, str)]
        self.problems.known.add(".".join(names))
        return self._values.get(key, MISSING)

    def required(self, key: str, expected: str, write: str) -> bool:
        """Whether the key is there; a problem if not."""
        if key not in self._values:
            self.problem(None, f"{self._label(key)} is missing", f"{expected} was expected", write)
        return key in self._values

    def refuse(self, key: str, value: object, expected: str, write: str) -> None:
        """A value that cannot be."""
        wrong = f"{self._label(key)} is {shown(value)}"
        self.problem(key, wrong, f"{expected} was expected", f"write {write}")

    def _label(self, key: str) -> str:
        """The key with the inline tables it stands in, as in limits.hot_c."""
        inside = list(self.path)
        for place, part in reversed(list(enumerate(inside))):
            if isinstance(part, int):
                inside = inside[place + 1 :]
                break
        else:
            inside = inside[1:]
        return ".".join(str(part) for part in (*inside, key))

    # One method for each kind of value. Each returns the default where the key is missing or wrong.

    def text(
        self, key: str, default: T, expected: str, write: str, longest: int = LONGEST_TEXT
    ) -> str | T:
        """Text of one line, neither empty nor endless, without control characters."""
        value = self.take(key)
        if value is MISSING:
            return default
        if (
            not isinstance(value, str)
            or not value.strip()
            or not value.isprintable()
            or len(value) > longest
        ):
            self.refuse(key, value, expected, write)
            return default
        return value

    def choice(self, key: str, default: T, choices: Iterable[str]) -> str | T:
        """One of a few words."""
        value = self.take(key)
        words = list(choices)
        if value is MISSING:
            return default
        if isinstance(value, str):  # an accent is one letter or two, as the keyboard makes it
            value = unicodedata.normalize("NFC", value)
        if value not in words:
            self.refuse(key, value, one_of(words), f"{key} = {shown(nearest(value, words))}")
            return default
        return str(value)

    def number(
        self, key: str, default: T, low: float, high: float, unit: str, example: float
    ) -> float | T:
        """A number in a range."""
        value = self.take(key)
        if value is MISSING:
            return default
        if type(value) not in (int, float) or not low <= value <= high:
            near, remark = meant(value, low, high, unit) or (example, "")
            self.refuse(key, value, _a_number(low, high, unit), f"{key} = {near:g}{remark}")
            return default
        return float(value)

    def whole(self, key: str, default: T, low: int, high: int, unit: str, example: int) -> int | T:
        """A whole number in a range."""
        value = self.take(key)
        if value is MISSING:
            return default
        if type(value) is not int or not low <= value <= high:
            expected = _a_number(low, high, unit).replace("a number", "a whole number")
            self.refuse(key, value, expected, f"{key} = {example}")
            return default
        return value

    def yes(self, key: str, default: bool) -> bool:
        """true or false."""
        value = self.take(key)
        if value is MISSING:
            return default
        if not isinstance(value, bool):
            self.refuse(key, value, "true or false", f"{key} = {shown(default)}")
            return default
        return value

    def duration_s(self, key: str, default: T, low: str, high: str, example: str) -> float | T:
        """A length of time such as "20 min" [s]."""
        value = self.take(key)
        if value is MISSING:
            return default
        seconds = seconds_of(value)
        if seconds is None or not _bound(low) <= seconds <= _bound(high):
            expected = f"a time from {low} to {high}"
            self.refuse(key, value, expected, f'{key} = "{example}"')
            return default
        return seconds

    def clock(self, key: str, default: T, example: str) -> time | T:
        """A time of day such as "07:00"."""
        value = self.take(key)
        if value is MISSING:
            return default
        found = _CLOCK.fullmatch(value) if isinstance(value, str) else None
        if found is None:
            expected = "a time of day from 00:00 to 23:59"
            self.refuse(key, value, expected, f'{key} = "{example}"')
            return default
        return time(int(found[1]), int(found[2]))

    def daily_at(self, key: str, default: time, example: str) -> time:
        """A time of day at which something is done, outside the hours that clocks change in."""
        at = self.clock(key, default, example)
        if not time(1) <= at < time(4):
            return at
        wrong = (
            f"{self._label(key)} is {at:%H:%M}, an hour that a change of clocks skips or repeats"
        )
        expected = "a time before 01:00 or from 04:00 on was expected"
        self.problem(key, wrong, expected, f'write {key} = "{example}"')
        return default

    def off(self, key: str) -> bool:
        """Whether the key says false or "off": then it is taken, and there is nothing more."""
        value = self._values.get(key)
        if value is not False and value != "off":
            return False
        self.take(key)
        return True

    def file(
        self, key: str, example: str, *, secret: bool = False, made_by: str | None = None
    ) -> Path | None:
        """An existing file; a relative path starts at the folder of the settings.

        secret    it must not be open to everybody
        made_by   the command that makes it
        """
        value = self.text(key, None, "the path of a file", f'{key} = "{example}"')
        if value is None:
            return None
        path = self.problems.file.parent / Path(value).expanduser()
        problem = _file_problem(path, secret, made_by or "make the file or mend the path")
        if problem is not None:
            self.problem(key, f"{self._label(key)} is {shown(value)}, {problem[0]}", *problem[1:])
        return path

    def table(self, key: str) -> TomlTable:
        """A table within this one; empty where missing."""
        value = self.take(key)
        if value is not MISSING and not isinstance(value, dict):
            self.refuse(key, value, "a table", f"{key} = {{ … }} or [{key}]")
        given = isinstance(value, dict)
        return TomlTable(self.problems, value if given else {}, (*self.path, key), given)

    def tables(self, key: str) -> list[TomlTable]:
        """Tables written [[key]]."""
        value = self.take(key)
        if value is MISSING:
            return []
        if isinstance(value, dict):
            wrong, expected = f"[{key}] is one table", "there may be many, so [[…]] was expected"
            self.problem(key, wrong, expected, f"write [[{key}]]")
            return [TomlTable(self.problems, value, (*self.path, key))]
        if not isinstance(value, list) or not all(isinstance(one, dict) for one in value):
            self.refuse(key, value, f"a table written [[{key}]]", f"[[{key}]]")
            return []
        return [
            TomlTable(self.problems, one, (*self.path, key, place))
            for place, one in enumerate(value)
        ]

    def texts(self, key: str, expected: str, write: str) -> list[str]:
        """A list of texts."""
        value = self.take(key)
        if value is MISSING:
            return []
        if not isinstance(value, list) or not all(isinstance(one, str) and one for one in value):
            self.refuse(key, value, expected, write)
            return []
        return list(value)

    def both_or_neither(self, one: str, other: str) -> None:
        """Two keys that need each other."""
        for given, missing in ((one, other), (other, one)):
            if given in self and missing not in self:
                wrong = f"{given} is given without {missing}"
                self.problem(given, wrong, "both were expected", f"add {missing}")

    def finish(self) -> None:
        """Every key that nobody asked for is a problem."""
        for key in self._values:
            if key not in self._asked:
                near = difflib.get_close_matches(key, self._asked, n=1, cutoff=0.6)
                write = f"write {near[0]}" if near else "remove it"
                keys = ", ".join(sorted(self._asked))
                wrong = f"{shown(self._label(key))} is no key that is known here"
                self.problem(key, wrong, f"the keys are {keys}", write)


def shown(value: object) -> str:
    """A value as it would be written in the file, shortened."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, str):
        return json.dumps(value if len(value) <= 60 else value[:57] + "...", ensure_ascii=False)
    return str(value)


def one_of(words: list[str]) -> str:
    """The words to choose from, in a sentence."""
    quoted = [shown(word) for word in words]
    return quoted[0] if len(quoted) == 1 else ", ".join(quoted[:-1]) + " or " + quoted[-1]


def nearest(value: object, words: list[str]) -> str:
    """The word most likely meant."""
    found = difflib.get_close_matches(str(value), words, n=1, cutoff=0.7)
    return found[0] if found else words[0]


def _bound(text: str) -> float:
    seconds = seconds_of(text)
    if seconds is None:
        raise ValueError(f"{text!r} is no length of time")
    return seconds


def _a_number(low: float, high: float, unit: str) -> str:
    return f"a number{' of ' + unit if unit else ''} from {low:g} to {high:g}"


def _file_problem(path: Path, secret: bool, mend: str) -> tuple[str, str, str] | None:
    """What is wrong with a file, what was expected, what to do; None: nothing that can be seen."""
    try:
        found = path.stat()
    except PermissionError:
        return None  # a person of the group may use commands without seeing the daemon's files
    except OSError:
        return "which is not there", "a file was expected", mend
    if not stat.S_ISREG(found.st_mode):
        return "which is not a file", "a file was expected", "mend the path"
    if found.st_size == 0:
        return "which is empty", "a file with something in it was expected", "fill it"
    if secret and found.st_mode & stat.S_IRWXO:
        return (
            "which everybody on this machine may read",
            "a file for its owner and group alone was expected",
            f"run chmod 640 {path}",
        )
    return None


def read_name(table: TomlTable, taken: list[str], example: str) -> str:
    """A name that fits into a topic, a file name and a page; "" where it does not."""
    expected = f"a name of up to {NAME_LETTERS} letters, digits, spaces, - and _"
    write = f'name = "{example}"'
    if not table.required("name", expected, f"write {write}"):
        table.take("name")
        return ""
    name = unicodedata.normalize("NFC", table.text("name", "", expected, write))
    if not name:
        return ""
    fits = all(letter.isalnum() or letter in " -_" for letter in name)
    if not fits or name != name.strip() or len(name) > NAME_LETTERS:
        table.refuse("name", name, expected, write)
        return ""
    twin = next((one for one in taken if one.casefold() == name.casefold()), None)
    if twin is not None:
        wrong = f"the name {shown(name)} is taken"
        table.problem("name", wrong, "a name for each was expected", "write another name")
    return name
