"""Figures and times in the words of the pages, and those that an open page keeps fresh."""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import AsyncIterator, Callable, Mapping

from starlette.concurrency import run_in_threadpool

from monitor.air.minute import MinuteOfAir
from monitor.air.spells import Spell, limits_of
from monitor.edges.page.house import House
from monitor.engine.effects import SensorNow, Snapshot
from monitor.site.kinds import Kind
from monitor.site.quantities import Quantity
from monitor.site.spaces import Sensor, Site, Space
from monitor.site.words import begun, figure, humidity, lasting, two_figures, when, when_minute
from monitor.store.air import Load

UNKNOWN = "not known"
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:%|°|h\b|min\b|lux\b|kPa\b|g\b))")


def bound(text: str) -> str:
    r"""A text whose figures are never parted from their units at a line's end.

    >>> bound("Now 80 %.") == "Now 80\N{NO-BREAK SPACE}%."
    True
    """
    return _BEFORE_UNIT.sub("\u00a0", text)


def degrees(celsius: float | None, site: Site) -> str:
    """A temperature to a tenth, in the site's unit."""
    if celsius is None:
        return UNKNOWN
    value = celsius * 9 / 5 + 32 if site.temperature_unit == "°F" else celsius
    return f"{value:.1f} {site.temperature_unit}".replace("-0.0", "0.0").replace("-", "−")


def value_of(quantity: Quantity, value: float, sensor: Sensor | None, site: Site) -> str:
    """A reading with its unit."""
    row = quantity.row
    if row.unit == "°C":
        return degrees(value, site)
    if sensor is not None and sensor.unit(quantity) == "V":
        return f"{value:.2f} V"
    scaled = row.scale * value
    return row.written.format(two_figures(scaled) if row.rough else scaled).replace("-", "−")


def air_figures(space: str, air: MinuteOfAir | None, site: Site) -> dict[str, str]:
    """The air of a space in figures, by what they are called; light only where it is measured."""
    lit = any(Quantity.ILLUMINANCE in sensor.reads for sensor in site.sensors_of(space))
    names = ("temperature", "humidity", "pull", *(("light",) if lit else ()))
    if air is None:
        return dict.fromkeys(names, UNKNOWN)
    moist, vpd, light = air.relative_humidity_pct, air.vpd_kpa, air.illuminance_lx
    figures = {
        "temperature": degrees(air.temperature_c, site),
        "humidity": UNKNOWN if moist is None else f"{moist:.0f} %",
        "pull": UNKNOWN if vpd is None else f"{vpd:.2f} kPa",
        "light": UNKNOWN if light is None else f"{two_figures(light):,.0f} lux",
    }
    return {name: figures[name] for name in names}


def last_heard(sensor: SensorNow | None, now_ms: int, site: Site) -> str:
    """When a sensor was last heard."""
    if sensor is None or sensor.last_ms is None:
        return "never heard"
    return when(sensor.last_ms, now_ms, site.timezone)


def fresh_values(house: House, snapshot: Snapshot) -> dict[str, str]:
    """Every text on the page that changes with each reading, by its key."""
    site = house.site
    texts = {"now": when(snapshot.now_ms, snapshot.now_ms, site.timezone)}
    for space in house.spaces():
        for what, text in air_figures(space, snapshot.air.get(space), site).items():
            texts[f"{space}|{what}"] = text
    for name, sensor in site.sensors.items():
        told = snapshot.sensors.get(name)
        texts[f"{name}||heard"] = last_heard(told, snapshot.now_ms, site)
        for quantity, text in sensor_figures(sensor, told, site).items():
            texts[f"{name}||{quantity}"] = text
    return texts


def sensor_figures(sensor: Sensor, told: SensorNow | None, site: Site) -> dict[Quantity, str]:
    """What a sensor last said of each quantity that it tells."""
    values: Mapping[Quantity, tuple[int, float]] = {} if told is None else told.values
    return {
        quantity: value_of(quantity, values[quantity][1], sensor, site)
        if quantity in values
        else UNKNOWN
        for quantity in sensor.reads
    }


