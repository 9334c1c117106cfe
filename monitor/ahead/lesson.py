"""What a space teaches once a day: how its days go, and how often its air is changed.

Learned at half past four of the site's day, from what was known then, in a process of its own
(`store/learn.py`): it takes longer than the worker may, and memory that it gives back.
"""

from __future__ import annotations

import io
import json
from datetime import time
from functools import cache
from typing import NamedTuple

import numpy as np

from monitor.ahead import features
from monitor.ahead.exchange import Exchange, by_following
from monitor.ahead.grid import STEPS_PER_DAY, History, clipped
from monitor.ahead.model import WINDOW_DAYS, Model, fit
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


def place_of(site: Site) -> features.Site:
    """Where the spaces stand, as the features want it."""
    return features.Site(site.latitude, site.longitude, standard_pressure(site.elevation_m))


def learn(space: str, history: History, until: int, place: features.Site) -> Lesson | None:
    """Learn of one space; None where nothing is known of it.

    history  up to 400 days on the ten-minute grid
    until    UTC epoch minutes
    """
    known = np.flatnonzero(np.isfinite(history.temperature_c))
    if known.size == 0:
        return None
    history = clipped(history, slice(int(known[0]), None))
    return Lesson(space, until, fit(history, until, place), _exchange(history, place.pressure_pa))


def _exchange(history: History, pressure_pa: float) -> Exchange | None:
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


def unlearned(place: features.Site, now: int) -> Model:
    """What stands until something is learned: the simple rule, with bands of common experience."""
    return _learned_of_nothing(place)._replace(fitted=now)


@cache
def _learned_of_nothing(place: features.Site) -> Model:
    nothing = np.array([np.nan])
    return fit(History(np.array([0], np.int64), nothing, nothing), 0, place)


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
            features.Site(*head["site"]),
            head["fitted"],
            head["with_outdoors"],
            *(arrays[name] for name in ("centre", "scale", "weights", "paths", "path_at")),
        )
    exchange = None if head["exchange"] is None else Exchange(*head["exchange"])
    return Lesson(head["space"], head["minute"], model, exchange)
