"""JSON documents: RFC 8259 read strictly, pointers into them (RFC 6901), SenML packs (RFC 8428)."""

from __future__ import annotations

import json
import re
from typing import Any, Final, NamedTuple

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


# -- SenML packs: base fields resolved, record by record --------------------------------------

VERSION = 10  # section 4.4: the version this reads
RELATIVE_BELOW_S = 2.0**28  # section 4.5.3: smaller times are relative to now

_FIELDS: dict[str, tuple[type, ...]] = {
    "bn": (str,),
    "bt": (int, float),
    "bu": (str,),
    "bv": (int, float),
    "bver": (int,),
    "n": (str,),
    "t": (int, float),
    "u": (str,),
}
_VALUES = ("v", "vs", "vb", "vd", "s")


class SenmlError(ValueError):
    """Why a pack cannot be read, and how to mend it, as one clause."""


class Record(NamedTuple):
    """A record with its base fields worked in (section 4.6).

    fields      the record as it came: `v` (number), or `vs`, `vb`, `vd`, `s`
    base_value  to be added to `v`
    unit        as the record or its base says; None: it does not say
    time_s      epoch [s]; below 2**28 relative to now [s]
    """

    name: str
    fields: dict[str, object]
    base_value: float
    unit: str | None
    time_s: float


def resolve(pack: object) -> list[Record]:
    """The records of a pack that hold a value, in their order; SenmlError refuses it whole."""
    if not isinstance(pack, list):
        raise SenmlError("a SenML pack is a JSON array of records; send [{…}, {…}]")
    base: dict[str, object] = {"bn": "", "bt": 0, "bv": 0}
    resolved = []
    for place, record in enumerate(pack):
        if not isinstance(record, dict):
            raise SenmlError(f"SenML record {place} is not an object; send [{{…}}, {{…}}]")
        _check(place, record)
        base.update({k: v for k, v in record.items() if k in ("bn", "bt", "bu", "bv")})
        if any(field in record for field in _VALUES):
            resolved.append(_resolved(record, base))
    return resolved


def _resolved(record: dict[str, object], base: dict[str, object]) -> Record:
    unit = record.get("u", base.get("bu"))
    return Record(
        name=str(base["bn"]) + str(record.get("n", "")),
        fields=record,
        base_value=_number(base["bv"]),
        unit=None if unit is None else str(unit),
        time_s=_number(base["bt"]) + _number(record.get("t", 0)),
    )


def _check(place: int, record: dict[str, object]) -> None:
    for field, value in record.items():
        expected = _FIELDS.get(field)
        if expected is not None and type(value) not in expected:
            what = "text" if str in expected else "a number"
            raise SenmlError(f'"{field}" of SenML record {place} is not {what}; send {what}')
        if expected is None and field.endswith("_"):
            raise SenmlError(
                f"SenML record {place} has a field that must be understood and is not known here "
                "(its name ends in _); send records without it"
            )
    version = _number(record.get("bver", VERSION))
    if version > VERSION:
        raise SenmlError(
            f"the SenML pack is of version {version:g}; send version {VERSION} or older"
        )


def _number(value: Any) -> float:
    """As a float; an integer too large for one becomes infinite, to be refused by its range."""
    try:
        return float(value)
    except OverflowError:
        return float("inf")
