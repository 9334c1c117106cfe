"""Limits → spells: the times during which a limit is passed."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple


class Kind(StrEnum):
    """The kinds of spells."""

    HOT = "hot"
    COLD = "cold"
    DAMP = "damp"
    ARID = "arid"
    SUNNY = "sunny"
    DEWY = "dewy"
    MUSTY = "musty"
    SILENT = "silent"
    STUCK = "stuck"


UNIT_OF_WORST: dict[Kind, str] = {
    Kind.HOT: "°C",
    Kind.COLD: "°C",
    Kind.DAMP: "%",
    Kind.ARID: "%",
    Kind.SUNNY: "lx",
    Kind.DEWY: "K",
    Kind.MUSTY: "index",
    Kind.SILENT: "h",
    Kind.STUCK: "h",
}


class Spell(NamedTuple):
    """A time during which a limit is passed; minutes are UTC epoch minutes.

    space, sensor  a fault of the whole feed has neither
    began          first minute past the limit
    declared       minute at which the delay was over and it became a spell
    ended          first minute back inside the deadband; None: still going on
    worst          the extreme value reached, in UNIT_OF_WORST of its kind
    urgent         it passed the second, urgent limit long enough (damp only)
    """

    kind: Kind
    space: str | None
    sensor: str | None
    began: int
    declared: int
    ended: int | None
    worst: float
    urgent: bool = False
