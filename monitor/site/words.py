"""How numbers, times and lists are said to people, what to mind, and text from outside made
harmless: one way for all messages."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from unicodedata import bidirectional, category

from monitor.site.quantities import Quantity
from monitor.site.spaces import Site
from monitor.site.time import DAY_MIN, MINUTE_MS, local, local_day

# First lines are read on a phone's lock screen.
TITLE_LENGTH = 60
# What sets a name apart that reads from right to left, and what turns the direction.
_ISOLATE, _END, _JOINER = "\u2068", "\u2069", "\u200d"
_TURNS = {"R", "AL", "AN", "RLE", "RLO", "LRE", "LRO", "RLI", "LRI", "FSI"}

# What can hurt somebody, and what to mind: fire and health services' usual advice, from memory.
UNVENTED = "Never a gas or paraffin heater: it gives off water and poisonous fumes."
HEATERS = "Keep all that can burn a metre (3 ft) from any heater: dried flowers are tinder."
FIRE = f"{HEATERS} If you smell smoke, stay out and call for help: this is no fire alarm."
ELECTRICS = "Local rules for electrics first: no plugs or leads where water can drip."
HEIGHT = "Only what you reach safely: a steady ladder, and somebody near."
MOULD = (
    "Do not shake mouldy bunches: bag them where they hang, wear a fine-dust mask (FFP3), "
    "and air the room after."
)

_SMALL_NUMBERS = (
    "no one two three four five six seven eight nine ten eleven twelve".split()  # noqa: SIM905 - reads better
)


def when(epoch_ms: int, now_ms: int, timezone: str) -> str:
    """A moment, as short as it can be said: `14:10`, `yesterday 14:10`, `Tue 14 Jul, 14:10`."""
    then, now = local(epoch_ms, timezone), local(now_ms, timezone)
    clock = f"{then:%H:%M}"
    days = (now.date() - then.date()).days
    if days == 0:
        return clock
    if days == 1:
        return f"yesterday {clock}"
    if days == -1:
        return f"tomorrow {clock}"
    return f"{day(then.date())}, {clock}"


def when_minute(epoch_minute: int, now_ms: int, timezone: str) -> str:
    """`when` for a moment in epoch minutes."""
    return when(epoch_minute * MINUTE_MS, now_ms, timezone)


def day(of: date) -> str:
    """A date: `Tue 14 Jul`. In English whatever the machine's language."""
    weekday = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")[of.weekday()]
    months = "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec".split()  # noqa: SIM905 - reads better
    return f"{weekday} {of.day} {months[of.month - 1]}"


def day_span(first_ms: int, last_ms: int, timezone: str) -> str:
    """Days between two moments: `Tue 14 Jul`, or `Tue 14 Jul to Fri 17 Jul`."""
    first, last = day(local_day(first_ms, timezone)), day(local_day(last_ms, timezone))
    return first if first == last else f"{first} to {last}"


def lasting(minutes: float) -> str:
    """A length of time, rounded as people say it: `25 min`, `3 h 20 min`, `17 h`, `4 days`."""
    whole = max(1, round(minutes))
    if whole < 60:
        return f"{whole} min"
    if whole < 10 * 60:
        hours, rest = divmod(5 * round(whole / 5), 60)
        return f"{hours} h {rest} min" if rest else f"{hours} h"
    if timedelta(minutes=whole) < timedelta(days=2):
        return f"{round(whole / 60)} h"
    return f"{round(whole / DAY_MIN)} days"


def temperature(celsius: float, unit: str, places: int = 0) -> str:
    """A temperature in the unit the site reads, to a whole degree or with so many decimals."""
    degrees = celsius * 9 / 5 + 32 if unit == "°F" else celsius
    rounded = round(degrees, places) + 0.0  # no minus before a zero
    return f"{rounded:.{places}f} {unit}".replace("-", "−")


def humidity(percent: float) -> str:
    """A relative humidity, to a whole per cent."""
    return f"{percent:.0f} %"


