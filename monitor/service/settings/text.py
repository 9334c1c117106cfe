"""The text of a settings file: the line of each key, and what was likely meant by a slip."""

from __future__ import annotations

import math
import re
import tomllib
from importlib import resources

from monitor.site.time import DAY_S

_SECONDS = {"s": 1, "min": 60, "h": 3600, "day": DAY_S, "days": DAY_S}
_DURATION = re.compile(r"([0-9]+(?:\.[0-9]+)?)\s*(s|min|h|days?)")
_QUOTES = str.maketrans("“”„‟«»″‘’‚′", '"' * 11)
_NUMBER = re.compile(r"([-+−]?[0-9]+(?:[.,][0-9]+)?)\s*((?:[^0-9.,\s]\S*)?)")
_PARTS = re.compile(r"(\s*[\w.-]+\s*)[=:](\s*)([^#]*[^#\s])(\s*(?:#.*)?)")
# Tables of which there may be many.
_HEADER = re.compile(r"\s*\[+\s*(space(?:\.window)?|sensor|address|forecast)\s*\]+\s*")
_TRUTH = {"yes": "true", "True": "true", "on": "true", "no": "false", "False": "false"}


def mended(line: str) -> str | None:
    """The line as TOML takes it; None: what was meant cannot be seen.

    >>> for slip in ("name = “Loft”", 'name = "Loft', "lat = 52,61", "t = 53.4 N", "[[space]"):
    ...     print(mended(slip))
    name = "Loft"
    name = "Loft"
    lat = 52.61
    t = 53.4
    [[space]]
    """
    if header := _HEADER.fullmatch(line):
        return f"[[{header[1]}]]"
    found = _PARTS.fullmatch(line.translate(_QUOTES))
    if found is None:
        return None
    key, space, told, rest = found.groups()
    plain = told.strip('"').replace('"', "")
    number = None if seconds_of(plain) else meant(plain, -math.inf, math.inf, "degrees")
    ways = [_TRUTH.get(told, told), f"{told} }}" if told.startswith("{") else f'"{plain}"']
    if number is not None:
        ways.insert(1, f"{number[0]:.15g}")
    again = (f"{key.rstrip()} = {way}{rest if space else ''}".strip() for way in ways)
    return next((one for one in again if one != line.strip() and _is_toml(one)), None)


def _is_toml(line: str) -> bool:
    try:
        return bool(tomllib.loads(line))
    except (ValueError, RecursionError):
        return False


def meant(value: object, low: float, high: float, unit: str) -> tuple[float, str] | None:
    """The number that a slip stands for: text, a comma, °F, a share for percent, cm for m.

    low, high  the range it must lie in
    unit       what it was expected in
    returns    the number, and what it supposes; None: what was meant cannot be seen

    >>> meant("53.4 N", -90, 90, ""), meant("3,2 W", -180, 180, "degrees"), meant(90, 10, 60, "°C")
    ((53.4, ''), (-3.2, ''), (32.2, ', if °F was meant'))
    """
    found = _NUMBER.fullmatch(value.strip()) if isinstance(value, str) else None
    if found is not None:
        number, sent = float(found[1].replace(",", ".").replace("−", "-")), found[2]
        if unit.startswith("degrees") and sent.upper() in ("S", "W"):
            number = -abs(number)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        number, sent = float(value), ""
    else:
        return None
    ways = [] if "F" in sent else [(number, "")]
    ways += {
        "°C": [(round((number - 32) / 1.8, 1), ", if °F was meant")],
        "% relative humidity": [(number * 100, ", if a share of 1 was meant")],
        "m": [(number / 100, ", if cm was meant"), (number / 1000, ", if mm was meant")],
    }.get(unit, [])
    return next(((round(way, 6), why) for way, why in ways if low <= way <= high), None)


def seconds_of(text: object) -> float | None:
    """A length of time such as "20 min" in seconds; None: it is none.

    >>> seconds_of("20 min"), seconds_of("2 days"), seconds_of("soon")
    (1200.0, 172800.0, None)
    """
    found = _DURATION.fullmatch(text.strip()) if isinstance(text, str) else None
    return float(found[1]) * _SECONDS[found[2]] if found else None


def zones_near(latitude: float, longitude: float) -> list[str]:
    """The time zones of the three nearest places of the IANA list (zone1970.tab)."""

    def away(place: tuple[str, float, float]) -> float:
        _, north, east = place
        turn = (east - longitude + 180) % 360 - 180
        return math.hypot(north - latitude, turn * math.cos(math.radians(latitude)))

    return [zone for zone, _, _ in sorted(_places(), key=away)[:3]]


