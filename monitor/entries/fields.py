"""The parts of an entry: which verb has which, what each may be, and how it is said wrongly.

Commands, page and socket all bring their values through here, as text or as numbers.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from monitor.entries.entries import JSON, RequestError
from monitor.site.quantities import MEASURED
from monitor.site.time import DAY_MIN

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)", re.ASCII)
_SPAN = re.compile(r"(\d+(?:\.\d+)?)\s*(min|minutes?|h|hours?|d|days?)", re.ASCII)
_MINUTES_IN = {"m": 1, "h": 60, "d": DAY_MIN}
LONGEST_PAUSE_MIN = 30 * DAY_MIN
THIS_SPELL = "spell"


@dataclass(frozen=True, slots=True)
class Field:
    """One part of an entry.

    name      its key in the arguments, its name in a form
    words     what a person calls it
    example   what to write
    read      text, number or truth → the kept value; raises ValueError("must be …")
    """

    name: str
    words: str
    example: str
    read: Callable[[JSON], JSON]

    def value(self, given: JSON) -> JSON:
        """The kept value; raises RequestError with one sentence about this field."""
        try:
            return self.read(given)
        except ValueError as error:
            raise RequestError(f"{self.words} {error}, not {_shown(given)}", self.name) from None


def _shown(given: JSON) -> str:
    text = str(given)
    return f'"{text if len(text) <= 40 else text[:39] + "…"}"'


def _number(given: JSON, expected: str) -> float:
    if isinstance(given, float | int) and not isinstance(given, bool) and abs(given) < 1e15:
        return float(given)
    if not isinstance(given, str):
        raise ValueError(expected)
    text = given.strip()
    if re.fullmatch(r"[+-]?\d+,\d+", text, re.ASCII):
        raise ValueError(f"needs a point for its decimals: {text.replace(',', '.')}")
    if not _NUMBER.fullmatch(text) or len(text) > 20:
        raise ValueError(expected)
    return float(text)


def _whole(low: int, high: int) -> Callable[[JSON], JSON]:
    expected = f"must be a whole number from {low} to {high}"

    def read(given: JSON) -> JSON:
        number = _number(given, expected)
        if number != int(number) or not low <= number <= high:
            raise ValueError(expected)
        return int(number)

    return read


def _between(low: float, high: float, unit: str) -> Callable[[JSON], JSON]:
    expected = f"must be a number from {low:g} to {high:g}{' ' + unit if unit else ''}"

    def read(given: JSON) -> JSON:
        number = _number(given, expected)
        if not low <= number <= high:
            raise ValueError(expected)
        return number

    return read


def _text(longest: int) -> Callable[[JSON], JSON]:
    def read(given: JSON) -> JSON:
        text = " ".join(given.split()) if isinstance(given, str) else ""
        if not text or len(text) > longest or not text.isprintable():
            raise ValueError(f"must be 1 to {longest} letters on one line")
        return text

    return read


def _batch_name(given: JSON) -> JSON:
    # It becomes part of a page's address and of a topic, and must not look like a number.
    text = _text(40)(given)
    if not isinstance(text, str) or not text[0].isalpha():
        raise ValueError("must begin with a letter")
    if not all(c.isalnum() or c in " -_'." for c in text):
        raise ValueError("may have letters, figures, spaces and - _ ' . only")
    return text


def _one_of(*choices: str) -> Callable[[JSON], JSON]:
    def read(given: JSON) -> JSON:
        text = given.strip().lower() if isinstance(given, str) else ""
        if text not in choices:
            raise ValueError(f"must be {', '.join(choices[:-1])} or {choices[-1]}")
        return text

    return read


def _yes(given: JSON) -> JSON:
    if given is True or given in ("yes", "on", "true", "1"):
        return True
    raise ValueError("must be yes or left out")


def _span(given: JSON) -> JSON:
    """Minutes, or "spell" for as long as the spell lasts."""
    if isinstance(given, int) and not isinstance(given, bool):
        given = f"{given} min"
    text = given.strip().lower() if isinstance(given, str) else ""
    if text in (THIS_SPELL, "this spell"):
        return THIS_SPELL
    found = _SPAN.fullmatch(text)
    if found is None:
        raise ValueError('must be a time such as "1 h", "1 day", or spell')
    told = float(found[1]) * _MINUTES_IN[found[2][0]]  # may be infinite: it is others' text
    minutes = round(min(told, LONGEST_PAUSE_MIN + 1))
    if not 1 <= minutes <= LONGEST_PAUSE_MIN:
        raise ValueError("must be between 1 min and 30 days")
    return minutes


number_of_entry = _whole(1, 2**53)

_ALL = (
    Field("flower", "the flower", "statice", _text(60)),
    Field("space", "the space", "--space loft", _text(60)),
    Field("bunches", "bunches", "--bunches 6", _whole(1, 1000)),
    Field("stems_per_bunch", "stems per bunch", "--stems-per-bunch 10", _whole(1, 500)),
    Field("colour", "the colour", "--colour violet", _text(40)),
    Field("fresh_mass_g", "the fresh mass", "--fresh-mass 210", _between(1, 20_000, "g")),
    Field("scale", "the scale", "--scale loft-scale", _text(60)),
    Field("target_pct_db", "the target", "--target 12", _between(1, 60, "% of dry mass")),
    Field("name", "the name", "--name statice-east", _batch_name),
    Field("batch", "the batch", "statice-1", _text(60)),
    Field("grams", "the mass", "164.5", _between(0.1, 20_000, "g")),
    Field("result", "the snap test", "snaps", _one_of("snaps", "bends")),
    Field("good", "heads good", "--good 180", _whole(0, 1_000_000)),
    Field("mould", "heads lost to mould", "--mould 4", _whole(0, 1_000_000)),
    Field("opened", "heads lost to opening", "--opened 9", _whole(0, 1_000_000)),
    Field("faded", "heads lost to fading", "--faded 2", _whole(0, 1_000_000)),
    Field("shed", "heads lost to shedding", "--shed 5", _whole(0, 1_000_000)),
    Field("note", "the note", '--note "tied too thick"', _text(300)),
    Field("notice", "the notice", "12", _whole(1, 2**53)),
    Field("kind", "the kind", "hot", _text(40)),
    Field("for_min", "the pause", '--for "1 h"', _span),
    Field("sensor", "the sensor", "loft-rail", _text(60)),
    Field("quantity", "the quantity", "--quantity humidity", _one_of(*MEASURED)),
    Field("offset", "the offset", "--offset -1.5", _between(-100_000, 100_000, "")),
    Field("slope", "the slope", "--slope 1.02", _between(0.1, 10, "")),
    Field("salt", "the salt", "--salt table", _one_of("table", "magnesium")),
    Field("beside", "the sensor beside it", "--beside loft-rail", _text(60)),
    Field("swap", "the swap", "--swap", _yes),
)
FIELDS: dict[str, Field] = {field.name: field for field in _ALL}

# verb → (parts it must have, parts it may have)
PARTS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "hang": (
        ("flower", "space", "bunches"),
        ("stems_per_bunch", "colour", "fresh_mass_g", "scale", "target_pct_db", "name"),
    ),
    "weigh": (("batch", "grams"), ()),
    "snap": (("batch", "result"), ()),
    "move": (("batch", "space"), ()),
    "takedown": (
        ("batch",),
        ("space", "good", "mould", "opened", "faded", "shed", "note"),
    ),
    "seen": ((), ("notice",)),
    "pause": (("kind", "for_min"), ("space",)),
    "calibrate": (("sensor",), ("quantity", "offset", "slope", "swap")),
    "aside": (("sensor",), ("salt", "beside")),
    "back": (("sensor",), ()),
}

# What an entry of each verb is called in a sentence.
CALLED: dict[str, str] = {
    "hang": "a hanging",
    "weigh": "a weighing",
    "snap": "a snap test",
    "move": "a move",
    "takedown": "a taking down",
    "seen": "a notice seen",
    "pause": "a pause",
    "calibrate": "a change to a sensor",
    "aside": "a sensor put out of service",
    "back": "a sensor back in service",
    "correct": "a correction",
    "undo": "an undoing",
}
