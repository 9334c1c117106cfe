"""The plausible batches of an ensemble: what differs between them, before anything is weighed.

Each member is a point in standard units (one coordinate a quantity, normal with mean 0 and
deviation 1 by the book), mapped here to what it means. Weighings and finished batches move and
narrow the points; the mapping stays.

Finished batches teach about the next of the same flower in the same place.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from monitor.science import drying, sorption
from monitor.site.flowers import Flower

Floats = NDArray[np.float64]

COUNT = 300

START, RATE, SHAPE, CURVE, LAW, TARGET, SENSOR = range(7)
"""Coordinates: water when cut, rate, Page's exponent, equilibrium curve, how the rate follows the
air, humidity at which it is crisp, and how far the space's humidity sensor is off."""
COORDINATES = 7

# Spreads of what is not known of a flower: our own choice, wide because no constant is published.
BATCH_SPREAD = 0.3  # of ln rate, beside what the range of days in the book says
SHAPE_MIDDLE, SHAPE_SPREAD = 0.98, 0.05  # Page exponents of flowers and leaves lie about 1
CURVE_MIDDLE, CURVE_SPREAD = 0.5, 0.5  # 0 wood, 1 fine plant matter: tissue lies about them
LAW_MIDDLE, LAW_SPREAD = 0.5, 0.35  # 0 as fine plant matter, 1 as the vapour-pressure deficit
SENSOR_SPREAD_PCT = 1.7  # ±2 to ±3 % in the data sheets of common sensors


@dataclass(frozen=True)
class Prior:
    """What is thought of a batch before it hangs: a normal distribution in standard units."""

    mean: Floats  # (COORDINATES,)
    covariance: Floats  # (COORDINATES, COORDINATES)


def book_prior() -> Prior:
    """What the book alone says."""
    return Prior(np.zeros(COORDINATES), np.eye(COORDINATES))


@dataclass(frozen=True)
class Hung:
    """What the grower said when hanging a batch.

    name           the batch
    minute         epoch minutes when it was hung
    flower         from the book
    stems          stems in a bunch, or None
    target_pct_db  moisture at which it counts as dry [% dry basis], or None for the flower's own
    """

    name: str
    minute: int
    flower: Flower
    stems: int | None = None
    target_pct_db: float | None = None

    @property
    def hour(self) -> int:
        return self.minute // 60


@dataclass(frozen=True)
class Members:
    """What each member takes for true; arrays of shape (members,).

    start, target  moisture when cut and when crisp [% dry basis]
    rate           at 20 °C and 50 % [1/h]
    shape          Page's exponent [-]
    curve          0 settles like wood, 1 like fine plant matter [-]
    law            0 follows the air like fine plant matter, 1 like the vapour-pressure deficit
    sensor_pct     true minus measured relative humidity [%]
    gab            constants of its own curve, shape (3, members); None: between the two published
    """

    start: Floats
    rate: Floats
    shape: Floats
    curve: Floats
    law: Floats
    target: Floats
    sensor_pct: Floats
    gab: Floats | None

    def limits(self, temperature: Floats, humidity: Floats) -> tuple[Floats, Floats]:
        """Moisture down to which this air takes water, and up to which it gives it back.

        Both [% dry basis]; between the two a batch stays as it is. Humidity is the true one.
        """
        if self.gab is not None:
            settles = sorption.gab(humidity, *self.gab)
            return settles, settles
        wood = sorption.wood(temperature, humidity)
        losing = sorption.fine_plant_drying(temperature, humidity)
        taking = sorption.fine_plant_wetting(temperature, humidity)
        settles = wood + self.curve * (losing - wood)
        return settles, np.minimum(wood + self.curve * (taking - wood), settles)

    def some(self, chosen: NDArray[np.int64]) -> Members:
        """Only those members."""
        return Members(
            self.start[chosen],
            self.rate[chosen],
            self.shape[chosen],
            self.curve[chosen],
            self.law[chosen],
            self.target[chosen],
            self.sensor_pct[chosen],
            None if self.gab is None else self.gab[:, chosen],
        )

    def still_to_lose(self, moisture: Floats) -> Floats:
        """Still to lose [%], member by member (last axis)."""
        whole = np.maximum(self.start - self.target, 1e-6)
        return np.asarray(100 * np.clip((moisture - self.target) / whole, 0, 1))

    def pull(self, temperature: Floats, humidity: Floats) -> Floats:
        """How fast this air dries, 1 at 20 °C and 50 % [-]: between the two published views."""
        fine = np.log(np.maximum(drying.rate_factor(temperature, humidity), 1e-3))
        deficit = np.log(np.maximum(drying.deficit_factor(temperature, humidity), 1e-3))
        return np.asarray(np.exp(fine + self.law * (deficit - fine)))


