"""The kinds of spells, and the unit of the worst of each."""

from __future__ import annotations

from enum import StrEnum


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
