"""How everything stands now, as one value that anybody may read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from monitor.ahead.look import Coming
from monitor.air.minute import MinuteOfAir
from monitor.air.spells import Spell
from monitor.drying.prospects import Prospect
from monitor.entries.batches import History
from monitor.entries.entries import Entry
from monitor.notices.notice import NoticeRow
from monitor.site.quantities import Quantity


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
