"""How well the day of crisp is foretold, in invented seasons the model knows nothing of.

    python -m tests.benchmarks.bench_dryness [--seeds tuning|held-out] [--two-nodes] [--seasons N]

The model was tuned on the seasons of one set of seeds; what is reported comes from the other,
which no tuning looked at. Prints for each lead time (days before truly dry) the mean absolute
error of p50, its bias, the coverage, width and interval score of p10-p90, beside two baselines in
the same run: the book's days, and an exponential fitted to the weighings. The model makes
something of a batch's still hanging; the column "not past" shows what the better baseline gains
from never naming a day past. `unknown` is an answer without a date that does not rule one out.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from monitor.drying import crisp_day, members
from monitor.drying import ensemble as dryness
from monitor.drying.hours import HourlyAir, like_recent_days, usual_day
from monitor.site import flowers
from tests.benchmarks import drying_simulator as simulator
from tests.benchmarks.table import Row
from tests.drying.hourly import hourly

LEADS = ((0, 1), (1, 2), (2, 4), (4, 7), (7, 14))
BOOK = flowers.read_book(
    (Path(__file__).parents[2] / "config" / "flowers.toml").read_text(encoding="utf-8")
)
ASK_EVERY_H = 12
LONGEST_DAYS = 45
DATED = ("expected", "crisp")  # states in which a day is named


@dataclass(frozen=True)
class Seeds:
    """Seeds of the seasons by one node, by two nodes, and of the runs of one flower."""

    one_node: int
    two_nodes: int
    learning: int


SEEDS = {
    "tuning": Seeds(simulator.SEED_ONE_NODE, simulator.SEED_TWO_NODES, simulator.SEED_LEARNING),
    "held-out": Seeds(20_290_101, 20_290_102, 20_290_103),
}

Interval = tuple[float, float, float]  # p10, p50, p90 [epoch hours]


@dataclass
class Answers:
    """One forecaster's answers, one entry an asking."""

    dry: list[float] = field(default_factory=list)  # truth [epoch hours]
    asked: list[float] = field(default_factory=list)
    dates: list[Interval] = field(default_factory=list)

    def add(self, asked: float, dry: float, dates: Interval) -> None:
        self.asked.append(asked)
        self.dry.append(dry)
        self.dates.append(dates)

    def only(self, askings: set[tuple[float, float]]) -> Answers:
        """The answers at these (asked, truth)."""
        kept = Answers()
        for asked, dry, dates in zip(self.asked, self.dry, self.dates, strict=True):
            if (asked, dry) in askings:
                kept.add(asked, dry, dates)
        return kept

    def not_past(self, low: float, high: float) -> float:
        """The mean absolute error if a day already past is taken for today [d]."""
        dry, asked, dates = np.array(self.dry), np.array(self.asked), np.array(self.dates)
        lead = (dry - asked) / 24
        chosen = (lead >= low) & (lead < high)
        return float(np.abs(np.maximum(dates[:, 1], asked) - dry)[chosen].mean() / 24)

    def table(self, low: float, high: float) -> dict[str, float]:
        """Figures of the answers given `low` to `high` days before truly dry [d]."""
        dry, asked, dates = np.array(self.dry), np.array(self.asked), np.array(self.dates)
        lead = (dry - asked) / 24
        chosen = (lead >= low) & (lead < high)
        if not chosen.any():
            return {"count": 0}
        p10, p50, p90 = dates[chosen].T / 24
        truth = dry[chosen] / 24
        score = (p90 - p10) + 10 * (np.maximum(p10 - truth, 0) + np.maximum(truth - p90, 0))
        return {
            "count": int(chosen.sum()),
            "error": float(np.abs(p50 - truth).mean()),
            "bias": float((p50 - truth).mean()),
            "coverage": float(((truth >= p10) & (truth <= p90)).mean()),
            "width": float((p90 - p10).mean()),
            "score": float(score.mean()),
        }


# Baselines --------------------------------------------------------------------------------


def by_the_book(season: simulator.Season) -> Interval:
    """The book's days from when it was hung; like the model it is not told that it is not dry."""
    low, high = season.flower.book_days
    p10, p50, p90 = (season.hung / 60 + 24 * day for day in (low, math.sqrt(low * high), high))
    return p10, p50, p90


RATES = np.geomspace(0.002, 0.1, 200)
SHARE_LEFT_WHEN_DRY = (13 - 9.27) / (300 - 9.27)


