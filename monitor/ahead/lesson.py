"""What a space teaches once a day: how its days go, and how often its air is changed.

Learned at half past four of the site's day, from what was known then, in a process of its own
(`lessons` in `store/queries.py`): it takes longer than the worker may, and gives memory back.

How often a room's air is changed in an hour is learned from its own water. A room follows the water
outdoors with a lag of one air change. But its wood takes up water and gives it back too, often more
than the leaks do, and what hangs gives off more. So a small balance is stepped through the measured
days for each of many air changes an hour and strengths of wood:

    dW/dt = n (W_out - W) + k (wood - RH) + source + flowers · VPD,    dwood/dt = (RH - wood) / tau

Only the temperature is taken from the room's sensor to drive it; the humidity is what it must meet.
The sources and the beginning are fitted for each, by least squares, and how much worse the fit
grows away from the best tells how sure the answer is. A decay after an airing or after hanging is
part of the same fit.
"""

from __future__ import annotations

import io
import json
import math
from datetime import time
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.ahead.grid import STEPS_PER_DAY, GridAir, clipped
from monitor.ahead.model import WINDOW_DAYS, Location, Model, fit
from monitor.science import moist_air
from monitor.science.air_exchange import airflow_needed, window_flow
from monitor.science.moist_air import standard_pressure
from monitor.site.spaces import Site

LEARNED_AT = time(4, 30)
LEARNED_FROM_DAYS = WINDOW_DAYS
EXCHANGE_DAYS = 4

# Raised when the features or leads change: a model of another shape is not taken up.
SHAPE = 1


class Lesson(NamedTuple):
    """What was learned of one space.

    minute    up to which it was known [UTC epoch minutes]
    exchange  None: cannot be told from these days, or nothing measures outdoors
    """

    space: str
    minute: int
    model: Model
    exchange: Exchange | None


def place_of(site: Site) -> Location:
    """Where the spaces stand, as the features want it."""
    return Location(site.latitude, site.longitude, standard_pressure(site.elevation_m))


def learn(space: str, history: GridAir, until: int, place: Location) -> Lesson | None:
    """Learn of one space; None where nothing is known of it.

    history  up to 400 days on the ten-minute grid
    until    UTC epoch minutes
    """
    known = np.flatnonzero(np.isfinite(history.temperature_c))
    if known.size == 0:
        return None
    history = clipped(history, slice(int(known[0]), None))
    return Lesson(space, until, fit(history, until, place), _exchange(history, place.pressure_pa))


def _exchange(history: GridAir, pressure_pa: float) -> Exchange | None:
    last = clipped(history, slice(-EXCHANGE_DAYS * STEPS_PER_DAY, None))
    if last.outdoor_humidity_ratio_g_kg is None:
        return None
    return by_following(
        last.minute,
        last.temperature_c,
        last.humidity_ratio_g_kg,
        last.outdoor_humidity_ratio_g_kg,
        pressure_pa,
    )


def unlearned(place: Location, now: int) -> Model:
    """What stands until something is learned: the simple rule, with bands of common experience."""
    return _learned_of_nothing(place)._replace(fitted=now)


@cache
def _learned_of_nothing(place: Location) -> Model:
    nothing = np.array([np.nan])
    return fit(GridAir(np.array([0], np.int64), nothing, nothing), 0, place)


def dump(lesson: Lesson) -> bytes:
    """A lesson as it is kept."""
    model, out = lesson.model, io.BytesIO()
    head = {
        "shape": SHAPE,
        "space": lesson.space,
        "minute": lesson.minute,
        "site": list(model.site),
        "fitted": model.fitted,
        "with_outdoors": model.with_outdoors,
        "exchange": None if lesson.exchange is None else list(lesson.exchange),
    }
    np.savez_compressed(
        out,
        head=np.frombuffer(json.dumps(head).encode(), np.uint8),
        centre=model.centre,
        scale=model.scale,
        weights=model.weights,
        paths=model.paths,
        path_at=model.path_at,
    )
    return out.getvalue()


def load(kept: bytes) -> Lesson | None:
    """A lesson as it was kept; None if it has another shape, or is damaged."""
    try:
        return _loaded(kept)
    except Exception:
        return None  # whatever is wrong with it: it is learned anew tonight


def _loaded(kept: bytes) -> Lesson | None:
    with np.load(io.BytesIO(kept), allow_pickle=False) as arrays:
        head = json.loads(arrays["head"].tobytes())
        if head["shape"] != SHAPE:
            return None
        model = Model(
            Location(*head["site"]),
            head["fitted"],
            head["with_outdoors"],
            *(arrays[name] for name in ("centre", "scale", "weights", "paths", "path_at")),
        )
    exchange = None if head["exchange"] is None else Exchange(*head["exchange"])
    return Lesson(head["space"], head["minute"], model, exchange)


