"""Invented drying seasons with a physics of their own, to judge the dryness model against.

Nothing here comes from the package, and nothing here follows its formulas: the rate goes with
a power of the vapour-pressure deficit, the curve is Page's in process time, the equilibrium is a
GAB curve that does not know temperature, the air comes from a small weather of its own. The
numbers below are our own choice; they were fixed, with the seeds, before the model was tuned.

Two physics:
- ``one_node``   a bunch is one lump (the benchmark's main table);
- ``two_nodes``  head and stem apart, the stem drying last and partly through the head
                 (run once, never tuned against).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SEED_ONE_NODE = 20_260_401
SEED_TWO_NODES = 20_260_402
SEED_LEARNING = 20_260_403

STEP_MIN = 10
STEP_H = STEP_MIN / 60
DAYS = 60
"""A batch that is not dry after so many days never gets dry in its air."""

FLOWER_RATE_SPREAD = 0.35
BATCH_RATE_SPREAD = 0.22
TAGGED_BUNCH_SPREAD = 0.05
"""How far the weighed bunch dries faster or slower than the batch it stands for."""


@dataclass(frozen=True)
class Flower:
    """Range of water when cut [% wet basis] and of days hanging, as a grower's book gives them."""

    name: str
    water_pct_wb: tuple[float, float]
    book_days: tuple[float, float]


FLOWERS = (
    Flower("strawflower", (70, 80), (7, 14)),
    Flower("statice", (65, 75), (7, 14)),
    Flower("gomphrena", (70, 78), (7, 9)),
    Flower("rose", (80, 85), (5, 10)),
    Flower("lavender", (65, 75), (7, 14)),
)

PLACES = (
    ("shed", "summer"),
    ("spare room", "summer"),
    ("spare room", "winter"),
    ("shed", "winter"),
)


@dataclass(frozen=True)
class Tissue:
    """The truth about one flower, the same for all its batches."""

    rate_per_h: float  # at 20 °C and 50 %
    vpd_power: float
    gab: tuple[float, float, float]  # monolayer [% d.b.], C, K
    crisp_humidity: float  # equilibrium humidity at which a stem snaps [%]


@dataclass(frozen=True)
class Batch:
    """The truth about one batch."""

    rate_per_h: float
    page_exponent: float
    start_pct_db: float
    target_pct_db: float


@dataclass(frozen=True)
class Air:
    """Air of a space every ten minutes."""

    minute: NDArray[np.int64]
    temperature_c: Floats
    relative_humidity_pct: Floats


@dataclass(frozen=True)
class Season:
    """One batch hung in one space, what was measured there, and when it was truly dry."""

    flower: Flower
    place: str
    season: str
    hung: int  # epoch minutes
    measured: Air  # what the sensor said
    truth: Air
    moisture_pct_db: Floats  # the batch, at each minute of `truth`
    target_pct_db: float
    dry: int | None  # first minute at or below the target
    weighings: tuple[tuple[int, float], ...]  # minute, grams; the first when it was hung
    pace: float = 0.0  # (true rate / the book's rate), for looking at the spread


def saturation_kpa(temperature_c: Floats) -> Floats:
    """Magnus over liquid water, constants 0.6112, 17.62, 243.12."""
    return np.asarray(0.6112 * np.exp(17.62 * temperature_c / (243.12 + temperature_c)))


def gab_pct_db(humidity_pct: Floats | float, constants: tuple[float, float, float]) -> Floats:
    monolayer, c, k = constants
    ka = k * np.asarray(humidity_pct) / 100
    return np.asarray(monolayer * c * ka / ((1 - ka) * (1 - ka + c * ka)))


REFERENCE_VPD_KPA = float(saturation_kpa(np.array(20.0))) * 0.5
MIDDLE_GAB = (8.5, 8.0, 0.74)
MIDDLE_CRISP_HUMIDITY = 58.0


def dry_basis(wet_basis_pct: float) -> float:
    return 100 * wet_basis_pct / (100 - wet_basis_pct)


def book_rate_per_h(flower: Flower) -> float:
    """The rate at which a middling batch takes the book's middling days at 20 °C and 50 %."""
    start = dry_basis(sum(flower.water_pct_wb) / 2)
    settle = float(gab_pct_db(50.0, MIDDLE_GAB))
    target = float(gab_pct_db(MIDDLE_CRISP_HUMIDITY, MIDDLE_GAB))
    days = math.sqrt(flower.book_days[0] * flower.book_days[1])
    return math.log((start - settle) / (target - settle)) / (24 * days)


# The weather ------------------------------------------------------------------------------


def wander(rng: np.random.Generator, steps: int, spread: float, memory_h: float) -> Floats:
    """A first-order autoregressive path with that standard deviation and memory."""
    keep = math.exp(-STEP_H / memory_h)
    kicks = rng.normal(0, spread * math.sqrt(1 - keep * keep), steps)
    path = np.empty(steps)
    value = rng.normal(0, spread)
    for i in range(steps):
        value = keep * value + kicks[i]
        path[i] = value
    return path


