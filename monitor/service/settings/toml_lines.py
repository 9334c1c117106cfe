"""Where in a TOML file each key stands: tomllib gives the values without their lines."""

from __future__ import annotations

import re
import tomllib

Path = tuple[str | int, ...]  # keys and, in arrays of tables, places

_KEY = r"""(?:[A-Za-z0-9_-]+|"(?:\\.|[^"\\\n])*"|'[^'\n]*')"""
_KEYS = re.compile(rf"{_KEY}(?:[ \t]*\.[ \t]*{_KEY})*")
_HEADER = re.compile(r"\[\[?[ \t]*")
_REST_OF_LINE = re.compile(r"[^\n]*")
_BETWEEN = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_TOKEN = re.compile(
    r'"""(?:\\[\s\S]|[^\\])*?"{3,5}'
    r"|'''[\s\S]*?'{3,5}"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'"
    r"|#[^\n]*|[\[{]|[\]}]|\n|[^\"'#\[\]{}\n]+"
)


def key_lines(text: str) -> dict[Path, int]:
    """The line of each key and table header of a TOML text that tomllib has read.

    Keys inside an inline table or an array are not listed: they stand where their key does.
    """
    lines: dict[Path, int] = {}
    places: dict[Path, int] = {}  # of each array of tables, the place of its latest
    table: Path = ()
    at = _end(_BETWEEN, text, 0)
    while at < len(text):
        line = text.count("\n", 0, at) + 1
        header = _HEADER.match(text, at)
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


def _numbered(keys: list[str], places: dict[Path, int], begins: bool) -> Path:
    """The path of a header, with the place in each array of tables it leads through."""
    path: Path = ()
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


def line_of(lines: dict[Path, int], path: Path) -> int:
    """The line of a path, else of the nearest table around it, else the first."""
    while path and path not in lines:
        path = path[:-1]
    return lines.get(path, 1)
