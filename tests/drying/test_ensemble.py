"""The ensemble: the same answer whatever the order, right directions, and what growers see."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from monitor.drying import crisp_day, members, prospects, scales
from monitor.drying import ensemble as dryness
from monitor.drying.hours import HourlyAir, like_recent_days, usual_day
from monitor.science import drying
from monitor.site import flowers
from tests.drying.hourly import hourly

BOOK = flowers.read_book(
    (Path(__file__).parents[2] / "config" / "flowers.toml").read_text(encoding="utf-8")
)
HUNG = members.Hung("strawflower 1", 29_600_000, BOOK.flowers["strawflower"])
PRIOR = members.book_prior()


def air(
    days: float, temperature: float = 20.0, humidity: float = 50.0, swing: float = 0.0
) -> HourlyAir:
    hour = HUNG.hour + np.arange(int(24 * days))
    wave = swing * np.sin((hour % 24 - 9) / 12 * np.pi)
    return HourlyAir(hour, temperature + wave, humidity - 2 * wave, np.ones(hour.size))


def weighings(rate: float = 0.02, dry_matter_g: float = 40.0) -> list[dryness.BunchMass]:
    """An exponential from 300 % towards 11 %, weighed every other day, without noise."""
    return [
        dryness.BunchMass(
            HUNG.minute + 2880 * i,
            dry_matter_g * (1 + (11 + 289 * np.exp(-rate * 48 * i)) / 100),
        )
        for i in range(5)
    ]


def same(one: dryness.Ensemble, other: dryness.Ensemble) -> bool:
    """To the last bit."""
    arrays = ("points", "moisture_pct_db", "crisp_hour")
    plain = (one.hung, one.opening_c_h, one.hour) == (other.hung, other.opening_c_h, other.hour)
    return plain and all(
        np.array_equal(getattr(one, a), getattr(other, a), equal_nan=True) for a in arrays
    )


def say(ensemble: dryness.Ensemble, here: HourlyAir) -> crisp_day.CrispDay:
    usual = usual_day(here, ensemble.hour)
    return crisp_day.crisp_days([ensemble], [like_recent_days(ensemble.hung, usual)])[0]


def recompute(
    hung: members.Hung,
    prior: members.Prior,
    here: HourlyAir,
    told: Sequence[dryness.BunchMass] = (),
    tests: Sequence[dryness.BentStem] = (),
) -> dryness.Ensemble:
    return dryness.whole(dryness.recompute(hung, prior, here, told, tests))


def elsewhere(ensemble: dryness.Ensemble, there: HourlyAir) -> dryness.Ensemble:
    return dryness.step(dryness.at_hanging(ensemble), there)


# The same answer ----------------------------------------------------------------------------


def test_same_inputs_same_answer() -> None:
    here = air(8, swing=3)
    first = recompute(HUNG, PRIOR, here, weighings())
    again = recompute(HUNG, PRIOR, here, weighings())
    assert same(first, again)
    assert say(first, here) == say(again, here)


def test_order_and_doubles_of_weighings_leave_no_trace() -> None:
    here, told = air(9), weighings()
    first = recompute(HUNG, PRIOR, here, told)
    assert same(first, recompute(HUNG, PRIOR, here, [*reversed(told), told[1]]))


def test_going_on_equals_never_having_stopped() -> None:
    here = air(10, swing=4)
    whole = recompute(HUNG, PRIOR, here, weighings())
    part = recompute(HUNG, PRIOR, here.before(HUNG.hour + 200), weighings())
    assert same(dryness.step(part, here), whole)


def test_hour_by_hour_equals_all_at_once() -> None:
    here = air(3, swing=4)
    ensemble = dryness.begin(HUNG, PRIOR)
    for i in range(len(here)):
        ensemble = dryness.step(ensemble, here.part(i, i + 1))
    assert same(ensemble, recompute(HUNG, PRIOR, here))


def test_a_batch_does_not_hold_the_path_it_came() -> None:
    """Through three weeks that is a megabyte a batch."""
    stepped = dryness.step(dryness.begin(HUNG, PRIOR), air(21))
    assert stepped.moisture_pct_db.base is None


def test_hours_do_not_know_the_order_of_minutes() -> None:
    rng = np.random.default_rng(1)
    minute = 60 * HUNG.hour + np.arange(0, 3000)
    temperature, humidity = 20 + rng.normal(size=3000), 50 + rng.normal(size=3000)
    temperature[400:700] = np.nan
    mixed = rng.permutation(3000)
    first = hourly(minute, temperature, humidity, HUNG.hour, HUNG.hour + 50)
    other = hourly(minute[mixed], temperature[mixed], humidity[mixed], HUNG.hour, HUNG.hour + 50)
    assert np.array_equal(first.temperature_c, other.temperature_c)
    assert np.array_equal(first.humidity_pct, other.humidity_pct)
    assert first.known[8] == 0
    assert np.isfinite(first.temperature_c).all()


def test_an_hour_without_readings_is_like_the_hour_a_day_before() -> None:
    minute = 60 * HUNG.hour + np.arange(0, 2880)
    temperature = 15.0 + (minute // 60 % 24)
    temperature[1440 + 600 : 1440 + 720] = np.nan
    hours = hourly(minute, temperature, np.full(2880, 50.0), HUNG.hour, HUNG.hour + 48)
    assert hours.temperature_c[34] == hours.temperature_c[10]


def test_air_never_known_leaves_the_moisture_alone() -> None:
    none = hourly(np.empty(0, np.int64), np.empty(0), np.empty(0), HUNG.hour, HUNG.hour + 24)
    begun = dryness.begin(HUNG, PRIOR)
    after = dryness.step(begun, none)
    assert np.array_equal(after.moisture_pct_db, begun.moisture_pct_db)
    assert after.hour == HUNG.hour + 24


# Right directions ---------------------------------------------------------------------------


def test_warmer_and_drier_air_dries_more() -> None:
    middling = np.median(recompute(HUNG, PRIOR, air(5)).moisture_pct_db)
    assert np.median(recompute(HUNG, PRIOR, air(5, 25)).moisture_pct_db) < middling
    assert np.median(recompute(HUNG, PRIOR, air(5, 20, 65)).moisture_pct_db) > middling


@pytest.mark.parametrize("rate", [0.012, 0.02, 0.035])
def test_weighings_teach_the_rate(rate: float) -> None:
    """The exponential the weighings were made of lies within the members, who are narrower."""
    here = air(8.1)
    told = recompute(HUNG, PRIOR, here, weighings(rate))
    blind = recompute(HUNG, PRIOR, here)
    truth = 11 + 289 * np.exp(-rate * (HUNG.hour * 60 + 60 * len(here) - HUNG.minute) / 60)
    low, high = np.quantile(told.moisture_pct_db, (0.02, 0.98))
    assert low < truth < high
    assert high - low < np.ptp(np.quantile(blind.moisture_pct_db, (0.02, 0.98)))


def test_a_knocked_scale_is_not_believed() -> None:
    told = weighings()
    knocked = [*told[:3], replace(told[3], grams=told[3].grams * 1.4), told[4]]
    here = air(8.1)
    right = np.median(recompute(HUNG, PRIOR, here, told).moisture_pct_db)
    wrong = np.median(recompute(HUNG, PRIOR, here, knocked).moisture_pct_db)
    assert wrong == pytest.approx(right, rel=0.15)


def test_a_hanging_scale_counts_for_less_than_its_many_readings() -> None:
    """A reading every ten minutes, drifting 3 % a day, does not drown a kitchen scale."""
    here = air(8.1)
    kitchen = weighings()
    hanging = hung_on_a_scale(lambda day: 1 + 0.03 * day)
    right = np.median(recompute(HUNG, PRIOR, here, kitchen).moisture_pct_db)
    mixed = np.median(recompute(HUNG, PRIOR, here, kitchen + hanging).moisture_pct_db)
    assert mixed == pytest.approx(right, rel=0.2)


def hung_on_a_scale(error: Callable[[float], float]) -> list[dryness.BunchMass]:
    """The same bunch on a scale for eight days, its mass off by a factor that may change."""
    readings = [
        (
            60_000 * (HUNG.minute + m),
            error(m / 1440) * 40 * (1 + (11 + 289 * np.exp(-0.02 * m / 60)) / 100),
        )
        for m in range(0, 8 * 1440, 10)
    ]
    blocks = [scales.middle(readings[i : i + 36]) for i in range(0, len(readings), 36)]
    return scales.between_knocks([block for block in blocks if block is not None])


@pytest.mark.parametrize(
    ("name", "error", "scales_taken"),
    [
        ("true", lambda _: 1.0, 1),
        ("drifting by 2 % a day", lambda day: 1 + 0.02 * day, 1),
        ("knocked up on the third day", lambda day: 1.0 if day < 2.6 else 1.25, 2),
        ("knocked down on the third day", lambda day: 1.0 if day < 2.6 else 0.85, 2),
        ("knocked twice and drifting", lambda d: (1 + 0.01 * d) * (1.2 if 2 < d < 4 else 1), 3),
        ("with an apple on it for an hour", lambda day: 1.5 if 3 < day < 3.04 else 1.0, 1),
    ],
)
def test_a_hanging_scale_alone_tells_how_dry(
    name: str, error: Callable[[float], float], scales_taken: int
) -> None:
    """Whatever befalls it, the exponential it weighed lies near the middle of the members."""
    told = hung_on_a_scale(error)
    assert len({one.scale for one in told}) == scales_taken, name
    here = air(8.1)
    moisture = recompute(HUNG, PRIOR, here, told).moisture_pct_db
    blind = recompute(HUNG, PRIOR, here).moisture_pct_db
    truth = 11 + 289 * np.exp(-0.02 * len(here))
    assert abs(np.median(moisture) - truth) < 6, name
    assert np.ptp(np.quantile(moisture, (0.1, 0.9))) < np.ptp(np.quantile(blind, (0.1, 0.9)))


def test_only_ratios_of_weighings_count() -> None:
    """A bunch of twice the mass, weighed without noise, is the same batch (but for the scale)."""
    here = air(8.1)
    one = np.median(recompute(HUNG, PRIOR, here, weighings()).moisture_pct_db)
    two = np.median(recompute(HUNG, PRIOR, here, weighings(dry_matter_g=80)).moisture_pct_db)
    assert two == pytest.approx(one, rel=0.05)


def test_a_stem_that_snaps_or_bends() -> None:
    here, minute = air(10), HUNG.minute + 9 * 1440
    unasked = say(recompute(HUNG, PRIOR, here), here).p_crisp
    for snapped, sign in ((True, 1), (False, -1)):
        told = recompute(HUNG, PRIOR, here, (), [dryness.BentStem(minute, snapped)])
        assert sign * (say(told, here).p_crisp - unasked) > 0.1


def test_resampling_keeps_the_members_apart() -> None:
    tests = [dryness.BentStem(HUNG.minute + day * 1440, False) for day in (7, 8, 9)]
    told = recompute(HUNG, PRIOR, air(10), weighings(), tests)
    assert np.unique(told.points, axis=0).shape[0] == members.COUNT
    assert (told.points.std(axis=0) > 0.05).all()


# What comes out -----------------------------------------------------------------------------


def test_good_air_gives_a_date_and_then_crisp() -> None:
    here = air(30, 21, 42, swing=2)
    early = here.before(HUNG.hour + 48)
    said = say(recompute(HUNG, PRIOR, early), early)
    assert said.state == "expected"
    assert said.crisp_p10 is not None
    assert said.crisp_p50 is not None
    assert said.crisp_p90 is not None
    assert HUNG.minute < said.crisp_p10 < said.crisp_p50 < said.crisp_p90
    later = say(recompute(HUNG, PRIOR, here), here)
    assert later.state == "crisp"
    assert later.still_to_lose_pct == 0
    assert later.p_crisp > 0.8


def test_damp_air_cannot_finish_and_says_what_would_do() -> None:
    here = air(10, 6, 86)
    said = say(recompute(HUNG, PRIOR, here), here)
    assert said.state == "cannot_finish"
    assert said.crisp_p50 is None
    assert said.humidity_needed is not None
    assert 35 <= said.humidity_needed <= 60


def test_a_batch_that_loses_nothing_has_stalled() -> None:
    wet = air(60, 6, 90)
    assert say(recompute(HUNG, PRIOR, wet), wet).stalled
    fresh = air(1)
    assert not say(recompute(HUNG, PRIOR, fresh), fresh).stalled


def test_a_target_in_moisture_is_taken_as_told() -> None:
    told = replace(HUNG, target_pct_db=12.0)
    assert (dryness.begin(told, PRIOR).members.target == 12.0).all()


def test_another_space_would_have_been_better() -> None:
    ensemble = recompute(HUNG, PRIOR, air(8, 12, 70), weighings())
    better = elsewhere(ensemble, air(8, 22, 45))
    assert np.median(better.moisture_pct_db) < np.median(ensemble.moisture_pct_db)
    assert same(elsewhere(ensemble, air(8, 12, 70)), ensemble)


def test_a_kept_batch_takes_up_water_again() -> None:
    dry = recompute(HUNG, PRIOR, air(30, 22, 35))
    hour = dry.hour + np.arange(30 * 24)
    damp = HourlyAir(hour, np.full(720, 12.0), np.full(720, 85.0), np.ones(720))
    kept = dryness.step(dry, damp)
    was_dry = np.isfinite(dry.crisp_hour)
    assert (dry.moisture_pct_db <= dry.members.target).mean() > 0.9
    assert (was_dry & (kept.moisture_pct_db > kept.members.target)).mean() > 0.9
    assert (kept.moisture_pct_db >= dry.moisture_pct_db - 1e-9).all()


def test_finished_batches_teach_the_next() -> None:
    """Fast batches make the next one thought faster and surer, but not as fast as they were."""
    here = air(8.1)
    done = recompute(HUNG, PRIOR, here, weighings(0.04))
    taught = members.learned([members.evidence(done.points, PRIOR)] * 4)
    was, own = done.points[:, members.RATE].mean(), taught.mean[members.RATE]
    assert 0.2 < own < was
    assert taught.covariance[members.RATE, members.RATE] < 0.8
    nothing = members.learned([])
    assert np.allclose(nothing.mean, 0)
    assert np.allclose(nothing.covariance, np.eye(members.COORDINATES))


# Common practice, no source -----------------------------------------------------------------


def test_small_bunches_in_a_good_room_take_one_to_three_weeks() -> None:
    """Common practice: 8-10 strawflowers in a well-aired, dark, dry room."""
    here = air(40, 20, 48, swing=1)
    crisp = recompute(replace(HUNG, stems=9), PRIOR, here).crisp_hour
    days = (np.nan_to_num(crisp, nan=np.inf) - HUNG.hour) / 24
    assert 7 <= np.median(days) <= 21


def test_fat_bunches_dry_slower() -> None:
    """Common practice; the factor is our own choice."""
    fat, thin = (recompute(replace(HUNG, stems=stems), PRIOR, air(6)) for stems in (30, 10))
    assert np.median(fat.moisture_pct_db) > np.median(thin.moisture_pct_db)


def test_a_shed_that_bakes_opens_heads_and_a_cool_room_hardly_does() -> None:
    """Common practice."""
    shed, room = air(14, 26, 50, swing=10), air(14, 17, 50, swing=1)
    words = []
    for here in (shed, room):
        words.append(prospects.opening_of(recompute(HUNG, PRIOR, here)))
    assert words[0] in ("some", "much")
    assert words[1] == "little"
    statice = replace(HUNG, flower=BOOK.flowers["statice"])
    assert prospects.opening_of(recompute(statice, PRIOR, shed)) is None


def test_colour_lasts_half_a_year_in_a_room_and_weeks_in_the_sun() -> None:
    """Common practice: six to eight months at about 200 lx for ten hours a day."""
    flower = BOOK.flowers["strawflower"]
    room = prospects.colour_left(flower, "pink", 0, 200 * 10).months_left
    sun = prospects.colour_left(flower, "pink", 0, 40_000 * 6, ultraviolet=True).months_left
    assert room is not None
    assert sun is not None
    assert 6 <= room <= 8
    assert sun < 1
    orange = prospects.colour_left(flower, "orange", 0, 200 * 10).months_left
    assert orange is not None
    assert orange > room


def test_starts_within_the_book() -> None:
    """Water when cut of the members spans the book's range and little more."""
    water = drying.wet_basis_pct(dryness.begin(HUNG, PRIOR).members.start)
    low, high = HUNG.flower.water_pct_wb
    assert ((water > low) & (water < high)).mean() > 0.8
