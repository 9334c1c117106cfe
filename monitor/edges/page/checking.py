"""The page on which a humidity sensor is checked: against wet salt, or beside another sensor."""

from __future__ import annotations

from typing import Any

from monitor.edges.page.house import House
from monitor.engine.snapshot import Snapshot
from monitor.places.saltcheck import HOW_TO, HOW_TO_BESIDE
from monitor.science.sorption import SALTS, Salt
from monitor.site.quantities import Quantity
from monitor.site.words import named, when

Told = dict[str, Any]
VERBS = ("aside", "back", "calibrate")


def can_be_checked(house: House, name: str) -> bool:
    """Whether a sensor tells what a check needs."""
    sensor = house.site.sensors.get(name)
    return sensor is not None and {Quantity.TEMPERATURE, Quantity.HUMIDITY} <= sensor.reads.keys()


def view(house: House, snapshot: Snapshot, name: str) -> Told:
    """How the check stands, and what can be done next; raises RequestError where it cannot be."""
    told = house.check(name)
    others = [s for s in house.site.sensors if s != name and can_be_checked(house, s)]
    shown: Told = {
        "name": name,
        "title": named(name, 60),
        "under_way": told["under_way"],
        "salts": [(word, salt.value) for word, salt in SALTS.items()],
        "others": others,
        "how": HOW_TO.format(salt=Salt.TABLE.value),
        "how_beside": HOW_TO_BESIDE,
        "offset": None,
    }
    if not told["under_way"]:
        return shown
    against = told["beside"] or SALTS[told["salt"]].value
    shown |= {
        "how": told["how"],
        "since": when(told["since_ms"], snapshot.now_ms, house.site.timezone),
        "against": against,
        "says": told["says"],
        "settled": told["settled"],
        "offset": f"{told['offset_pct']:+.1f} %" if told["worth_it"] else None,
        "change": told["calibrate"],
    }
    return shown
