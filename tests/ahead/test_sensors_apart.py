"""What airings teach of two sensors: true airs made here, told with offsets that are known."""

import math

import numpy as np
import pytest

from monitor.ahead.airing import AdviceKept, Doors, advise
from monitor.ahead.sensors_apart import UNTAUGHT, SameAir, an_hour_later, difference, taught
from monitor.air.minute import MinuteOfAir
from monitor.science import moist_air

PRESSURE_PA = 101_325.0


def told(known: SameAir, inside: tuple[float, float], outside: tuple[float, float]) -> np.ndarray:  # type: ignore[type-arg]
    airs = [(np.array(t), np.array(rh)) for t, rh in (inside, outside)]
    return np.array(difference(known, airs[0], airs[1], PRESSURE_PA))


def test_untaught_it_is_the_doubt_of_both_data_sheets() -> None:
    """0.46 g/kg at 20 °C/50 % and 0.19 at 5 °C/90 %, from the analytic slopes of the ASHRAE
    equations in psychrolib 2.5.0 (as for one sensor); the two are independent."""
    _, doubt = told(UNTAUGHT, (20, 50), (5, 90))
    assert doubt == pytest.approx(math.hypot(0.46, 0.19), abs=0.01)


def aired_hours(hours: int, too_high_pct: float, seed: int = 7) -> SameAir:
    """A room aired in changing weather, whose sensor tells so much more than it should; what still
    hangs there gives 0.1 g/kg."""
    rng, known = np.random.default_rng(seed), UNTAUGHT
    for _ in range(hours):
        t, rh = rng.uniform(12, 24), rng.uniform(45, 80)
        given_pct = 0.1 / (moist_air.state(t, 100, PRESSURE_PA).humidity_ratio_g_kg / 100)
        indoors = (t, rh + given_pct + too_high_pct + rng.normal(0, 0.3))
        known = taught(an_hour_later(known), indoors, (t, rh + rng.normal(0, 0.5)), PRESSURE_PA)
    return known


@pytest.mark.parametrize("too_high_pct", [-4.0, 0.0, 4.0])
def test_airings_teach_the_offset_and_lessen_the_doubt(too_high_pct: float) -> None:
    """Truly 18 °C/70 % inside and 16 °C/60 % outside: the difference by psychrolib."""
    known = aired_hours(12, too_high_pct)
    inside, outside = ((18, 70), (16, 60))
    true = (
        moist_air.state(*inside, PRESSURE_PA).humidity_ratio_g_kg
        - moist_air.state(*outside, PRESSURE_PA).humidity_ratio_g_kg
    )
    gain, doubt = told(known, (18, 70 + too_high_pct), outside)
    _, before = told(UNTAUGHT, (18, 70 + too_high_pct), outside)
    assert gain == pytest.approx(true, abs=0.2)
    assert doubt < before / 3


def test_a_sensor_that_was_changed_is_learned_anew() -> None:
    known = aired_hours(12, 4.0)
    assert taught(known, (18, 40), (18, 65), PRESSURE_PA) == UNTAUGHT


def test_in_a_year_without_airings_it_is_forgotten_and_no_more() -> None:
    known = aired_hours(12, 4.0)
    for _ in range(24 * 365):
        known = an_hour_later(known)
    _, after = told(known, (18, 60), (18, 60))
    _, untaught = told(UNTAUGHT, (18, 60), (18, 60))
    assert 0.7 * untaught < after <= untaught


def air(t: float, rh: float) -> MinuteOfAir:
    made = moist_air.state(t, rh, PRESSURE_PA)
    return MinuteOfAir(
        0, "granary", t, rh, None, made.dew_point_c, made.vpd_kpa, made.humidity_ratio_g_kg,
        made.absolute_humidity_g_m3, None, 1,
    )  # fmt: skip


def test_only_an_airing_that_is_seen_teaches() -> None:
    """Damp within and dry outside: open. An hour later it has come down, or nobody went."""
    outside = air(17, 50)
    advice, standing = advise(AdviceKept(), air(18, 85), outside, PRESSURE_PA)
    assert advice is not None
    assert advice.verb is Doors.OPEN
    _, opened = advise(standing, air(17.5, 53), outside, PRESSURE_PA)
    _, nobody = advise(standing, air(18, 85), outside, PRESSURE_PA)
    doubts = [told(s.sensors, (18, 85), (17, 50))[1] for s in (standing, opened, nobody)]
    assert doubts[1] < 0.6 * doubts[0]
    assert doubts[2] == pytest.approx(doubts[0], rel=0.01)


def test_an_hour_in_which_nothing_is_known_forgets_the_advice_and_not_the_sensors() -> None:
    _, standing = advise(AdviceKept(), air(18, 85), air(17, 50), PRESSURE_PA)
    _, opened = advise(standing, air(17.5, 53), air(17, 50), PRESSURE_PA)
    nothing, after = advise(opened, None, air(17, 50), PRESSURE_PA)
    assert nothing is None
    assert after == AdviceKept(sensors=opened.sensors)
