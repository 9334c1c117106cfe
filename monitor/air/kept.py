"""The fold's state as bytes, as it is kept at every full hour."""

from __future__ import annotations

import json
import zlib
from typing import Any

from monitor.air import quality
from monitor.air.faults import Faults
from monitor.air.fold import SpaceState, State
from monitor.air.limits import DailyMean
from monitor.air.musty import Musty
from monitor.air.pairs import Pair, Shine, Together
from monitor.air.sensor import SensorState
from monitor.air.spells import Watch
from monitor.air.still import Feed
from monitor.science.mould import Mould
from monitor.site.kinds import Kind
from monitor.site.quantities import Quantity

# Raised when the shape below changes: a state of another shape is not read but folded anew.
SHAPE = 3


def dump(state: State) -> bytes:
    """The state as compressed JSON."""
    plain = {
        "shape": SHAPE,
        "minute": state.minute,
        "sensors": {name: _sensor_to_plain(s) for name, s in state.sensors.items()},
        "spaces": {
            name: [{k: list(w) for k, w in s.watches.items()}, s.humidity.hours, list(s.musty)]
            for name, s in state.spaces.items()
        },
        "silent": {name: list(w) for name, w in state.faults.silent.items()},
        "stuck": {name: list(w) for name, w in state.faults.stuck.items()},
        "faults": [
            list(state.faults.feed_silent),
            list(state.faults.feed_stuck),
            state.faults.feed_back,
        ],
        "feed": list(state.feed),
        "pairs": [[*names, list(pair)] for names, pair in state.together.pairs.items()],
        "shines": {name: list(shine) for name, shine in state.together.shines.items()},
    }
    return zlib.compress(json.dumps(plain, separators=(",", ":")).encode(), 1)


def load(kept: bytes) -> State | None:
    """The state that was dumped; None if it was kept in another shape, or is damaged."""
    try:
        plain = json.loads(zlib.decompress(kept))
    except (zlib.error, ValueError):  # its own checksum finds every damage
        return None
    if plain["shape"] != SHAPE:
        return None
    feed_silent, feed_stuck, feed_back = plain["faults"]
    return State(
        plain["minute"],
        {name: _sensor_from_plain(s) for name, s in plain["sensors"].items()},
        {
            name: SpaceState(
                {Kind(k): Watch(*w) for k, w in watches.items()},
                DailyMean(tuple((h[0], h[1], h[2]) for h in hours)),
                Musty(Mould(*musty[0]), *musty[1:]),
            )
            for name, (watches, hours, musty) in plain["spaces"].items()
        },
        Faults(
            {name: Watch(*w) for name, w in plain["silent"].items()},
            {name: Watch(*w) for name, w in plain["stuck"].items()},
            Watch(*feed_silent),
            Watch(*feed_stuck),
            feed_back,
        ),
        Feed(*plain["feed"]),
        Together(
            {(one, other): Pair(*pair) for one, other, pair in plain["pairs"]},
            {name: Shine(*shine) for name, shine in plain["shines"].items()},
        ),
    )


def _sensor_to_plain(state: SensorState) -> list[Any]:
    held = {quantity.value: list(last) for quantity, last in state.held.items()}
    return [state.since, quality.to_plain(state.track), held, state.last_ms, state.doubted]


def _sensor_from_plain(plain: list[Any]) -> SensorState:
    since, track, held, last_ms, doubted = plain
    return SensorState(
        since,
        quality.from_plain(track),
        {Quantity(quantity): (last[0], last[1]) for quantity, last in held.items()},
        last_ms,
        doubted,
    )
