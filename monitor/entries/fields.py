"""The parts of an entry: what each may be, how it is asked for, and how it is said wrongly."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

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

    name     its key in the arguments, its name in a form
    words    what a person calls it
    example  what to write in a command
    read     text, number or truth → the kept value; raises ValueError("must be …")
    stands   what stands for its value in a command's help
    help     what that help says of it; "": its words
    label    what stands above it in a form
    hint     what helps below it there
    keys     with which a phone asks for it: text, numeric or decimal
    more     whether a form asks for it only on demand
    choose   whether a form offers a choice that must be made
    unit     behind its value
    """

    name: str
    words: str
    example: str
    read: Callable[[JSON], JSON]
    stands: str = "N"
    help: str = ""
    label: str = ""
    hint: str = ""
    keys: str = "text"
    more: bool = False
    choose: bool = False
    unit: str = ""

    @property
    def option(self) -> str:
        """What it is called where it does not stand in its place: `--bunches`."""
        first = self.example.split()[0]
        return first if first.startswith("--") else f"--{self.name.replace('_', '-')}"

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


def _between(
    low: float, high: float, unit: str = "", *, whole: bool = False
) -> Callable[[JSON], JSON]:
    expected = f"must be a {'whole ' if whole else ''}number from {low} to {high} {unit}".rstrip()

    def read(given: JSON) -> JSON:
        number = _number(given, expected)
        if not low <= number <= high or (whole and number != int(number)):
            raise ValueError(expected)
        return int(number) if whole else number

    return read


_whole = partial(_between, whole=True)


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


def _heads(name: str, words: str, example: int, hint: str = "") -> Field:
    """A count of heads, when a batch is taken down."""
    read, label = _whole(0, 1_000_000), words.capitalize()
    return Field(name, words, f"--{name} {example}", read, label=label, hint=hint, keys="numeric")


ENTRY = Field(
    "entry",
    "the number of an entry",
    "5",
    _whole(1, 2**53),
    "ENTRY",
    "number of the entry, as `drying-room batches --history` shows it",
)

# A row a field.
# fmt: off
_ALL = (
    Field(
        "flower", "the flower", "statice", _text(60), "FLOWER", "name of the flower", "Flower",
        "as you call it, for example statice"
    ),
    Field(
        "space", "the space", "--space loft", _text(60), "S", "name of the space", "Space",
        choose=True
    ),
    Field(
        "bunches", "bunches", "--bunches 6", _whole(1, 1000), "N", "how many bunches", "Bunches",
        "how many, for example 6", "numeric"
    ),
    Field(
        "stems_per_bunch", "stems per bunch", "--stems-per-bunch 10", _whole(1, 500), "N",
        "how many stems are in a bunch", "Stems in a bunch", "for example 10", "numeric", more=True
    ),
    Field(
        "colour", "the colour", "--colour violet", _text(40), "COLOUR", "colour of the flowers",
        "Colour", "for example violet"
    ),
    Field(
        "fresh_mass_g", "the fresh mass", "--fresh-mass 210", _between(1, 20_000, "g"), "GRAMS",
        "mass of one tagged bunch when hung [g]", "Fresh mass of one tagged bunch, in grams",
        "makes every weighing tell more", "decimal", more=True, unit=" g"
    ),
    Field(
        "scale", "the scale", "--scale loft-scale", _text(60), "SENSOR",
        "the sensor that is a scale, if one bunch hangs from it", "Scale that one bunch hangs from",
        "it then weighs the batch by itself", more=True
    ),
    Field(
        "target_pct_db", "the target", "--target 12", _between(1, 60, "% of dry mass"), "PCT_DB",
        "moisture that counts as crisp [%% of dry mass]", "Crisp at, in % of dry mass",
        "leave empty for the flower's own", "decimal", more=True
    ),
    Field(
        "name", "the name", "--name statice-east", _batch_name, "BATCH",
        "name of the batch; left out, it gets one", "Name", "leave empty and it gets one", more=True
    ),
    Field("batch", "the batch", "statice-1", _text(60), "BATCH", "name of the batch", "Batch"),
    Field(
        "grams", "the mass", "164.5", _between(0.1, 20_000, "g"), "GRAMS",
        "mass of the tagged bunch [g]", "Mass of the tagged bunch, in grams", "for example 164.5",
        "decimal", unit=" g"
    ),
    Field(
        "result", "the snap test", "snaps", _one_of("snaps", "bends"), "RESULT",
        "what the bent stem did: snaps or bends", "Bend a stem: what did it do?", choose=True
    ),
    _heads("good", "heads good", 180, "count, or leave empty"),
    _heads("mould", "heads lost to mould", 4),
    _heads("opened", "heads lost to opening", 9),
    _heads("faded", "heads lost to fading", 2),
    _heads("shed", "heads lost to shedding", 5),
    Field(
        "note", "the note", '--note "tied too thick"', _text(300), "TEXT",
        "anything worth remembering", "Anything worth remembering"
    ),
    Field(
        "notice", "the notice", "12", _whole(1, 2**53), "NOTICE", "number of the notice", "Notice",
        keys="numeric"
    ),
    Field("kind", "the kind", "hot", _text(40), "KIND", "kind of notice: hot, damp, …", "Kind"),
    Field(
        "for_min", "the pause", '--for "1 h"', _span, "TIME",
        '"1 h", "1 day", or spell for as long as the spell lasts', "For how long",
        "1 h, 1 day, or spell"
    ),
    Field("sensor", "the sensor", "loft-rail", _text(60), "NAME", "name of the sensor", "Sensor"),
    Field(
        "quantity", "the quantity", "--quantity humidity", _one_of(*MEASURED), "QUANTITY",
        "which of its quantities is meant", "Quantity"
    ),
    Field(
        "offset", "the offset", "--offset -1.5", _between(-100_000, 100_000), "X",
        "added to the reading, in °C, %%, lx, …", "Add", keys="decimal"
    ),
    Field(
        "slope", "the slope", "--slope 1.02", _between(0.1, 10), "X", "multiplies the reading",
        "Multiply by", keys="decimal"
    ),
    Field(
        "salt", "the salt", "--salt table", _one_of("table", "magnesium"), "SALT",
        "the salt it is shut in with: table or magnesium", "Salt", "table or magnesium"
    ),
    Field(
        "beside", "the sensor beside it", "--beside loft-rail", _text(60), "NAME",
        "the trusted sensor it hangs beside", "Beside which sensor"
    ),
    Field(
        "swap", "the swap", "--swap", _yes, "", "another sensor hangs there now",
        "Another sensor hangs there now"
    ),
)
# fmt: on
FIELDS: dict[str, Field] = {field.name: field for field in _ALL}
