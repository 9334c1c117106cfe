"""What reaches the phone, when and how often."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple


class Weight(StrEnum):
    """How much a notice matters."""

    NOW = "now"  # do something
    SOON = "soon"  # it is coming, or it is ready
    NOTE = "note"  # for the record, in the digest


class Notice(NamedTuple):
    """A message to the phone.

    made_ms      when it was written [UTC epoch ms]
    kind         a spell's kind, or what else it speaks of ("digest", "all-well", "report", …)
    part         "began", "reminder", "ended", "taken back", or "" where it has no parts
    place        path on the page that it speaks of, e.g. "/space/loft"
    spell_began  the beginning of the spell it speaks of [UTC epoch minutes]
    """

    made_ms: int
    space: str | None
    sensor: str | None
    kind: str
    part: str
    weight: Weight
    title: str
    body: str
    place: str
    spell_began: int | None
