"""The salt test. Greenspan 1977, J. Res. NBS 81A(1): humidity over saturated salts."""

import numpy as np
import pytest

from monitor.places.saltcheck import against_salt, side_by_side
from monitor.science import moist_air
from monitor.science.sorption import Salt, salt_humidity

MINUTE = np.arange(0, 24 * 60, 5, dtype=np.int64)


@pytest.mark.parametrize(
    ("salt", "t", "rh", "doubt"),
    [(Salt.TABLE, 15, 75.61, 0.18), (Salt.TABLE, 20, 75.47, 0.14), (Salt.TABLE, 25, 75.29, 0.12),
     (Salt.TABLE, 30, 75.09, 0.11), (Salt.MAGNESIUM, 15, 33.30, 0.21),
     (Salt.MAGNESIUM, 20, 33.07, 0.18), (Salt.MAGNESIUM, 25, 32.78, 0.16),
     (Salt.MAGNESIUM, 30, 32.44, 0.14)],
)  # fmt: skip
def test_published_values(salt: Salt, t: float, rh: float, doubt: float) -> None:
    assert salt_humidity(salt, t) == pytest.approx((rh, doubt))


def test_between_two_published_temperatures() -> None:
    assert 75.29 < salt_humidity(Salt.TABLE, 22)[0] < 75.47
    with pytest.raises(ValueError, match="15 to"):
        salt_humidity(Salt.TABLE, 8)


def test_a_kelvin_between_salt_and_sensor() -> None:
    """75.47 % at 20 °C reads 70.95 % on a sensor 1 K warmer (PsychroLib 2.5.0)."""
    warm = moist_air.surface_relative_humidity(20, 75.47, 21)
    assert warm == pytest.approx(70.95, abs=0.02)


def jar(offset: float, end_c: float = 20.0, hours_to_settle: float = 2.0) -> tuple[np.ndarray, ...]:  # type: ignore[type-arg]
    rng = np.random.default_rng(1)
    gone = np.exp(-MINUTE / 60 / hours_to_settle)
    t = end_c + 0.03 * rng.normal(size=MINUTE.size)
    rh = 75.47 - offset - 25 * gone + 0.1 * rng.normal(size=MINUTE.size)
    return t, rh


@pytest.mark.parametrize("offset", [-4.0, 3.0, 5.5])
def test_the_offset_is_found(offset: float) -> None:
    check = against_salt(Salt.TABLE, MINUTE, *jar(offset))
    assert check.settled
    assert check.worth_it
    assert check.offset_pct is not None
    assert check.doubt_pct is not None
    assert check.offset_pct == pytest.approx(offset, abs=2 * check.doubt_pct)
    assert 0.2 < check.doubt_pct < 1.0
    assert "undo" in check.says


def test_within_the_doubt_nothing_is_changed() -> None:
    check = against_salt(Salt.TABLE, MINUTE, *jar(0.3))
    assert check.settled
    assert not check.worth_it
    assert "leave it" in check.says


@pytest.mark.parametrize("part", [slice(0, 100), slice(0, 0)])
def test_not_before_it_has_been_shut_in_long_enough(part: slice) -> None:
    t, rh = jar(3.0)
    check = against_salt(Salt.TABLE, MINUTE[part], t[part], rh[part])
    assert not check.settled
    assert check.offset_pct is None


def test_not_while_it_still_moves() -> None:
    check = against_salt(Salt.TABLE, MINUTE, *jar(3.0, hours_to_settle=12))
    assert not check.settled
    t, rh = jar(3.0)
    assert not against_salt(
        Salt.TABLE,
        MINUTE,
        t + MINUTE / 200,
        rh,  # 0.9 K in three hours
    ).settled


def test_in_a_cold_shed_there_is_no_answer() -> None:
    check = against_salt(Salt.TABLE, MINUTE, *jar(3.0, end_c=8))
    assert not check.settled
    assert "indoors" in check.says


def test_far_off_is_not_corrected() -> None:
    check = against_salt(Salt.TABLE, MINUTE, *jar(15.0))
    assert check.settled
    assert not check.worth_it
    assert "replace" in check.says


def test_side_by_side() -> None:
    t, rh = jar(0.0)
    check = side_by_side(MINUTE, (t, rh - 6), (t, rh), 1.0)
    assert check.worth_it
    assert check.offset_pct == pytest.approx(6.0, abs=0.01)
    assert check.doubt_pct is not None
    assert check.doubt_pct > 1.0, "never surer than the sensor it is held against"