def together(several: Sequence[Members]) -> Members:
    """The members of several batches as one; all of them with a curve of their own, or none."""
    if len(several) == 1:
        return several[0]
    own = [one.gab for one in several if one.gab is not None]
    names = ("start", "rate", "shape", "curve", "law", "target", "sensor_pct")
    plain = {name: np.concatenate([getattr(one, name) for one in several]) for name in names}
    return Members(**plain, gab=np.concatenate(own, axis=1) if own else None)


def seed(hung: Hung) -> int:
    """The same batch always draws the same members."""
    text = f"{hung.name}|{hung.minute}".encode()
    return int.from_bytes(hashlib.blake2b(text, digest_size=8).digest(), "big")


def draw(prior: Prior, hung: Hung, count: int = COUNT) -> Floats:
    """Points in standard units, shape (count, COORDINATES), evenly spread along each coordinate."""
    rng = np.random.default_rng(seed(hung))
    even = np.array([NormalDist().inv_cdf((i + 0.5) / count) for i in range(count)])
    columns = [rng.permutation(even) for _ in range(COORDINATES)]
    return np.asarray(
        prior.mean + np.stack(columns, axis=1) @ np.linalg.cholesky(prior.covariance).T
    )


def members(points: Floats, hung: Hung) -> Members:
    """What the points mean for this flower."""
    z, flower = points.T, hung.flower
    low, high = flower.water_pct_wb
    water = np.clip((low + high) / 2 + z[START] * (high - low) / 3, low / 2, 95)
    curve = np.clip(CURVE_MIDDLE + CURVE_SPREAD * z[CURVE], -0.5, 2.0)
    low, high = flower.crisp_humidity_pct
    crisp = np.clip((low + high) / 2 + z[TARGET] * (high - low) / 4, low, high)
    made = Members(
        start=drying.dry_basis_pct(water),
        rate=np.exp(_log_rate(hung) + _rate_spread(flower) * z[RATE]),
        shape=np.clip(SHAPE_MIDDLE + SHAPE_SPREAD * z[SHAPE], 0.75, 1.3),
        curve=curve,
        law=np.clip(LAW_MIDDLE + LAW_SPREAD * z[LAW], -0.5, 1.5),
        target=np.full(crisp.shape, hung.target_pct_db or 0.0),
        sensor_pct=SENSOR_SPREAD_PCT * z[SENSOR],
        gab=None if flower.gab is None else np.tile(np.array(flower.gab)[:, None], z.shape[1]),
    )
    if hung.target_pct_db is not None:
        return made
    return replace(made, target=made.limits(np.full(crisp.shape, 20.0), crisp)[0])


def pace_against_book(prior: Prior, flower: Flower) -> tuple[float, float, float]:
    """How much faster than the book's word the next batch dries [-]: p10, p50, p90."""
    spread = math.sqrt(prior.covariance[RATE, RATE])
    low, middle, high = (
        math.exp(_rate_spread(flower) * (prior.mean[RATE] + NormalDist().inv_cdf(p) * spread))
        for p in (0.1, 0.5, 0.9)
    )
    return low, middle, high


