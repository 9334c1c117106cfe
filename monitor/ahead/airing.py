"""Whether to open up, keep shut, or leave a space as it is; and when tomorrow it pays best."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from statistics import NormalDist
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.ahead.sensors_apart import (
    UNTAUGHT,
    SameAir,
    an_hour_later,
    corrected,
    difference,
    taught,
)
from monitor.air.minute import MinuteOfAir
from monitor.science import moist_air

Floats = NDArray[np.float64]
# Temperature [°C] and humidity [%], indoors and outdoors.
_Both = tuple[tuple[float, float], tuple[float, float]]

# After an airing the room holds outdoor air, a little warmed by its walls: this share of the
# difference in temperature is left. Our own choice, from no source.
WARMTH_LEFT = 0.22
# And while it stands open, of what it holds then: it has mingled already. Our own choice.
MINGLED_LEFT = 0.6

# Our own choice: opening must pull harder on water by this share to be worth the walk; once open,
# a space is shut when the air outside would pull less, or carries more water by this many times
# the doubt.
WORTH_OPENING = 0.08
SHUT_AT_DOUBTS = 1.0
# A space hotter than it may be is opened to air that leaves it so much cooler [K], and drier than
# this [%], though it would then pull less.
COOLER_K = 1.0
NOT_DAMP_PCT = 75.0


class Doors(StrEnum):
    """What to do with doors and windows."""

    OPEN = "open"
    CLOSE = "close"
    LEAVE = "leave"


class Airing(NamedTuple):
    """What opening up would do now.

    becomes_c, becomes_pct  air of the room after a thorough airing [°C], [%]
    vpd_now, vpd_after      pull on water now and then [kPa]
    gain_g_kg, doubt_g_kg   water indoors less outdoors, and its standard uncertainty here [g/kg]
    heat_k                  what the room's air gains in warmth, below 0: loses [K]
    heat_kj                 that as heat carried by one change of the room's air; None: no volume
    sure                    probability that the air outside carries less water [-]
    why, changes            one sentence each: the reason, and what would change the advice
    """

    verb: Doors
    becomes_c: float
    becomes_pct: float
    vpd_now: float
    vpd_after: float
    gain_g_kg: float
    doubt_g_kg: float
    heat_k: float
    heat_kj: float | None
    sure: float
    why: str
    changes: str


def consider(
    indoors: MinuteOfAir | None,
    outdoors: MinuteOfAir | None,
    pressure_pa: float,
    before: Doors | None = None,
    hot_c: float | None = None,
    volume_m3: float | None = None,
    sensors: SameAir = UNTAUGHT,
    aired: bool = False,
) -> Airing | None:
    """Open, close or leave; None: cannot be told.

    pressure_pa  air pressure at the site [Pa]
    before       what was advised last: an advice stands until the opposite is clearly true
    hot_c        limit of the space [°C]: air that would pass it is not let in to dry; a space past
                 it is opened to cooler air that does not carry clearly more water
    volume_m3    of the space; None: not known, the heat is then told as kelvins only
    sensors      what is known of the two sensors' offsets against each other
    aired        whether it is seen to stand open

    To open for drying, three things must hold. The air indoors carries more water than that
    outdoors, by twice what the sensors may be wrong by in this very air. The air the room would
    then have pulls harder on water: cold night air can carry little and still wet a room, by
    cooling it. And no surface indoors is colder than the dew point outdoors.
    """
    if indoors is None or outdoors is None:
        return None
    told = _both_known(indoors, outdoors)
    if told is None:
        return None
    [apart] = _water_apart(sensors, [told], pressure_pa)
    return _considered(
        indoors, outdoors, told, apart, pressure_pa, before, hot_c, volume_m3, sensors, aired
    )


def consider_each(
    indoors: Sequence[MinuteOfAir],
    outdoors: Sequence[MinuteOfAir],
    pressure_pa: float,
    hot_c: float | None = None,
) -> list[Airing | None]:
    """What `consider` says of each of many pairs of air by itself, in a fraction of the time."""
    pairs = list(zip(indoors, outdoors, strict=True))
    told = [_both_known(*pair) for pair in pairs]
    apart = iter(_water_apart(UNTAUGHT, [both for both in told if both is not None], pressure_pa))
    return [
        None if both is None else _considered(*pair, both, next(apart), pressure_pa, hot_c=hot_c)
        for pair, both in zip(pairs, told, strict=True)
    ]


def _considered(
    indoors: MinuteOfAir,
    outdoors: MinuteOfAir,
    told: _Both,
    apart_g_kg: tuple[float, float],
    pressure_pa: float,
    before: Doors | None = None,
    hot_c: float | None = None,
    volume_m3: float | None = None,
    sensors: SameAir = UNTAUGHT,
    aired: bool = False,
) -> Airing:
    """apart_g_kg: water indoors less that outdoors, and its standard uncertainty [g/kg]."""
    gain, doubt = (1e-3 * g_kg for g_kg in apart_g_kg)
    inside, outside = corrected(sensors, *told)
    now = moist_air.vapour_pressure_deficit(*inside)
    left = MINGLED_LEFT if aired else WARMTH_LEFT
    becomes_c = outside[0] + left * (inside[0] - outside[0])
    after = _pull_after(becomes_c, outside)
    becomes_pct = min(
        100.0, moist_air.relative_humidity(becomes_c, moist_air.vapour_pressure(*outside))
    )
    wets = _would_wet_a_surface(indoors, outdoors)
    heats = hot_c is not None and becomes_c > hot_c and outside[0] > inside[0]
    cools = (
        hot_c is not None
        and inside[0] > hot_c
        and becomes_c < inside[0] - COOLER_K
        and becomes_pct < NOT_DAMP_PCT
        and gain > -2 * doubt
    )
    dries = gain >= 2 * doubt and after > now * (1 + WORTH_OPENING)
    harms = gain <= -SHUT_AT_DOUBTS * doubt or after < now
    verb, why, changes = _judged(wets, heats, cools, dries, harms, gain < 0, before)
    kilos = None if volume_m3 is None else volume_m3 / _volume_per_kg(inside, pressure_pa)
    return Airing(
        verb, becomes_c, becomes_pct, now, after, 1000 * gain, 1000 * doubt,
        becomes_c - inside[0],
        None if kilos is None else 1.006 * kilos * (becomes_c - inside[0]),
        NormalDist().cdf(gain / doubt), why, changes,
    )  # fmt: skip


def airing_helps(
    indoors: MinuteOfAir | None,
    outdoors: MinuteOfAir | None,
    pressure_pa: float,
    before: Doors | None = None,
    hot_c: float | None = None,
) -> bool | None:
    """Whether to open up now, as `consider` says; None: cannot be told."""
    airing = consider(indoors, outdoors, pressure_pa, before, hot_c)
    return None if airing is None else airing.verb is Doors.OPEN


def _judged(
    wets: bool,
    heats: bool,
    cools: bool,
    dries: bool,
    harms: bool,
    wetter: bool,
    before: Doors | None,
) -> tuple[Doors, str, str]:
    """The advice, its reason, and what would change it."""
    if wets:
        return (
            Doors.CLOSE,
            "water would settle on the coldest surface, which is below the dew point outside",
            "a drier day outside, or walls that have warmed",
        )
    if heats:
        return (
            Doors.CLOSE,
            "the air outside is warmer than this space may become",
            "the evening, once it is cooler out there",
        )
    if cools:
        return (
            Doors.OPEN,
            "this space is hotter than it may be, and the air outside is cooler",
            "warmer air outside, or a space that has cooled down",
        )
    if dries:
        return (
            Doors.OPEN,
            "the air outside carries less water, and the room would pull harder on what hangs",
            "colder or damper air outside",
        )
    if harms and wetter:
        return Doors.CLOSE, "the air outside carries more water", "drier air outside"
    if harms:
        return (
            Doors.CLOSE,
            "the air outside would cool the room until it holds less water, and damp it",
            "a warmer hour outside",
        )
    if before is Doors.OPEN:
        return (
            Doors.OPEN,
            "the air inside is as good as that outside, and opening lets the water go",
            "colder or damper air outside",
        )
    if before is Doors.CLOSE:
        return (
            Doors.CLOSE,
            "the air outside would not clearly dry this room",
            "air outside that carries clearly less water",
        )
    return (
        Doors.LEAVE,
        "the difference is less than the sensors may be wrong by",
        "air outside that differs more, or sensors checked side by side",
    )


class AdviceKept(NamedTuple):
    """What stands of one hour's advice for the next.

    verb        what was advised
    began_g_kg  where it was to open: water indoors less outdoors when that began [g/kg]
    sensors     the offsets of the two sensors, as far as airings taught them
    """

    verb: Doors | None = None
    began_g_kg: float | None = None
    sensors: SameAir = UNTAUGHT


# Opened: the room has lost this share of the water it had more than outdoors. Our own choice.
_LOST_SHARE = 0.3


def advise(
    standing: AdviceKept,
    indoors: MinuteOfAir | None,
    outdoors: MinuteOfAir | None,
    pressure_pa: float,
    hot_c: float | None = None,
    volume_m3: float | None = None,
) -> tuple[Airing | None, AdviceKept]:
    """The advice of a full hour, and what then stands.

    Where it was to open and the water indoors came down, the room is taken to be aired, and the
    two sensors to be in the same air: that teaches what they are off, whatever comes next.
    """
    inside, outside = (None if air is None else _known(air) for air in (indoors, outdoors))
    if inside is None or outside is None:
        return None, AdviceKept(sensors=standing.sensors)
    began, sensors = standing.began_g_kg, an_hour_later(standing.sensors)
    [(gain_g_kg, _)] = _water_apart(sensors, [(inside, outside)], pressure_pa)
    aired = began is not None and began > 0 and gain_g_kg <= (1 - _LOST_SHARE) * began
    if aired:
        sensors = taught(sensors, inside, outside, pressure_pa)
    airing = consider(
        indoors, outdoors, pressure_pa, standing.verb, hot_c, volume_m3, sensors, aired
    )
    if airing is None or airing.verb is not Doors.OPEN:
        began = None
    elif began is None:
        began = gain_g_kg
    return airing, AdviceKept(None if airing is None else airing.verb, began, sensors)


def _volume_per_kg(inside: tuple[float, float], pressure_pa: float) -> float:
    return moist_air.specific_volume(inside[0], _ratio(*inside, pressure_pa), pressure_pa)


def _known(air: MinuteOfAir) -> tuple[float, float] | None:
    """Temperature and humidity, where both are known and within what the formulas bear."""
    t, rh = air.temperature_c, air.relative_humidity_pct
    if t is None or rh is None or not (-39.0 <= t <= 59.0 and 0.0 <= rh <= 100.0):
        return None
    return t, rh


def _ratio(temperature_c: float, relative_humidity_pct: float, pressure_pa: float) -> float:
    water = moist_air.vapour_pressure(temperature_c, relative_humidity_pct)
    return moist_air.humidity_ratio(water, pressure_pa)


def _both_known(indoors: MinuteOfAir, outdoors: MinuteOfAir) -> _Both | None:
    inside, outside = _known(indoors), _known(outdoors)
    return None if inside is None or outside is None else (inside, outside)


def _water_apart(
    sensors: SameAir, told: Sequence[_Both], pressure_pa: float
) -> list[tuple[float, float]]:
    """Of each pair, water indoors less that outdoors and its standard uncertainty [g/kg]."""
    here, there = np.reshape(np.array(told), (-1, 2, 2)).transpose(1, 2, 0)
    apart = difference(sensors, (here[0], here[1]), (there[0], there[1]), pressure_pa)
    gain_g_kg, doubt_g_kg = (values.tolist() for values in apart)
    return list(zip(gain_g_kg, doubt_g_kg, strict=True))


def _pull_after(becomes_c: float, outside: tuple[float, float]) -> float:
    """Vapour-pressure deficit once the room holds outdoor air [kPa]; negative: fog."""
    could_hold = moist_air.saturation_vapour_pressure_liquid(becomes_c)
    return (could_hold - moist_air.vapour_pressure(*outside)) / 1000


def _would_wet_a_surface(indoors: MinuteOfAir, outdoors: MinuteOfAir) -> bool:
    """Whether the coldest surface indoors, where it is known, lies below the outdoor dew point."""
    if indoors.surface_margin_k is None or indoors.dew_point_c is None:
        return False
    surface = indoors.dew_point_c + indoors.surface_margin_k
    return outdoors.dew_point_c is not None and surface < outdoors.dew_point_c
