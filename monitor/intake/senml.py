"""SenML packs (RFC 8428, JSON form): base fields resolved, record by record."""

from __future__ import annotations

from typing import Any, NamedTuple

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