def _log_rate(hung: Hung) -> float:
    """Logarithm of the rate [1/h] at which a middling batch takes the book's middling days.

    The book's days are taken to be at 20 °C and 50 %.
    """
    flower = hung.flower
    low, high = flower.days_hanging
    start = float(drying.dry_basis_pct(sum(flower.water_pct_wb) / 2))
    settles, crisp = (
        _middling(flower, humidity)
        for humidity in (50.0, max(sum(flower.crisp_humidity_pct) / 2, 52.0))
    )
    efoldings = math.log((start - settles) / (crisp - settles)) ** (1 / SHAPE_MIDDLE)
    return math.log(efoldings / (24 * math.sqrt(low * high)) * bunch_factor(hung))


def _middling(flower: Flower, humidity: float) -> float:
    """Moisture at which a middling member settles at 20 °C [% dry basis]."""
    if flower.gab is not None:
        return float(sorption.gab(humidity, *flower.gab))
    wood, fine = sorption.wood(20, humidity), sorption.fine_plant_drying(20, humidity)
    return float(wood + CURVE_MIDDLE * (fine - wood))


def _rate_spread(flower: Flower) -> float:
    """Deviation of ln rate: the book's range taken as 10 % to 90 %, and batches beside it."""
    low, high = flower.days_hanging
    return math.hypot(math.log(high / low) / 2.563, BATCH_SPREAD)


def bunch_factor(hung: Hung) -> float:
    """How much slower a fat bunch dries [-]: 1 up to the book's size, less beyond.

    Our own choice: 0.7 at twice the book's stems, 0.5 at three times.
    """
    if hung.stems is None:
        return 1.0
    size = hung.stems / hung.flower.stems_per_bunch[1]
    return float(np.interp(size, [1, 2, 3, 6], [1, 0.7, 0.5, 0.25]))


# Share of the book's variance that belongs to the flower and the place and so can be learned;
# the rest differs from batch to batch. In the order of the coordinates: water when cut, rate,
# Page's exponent, curve, law, target, sensor. Our own choice.
LASTING = np.array([0.3, 0.7, 0.4, 0.9, 0.9, 0.9, 0.8])

_LEAST = 1e-3  # variance below which no finished batch is believed


@dataclass(frozen=True)
class Evidence:
    """What one finished batch says, apart from what was thought before it hung.

    precision  (COORDINATES, COORDINATES)
    pull       precision times its own best guess, (COORDINATES,)
    """

    precision: Floats
    pull: Floats


def evidence(points: Floats, prior: Prior) -> Evidence:
    """What a batch taught: its points now, less the prior they were drawn from."""
    covariance = np.cov(points.T) + _LEAST * np.eye(COORDINATES)
    after, before = np.linalg.inv(covariance), np.linalg.inv(prior.covariance)
    values, vectors = np.linalg.eigh(after - before)
    told = vectors * np.where(values > 0.05, values, 0.0) @ vectors.T
    # The best guess of the batch alone solves told · guess = after · mean - before · prior mean.
    guess = np.linalg.pinv(told, rcond=1e-6) @ (after @ points.mean(axis=0) - before @ prior.mean)
    return Evidence(told, told @ guess)


def learned(taught: Sequence[Evidence]) -> Prior:
    """What to think of the next batch: the lessons shrunk towards the book.

    A flower's own value is normal about the book's with the lasting share of its variance, a
    batch's about the flower's with the rest; all lessons are weighed together, in any order.
    """
    of_batch = np.diag(1 - LASTING)
    precision = np.diag(1 / LASTING)
    pull = np.zeros(COORDINATES)
    for one in taught:
        # A lesson is about one batch: what it says of the flower is blurred by `of_batch`.
        blur = np.linalg.inv(np.eye(COORDINATES) + one.precision @ of_batch)
        precision = precision + blur @ one.precision
        pull = pull + blur @ one.pull
    precision = (precision + precision.T) / 2
    covariance = np.linalg.inv(precision)
    return Prior(np.asarray(covariance @ pull), np.asarray(covariance + of_batch))