def lagged(series: Floats, lag_h: float) -> Floats:
    keep = math.exp(-STEP_H / lag_h)
    out = np.empty_like(series)
    value = float(series[:144].mean())
    for i, x in enumerate(series):
        value = keep * value + (1 - keep) * float(x)
        out[i] = value
    return out


def make_air(rng: np.random.Generator, place: str, season: str, hung: int) -> Air:
    steps = DAYS * 24 * 60 // STEP_MIN
    minute = hung + STEP_MIN * np.arange(steps, dtype=np.int64)
    hour = (minute / 60) % 24
    sun = np.clip(np.sin((hour - 6) / 12 * math.pi), 0, None)
    clear = np.clip(0.5 + wander(rng, steps, 0.3, 36), 0, 1)
    summer = season == "summer"
    mean = rng.normal(18 if summer else 5, 2)
    swing = 5.0 if summer else 2.5
    outdoors = (
        mean + wander(rng, steps, 2.5, 72) + swing * clear * np.sin((hour - 9) / 12 * math.pi)
    )
    depression = rng.normal(8 if summer else 2.5, 1.5 if summer else 0.7)
    dew = mean - depression + wander(rng, steps, 2.0, 72)
    vapour = np.minimum(saturation_kpa(dew), saturation_kpa(outdoors))
    if place == "shed":
        bake = rng.uniform(2, 12) if summer else rng.uniform(0.5, 2)
        temperature = lagged(outdoors + bake * sun * clear, 2)
        vapour = vapour + rng.uniform(0, 0.08)
        buffer_h = 4.0
    else:
        kept = rng.uniform(15, 20)
        temperature = lagged(np.maximum(outdoors + 3, kept), 12) + wander(rng, steps, 0.5, 12)
        vapour = vapour + rng.uniform(0.05, 0.30)
        buffer_h = 8.0
    humidity = lagged(np.clip(100 * vapour / saturation_kpa(temperature), 5, 98), buffer_h)
    return Air(minute, temperature, humidity)


def measure(rng: np.random.Generator, air: Air) -> Air:
    """What a sensor says: a lasting offset up to 0.5 K and 3 %, a little noise, rounded."""
    steps = air.minute.size
    temperature = air.temperature_c + rng.uniform(-0.5, 0.5) + rng.normal(0, 0.05, steps)
    humidity = air.relative_humidity_pct + rng.uniform(-3, 3) + rng.normal(0, 0.2, steps)
    return Air(air.minute, np.round(temperature, 1), np.clip(np.round(humidity, 1), 0, 100))


# The bunch --------------------------------------------------------------------------------


def draw_tissue(rng: np.random.Generator, flower: Flower) -> Tissue:
    return Tissue(
        rate_per_h=book_rate_per_h(flower) * math.exp(rng.normal(0, FLOWER_RATE_SPREAD)),
        vpd_power=rng.uniform(0.6, 1.0),
        gab=(rng.uniform(6.5, 11), rng.uniform(5, 11), rng.uniform(0.62, 0.85)),
        crisp_humidity=rng.uniform(50, 66),
    )


def draw_batch(rng: np.random.Generator, flower: Flower, tissue: Tissue) -> Batch:
    humidity = tissue.crisp_humidity + rng.normal(0, 1)
    return Batch(
        rate_per_h=tissue.rate_per_h * math.exp(rng.normal(0, BATCH_RATE_SPREAD)),
        page_exponent=rng.uniform(0.9, 1.05),
        start_pct_db=dry_basis(rng.uniform(*flower.water_pct_wb)),
        target_pct_db=float(gab_pct_db(humidity, tissue.gab)),
    )


def pull(air: Air, tissue: Tissue) -> Floats:
    """How fast this air dries, 1 at 20 °C and 50 %: a power of the vapour-pressure deficit."""
    deficit = saturation_kpa(air.temperature_c) * (1 - air.relative_humidity_pct / 100)
    return np.asarray((np.maximum(deficit, 0.02) / REFERENCE_VPD_KPA) ** tissue.vpd_power)


@dataclass(frozen=True)
class Drying:
    whole_pct_db: Floats  # water of the whole bunch
    judged_pct_db: Floats  # water of the part that says whether it is dry


def one_node(air: Air, tissue: Tissue, batch: Batch, pace: float) -> Drying:
    """Page's curve in process time: ln(M - Me) falls by the growth of (k τ)^n."""
    settle = gab_pct_db(air.relative_humidity_pct, tissue.gab)
    process = batch.rate_per_h * pace * STEP_H * np.cumsum(pull(air, tissue))
    fall = np.diff(process**batch.page_exponent, prepend=0.0)
    keep = np.exp(-fall)
    moisture = np.empty_like(settle)
    value = batch.start_pct_db
    for i in range(settle.size):
        moisture[i] = value
        value = settle[i] + (value - settle[i]) * keep[i]
    return Drying(moisture, moisture)


