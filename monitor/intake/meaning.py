"""What a single value means: its quantity, unit, scale and place, or that it is a time."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple
from zoneinfo import ZoneInfo

from monitor.intake.arrival import AHEAD_MS, CENTURY_MS, ISO, LATEST_MS, TICKS, iso_ms
from monitor.intake.documents import pointer
from monitor.intake.numbers import MOST, UNITS, Spelt, spelt, written
from monitor.intake.unreadable import packed_in
from monitor.intake.vocabulary import (
    CALLED,
    GENERIC,
    NAME_KEYS,
    NOT_NOW,
    NOT_OURS,
    TIME_WORDS,
    UNIT_KEYS,
    UNIT_OF,
    VALUE_KEYS,
    called,
    words_of,
)
from monitor.site.quantities import Quantity, conversion
from monitor.site.spaces import ReadAs, TimeAt
from monitor.site.time import DAY_MS

LONGEST = 200  # letters of a name
NO_NAME = "nothing in its name says what it measures, or it is nothing that is watched here"
Steps = tuple[str, ...]


class Leaf(NamedTuple):
    """A value in a document. near: the texts beside it, by key."""

    steps: Steps
    value: object
    near: Mapping[str, str]
    keys: frozenset[str]  # all beside it


class Found(NamedTuple):
    """A quantity that was understood.

    place      the words that say where: what is left of topic and pointer
    by_topic   the topic tells what it is, so that other topics may belong to the same sensor
    judged     the value alone tells unit and scale
    """

    topic: str
    steps: Steps
    quantity: Quantity
    how: ReadAs
    value: float
    place: Steps
    by_topic: bool = False
    judged: bool = False
    unsure: bool = False
    time: TimeAt | None = None
    on_arrival: bool = False


def understood(topic: str, levels: Steps, leaf: Leaf) -> Found | str:
    """What a value is, or why it is left out."""
    if leaf.value is None:
        return "it is null: nothing was measured"
    if isinstance(leaf.value, dict | list):
        return "it is nested too deeply to be looked at" if leaf.value else "it is empty"
    if isinstance(leaf.value, bool):
        return "it is a yes or no"
    told: Spelt | None = None
    if isinstance(leaf.value, str):
        number = written(leaf.value)
        told = spelt(number.unit) if number is not None and number.unit else None
        if number is None or (number.unit and told is None):
            packed = packed_in(leaf.value)
            if packed is not None:
                return f"it is {packed}; let the sensor or its gateway send it decoded"
            return "it is text, not a number"
        value = number.value
    elif isinstance(leaf.value, int | float) and abs(leaf.value) <= MOST:
        value = float(leaf.value)
    else:
        return "it is beyond anything measured here"
    if not abs(value) <= MOST or any(len(step) > LONGEST for step in leaf.steps):
        return "it, or its name, is beyond anything measured here"
    meant = _meaning(levels, leaf)
    if isinstance(meant, str):
        return meant
    quantity, words, place, by_topic = meant
    beside = _unit_beside(leaf, quantity)
    unit = unit_of(quantity, value, words, told or beside, told is not None)
    if unit is None:
        return f"no unit of {quantity} makes sense of {value:g}"
    found, judged, unsure = unit
    whole = pointer(*leaf.steps) if leaf.steps else None
    total = quantity.row.amount and bool({"total", "sum", "cumulative", "counter"} & {*words})
    how = ReadAs(found.unit, whole, None, None, total, found.scale)
    return Found(topic, leaf.steps, quantity, how, value, place, by_topic, judged, unsure)


def _meaning(levels: Steps, leaf: Leaf) -> tuple[Quantity, Steps, Steps, bool] | str:
    """The quantity, the words that tell it, the place, and whether the topic tells it."""
    named_by = {key: text for key, text in leaf.near.items() if {*words_of(key)} & NAME_KEYS}
    indexed = any(step.isdecimal() for step in leaf.steps)
    label = next((t for t in named_by.values() if indexed and not quantity_of(words_of(t))), "")
    inside = leaf.steps
    if label:
        last = max(place for place, step in enumerate(inside) if step.isdecimal())
        inside = (*inside[:last], label, *inside[last + 1 :])
    path = (*levels, *inside)
    plain = not leaf.steps or _says_nothing(leaf.steps[-1])
    lends = plain or not any({*words_of(key)} & VALUE_KEYS for key in leaf.keys)
    for depth in range(len(path) - 1, -1, -1):
        in_topic = depth < len(levels)
        if (in_topic and not plain) or (depth < len(path) - 1 and not lends):
            break
        if plain and depth == len(path) - 1:
            for text in leaf.near.values():
                said = words_of(text)
                said = said if len(said) == 1 else tuple(word for word in said if len(word) > 1)
                by_text = quantity_of(said)
                if by_text is not None and leaf.steps:
                    return _told(by_text, said, path, -1, len(levels), text)
        words = words_of(path[depth])
        quantity = quantity_of(words)
        if quantity is not None:
            return _told(quantity, words, path, depth, len(levels), "")
    return NO_NAME


def _told(
    quantity: Quantity, words: Steps, path: Steps, depth: int, topics: int, text: str
) -> tuple[Quantity, Steps, Steps, bool] | str:
    in_topic = 0 <= depth < topics
    around = path if in_topic else path[topics:]
    for word in (*(w for level in around for w in words_of(level)), *words):
        if word in NOT_OURS:
            return NOT_OURS[word]
    if quantity is Quantity.TEMPERATURE and any(called(w) is Quantity.BATTERY for w in words):
        return NOT_OURS["device"]
    if quantity is Quantity.TEMPERATURE:
        around_words = {w for level in path[topics:] for w in words_of(level)} | {*words}
        if any(called(w) is Quantity.SURFACE_TEMPERATURE for w in around_words):
            quantity = Quantity.SURFACE_TEMPERATURE
    place = []
    for at, level in enumerate(path):
        left = level
        if at == depth or at >= topics or _says_nothing(level):
            kept = [w for w in words_of(level) if not tells_what(w, quantity)]
            left = "-".join(kept)
        if left and left != text:
            place.append(left)
    last = words_of(path[-1]) if len(path) > topics else ()
    return quantity, (*words, *last), tuple(place), in_topic


def tells_what(word: str, quantity: Quantity) -> bool:
    """Whether a word tells what and in which unit, and not where."""
    if word in GENERIC or called(word) is not None:
        return True
    unit = UNITS.get(word)
    return unit is not None and conversion(quantity, unit.unit, _kept(quantity, unit)) is not None


def _says_nothing(name: str) -> bool:
    """Whether a name says neither what nor where: `value`, `state`, `0`."""
    return all(w in GENERIC or w.isdecimal() or w in UNITS for w in words_of(name)) and (
        quantity_of(words_of(name)) is None
    )


def quantity_of(words: Steps) -> Quantity | None:
    """The last word that names a quantity; a single letter only where no longer word does."""
    found = [(word, q) for word in words if (q := called(word)) is not None]
    longer = [q for word, q in found if len(word) > 1]
    temperature = Quantity.TEMPERATURE
    if temperature in longer and Quantity.SURFACE_TEMPERATURE in longer:
        return temperature
    return longer[-1] if longer else found[0][1] if found else None


def _kept(quantity: Quantity, unit: Spelt) -> str:
    volts = quantity is Quantity.BATTERY and unit.unit == "V"
    return "V" if volts else quantity.row.unit


def _unit_beside(leaf: Leaf, quantity: Quantity) -> Spelt | None:
    """The unit that a text beside the value tells."""
    mine = {*words_of(leaf.steps[-1])} if leaf.steps else set()
    for key, text in leaf.near.items():
        about = [word for word in words_of(key) if not word.startswith(UNIT_KEYS)]
        if len(about) == len(words_of(key)):
            continue
        if not {*about} <= mine | GENERIC and quantity_of(tuple(about)) is not quantity:
            continue
        unit = spelt(text)
        if unit is not None and conversion(quantity, unit.unit, _kept(quantity, unit)):
            return unit
    return None


def unit_of(
    quantity: Quantity, value: float, words: Steps, told: Spelt | None, in_text: bool
) -> tuple[Spelt, bool, bool] | None:
    """Unit and scale, whether the value alone tells them, whether unsure; None: none fits."""
    if told is None:
        spoken = [UNITS.get(UNIT_OF.get(word, word)) for word in words]
        fitting = [u for u in spoken if u and conversion(quantity, u.unit, _kept(quantity, u))]
        told = fitting[-1] if fitting else None
    if told is not None:
        scales = (1.0, 0.1, 0.01, 0.001) if value.is_integer() and not in_text else (1.0,)
        for scale in scales:
            if _can_be(quantity, value * scale, told):
                # A unit in the text holds by itself: the settings then need no scale.
                return Spelt(told.unit, 1.0 if in_text else told.scale * scale), False, scale < 1
        return None
    for place, likely in enumerate(CALLED[quantity].likely):
        fits = likely.low <= value <= likely.high and (likely.scale == 1 or value.is_integer())
        if fits:
            whole_volts = quantity is Quantity.BATTERY and value.is_integer()
            return Spelt(likely.unit, likely.scale), True, place > 0 or whole_volts
    return None


def _can_be(quantity: Quantity, value: float, unit: Spelt) -> bool:
    kept = _kept(quantity, unit)
    convert = conversion(quantity, unit.unit, kept)
    low, high = (0.0, 24.0) if kept == "V" else quantity.row.range
    if convert is None:
        return False
    return low <= (value * unit.scale + convert.shift) * convert.factor <= high


# -- times ---------------------------------------------------------------------------------------


class TimeFound(NamedTuple):
    """A time in a document. The lower its rank, the likelier it is that of the measurement."""

    steps: Steps
    rank: tuple[bool, bool, int]
    at: TimeAt


def time_in(leaf: Leaf, arrived_ms: int, zone: ZoneInfo) -> TimeFound | str | None:
    """The value as a time; a text says why it is not used; None: it is no time.

    A value near the time of arrival is a time whatever its name, others only by their name.
    """
    read = _time(leaf.value, arrived_ms, zone) if leaf.steps else None
    if read is None:
        return None
    unit, time_ms = read
    words = {*words_of(leaf.steps[-1])}
    near, keyed = abs(time_ms - arrived_ms) <= DAY_MS, bool(words & TIME_WORDS)
    if not near and not keyed:
        return None
    if words & NOT_NOW:
        return "it is a time, but not that of the measurement"
    if time_ms < CENTURY_MS or (arrived_ms and time_ms > arrived_ms + AHEAD_MS):
        return "it is a time that cannot be true here; set the sensor's clock, or send the offset"
    if arrived_ms and unit == ISO and abs(time_ms - arrived_ms) > AHEAD_MS // 2:
        in_utc = iso_ms(str(leaf.value), ZoneInfo("UTC"), arrived_ms) or 0
        if in_utc != time_ms and abs(in_utc - arrived_ms) < AHEAD_MS // 2:
            return "it is a time in UTC that does not say so; let the sensor end it with Z"
    rank = (not near, not keyed, len(leaf.steps))
    return TimeFound(leaf.steps, rank, TimeAt(pointer(*leaf.steps), unit))


def _time(value: object, arrived_ms: int, zone: ZoneInfo) -> tuple[str, int] | None:
    """A unit of time and UTC epoch ms, if a value can be one."""
    if isinstance(value, str):
        iso = iso_ms(value, zone, arrived_ms)
        if iso is not None:
            return ISO, iso
        number = written(value)
        value = number.value if number is not None and not number.unit else None
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 1e17:
        return None
    for unit, (ticks, _) in TICKS.items():
        if CENTURY_MS <= value / ticks <= LATEST_MS // 60:
            return unit, round(value / ticks)
    return None
