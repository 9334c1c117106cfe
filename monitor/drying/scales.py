"""What a hanging scale tells of its bunch: a weighing now and then, out of its many readings.

A scale that stays under load drifts, and is knocked. Its median over some hours counts as one
weighing; where it jumps as no bunch dries, it is from then on taken for another scale, so that
only ratios from between two knocks are believed.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from monitor.drying.ensemble import BunchMass
from monitor.entries.batches import Batch
from monitor.entries.entries import holding
from monitor.entries.logbook import Logbook
from monitor.site.quantities import Quantity
from monitor.site.time import MINUTE_MS

# Our own choice.
BLOCK_MIN = 360
LEAST_READINGS = 3
LEAST_GRAMS = 1.0  # less is an empty hook
JUMP = 0.04  # of the mass, beside what it loses from block to block


class MassesKept(Protocol):
    """What is read back of the scales."""

    def masses(self, sensor: str, begin_ms: int, end_ms: int) -> list[tuple[int, float]]:
        """A scale's undoubted readings, begin ≤ time < end, by time [UTC epoch ms, g]."""


class Calibrated:
    """Scales as their calibrations have them."""

    def __init__(self, kept: MassesKept, logbook: Logbook) -> None:
        self._kept = kept
        self._logbook = logbook

    def masses(self, sensor: str, begin_ms: int, end_ms: int) -> list[tuple[int, float]]:
        """A scale's undoubted readings by time [UTC epoch ms, g]."""
        changes = self._logbook.calibrations
        told = []
        for time_ms, grams in self._kept.masses(sensor, begin_ms, end_ms):
            slope, offset = holding(changes, sensor, Quantity.MASS, time_ms)
            told.append((time_ms, slope * grams + offset))
        return told


class Scales:
    """Remembers each scale's blocks; a block is read once, when it is over."""

    def __init__(self, kept: MassesKept) -> None:
        self._kept = kept
        self._blocks: dict[tuple[str, int, int], tuple[int, float] | None] = {}

    def forget_since(self, minute: int) -> None:
        """Late readings: what was read from this minute on is read again."""
        self._blocks = {key: told for key, told in self._blocks.items() if key[2] <= minute}

    def weighings(self, batch: Batch, batches: Iterable[Batch], end_min: int) -> list[BunchMass]:
        """What the batch's scale told in whole blocks before this epoch minute."""
        if batch.scale is None:
            return []
        begin_min = -(-batch.hung_ms // MINUTE_MS)
        end_min = min(end_min, _until_ms(batch, batches) // MINUTE_MS)
        told = []
        while begin_min < end_min:
            over = (begin_min // BLOCK_MIN + 1) * BLOCK_MIN
            if over <= end_min:
                told.append(self._block(batch.scale, begin_min, over))
            begin_min = over
        return between_knocks([one for one in told if one is not None])

    def _block(self, sensor: str, begin: int, end: int) -> tuple[int, float] | None:
        key = (sensor, begin, end)
        if key not in self._blocks:
            readings = self._kept.masses(sensor, begin * MINUTE_MS, end * MINUTE_MS)
            self._blocks[key] = middle(readings)
        return self._blocks[key]


def _until_ms(batch: Batch, batches: Iterable[Batch]) -> int:
    """A scale weighs a batch until it is moved or taken down, or the scale gets another bunch."""
    others = [
        other.hung_ms
        for other in batches
        if other.scale == batch.scale
        and (other.hung_ms, other.hung_by) > (batch.hung_ms, batch.hung_by)
    ]
    moved = batch.stays[0].until_ms
    return min([*others, *([] if moved is None else [moved])], default=2**62)


def middle(readings: Sequence[tuple[int, float]]) -> tuple[int, float] | None:
    """Minute and mass in the middle of some hours' readings; None: too few of them.

    readings  time [UTC epoch ms] and mass [g]
    """
    good = [(time_ms, grams) for time_ms, grams in readings if grams >= LEAST_GRAMS]
    if len(good) < LEAST_READINGS:
        return None
    times, grams = np.array(good).T
    return round(float(np.median(times)) / MINUTE_MS), float(np.median(grams))


def between_knocks(blocks: Sequence[tuple[int, float]]) -> list[BunchMass]:
    """The blocks as weighings, those after a knock as of another scale.

    A knock is a step that differs from the middle one of the five about it by more than JUMP.
    """
    steps = np.diff(np.log([grams for _, grams in blocks])) if blocks else np.empty(0)
    scale, weighings = 1, []
    for i, (minute, grams) in enumerate(blocks):
        if i and abs(steps[i - 1] - _about(steps, i - 1)) > JUMP:
            scale += 1
        weighings.append(BunchMass(minute, grams, scale))
    return weighings


def _about(steps: NDArray[np.float64], i: int) -> float:
    return float(np.median(steps[max(i - 2, 0) : i + 3]))
