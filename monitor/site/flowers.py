"""What is known of each flower, from the book that comes with the program and the user's own."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from monitor.site.words import shown

Range = tuple[float, float]
# Whether a value is right, and what is expected of it.
_Check = tuple[Callable[[Any], Any], str]

KINDS = ("everlasting", "flower", "grass", "seed head")
_RANGES = {  # key: lowest and highest value that makes sense
    "water_pct_wb": (1.0, 97.0),
    "days_hanging": (0.5, 120.0),
    "stems_per_bunch": (1.0, 1000.0),
    "crisp_humidity_pct": (5.0, 95.0),
    "target_pct_wb": (1.0, 50.0),
}
_TEXTS = ("goes_wrong", "cut_when")
_KEYS = {*_RANGES, *_TEXTS, "names", "kind", "opening_above_c", "colours", "gab", "sources"}
LONGEST_PROBLEM = 600  # it may repeat what the file says


class BookError(ValueError):
    """What is wrong in a book of flowers: `problems`, one sentence each."""

    def __init__(self, problems: list[str]) -> None:
        self.problems = [shown(problem, LONGEST_PROBLEM) for problem in problems]
        super().__init__("\n".join(self.problems))


@dataclass(frozen=True)
class Flower:
    """What is known of one flower; ranges are low to high.

    water_pct_wb        water when cut [% wet basis]
    days_hanging        days until dry in a warm, airy, dark room [d]
    crisp_humidity_pct  humidity of the air it is in balance with when crisp [%]
    target_pct_wb       moisture of a dry flower in the trade [% wet basis]
    opening_above_c     tight buds go on opening above this [°C], or None
    colours             blue-wool class of each colour [-], 1 to 8
    gab                 measured constants: monolayer [% dry basis], C, K; or None
    sources             for each figure, where it comes from
    """

    key: str
    names: tuple[str, ...]
    kind: str
    water_pct_wb: Range
    days_hanging: Range
    stems_per_bunch: Range
    crisp_humidity_pct: Range
    target_pct_wb: Range
    opening_above_c: float | None
    colours: Mapping[str, float]
    goes_wrong: str
    cut_when: str
    gab: tuple[float, float, float] | None
    sources: Mapping[str, str]

    def blue_wool(self, colour: str | None) -> float:
        """Light sensitivity of this colour [-]; of an unknown one, that of the most sensitive."""
        return self.colours.get((colour or "").lower(), min(self.colours.values()))


@dataclass(frozen=True)
class Book:
    """The flowers, by key; `find` also knows them by their other names."""

    flowers: Mapping[str, Flower]
    other: Flower

    def words(self) -> dict[str, str]:
        """Every word a flower goes by → its key."""
        return {word: f.key for f in self.flowers.values() for word in (f.key, *f.names)}

    def find(self, name: str) -> Flower | None:
        """The flower of that key or name, whatever the case; None if the book has it not."""
        wanted = name.strip().lower()
        if wanted in self.flowers:
            return self.flowers[wanted]
        for flower in self.flowers.values():
            if wanted in (known.lower() for known in flower.names):
                return flower
        return None


def read_book(text: str, own: Mapping[str, Mapping[str, Any]] | None = None) -> Book:
    """The book of flowers from its TOML text, with a user's own flowers and changes laid over it.

    own     {flower: {key: value}}, same keys as in the book; what is left out stays
    raises  BookError with every problem at once
    """
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BookError([f"The book of flowers is not TOML: {error}."]) from error
    except (RecursionError, ValueError) as error:  # thousands of brackets, or of digits
        raise BookError(
            ["The book of flowers is no book; put back the one it came with."]
        ) from error
    problems: list[str] = []
    if "defaults" not in raw:
        raise BookError(["The book of flowers has no [defaults]; put back the one it came with."])
    defaults = _over(raw["defaults"], {})
    entries = {key: _over(defaults, entry) for key, entry in raw.get("flower", {}).items()}
    for key, entry in (own or {}).items():
        yours = {name: "your own" for name in entry if name not in ("names", "kind", "sources")}
        changed = {**entry, "sources": {**yours, **entry.get("sources", {})}}
        entries[key] = _over(entries.get(key, defaults), changed)
    flowers = {key.lower(): _flower(key.lower(), entry, problems) for key, entry in entries.items()}
    other = _flower("other", defaults, problems)
    if problems or other is None:
        raise BookError(problems)
    return Book({key: flower for key, flower in flowers.items() if flower is not None}, other)


def _over(below: Mapping[str, Any], above: Mapping[str, Any]) -> dict[str, Any]:
    """`above` laid over `below`; sources are laid over one by one."""
    sources = {**below.get("sources", {}), **above.get("sources", {})}
    return {**below, **above, "sources": sources}


def _flower(key: str, entry: Mapping[str, Any], problems: list[str]) -> Flower | None:
    """The flower, or None with what is wrong added to `problems`."""
    wrong = _problems(key, entry)
    if wrong:
        problems += wrong
        return None
    opening, gab = entry.get("opening_above_c"), entry.get("gab")
    return Flower(
        key=key,
        names=tuple(entry.get("names", ())) or (key,),
        kind=entry["kind"],
        **{name: (float(entry[name][0]), float(entry[name][1])) for name in _RANGES},
        opening_above_c=None if opening is None else float(opening),
        colours={name.lower(): float(value) for name, value in entry["colours"].items()},
        goes_wrong=entry["goes_wrong"],
        cut_when=entry["cut_when"],
        gab=None if gab is None else (float(gab[0]), float(gab[1]), float(gab[2])),
        sources=entry["sources"],
    )


def _problems(key: str, entry: Mapping[str, Any]) -> list[str]:
    """What is wrong with a flower, a sentence each."""
    problems: list[str] = []

    def wrong(name: str, said: str) -> None:
        problems.append(f'flower "{key}", {name}: {said}.')

    for name in sorted(set(entry) - _KEYS):
        wrong(name, f"is no key of a flower; the keys are {', '.join(sorted(_KEYS))}")
    for name, (is_right, expected) in _EXPECTED.items():
        value = entry.get(name, [] if name == "names" else None)
        if not is_right(value):
            wrong(name, f"is {value!r}; expected {expected}")
    sources = entry["sources"]
    for name in sorted(_KEYS & set(entry) - {"names", "kind", "sources"} - set(sources)):
        wrong(name, f'has no source; add sources.{name} = "…", if only "from memory"')
    return problems


def _is_number(value: Any, lowest: float, highest: float) -> bool:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return number and lowest <= value <= highest


def _are_numbers(value: Any, count: int, lowest: float, highest: float) -> bool:
    listed = isinstance(value, list) and len(value) == count
    return listed and all(_is_number(one, lowest, highest) for one in value)


def _range_within(lowest: float, highest: float) -> _Check:
    return (
        lambda it: _are_numbers(it, 2, lowest, highest) and it[0] <= it[1],
        f"[low, high] within {lowest:g} to {highest:g}",
    )


# What each key may be, and how that is said where it is not.
_EXPECTED: dict[str, _Check] = {
    **{name: _range_within(*ends) for name, ends in _RANGES.items()},
    "kind": (lambda it: it in KINDS, f"one of {', '.join(KINDS)}"),
    **{name: (lambda it: isinstance(it, str), "a sentence") for name in _TEXTS},
    "names": (
        lambda it: isinstance(it, list) and all(isinstance(name, str) for name in it),
        'a list of names, as ["rose", "Rosa"]',
    ),
    "opening_above_c": (
        lambda it: it is None or _is_number(it, -10, 60),
        "a temperature in °C, -10 to 60",
    ),
    "colours": (
        lambda it: isinstance(it, dict) and it and all(_is_number(c, 1, 8) for c in it.values()),
        "a class from 1 to 8 for each colour",
    ),
    "gab": (
        lambda it: it is None or (_are_numbers(it, 3, 1e-6, 1000) and it[2] < 1),
        "[monolayer, C, K], all above 0, K below 1",
    ),
}