Floats = NDArray[np.float64]

_PER_H = np.geomspace(0.05, 30.0, 41)
# Strength of the wood, as air changes that would carry as much, and how long it takes to settle.
_WOOD_PER_H = np.array([0.0, 0.3, 0.8, 1.6, 3.0, 6.0])
_WOOD_SETTLES_H = np.array([4.0, 10.0])
# Below this stir outdoors [g/kg] nothing can be learned; nothing is fitted closer than a sensor
# knows [g/kg]. Our own choice.
_STIRS_G_KG = 0.25
_SENSOR_G_KG = 0.05
_FEWEST = 72
# Sources are taken as they are for so long [h].
_PIECE_H = 48.0
# Residuals hang together for about so long [h]: fewer independent ones than minutes.
_TOGETHER_H = 2.0
# Answered only where 8 in 10 lie within this factor of the middle. Our own choice.
_DARES_FACTOR = 1.8
# The calm hours tell more than the gusty, so the answer comes out low against the mean: by this
# much in simulated rooms (weeks other than those the benchmark judges).
_CALM_HOURS_FACTOR = 1.15
# What the balance leaves out (gusts, doors, several rooms in one) can pull it off by so much more.
_LEFT_OUT_FACTOR = 1.2


class Exchange(NamedTuple):
    """Air changes an hour: the likeliest, and where 8 in 10 lie."""

    per_h: float
    low: float
    high: float


def by_following(
    minute: NDArray[np.int64],
    indoor_c: Floats,
    indoor_g_kg: Floats,
    outdoor_g_kg: Floats,
    pressure_pa: float,
) -> Exchange | None:
    """Air changes an hour from how the water indoors follows that outdoors; None: cannot be told.

    minute                     UTC epoch minutes, evenly spaced; best four days, at least half a day
    indoor_c                   temperature indoors [°C], NaN where unknown
    indoor_g_kg, outdoor_g_kg  humidity ratios [g/kg], NaN where unknown
    """
    series = (indoor_c, indoor_g_kg, outdoor_g_kg)
    good = np.isfinite(indoor_c) & np.isfinite(indoor_g_kg) & np.isfinite(outdoor_g_kg)
    if good.sum() < _FEWEST or good.mean() < 0.8:
        return None
    temperature, inside, outside = (np.interp(minute, minute[good], x[good]) for x in series)
    step_h = float(minute[1] - minute[0]) / 60
    logarithm = np.zeros(_PER_H.size)
    for part in _pieces(minute.size, round(_PIECE_H / step_h)):
        if np.std(outside[part]) < _STIRS_G_KG:
            continue
        misfit = _misfits(temperature[part], inside[part], outside[part], pressure_pa, step_h)
        independent = max(8.0, good[part].sum() * step_h / _TOGETHER_H)
        likelihood = np.exp(-0.5 * independent * np.log(misfit / misfit.min()))
        logarithm += np.log(likelihood.sum(axis=(1, 2)))
    return _answer(np.exp(logarithm - logarithm.max()))


def _pieces(count: int, whole: int) -> list[slice]:
    """Pieces of the series from its end backwards, none shorter than half a whole one unless it is
    the only one: what gives off water changes from one to the next, the leaks do not."""
    ends = range(count, 0, -whole)
    pieces = [slice(max(0, end - whole), end) for end in ends]
    return [p for p in pieces if p is pieces[0] or p.stop - p.start >= whole / 2]