def shape(snapshot: Snapshot) -> str:
    """Changes whenever more of the page than its figures has to be written anew."""
    spells = [(s.kind, s.space, s.sensor, s.began, s.urgent) for s in snapshot.going_on]
    notices = [(n, t.seen_ms, t.paused_until_ms) for n, t in snapshot.notices.items()]
    number = hash((tuple(spells), tuple(notices), len(snapshot.entries)))
    return f"{number & 0xFFFFFFFF:x}"


# -- what was passed ---------------------------------------------------------------------------


def past(house: House, spell: Spell, now_ms: int) -> str:
    """A spell, from when on and for how long."""
    zone = house.site.timezone
    since = when_minute(spell.began, now_ms, zone)
    who = f"sensor {spell.sensor} " if spell.sensor else ""
    what = begun(f"{who}{spell.kind.row.word}")
    if spell.ended is None:
        return f"{what} since {since}, and still so"
    return f"{what} from {since}, {lasted(spell)}"


def lasted(spell: Spell) -> str:
    """How long a spell that is over lasted."""
    return f"for {lasting((spell.ended or spell.began) - spell.began)}"


def pull(load: Load) -> str | None:
    """The pull of the air added up; None: it was never known."""
    return f"{two_figures(load.kpa_h):,g} kPa·h" if load.minutes else None


def limits(of: Space, site: Site) -> list[str]:
    """A space's settings in plain words."""
    told = []
    for limit in limits_of(of):
        quantity = limit.kind.row.quantity
        if limit.kind is Kind.MUSTY:
            told.append(f"Mould: a word once its index passes {limit.value:g}")
            continue
        if quantity is None:
            factor = 1.8 if site.temperature_unit == "°F" else 1.0
            bound = f"{limit.value * factor:g} {site.temperature_unit} above the dew point"
        else:
            bound = figure(quantity, limit.value, site)
        side = "above" if limit.above else "below"
        if limit.kind is Kind.DAMP and of.limits.damp_is_daily_mean:
            after = " as the mean of a day"
        else:
            after = f" for {lasting(limit.delay_min)}" if limit.delay_min else ""
        told.append(f"{begun(limit.kind.row.word)}: {side} {bound}{after}")
        if limit.urgent_value is not None:
            told.append(f"Urgent: {side} {humidity(limit.urgent_value)}")
    volume = "not told" if of.volume_m3 is None else f"{of.volume_m3:g} m³"
    return [*told, f"Room: {volume}"]


# -- fresh figures, as server-sent events (HTML living standard, section 9.2) ------------------

LOOK_EVERY_S = 0.4
SIGN_OF_LIFE_S = 10.0
LONGEST_S = 600.0
FRESH_S = 1.0  # so old may be what an open page shows


class Live:
    """Works out once for each snapshot what all open pages show of it."""

    def __init__(self, house: House) -> None:
        self._house = house
        self._of: Snapshot | None = None
        self._values: dict[str, str] = {}
        self._shape = ""

    def _look(self) -> tuple[dict[str, str], str]:
        snapshot = self._house.standing(FRESH_S).snapshot
        if snapshot is not self._of:
            self._of = snapshot
            self._values = fresh_values(self._house, snapshot)
            self._shape = shape(snapshot)
        return self._values, self._shape

    async def events(self, welcome: Callable[[], bool]) -> AsyncIterator[str]:
        """What changes, as it changes; a sign of life where nothing does.

        It ends after a while, and the page asks anew: nobody holds a connection for good.

        welcome  whether the one who asked is still signed in
        """
        shown: dict[str, str] = {}
        shape, quiet_s = "", 0.0
        for _ in range(round(LONGEST_S / LOOK_EVERY_S)):
            if not welcome():
                return
            values, now_shape = await run_in_threadpool(self._look)
            if values is not shown or now_shape != shape:
                changed = {k: v for k, v in values.items() if shown.get(k) != v}
                shown = values
                if changed or now_shape != shape:
                    shape, quiet_s = now_shape, 0.0
                    yield _event({"shape": shape, "values": changed})
            if quiet_s >= SIGN_OF_LIFE_S:
                quiet_s = 0.0
                yield _event({"shape": shape, "values": {}})
            await asyncio.sleep(LOOK_EVERY_S)
            quiet_s += LOOK_EVERY_S


def _event(data: object) -> str:
    return f"data: {json.dumps(data, ensure_ascii=False)}\n\n"