def two_nodes(air: Air, tissue: Tissue, batch: Batch, pace: float) -> Drying:
    """Head and stem: the head in the air, the stem slower, some of its water leaving by the head.

    The stem is 60 % of the dry matter. It says whether the bunch is dry.
    """
    settle = gab_pct_db(air.relative_humidity_pct, tissue.gab)
    drive = batch.rate_per_h * pace * STEP_H * pull(air, tissue)
    stem_share = 0.6
    head = stem = batch.start_pct_db
    whole, judged = np.empty_like(settle), np.empty_like(settle)
    for i in range(settle.size):
        whole[i] = stem_share * stem + (1 - stem_share) * head
        judged[i] = stem
        passed = 0.35 * drive[i] * (stem - head)
        head += -2.2 * drive[i] * (head - settle[i]) + passed * stem_share / (1 - stem_share)
        stem += -0.85 * drive[i] * (stem - settle[i]) - passed
    return Drying(whole, judged)


Physics = Callable[[Air, Tissue, Batch, float], Drying]


def weigh(rng: np.random.Generator, air: Air, tagged: Drying) -> tuple[tuple[int, float], ...]:
    """One tagged bunch on a kitchen scale, when hung and then every one to five days."""
    dry_matter_g = rng.uniform(20, 60)
    every_min = int(rng.integers(1, 6)) * 1440
    out = []
    for at in range(int(air.minute[0]), int(air.minute[-1]), every_min):
        minute = at + (0 if at == air.minute[0] else int(rng.integers(-180, 180)))
        i = (minute - int(air.minute[0])) // STEP_MIN
        grams = dry_matter_g * (1 + tagged.whole_pct_db[i] / 100)
        out.append((minute, round(grams + rng.normal(0, 0.003 * grams + 0.5), 1)))
    return tuple(out)


def hang(
    rng: np.random.Generator,
    flower: Flower,
    tissue: Tissue,
    place: str,
    season: str,
    physics: Physics,
) -> Season:
    day = 196 if season == "summer" else 15
    hung = (20_454 + day) * 1440 + int(rng.integers(8, 18)) * 60  # from 1 January 2026
    truth = make_air(rng, place, season, hung)
    batch = draw_batch(rng, flower, tissue)
    drying = physics(truth, tissue, batch, 1.0)
    tagged = physics(truth, tissue, batch, math.exp(rng.normal(0, TAGGED_BUNCH_SPREAD)))
    reached = np.flatnonzero(drying.judged_pct_db <= batch.target_pct_db)
    return Season(
        flower=flower,
        place=place,
        season=season,
        hung=hung,
        measured=measure(rng, truth),
        truth=truth,
        moisture_pct_db=drying.judged_pct_db,
        target_pct_db=batch.target_pct_db,
        dry=int(truth.minute[reached[0]]) if reached.size else None,
        weighings=weigh(rng, truth, tagged),
        pace=batch.rate_per_h / book_rate_per_h(flower),
    )


def seasons(count: int, seed: int, physics: Physics = one_node) -> Iterator[Season]:
    """Seasons of unrelated flowers, taking flowers and places in turn."""
    for i in range(count):
        rng = np.random.default_rng([seed, i])
        flower = FLOWERS[i % len(FLOWERS)]
        place, season = PLACES[(i // len(FLOWERS)) % len(PLACES)]
        yield hang(rng, flower, draw_tissue(rng, flower), place, season, physics)


def runs_of_one_flower(count: int, batches: int, seed: int) -> Iterator[list[Season]]:
    """Several batches of the same flower in the same space, one after the other."""
    for i in range(count):
        rng = np.random.default_rng([seed, i])
        flower = FLOWERS[i % len(FLOWERS)]
        place, season = PLACES[(i // len(FLOWERS)) % 3]  # not the shed in winter
        tissue = draw_tissue(rng, flower)
        run = [hang(rng, flower, tissue, place, season, one_node) for _ in range(batches)]
        weeks = [replace_start(one, 6 * week) for week, one in enumerate(run)]
        yield weeks


def replace_start(season: Season, weeks: int) -> Season:
    """The same season, so many weeks later."""
    later = weeks * 7 * 1440
    return replace(
        season,
        hung=season.hung + later,
        measured=replace(season.measured, minute=season.measured.minute + later),
        truth=replace(season.truth, minute=season.truth.minute + later),
        dry=None if season.dry is None else season.dry + later,
        weighings=tuple((minute + later, grams) for minute, grams in season.weighings),
    )
