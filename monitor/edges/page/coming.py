"""What the page tells of the coming day: what is foreseen, and what airing would do."""

from __future__ import annotations

from typing import Any

from monitor.ahead.courses import Band
from monitor.ahead.look import Coming
from monitor.edges.page.house import House
from monitor.engine.snapshot import Snapshot
from monitor.entries.batches import hanging_in
from monitor.notices.sentences import foreseen
from monitor.places import water
from monitor.site.spaces import OUTDOORS, Site
from monitor.site.words import humidity, temperature, when_minute

Told = dict[str, Any]
NOTHING: Told = {"hours": [], "airing": [], "best": "", "leaks": []}


def one_line(snapshot: Snapshot, name: str) -> str:
    """What to do about the air of a space, in one sentence; "": cannot be told."""
    coming = snapshot.coming.get(name)
    return (
        "" if coming is None or coming.airing is None else foreseen.airing_sentence(coming.airing)
    )


def airings_of(snapshot: Snapshot, name: str, begin: int, end: int) -> list[tuple[int, int]]:
    """The hours to air that lie in begin to end [UTC epoch minutes], from its beginning."""
    coming = snapshot.coming.get(name)
    spans = [] if coming is None else [(h.begins, h.ends) for h in sorted(coming.best)]
    return [(max(b, begin) - begin, min(e, end) - begin) for b, e in spans if b < end and e > begin]


def strip_words(snapshot: Snapshot, name: str, site: Site) -> str:
    """The same in words, for below the strip."""
    coming = snapshot.coming.get(name)
    best = () if coming is None else coming.best
    return foreseen.best_hours_told(best, snapshot.now_ms, site)


def of_space(house: House, snapshot: Snapshot, name: str) -> Told:
    """All of it, for a space's own page."""
    coming = snapshot.coming.get(name)
    if coming is None:
        return NOTHING
    site, now_ms = house.site, snapshot.now_ms
    advice = coming.airing
    return {
        "hours": _hours(coming, house, now_ms),
        "airing": [] if advice is None else foreseen.airing_told(advice, site),
        "best": foreseen.best_hours_told(coming.best, now_ms, site),
        "leaks": [] if name == OUTDOORS else _leaks(house, snapshot, name, coming),
    }


def _hours(coming: Coming, house: House, now_ms: int) -> list[Told]:
    if coming.outlook is None:
        return []
    outlook, site = coming.outlook, house.site

    def span(band: Band, step: int, unit: str) -> Told:
        low, middle, high = (float(b[step]) for b in band)
        if unit == "%":
            return {"middle": humidity(middle), "span": f"{low:.0f} to {humidity(high)}"}
        return {
            "middle": temperature(middle, unit),
            "span": f"{temperature(low, unit).split(' ')[0]} to {temperature(high, unit)}",
        }

    rows = []
    for step in range(len(outlook.minute)):  # HORIZONS_H alone are told
        rows.append(
            {
                "at": when_minute(int(outlook.minute[step]), now_ms, site.timezone),
                "temperature": span(outlook.temperature_c, step, site.temperature_unit),
                "humidity": span(outlook.relative_humidity_pct, step, "%"),
            }
        )
    return rows


def _leaks(house: House, snapshot: Snapshot, name: str, coming: Coming) -> list[str]:
    batches = hanging_in(snapshot.history.batches, name, snapshot.now_ms)
    circumstances = house.circumstances(snapshot)
    return water.told_leaks(
        house.site.spaces[name],
        coming.exchange,
        water.water_given_off_g_h(batches, snapshot.prospects, house.book),
        snapshot.air.get(name),
        snapshot.air.get(OUTDOORS),
        circumstances.pressure_pa,
    )
