"""What finished batches teach about the next of the same flower in the same place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.drying.ensemble import Ensemble
from monitor.drying.members import COORDINATES, Prior

Floats = NDArray[np.float64]

# Share of the book's variance that belongs to the flower and the place and so can be learned;
# the rest differs from batch to batch. In the order of the coordinates: water when cut, rate,
# Page's exponent, curve, law, target, sensor. Our own choice.
LASTING = np.array([0.3, 0.7, 0.4, 0.9, 0.9, 0.9, 0.8])

_LEAST = 1e-3  # variance below which no finished batch is believed


@dataclass(frozen=True)
class Lesson:
    """What one finished batch says, apart from what was thought before it hung.

    precision  (COORDINATES, COORDINATES)
    pull       precision times its own best guess, (COORDINATES,)
    """

    precision: Floats
    pull: Floats


def lesson(ensemble: Ensemble, prior: Prior) -> Lesson:
    """What the batch taught: its points now, less the prior they were drawn from."""
    points = ensemble.points
    covariance = np.cov(points.T) + _LEAST * np.eye(COORDINATES)
    after, before = np.linalg.inv(covariance), np.linalg.inv(prior.covariance)
    values, vectors = np.linalg.eigh(after - before)
    told = vectors * np.where(values > 0.05, values, 0.0) @ vectors.T
    # The best guess of the batch alone solves told · guess = after · mean - before · prior mean.
    guess = np.linalg.pinv(told, rcond=1e-6) @ (after @ points.mean(axis=0) - before @ prior.mean)
    return Lesson(told, told @ guess)


def learned(lessons: Sequence[Lesson]) -> Prior:
    """What to think of the next batch: the lessons shrunk towards the book.

    A flower's own value is normal about the book's with the lasting share of its variance, a
    batch's about the flower's with the rest; all lessons are weighed together, in any order.
    """
    of_batch = np.diag(1 - LASTING)
    precision = np.diag(1 / LASTING)
    pull = np.zeros(COORDINATES)
    for one in lessons:
        # A lesson is about one batch: what it says of the flower is blurred by `of_batch`.
        blur = np.linalg.inv(np.eye(COORDINATES) + one.precision @ of_batch)
        precision = precision + blur @ one.precision
        pull = pull + blur @ one.pull
    precision = (precision + precision.T) / 2
    covariance = np.linalg.inv(precision)
    return Prior(np.asarray(covariance @ pull), np.asarray(covariance + of_batch))