def by_a_fitted_exponential(season: simulator.Season, asked: float) -> Interval:
    """Asymptote and size by least squares for each rate, the rates weighed by how well they fit.

    Dry when the share of a middling batch at 20 °C and 50 % is left; by the book before the third
    weighing.
    """
    told = [(minute, grams) for minute, grams in season.weighings if minute / 60 <= asked]
    if len(told) < 3:
        return by_the_book(season)
    hours = np.array([minute - season.hung for minute, _ in told]) / 60
    grams = np.array([mass for _, mass in told])
    noise = 0.003 * grams + 0.5
    log_weight = np.full(RATES.size, -np.inf)
    for i, rate in enumerate(RATES):
        shape = np.stack([np.ones_like(hours), np.exp(-rate * hours)], axis=1)
        fit, *_ = np.linalg.lstsq(shape / noise[:, None], grams / noise, rcond=None)
        if fit[0] > 0 and fit[1] > 0:
            log_weight[i] = -0.5 * float((((shape @ fit - grams) / noise) ** 2).sum())
    if not np.isfinite(log_weight).any():
        return by_the_book(season)
    weight = np.exp(log_weight - log_weight.max())
    dry = season.hung / 60 - math.log(SHARE_LEFT_WHEN_DRY) / RATES
    order = np.argsort(dry)
    share = np.cumsum(weight[order]) / weight.sum()
    p10, p50, p90 = (float(dry[order][np.searchsorted(share, q)]) for q in (0.1, 0.5, 0.9))
    return p10, p50, p90


# The model --------------------------------------------------------------------------------


def air_of(season: simulator.Season, days: int) -> HourlyAir:
    first = season.hung // 60
    air = season.measured
    return hourly(
        air.minute, air.temperature_c, air.relative_humidity_pct, first, first + 24 * days
    )