def light(lux: float) -> str:
    """An illuminance to two figures: `3,400 lux`."""
    return f"{two_figures(lux):,.0f} lux"


def two_figures(value: float) -> float:
    """A value rounded to two figures: no sensor here knows a third."""
    return float(f"{value:.2g}")


def count(number: int, one: str, many: str | None = None) -> str:
    """A number of things, in words up to twelve: `one bunch`, `six bunches`, `31 bunches`."""
    things = one if number == 1 else (many or f"{one}s")
    figure = _SMALL_NUMBERS[number] if 0 <= number < len(_SMALL_NUMBERS) else f"{number:,}"
    return f"{figure} {things}"


def chances(probability: float) -> str:
    """A chance in whole tenths, never quite certain either way.

    >>> chances(0.02), chances(0.84), chances(1.0)
    ('under 1 in 20', '8 in 10', 'over 19 in 20')
    """
    if probability < 0.05:
        return "under 1 in 20"
    if probability > 0.95:
        return "over 19 in 20"
    return f"{min(9, max(1, round(10 * probability)))} in 10"


def listed(items: Sequence[str], most: int = 4) -> str:
    """`a`, `a and b`, `a, b and c`; beyond `most`: `a, b, c and 9 more`."""
    if len(items) > most:
        return f"{', '.join(items[: most - 1])} and {len(items) - most + 1} more"
    if len(items) > 1:
        return f"{', '.join(items[:-1])} and {items[-1]}"
    return "".join(items)


def shortened(name: str, longest: int = 20) -> str:
    """A name as the person wrote it, cut short where it is very long.

    One that is written from right to left is set apart, so that the rest of the line stays in order
    (first strong isolate, Unicode Standard Annex 9).
    """
    return _set_apart(_cut(name, longest))


def _cut(text: str, longest: int) -> str:
    """At most so many characters, no letter parted from its marks."""
    if len(text) <= longest:
        return text
    end = longest - 1
    while end > 0 and (category(text[end]).startswith("M") or _JOINER in text[end - 1 : end + 1]):
        end -= 1
    return f"{text[: end or longest - 1].rstrip()}…"


def _set_apart(name: str) -> str:
    return f"{_ISOLATE}{name}{_END}" if any(bidirectional(c) in _TURNS for c in name) else name


def named(name: str, longest: int = 24) -> str:
    """A name as it opens a line: shortened, its first letter large."""
    return _set_apart(_cut(name[:1].upper() + name[1:], longest))


def begun(text: str) -> str:
    """A text as a sentence begins with it."""
    return text[:1].upper() + text[1:]


def title(text: str) -> str:
    """A first line, cut at a word where it would not fit a lock screen."""
    if len(text) <= TITLE_LENGTH:
        return text
    short = _cut(text, TITLE_LENGTH)[:-1].rsplit(" ", 1)[0].rstrip(" ,:;")
    return f"{short}{_END if short.count(_ISOLATE) > short.count(_END) else ''}…"


def degrees(celsius: float, site: Site) -> str:
    """`temperature` in the site's own unit."""
    return temperature(celsius, site.temperature_unit)


def figure(quantity: Quantity, value: float, site: Site, places: int = 0) -> str:
    """A value of a quantity, in its kept unit, as it is said; with decimals where that helps."""
    match quantity.row.unit:
        case "°C":
            return temperature(value, site.temperature_unit, places)
        case "%":
            return f"{value:.{places}f} %"
        case "lx":
            return light(value)
        case unit:
            return f"{two_figures(value):,.0f} {unit}"


def spoils_as(colour: str | None) -> str:
    """What light does to a colour, as a verb: whites do not fade, they turn yellowish."""
    return "yellow" if colour in ("white", "cream", "ivory") else "fade"


def shown(text: str, longest: int = 60) -> str:
    """Text from outside, short and without anything a terminal or a page could stumble over.

    >>> shown("rail\\x1b[2J")
    'rail\\\\x1b[2J'
    """
    text = text if len(text) <= longest else text[: longest - 3] + "..."
    return "".join(
        sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in text
    )
