"""What comes out of the engine, and what it reads back.

An event's effects are written in one transaction, in the order of their fields, by the store's
writer: `Writer.apply` has a line for each field. `Archive` is what the engine reads back. A
`Snapshot` is how everything stands, as one value that anybody may read; `publications` is what is
published of it over MQTT, as retained messages under `drying-room/`:

    drying-room/air/SPACE      SenML (RFC 8428): the space's air in its last minute
    drying-room/spells/SPACE   JSON: the spells that go on there; faults of all sensors under "all"
    drying-room/batches/BATCH  JSON: what was last said of a batch

Names in topics are lower case, with everything but letters and figures as a hyphen.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, NamedTuple, Protocol

from monitor.ahead.lesson import Lesson
from monitor.ahead.look import Coming, LessonsKept
from monitor.air.memory import ReadingsKept
from monitor.air.minute import MinuteOfAir
from monitor.air.spells import Spell
from monitor.air.states import StatesKept
from monitor.drying.hours import HoursKept
from monitor.drying.prospects import Prospect
from monitor.drying.scales import MassesKept
from monitor.entries.batches import History
from monitor.entries.entries import Entry
from monitor.notices.notice import NoticeRow
from monitor.notices.once_rules import Foretold
from monitor.notices.settlement import Settlement
from monitor.notices.settlement import SpellArchive as TellerArchive
from monitor.site.quantities import Flag, Quantity, Reading
from monitor.site.spaces import Site
from monitor.site.time import MINUTE_MS

# A fact: the minute from which all is to be settled anew; empty where all is settled.
UNSAID_FROM = "unsaid from"


class Unread(NamedTuple):
    """A payload that could not be read, kept as it came; reason is a plain sentence."""

    arrived_ms: int
    topic: str
    sensor: str | None
    payload: bytes
    reason: str


class HoursAhead(NamedTuple):
    """What was foreseen of a space at a full hour, so many hours ahead; kept as it was then.

    One in ten, the middle and nine in ten of the likely courses.
    """

    asked_ms: int
    space: str
    horizon_h: int
    temperature_p10_c: float
    temperature_p50_c: float
    temperature_p90_c: float
    humidity_ratio_p10_g_kg: float
    humidity_ratio_p50_g_kg: float
    humidity_ratio_p90_g_kg: float


@dataclass(slots=True)
class Effects:
    """Rows to write, in the order of the fields.

    released        readings that no longer wait, for their leap in time was confirmed
    refolded        minutes whose air is replaced
    states_dropped  states kept for later minutes than this one no longer hold
    settled         the minute up to which spells and notices are settled
    prospects       what is said of each batch at a full hour
    ahead           what is foreseen of each space at a full hour
    foretold        what was foretold to the phone, new or closed
    lessons         what was learned of a space in the night
    facts           (key, value) to be noted
    seen, paused    (number of a notice, time [ms]): when seen, until when paused
    """

    readings: list[Reading] = field(default_factory=list)
    waiting: list[Reading] = field(default_factory=list)
    released: list[Reading] = field(default_factory=list)
    unread: list[Unread] = field(default_factory=list)
    flags: list[tuple[int, str, Quantity, Flag]] = field(default_factory=list)
    refolded: list[int] = field(default_factory=list)
    air: list[MinuteOfAir] = field(default_factory=list)
    states_dropped: int | None = None
    states: list[tuple[int, bytes]] = field(default_factory=list)
    settlements: list[Settlement] = field(default_factory=list)
    settled: int | None = None
    prospects: list[Prospect] = field(default_factory=list)
    ahead: list[HoursAhead] = field(default_factory=list)
    foretold: list[Foretold] = field(default_factory=list)
    lessons: list[Lesson] = field(default_factory=list)
    facts: list[tuple[str, str]] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    seen: list[tuple[int, int | None]] = field(default_factory=list)
    paused: list[tuple[int, int | None]] = field(default_factory=list)

    @property
    def empty(self) -> bool:
        """Whether there is nothing to write."""
        return self == _NOTHING

    @property
    def urgent(self) -> bool:
        """Whether somebody waits for this: commit at once."""
        return bool(self.entries or any(s.notices for s in self.settlements))


_NOTHING = Effects()


class Archive(
    ReadingsKept,
    StatesKept,
    TellerArchive,
    HoursKept,
    LessonsKept,
    MassesKept,
    Protocol,
):
    """What the engine reads back; the rooms below say for themselves what they read."""

    def first_ms(self) -> int | None:
        """Time of the oldest usable reading."""

    def newest_ms(self) -> int | None:
        """Time of the newest reading."""

    def waiting(self) -> list[Reading]:
        """Readings whose leap in time waits to be confirmed."""

    def said(self, kind: str, place: str) -> bool:
        """Whether a notice of this kind was ever written about this place on the page."""

    def entries(self) -> list[Entry]:
        """Everything entered, in order of number."""

    def foretold_since(self, told_ms: int) -> list[Foretold]:
        """What was foretold at this time or later, oldest first."""

    def last_said(self) -> dict[int, Prospect]:
        """What was said of each batch at the last hour, by number of its hanging."""


ROOT = "drying-room"
ALL = "all"
# Names and units in RFC 8428's own words where it has them.
_AIR = (
    ("temperature", "temperature_c", "Cel"),
    ("humidity", "relative_humidity_pct", "%RH"),
    ("illuminance", "illuminance_lx", "lx"),
    ("dew-point", "dew_point_c", "Cel"),
    ("vapour-pressure-deficit", "vpd_kpa", "kPa"),
    ("humidity-ratio", "humidity_ratio_g_kg", "g/kg"),
)


@dataclass(frozen=True, slots=True)
class SensorNow:
    """A sensor as last heard.

    last_ms  time of its last record [UTC epoch ms]; None: never heard
    values   quantity → (time [ms], value in the kept unit) of its last good reading
    unread   payloads of it that could not be read since the start, and why the last could not
    """

    last_ms: int | None
    values: Mapping[Quantity, tuple[int, float]]
    unread: int = 0
    why_unread: str | None = None


@dataclass(frozen=True, slots=True)
class Snapshot:
    """How everything stands; ahead of the store by at most one commit.

    now_ms    the moment it tells of [UTC epoch ms]; 0: nothing heard yet
    air       the latest minute of each space of which anything is known
    going_on  spells that have not ended
    notices   those of the last days by number
    prospects what was said of each batch at the last full hour, by number of its hanging
    doubted   batches of which it is being worked out anew: more became known since that hour
    coming    what is foreseen and advised of each space, as last looked at
    """

    now_ms: int = 0
    air: Mapping[str, MinuteOfAir] = field(default_factory=dict)
    going_on: tuple[Spell, ...] = ()
    sensors: Mapping[str, SensorNow] = field(default_factory=dict)
    entries: tuple[Entry, ...] = ()
    history: History = field(default_factory=lambda: History((), ()))
    notices: Mapping[int, NoticeRow] = field(default_factory=dict)
    prospects: Mapping[int, Prospect] = field(default_factory=dict)
    doubted: frozenset[int] = frozenset()
    coming: Mapping[str, Coming] = field(default_factory=dict)


def publications(snapshot: Snapshot, site: Site) -> Iterator[tuple[str, bytes]]:
    """Topic and payload of everything there is to tell; the same snapshot gives the same bytes."""
    for name, air in sorted(snapshot.air.items()):
        yield f"{ROOT}/air/{_topic(name)}", _senml(name, air)
    places: list[str | None] = [*sorted(site.spaces), None]
    for place in places:
        here = [_spell(s) for s in snapshot.going_on if s.space == place]
        yield f"{ROOT}/spells/{ALL if place is None else _topic(place)}", _json(here)
    for batch in snapshot.history.batches:
        said = snapshot.prospects.get(batch.hung_by)
        told = {} if said is None else asdict(said)
        if batch.hung_by in snapshot.doubted:
            told = {"state": "unknown"}
        if told:
            told |= {"batch": batch.name, "flower": batch.flower, "space": batch.space}
            yield f"{ROOT}/batches/{_topic(batch.name)}", _json(told)


def _topic(name: str) -> str:
    return re.sub(r"[^\w]+", "-", name.lower()).strip("-")


def _senml(name: str, air: MinuteOfAir) -> bytes:
    records: list[dict[str, Any]] = [
        {"n": quantity, "u": unit, "v": value}
        for quantity, field, unit in _AIR
        if (value := getattr(air, field)) is not None
    ]
    if not records:
        return _json([])
    records[0] = {"bn": f"{ROOT}:{_topic(name)}:", "bt": air.minute * 60, **records[0]}
    return _json(records)


def _spell(spell: Spell) -> dict[str, Any]:
    return {
        "kind": spell.kind.value,
        "sensor": spell.sensor,
        "began": spell.began * MINUTE_MS // 1000,
        "worst": spell.worst,
        "unit": spell.kind.row.unit,
    }


def _json(value: object) -> bytes:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":")).encode()