def ask(
    season: simulator.Season,
    name: str,
    *,
    weighed: bool,
    prior: members.Prior | None = None,
    bends: bool = False,
) -> Iterator[tuple[float, crisp_day.CrispDay]]:
    """What the model says each half day, from half a day after hanging to when it is dry.

    bends  a stem is bent whenever the model asks for it, at most once in two days
    """
    prior = prior or members.book_prior()
    hung = members.Hung(name, season.hung, BOOK.flowers[season.flower.name])
    last = LONGEST_DAYS * 24 if season.dry is None else (season.dry - season.hung) // 60
    air = air_of(season, min(last // 24 + 2, simulator.DAYS))
    ensemble, used = dryness.begin(hung, prior), 0
    tests: list[dryness.BentStem] = []
    every = ASK_EVERY_H if season.dry is not None else 2 * ASK_EVERY_H
    for after in range(ASK_EVERY_H, last + 1, every):
        now = hung.hour + after
        told = [
            dryness.BunchMass(minute, grams)
            for minute, grams in season.weighings
            if weighed and minute < now * 60
        ]
        if len(told) + len(tests) > max(used, 1):
            ensemble = dryness.whole(dryness.recompute(hung, prior, air.before(now), told, tests))
            used = len(told) + len(tests)
        else:
            ensemble = dryness.step(ensemble, air.before(now))
        usual = usual_day(air.before(now), now)
        [said] = crisp_day.crisp_days([ensemble], [like_recent_days(ensemble.hung, usual)])
        yield now, said
        if bends and said.p_crisp >= 0.8 and (not tests or now * 60 - tests[-1].minute >= 2880):
            place = (now * 60 - season.hung) // simulator.STEP_MIN
            dry = bool(season.moisture_pct_db[place] <= season.target_pct_db)
            tests.append(dryness.BentStem(now * 60, dry))


@dataclass
class Beside:
    """The model's answers, and the baselines' at the same askings."""

    model: Answers = field(default_factory=Answers)
    book: Answers = field(default_factory=Answers)
    fitted: Answers = field(default_factory=Answers)


@dataclass
class Run:
    """All that a run over many seasons counts.

    promised  answers that promise a day
    every     these, and those that name a day only if the batch gets dry at all
    """

    promised: Beside = field(default_factory=Beside)
    every: Beside = field(default_factory=Beside)
    states_when_dry: dict[str, int] = field(default_factory=dict)
    states_when_never: dict[str, int] = field(default_factory=dict)


def run(
    seasons: list[simulator.Season],
    *,
    weighed: bool,
    prior: members.Prior | None = None,
    bends: bool = False,
) -> Run:
    out = Run()
    for i, season in enumerate(seasons):
        for now, said in ask(season, f"batch {i}", weighed=weighed, prior=prior, bends=bends):
            states = out.states_when_never if season.dry is None else out.states_when_dry
            states[said.state] = states.get(said.state, 0) + 1
            if season.dry is None or said.crisp_p50 is None:
                continue
            assert said.crisp_p10 is not None
            assert said.crisp_p90 is not None
            dry, book = season.dry / 60, by_the_book(season)
            dates = said.crisp_p10 / 60, said.crisp_p50 / 60, said.crisp_p90 / 60
            fitted = by_a_fitted_exponential(season, now) if weighed else None
            for beside in (out.every, out.promised) if said.state in DATED else (out.every,):
                beside.model.add(now, dry, dates)
                beside.book.add(now, dry, book)
                if fitted is not None:
                    beside.fitted.add(now, dry, fitted)
    return out


def show(title: str, result: Run) -> None:
    print(f"\n{title}: days promised")
    show_beside(result.promised)
    print("every day worked out, promised or only if it gets dry at all")
    show_beside(result.every)
    show_states(result)


def show_beside(result: Beside) -> None:
    print(
        "lead, d  answers   MAE  book fitted /best not past   bias cover width score  book fitted"
    )
    for low, high in LEADS:
        model, book = result.model.table(low, high), result.book.table(low, high)
        if not model["count"]:
            continue
        fitted = result.fitted.table(low, high) if result.fitted.dry else {}
        best = min(book["error"], fitted.get("error", math.inf))
        not_past = min(one.not_past(low, high) for one in (result.book, result.fitted) if one.dry)
        print(
            f"{low:>2}-{high:<5} {model['count']:>7} {model['error']:>6.2f} {book['error']:>5.2f}"
            f" {fitted.get('error', math.nan):>6.2f} {model['error'] / best:>5.2f}"
            f" {not_past:>8.2f} {model['bias']:>6.2f} {model['coverage']:>5.2f}"
            f" {model['width']:>5.1f} {model['score']:>5.1f} {book['score']:>5.1f}"
            f" {fitted.get('score', math.nan):>6.1f}"
        )


def show_states(result: Run) -> None:
    for name, states in (
        ("that get dry", result.states_when_dry),
        ("that never get dry", result.states_when_never),
    ):
        total = sum(states.values())
        shares = ", ".join(
            f"{state} {100 * count / total:.1f} %" for state, count in sorted(states.items())
        )
        print(f"batches {name}: {total} answers: {shares}")


def mean_error(answers: Answers) -> float:
    return float(answers.table(0, 14)["error"])


def learn(count: int, seed: int) -> tuple[Answers, Answers, Answers]:
    """Answers about the first batch, the fifth, and the fifth by the book alone, never weighed.

    The four before the fifth were weighed and taken down when dry.
    """
    first, fifth, untaught = Run(), Run(), Run()
    for i, batches in enumerate(simulator.runs_of_one_flower(count, 5, seed)):
        taught: list[members.Evidence] = []
        for j, season in enumerate(batches[:4]):
            if season.dry is None:
                continue
            hung = members.Hung(f"run {i} {j}", season.hung, BOOK.flowers[season.flower.name])
            prior = members.learned(taught)
            taken_down = season.dry + 720
            weighings = [
                dryness.BunchMass(minute, grams)
                for minute, grams in season.weighings
                if minute < taken_down
            ]
            air = air_of(season, simulator.DAYS).before(taken_down // 60 + 1)
            done = dryness.whole(dryness.recompute(hung, prior, air, weighings))
            taught.append(members.evidence(done.points, prior))
        for out, season, prior in (
            (first, batches[0], None),
            (untaught, batches[4], None),
            (fifth, batches[4], members.learned(taught)),
        ):
            one = run([season], weighed=False, prior=prior)
            out.every.model.dry += one.every.model.dry
            out.every.model.asked += one.every.model.asked
            out.every.model.dates += one.every.model.dates
    return first.every.model, fifth.every.model, untaught.every.model


def show_learning(count: int, seed: int) -> None:
    first, fifth, untaught = learn(count, seed)
    errors = [mean_error(one) for one in (first, fifth, untaught)]
    both = set(zip(fifth.asked, fifth.dry, strict=True)) & set(
        zip(untaught.asked, untaught.dry, strict=True)
    )
    paired = [mean_error(one.only(both)) for one in (fifth, untaught)]
    print(
        f"\nlearning, {count} runs, 0-14 d: error of the first batch {errors[0]:.2f} d, of the "
        f"fifth {errors[1]:.2f} d ({errors[1] / errors[0]:.2f}); of the fifth by the book alone "
        f"{errors[2]:.2f} d; where both answer {paired[0]:.2f} against {paired[1]:.2f} d "
        f"({paired[0] / paired[1]:.2f}); cover {fifth.table(0, 14)['coverage']:.2f}; answers "
        f"{len(first.dry)}, {len(fifth.dry)}, {len(untaught.dry)}"
    )


def times() -> tuple[float, float]:
    """One hour's step of ten batches [ms]; a season of 180 days from its raw minutes [s]."""
    hung = members.Hung("timed", 29_000_000, BOOK.flowers["strawflower"])
    ten = [dryness.begin(hung, members.book_prior()) for _ in range(10)]
    minute = hung.hour * 60 + np.arange(180 * 1440)
    temperature = 20 + 5 * np.sin(minute / 1440 * 2 * math.pi)
    began = time.perf_counter()
    season = hourly(minute, temperature, 110 - 3 * temperature, hung.hour, hung.hour + 4320)
    dryness.whole(dryness.recompute(hung, members.book_prior(), season))
    whole = time.perf_counter() - began
    began = time.perf_counter()
    dryness.step_each(ten, [season.part(0, 1)] * 10)
    return 1000 * (time.perf_counter() - began), whole


def rows(result: Run, words: str, goal: str) -> Iterator[Row]:
    """Errors and interval scores of one run by lead, each against the better baseline."""
    for low, high in LEADS:
        model = result.every.model.table(low, high)
        baselines = (result.every.book, result.every.fitted)
        others = [one.table(low, high) for one in baselines if one.dry]
        if model["count"]:
            error = min(other["error"] for other in others)
            yield Row(
                f"day of crisp, {low}-{high} d ahead, {words}",
                f"{model['count']:.0f} answers",
                f"{model['error']:.2f} d off; p10-p90 holds {100 * model['coverage']:.0f} %, "
                f"scores {model['score']:.1f}",
                f"{error:.2f} d off; scores {min(other['score'] for other in others):.1f}",
                model["error"] / error,
                goal,
            )
    for states, named, goal, name in (
        (result.states_when_never, DATED, "under 1 %", "never dry, yet given a date"),
        (result.states_when_dry, ("cannot_finish",), "under 3 %", "dries, yet told it cannot"),
        (result.states_when_dry, ("unknown",), "", "dries, and no date is named"),
    ):
        total = max(sum(states.values()), 1)
        share = 100 * sum(states.get(state, 0) for state in named) / total
        yield Row(f"{name}, {words}", f"{total} answers", f"{share:.1f} %", goal=goal)


def main(quick: bool = False) -> Iterator[Row]:
    """The figures in short, on seasons no tuning looked at; the whole table is this file's own."""
    seeds = SEEDS["held-out"]
    seasons = list(simulator.seasons(6 if quick else 100, seeds.one_node))
    yield from rows(run(seasons, weighed=True), "weighed", "at most 0.6 under 7 d; 72-88 %")
    yield from rows(run(seasons, weighed=False), "never weighed", "at most 0.8; 72-88 %")
    first, fifth, _ = learn(3 if quick else 40, seeds.learning)
    errors = mean_error(fifth), mean_error(first)
    yield Row(
        "day of crisp of the fifth batch, never weighed",
        f"{len(fifth.dry)} answers",
        f"{errors[0]:.2f} d off",
        f"{errors[1]:.2f} d off, the first batch",
        errors[0] / errors[1],
        "at most 0.75",
    )
    step_ms, season_s = times()
    yield Row("one hour of all members", "10 batches", f"{step_ms:.1f} ms", goal="under 20 ms")
    yield Row("season from raw minutes", "180 days", f"{season_s:.2f} s", goal="under 10 s")


def show_all(seeds: Seeds, count: int, two_nodes: bool) -> None:
    """Print everything, for so many seasons."""
    physics, seed = (
        (simulator.two_nodes, seeds.two_nodes)
        if two_nodes
        else (simulator.one_node, seeds.one_node)
    )
    seasons = list(simulator.seasons(count, seed, physics))
    show("with weighings", run(seasons, weighed=True))
    show("without a single weighing", run(seasons, weighed=False))
    show("with weighings, a stem bent when asked for", run(seasons, weighed=True, bends=True))
    if not two_nodes:
        show_learning(count // 3, seeds.learning)
        step_ms, season_s = times()
        print(f"one hour of ten batches: {step_ms:.1f} ms; a season of minutes: {season_s:.2f} s")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", choices=SEEDS, default="held-out")
    parser.add_argument("--two-nodes", action="store_true")
    parser.add_argument("--seasons", type=int, default=120)
    arguments = parser.parse_args()
    show_all(SEEDS[arguments.seeds], arguments.seasons, arguments.two_nodes)
