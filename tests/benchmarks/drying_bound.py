"""How well the day of crisp can be foretold at all, by one who knows how the seasons were invented.

    python -m tests.benchmarks.drying_bound [--seeds tuning|held-out] [--seasons N] [--draws N]

This forecaster knows every formula and range of `drying_simulator`; it does not know what was
drawn from them, nor the weather to come, which it takes like the recent days, as the model does.
It weighs very many draws by how well they explain the weighings (importance sampling). A model
that must not know the simulator's physics cannot be expected to do better: what this one misses is
out of reach, but for the noise of a few draws that carry all the weight (`draws that count`).
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.drying import crisp_day, members
from monitor.drying.ensemble import begin, still_hanging
from monitor.drying.hours import STEP_H, AirToCome, like_recent_days, usual_day
from tests.benchmarks import bench_dryness as bench
from tests.benchmarks import drying_simulator as simulator

Floats = NDArray[np.float64]

KEPT = members.COUNT  # draws that go on into the weather to come
HOPELESS = 0.007  # "cannot finish" below this weight of draws that do
DRY_MATTER_G = (20.0, 60.0)


@dataclass(frozen=True)
class Draws:
    """Batches as the simulator draws them, arrays of shape (draws,)."""

    rate_per_h: Floats
    vpd_power: Floats
    gab: tuple[Floats, Floats, Floats]
    page_exponent: Floats
    start_pct_db: Floats
    target_pct_db: Floats
    pace: Floats  # of the tagged bunch
    off_c: Floats  # measured minus true
    off_pct: Floats

    def some(self, chosen: NDArray[np.int64]) -> Draws:
        monolayer, c, k = self.gab
        return Draws(
            self.rate_per_h[chosen],
            self.vpd_power[chosen],
            (monolayer[chosen], c[chosen], k[chosen]),
            self.page_exponent[chosen],
            self.start_pct_db[chosen],
            self.target_pct_db[chosen],
            self.pace[chosen],
            self.off_c[chosen],
            self.off_pct[chosen],
        )


def settles(humidity: Floats, gab: tuple[Floats, Floats, Floats]) -> Floats:
    monolayer, c, k = gab
    ka = k * humidity / 100
    return np.asarray(monolayer * c * ka / ((1 - ka) * (1 - ka + c * ka)))


def draw(
    rng: np.random.Generator,
    flower: simulator.Flower,
    count: int,
    tissue: simulator.Tissue | None = None,
) -> Draws:
    """Batches of an unknown tissue, or of one that is known."""
    if tissue is None:
        rate = simulator.book_rate_per_h(flower) * np.exp(
            rng.normal(0, simulator.FLOWER_RATE_SPREAD, count)
        )
        power = rng.uniform(0.6, 1.0, count)
        gab = rng.uniform(6.5, 11, count), rng.uniform(5, 11, count), rng.uniform(0.62, 0.85, count)
        crisp = rng.uniform(50, 66, count)
    else:
        rate, power, crisp = (
            np.full(count, value)
            for value in (tissue.rate_per_h, tissue.vpd_power, tissue.crisp_humidity)
        )
        gab = tuple(np.full(count, value) for value in tissue.gab)  # type: ignore[assignment]
    water = rng.uniform(*flower.water_pct_wb, count)
    return Draws(
        rate_per_h=rate * np.exp(rng.normal(0, simulator.BATCH_RATE_SPREAD, count)),
        vpd_power=power,
        gab=gab,
        page_exponent=rng.uniform(0.9, 1.05, count),
        start_pct_db=100 * water / (100 - water),
        target_pct_db=settles(crisp + rng.normal(0, 1, count), gab),
        pace=np.exp(rng.normal(0, simulator.TAGGED_BUNCH_SPREAD, count)),
        off_c=rng.uniform(-0.5, 0.5, count),
        off_pct=rng.uniform(-3, 3, count),
    )


@dataclass(frozen=True)
class Bunch:
    """Water of each draw, and how far it came in process time."""

    water_pct_db: Floats
    process: Floats

    def after(
        self,
        draws: Draws,
        temperature_c: Floats | float,
        humidity_pct: Floats | float,
        hours: float,
        pace: Floats | float = 1.0,
    ) -> Bunch:
        """After so long in air of which this was measured."""
        true_c = temperature_c - draws.off_c
        true_pct = np.clip(humidity_pct - draws.off_pct, 5, 98)
        deficit = simulator.saturation_kpa(true_c) * (1 - true_pct / 100)
        pull = np.maximum(deficit, 0.02) / simulator.REFERENCE_VPD_KPA
        process = self.process + draws.rate_per_h * pace * hours * pull**draws.vpd_power
        settle = settles(true_pct, draws.gab)
        fall = process**draws.page_exponent - self.process**draws.page_exponent
        return Bunch(settle + (self.water_pct_db - settle) * np.exp(-fall), process)


def log_likelihood(grams: list[float], water_pct_db: list[Floats]) -> Floats:
    """Of all weighings so far; the dry matter, between its bounds, is whatever fits best."""
    told = np.array(grams)[:, None]
    noise = 0.003 * told + 0.5
    wet = 1 + np.stack(water_pct_db) / 100
    dry_g = (wet * told / noise**2).sum(axis=0) / (wet**2 / noise**2).sum(axis=0)
    misfit = (((dry_g * wet - told) / noise) ** 2).sum(axis=0)
    believed = (dry_g > DRY_MATTER_G[0] - 2) & (dry_g < DRY_MATTER_G[1] + 3)
    return np.asarray(
        np.where(believed, 0.0, -20.0) - misfit / 2 - np.log((wet**2 / noise**2).sum(axis=0)) / 2
    )


@dataclass(frozen=True)
class Said:
    """What this forecaster says at an hour: the dates [epoch hours] are None below one half."""

    now: int
    p_finishes: float
    dates: bench.Interval | None
    counting: float


def ask(
    season: simulator.Season, draws: Draws, rng: np.random.Generator, *, weighed: bool
) -> Iterator[Said]:
    """What it says each half day, like `bench_dryness.ask`."""
    hung = season.hung // 60
    last = bench.LONGEST_DAYS * 24 if season.dry is None else (season.dry - season.hung) // 60
    every = bench.ASK_EVERY_H if season.dry is not None else 2 * bench.ASK_EVERY_H
    air = bench.air_of(season, min(last // 24 + 2, simulator.DAYS))
    hanging = begin(
        members.Hung("batch", season.hung, bench.BOOK.flowers[season.flower.name]),
        members.book_prior(),
    )
    batch = tagged = Bunch(draws.start_pct_db, np.zeros(draws.start_pct_db.size))
    crisp = np.full(draws.start_pct_db.size, np.nan)
    weighings = list(season.weighings) if weighed else []
    grams: list[float] = []
    then: list[Floats] = []
    for after in range(last + 1):
        now = hung + after
        if after and after % every == 0:
            likely = log_likelihood(grams, then) if len(grams) > 1 else np.zeros(crisp.size)
            weight = np.exp(likely - likely.max()) * still_hanging(now - crisp)
            yield foretell(
                draws,
                batch,
                crisp,
                weight,
                like_recent_days(hanging.hung, usual_day(air, now)),
                now,
                rng,
            )
        here = float(air.temperature_c[after]), float(air.humidity_pct[after])
        while weighings and weighings[0][0] < (now + 1) * 60:
            minute, told = weighings.pop(0)
            part = max(minute / 60 - now, 0.0)
            grams.append(told)
            then.append(tagged.after(draws, *here, part, draws.pace).water_pct_db)
        tagged = tagged.after(draws, *here, 1.0, draws.pace)
        batch = batch.after(draws, *here, 1.0)
        crisp = np.where(
            np.isnan(crisp) & (batch.water_pct_db <= draws.target_pct_db), now + 1, crisp
        )


def foretell(
    draws: Draws,
    batch: Bunch,
    crisp: Floats,
    weight: Floats,
    coming: AirToCome,
    now: int,
    rng: np.random.Generator,
) -> Said:
    """Send a few hundred draws, by their weight, through the weather to come."""
    weight = weight / weight.sum()
    at = (np.arange(KEPT) + rng.random()) / KEPT
    chosen = np.minimum(np.searchsorted(np.cumsum(weight), at), weight.size - 1)
    some, when = draws.some(chosen), crisp[chosen]
    bunch = Bunch(batch.water_pct_db[chosen], batch.process[chosen])
    for step, here in enumerate(zip(*coming.part(slice(0, coming.steps)), strict=True)):
        if not np.isnan(when).any():
            break
        begins = now + step * STEP_H
        later = bunch.after(some, *here, STEP_H)
        dry = np.isnan(when) & (later.water_pct_db <= some.target_pct_db)
        when = np.where(dry, begins + STEP_H / 2, when)
        bunch = later
    finite = np.isfinite(when)
    p10, p50, p90 = np.quantile(when[finite], (0.1, 0.5, 0.9)) if finite.any() else (0, 0, 0)
    return Said(
        now,
        float(finite.mean()),
        (float(p10), float(p50), float(p90)) if finite.mean() >= crisp_day.WORTH_A_DAY else None,
        float(1 / (weight**2).sum()),
    )


def run(
    seasons: list[simulator.Season],
    count: int,
    *,
    weighed: bool,
    tissues: list[simulator.Tissue] | None = None,
) -> tuple[bench.Run, list[float]]:
    """Like `bench_dryness.run`; and how many draws carried the weight at each asking."""
    out, counting = bench.Run(), []
    for i, season in enumerate(seasons):
        rng = np.random.default_rng([simulator.SEED_ONE_NODE, 7, i])
        draws = draw(rng, season.flower, count, None if tissues is None else tissues[i])
        for said in ask(season, draws, rng, weighed=weighed):
            counting.append(said.counting)
            promised = said.p_finishes >= crisp_day.PROMISED
            states = out.states_when_never if season.dry is None else out.states_when_dry
            hopeless = said.p_finishes < HOPELESS
            state = "expected" if promised else "cannot_finish" if hopeless else "unknown"
            states[state] = states.get(state, 0) + 1
            if season.dry is None or said.dates is None:
                continue
            for beside in (out.every, out.promised) if promised else (out.every,):
                dry = season.dry / 60
                beside.model.add(said.now, dry, said.dates)
                beside.book.add(said.now, dry, bench.by_the_book(season))
                if weighed:
                    fitted = bench.by_a_fitted_exponential(season, said.now)
                    beside.fitted.add(said.now, dry, fitted)
    return out, counting


def show_learning(count: int, seed: int, draws: int) -> None:
    """A fifth batch of a tissue that is known to the last figure, against one that is not."""
    runs = list(simulator.runs_of_one_flower(count, 5, seed))
    tissues = [
        simulator.draw_tissue(np.random.default_rng([seed, i]), batches[0].flower)
        for i, batches in enumerate(runs)
    ]
    first, _ = run([batches[0] for batches in runs], draws, weighed=False)
    fifth, _ = run([batches[4] for batches in runs], draws, weighed=False, tissues=tissues)
    errors = [bench.mean_error(one.every.model) for one in (fifth, first)]
    print(
        f"\nlearning at its best, {count} runs, never weighed: the fifth batch {errors[0]:.2f} d "
        f"off when all about the flower is known, the first {errors[1]:.2f} d "
        f"({errors[0] / errors[1]:.2f})"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", choices=bench.SEEDS, default="held-out")
    parser.add_argument("--seasons", type=int, default=100)
    parser.add_argument("--draws", type=int, default=20_000)
    arguments = parser.parse_args()
    seeds = bench.SEEDS[arguments.seeds]
    seasons = list(simulator.seasons(arguments.seasons, seeds.one_node))
    for weighed, words in ((True, "with weighings"), (False, "without a single weighing")):
        result, counting = run(seasons, arguments.draws, weighed=weighed)
        bench.show(f"{words}, the physics known", result)
        few, middle = np.quantile(counting, (0.05, 0.5))
        print(f"draws that count: {middle:.0f} in the middle, {few:.0f} at one asking in twenty")
    show_learning(40, seeds.learning, 2_000)


if __name__ == "__main__":
    main()