def _misfits(
    temperature: Floats, inside: Floats, outside: Floats, pressure_pa: float, step_h: float
) -> Floats:
    """Mean squares of what is left [(g/kg)²], shape (air changes, wood, settling).

    Six courses are stepped side by side for each: what outdoors alone makes, and what a departure
    of the air at the beginning, of the wood, a steady source, drying flowers, and their slackening
    would each add.
    """
    saturated = np.array([moist_air.saturation_vapour_pressure_liquid(t) for t in temperature])
    full = moist_air.humidity_ratio_array(saturated, pressure_pa)
    pull = np.maximum(0.0, 1 - inside.mean() / full) * saturated / 1000
    per_h, wood_per_h, settles = np.meshgrid(_PER_H, _WOOD_PER_H, _WOOD_SETTLES_H, indexing="ij")
    shape = per_h.shape
    n, k, tau = per_h[..., None], wood_per_h[..., None], settles[..., None]
    trade = k * full.mean() / 100
    air = np.zeros((*shape, 6))
    wood = np.zeros((*shape, 6))
    air[..., 0], air[..., 1] = inside[0], 1.0
    wood[..., 0], wood[..., 2] = 100 * inside[0] / full[0], 10.0
    gram, mixed, left = np.zeros((*shape, 5, 5)), np.zeros((*shape, 5)), np.zeros(shape)
    for i in range(inside.size):
        given = np.array([0.0, 0.0, 0.0, 1.0, pull[i], pull[i] * (i / inside.size - 0.5)])
        from_outside = np.array([outside[i], 0.0, 0.0, 0.0, 0.0, 0.0])
        gain = n * from_outside + trade * wood + given
        air = (air + step_h * gain) / (1 + step_h * (n + trade * 100 / full[i]))
        wood = wood + (1 - np.exp(-step_h / tau)) * (100 * air / full[i] - wood)
        add, rest = air[..., 1:], inside[i] - air[..., 0]
        gram += add[..., :, None] * add[..., None, :]
        mixed += add * rest[..., None]
        left += rest**2
    held = gram + 1e-6 * inside.size * np.eye(5)
    found = np.linalg.solve(held, mixed[..., None])[..., 0]
    fitted = np.einsum("...i,...i", found, mixed) * 2 - np.einsum(
        "...i,...ij,...j", found, gram, found
    )
    squares: Floats = np.maximum(left - fitted, 0.0) / inside.size + _SENSOR_G_KG**2
    return squares


def _answer(likelihood: Floats) -> Exchange | None:
    """The middle and the range of a likelihood over the grid, where it is sharp enough."""
    share = np.cumsum(likelihood) / likelihood.sum()
    low, middle, high = np.exp(np.interp([0.1, 0.5, 0.9], share, np.log(_PER_H)))
    at_an_edge = likelihood[0] > 0.1 * likelihood.max() or likelihood[-1] > 0.1 * likelihood.max()
    if at_an_edge or math.sqrt(high / low) > _DARES_FACTOR:
        return None
    low, middle, high = (_CALM_HOURS_FACTOR * n for n in (low, middle, high))
    beyond = _LEFT_OUT_FACTOR
    return Exchange(float(middle), float(low / beyond), float(high * beyond))


def tightness(
    exchange: Exchange,
    volume_m3: float,
    water_g_h: float,
    wanted: tuple[float, float],
    outdoors: tuple[float, float],
    pressure_pa: float,
) -> str | None:
    """One or two sentences on a room's leaks beside its load; None where no airflow would do.

    water_g_h  that its batches give off [g/h]
    wanted     temperature [°C] and humidity [%] to be held indoors
    outdoors   the same outside, the mean of a day
    """
    needs = airflow_needed(water_g_h, wanted, outdoors, pressure_pa)
    if needs is None:
        return None
    has = exchange.per_h * volume_m3
    sure = f"The leaks change its air {_range(exchange)} times an hour."
    if exchange.high * volume_m3 < needs:
        more = needs - has
        return (
            f"{sure} What hangs here needs about {_round(needs)} m³ of air an hour and gets "
            f"{_round(has)}. {opening_that_gives(more, wanted[0] - outdoors[0])}"
        )
    if exchange.low * volume_m3 > 5 * max(needs, 0.5 * volume_m3):
        return (
            f"{sure} That is far more than what hangs here needs, so its air follows every damp "
            "night; close gaps on the weather side."
        )
    return f"{sure} That is about what the water here needs."


def opening_that_gives(airflow_m3_h: float, warmer_k: float) -> str:
    """What an airflow means in a window ajar or a small fan: one sentence, with its caution.

    airflow_m3_h  [m³/h]
    warmer_k      indoors less outdoors [K]
    """
    per_m2 = window_flow(1.0, 1.0, warmer_k)
    side_cm = 100 * airflow_m3_h / per_m2  # of a window 1 m high
    if side_cm <= 60:
        window = f"a window 1 m high open by {max(1, round(side_cm))} cm in still air"
    else:
        window = "two windows or doors opposite each other, for a draught"
    fan = "a small fan in the opening" if airflow_m3_h <= 150 else "a fan in the opening"
    return (
        f"That is {window}, or {fan} ({_round(airflow_m3_h)} m³ an hour). "
        "Local rules for electrics first: no plugs or leads where water can drip."
    )


def _range(exchange: Exchange) -> str:
    return f"{exchange.low:.2g} to {exchange.high:.2g}"


def _round(value: float) -> str:
    return f"{float(f'{value:.2g}'):,.0f}" if value >= 1 else "under 1"
