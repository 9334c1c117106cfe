"""JSON text and pointers into it: RFC 8259 read strictly, RFC 6901 in full."""

from __future__ import annotations

import json
import re
from typing import Final

_ESCAPED = re.compile(r"~([01])")
_BAD_ESCAPE = re.compile(r"~(?![01])")
_INDEX = re.compile(r"0|[1-9][0-9]{0,6}")


class Missing:
    """What a pointer finds where there is nothing."""


MISSING: Final = Missing()


class DoubledKeyError(ValueError):
    """An object says the same name twice: which is meant, nobody can tell."""

    def __init__(self, name: str) -> None:
        super().__init__(name)
        self.name = name


def _object(pairs: list[tuple[str, object]]) -> dict[str, object]:
    made = dict(pairs)
    if len(made) != len(pairs):
        names = [name for name, _ in pairs]
        raise DoubledKeyError(next(name for name in names if names.count(name) > 1))
    return made


# The standard library's reader, because it can tell of a name said twice. It lets NaN, Infinity
# and 1e400 through as floats: whoever takes a number from the document checks its range.
parse_json = json.JSONDecoder(object_pairs_hook=_object).decode


def tokens(pointer: str) -> tuple[str, ...]:
    """The steps of an RFC 6901 pointer, unescaped (sections 3 and 4); ValueError if malformed.

    >>> tokens("/a~1b/m~0n")
    ('a/b', 'm~n')
    """
    if pointer and not pointer.startswith("/"):
        raise ValueError('does not begin with "/"')
    if _BAD_ESCAPE.search(pointer):
        raise ValueError('has a "~" that is not followed by 0 or 1')
    return tuple(
        _ESCAPED.sub(lambda found: "~/"[int(found[1])], step) for step in pointer.split("/")[1:]
    )


def pointer(*steps: str) -> str:
    """The pointer made of these steps."""
    return "".join("/" + step.replace("~", "~0").replace("/", "~1") for step in steps)


def follow(document: object, steps: tuple[str, ...]) -> object:
    """The value at the end of the steps, or MISSING (RFC 6901 section 4)."""
    here = document
    for step in steps:
        if isinstance(here, dict) and step in here:
            here = here[step]
        elif isinstance(here, list) and _INDEX.fullmatch(step) and int(step) < len(here):
            here = here[int(step)]
        else:
            return MISSING
    return here