def place_of(zone: str) -> tuple[float, float] | None:
    """Degrees north and east of a time zone's own town; None: the list has none.

    >>> place_of("Europe/London")
    (51.51, -0.13)
    """
    found = next((place for place in _places() if place[0] == zone), None)
    return found and (round(found[1], 2), round(found[2], 2))


def _places() -> list[tuple[str, float, float]]:
    """Each zone of zone1970.tab, and where its town is."""
    table = resources.files("tzdata").joinpath("zoneinfo/zone1970.tab").read_text("utf-8")
    rows = [line.split("\t") for line in table.splitlines() if not line.startswith("#")]
    places = []
    for row in rows:
        north, east = map(_degrees, re.findall(r"[+-]\d+", row[1]))
        places.append((row[2].strip(), north, east))
    return places


def _degrees(told: str) -> float:
    """±DDMM, ±DDDMM, ±DDMMSS or ±DDDMMSS in degrees."""
    digits = told[1:] if len(told) > 6 else f"{told[1:]}00"
    size = int(digits[:-4]) + int(digits[-4:-2]) / 60 + int(digits[-2:]) / 3600
    return -size if told[0] == "-" else size


# -- where each key stands: tomllib gives the values without their lines ------------------------

KeyPath = tuple[str | int, ...]  # keys and, in arrays of tables, places

_KEY = r"""(?:[A-Za-z0-9_-]+|"(?:\\.|[^"\\\n])*"|'[^'\n]*')"""
_KEYS = re.compile(rf"{_KEY}(?:[ \t]*\.[ \t]*{_KEY})*")
_TABLE = re.compile(r"\[\[?[ \t]*")
_REST_OF_LINE = re.compile(r"[^\n]*")
_BETWEEN = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_TOKEN = re.compile(
    r'"""(?:\\[\s\S]|[^\\])*?"{3,5}'
    r"|'''[\s\S]*?'{3,5}"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'"
    r"|#[^\n]*|[\[{]|[\]}]|\n|[^\"'#\[\]{}\n]+"
)


def key_lines(text: str) -> dict[KeyPath, int]:
    """The line of each key and table header of a TOML text that tomllib has read.

    Keys inside an inline table or an array are not listed: they stand where their key does.
    """
    lines: dict[KeyPath, int] = {}
    places: dict[KeyPath, int] = {}  # of each array of tables, the place of its latest
    table: KeyPath = ()
    at = _end(_BETWEEN, text, 0)
    while at < len(text):
        line = text.count("\n", 0, at) + 1
        header = _TABLE.match(text, at)
        found = _KEYS.match(text, header.end() if header else at)
        if found is None:
            raise ValueError(f"line {line} is neither a table nor a key")
        keys = _unquoted(found[0])
        if header:
            table = _numbered(keys, places, begins="[[" in header[0])
            lines[table] = line
            at = _end(_REST_OF_LINE, text, found.end())
        else:
            for length in range(1, len(keys) + 1):
                lines.setdefault((*table, *keys[:length]), line)
            at = _after_value(text, found.end())
        at = _end(_BETWEEN, text, at)
    return lines


def _unquoted(dotted: str) -> list[str]:
    """The parts of a dotted key: TOML's own reader knows best."""
    parts: list[str] = []
    inner = tomllib.loads(f"{dotted} = 0")
    while isinstance(inner, dict):
        key, inner = next(iter(inner.items()))
        parts.append(key)
    return parts


def _numbered(keys: list[str], places: dict[KeyPath, int], begins: bool) -> KeyPath:
    """The path of a header, with the place in each array of tables it leads through."""
    path: KeyPath = ()
    for key in keys[:-1]:
        path = (*path, key)
        path = (*path, places[path]) if path in places else path
    path = (*path, keys[-1])
    if begins:
        places[path] = places.get(path, -1) + 1
    return (*path, places[path]) if begins else path


def _after_value(text: str, at: int) -> int:
    depth = 0
    for token in _TOKEN.finditer(text, at):
        if token[0] in ("[", "{"):
            depth += 1
        elif token[0] in ("]", "}"):
            depth -= 1
        elif token[0] == "\n" and depth == 0:
            return token.start()
    return len(text)


def _end(pattern: re.Pattern[str], text: str, at: int) -> int:
    found = pattern.match(text, at)
    return found.end() if found else at


def line_of(lines: dict[KeyPath, int], path: KeyPath) -> int:
    """The line of a path, else of the nearest table around it, else the first."""
    while path and path not in lines:
        path = path[:-1]
    return lines.get(path, 1)
