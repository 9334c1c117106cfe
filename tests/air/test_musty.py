"""Mould of a space hour by hour, and batches that dry too slowly."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.air.minute import MinuteOfAir, Musty, safe_to_store, surface_of
from monitor.air.spells import Spell
from monitor.drying.prospects import Prospect
from monitor.entries.batches import Batch, Stay
from monitor.notices.notice import Circumstances, Weight
from monitor.notices.once_rules import BatchRules
from monitor.notices.sentences.spells import best_thing
from monitor.science import moist_air, mould
from monitor.site.kinds import Kind
from monitor.site.spaces import Limits, Space, Use
from monitor.site.time import HOUR_MS
from tests.engine.test_engine import BOOK, SITE, SPACES, START_MS, message, run


def air(minute: int, t: float, rh: float, surface_c: float | None = None) -> MinuteOfAir:
    made = moist_air.state(t, rh, 101_325)
    assert made.dew_point_c is not None
    margin = None if surface_c is None else surface_c - made.dew_point_c
    return MinuteOfAir(
        minute, "granary", t, rh, None, made.dew_point_c, made.vpd_kpa, made.humidity_ratio_g_kg,
        made.absolute_humidity_g_m3, margin, 1,
    )  # fmt: skip


def hours(count: int, t: float, rh: float, begin: Musty | None = None, first: int = 0) -> Musty:
    state = begin or Musty()
    for hour in range(first, first + count):
        for minute in range(60 * hour, 60 * hour + 60, 2):
            state = state.with_minute(minute, air(minute, t, rh))
    return state.with_minute(60 * (first + count), None)


def test_four_weeks_at_20_degrees_and_90_percent() -> None:
    """Hukka and Viitanen's index, class sensitive, hour by hour: 0.5492 after 28 days."""
    assert hours(28 * 24, 20, 90).measured() == pytest.approx(0.5492, abs=0.002)


def test_the_wall_decides_not_the_room() -> None:
    """18 °C/65 % at a wall of 14 °C is 83.93 % there."""
    at = surface_of(air(0, 18, 65, 14.0))
    assert at is not None
    assert at == pytest.approx((14.0, 83.93), abs=0.05)
    assert surface_of(air(0, 18, 65)) == (18, 65)


def test_it_is_over_after_a_dry_day_and_comes_back_with_the_damp() -> None:
    damp = hours(60 * 24, 22, 97)
    assert damp.measured() > 1
    dry = hours(30, 22, 40, damp, 60 * 24)
    assert dry.measured() == 0.0
    assert dry.grown.value > 0.9, "the traces stay"
    again = hours(2, 22, 97, dry, 60 * 24 + 30)
    assert again.measured() > 1


def test_hours_not_told_of_leave_the_mould_as_it_was() -> None:
    damp = hours(48, 20, 95)
    assert damp.with_minute(60 * 500, None).grown == damp.grown


def test_the_state_survives_a_checkpoint() -> None:
    damp = hours(30, 20, 95)
    kept = json.loads(json.dumps(damp))
    assert Musty(mould.Mould(*kept[0]), *kept[1:]) == damp


def test_safe_storage() -> None:
    """Beuchat 1981: nothing grows below a water activity of 0.60."""
    assert safe_to_store(59)
    assert not safe_to_store(60)


def test_a_musty_spell_through_the_engine(tmp_path: Path) -> None:
    """Two damp days reach a small limit; a dry day and a half ends the spell; restarts and late
    readings change nothing."""
    limits = Limits(musty_index=0.02)
    spaces = {"loft": Space("loft", Use.HANGING, limits), "outdoors": SPACES["outdoors"]}
    site = replace(SITE, spaces=spaces)
    heard = [
        message(
            name, 5 * five + 0.3, 20 + five % 7 / 10, (95 if five < 12 * 48 else 40) + five % 5 / 5
        )
        for five in range(12 * 84)
        for name in ("a", "b", "o")
    ]
    in_order = run(tmp_path / "1.sqlite", heard, site=site)
    musty = [s for s in in_order["spells"] if s.kind is Kind.MUSTY]
    assert len(musty) == 1
    assert (musty[0].space, musty[0].sensor) == ("loft", None)
    # Class sensitive at 20 °C and 95 %: about 0.0416 a day, so half a day to 0.02.
    assert 10 * 60 < musty[0].began - START_MS // 60_000 < 14 * 60
    assert musty[0].ended is not None
    assert 71 * 60 <= musty[0].ended - START_MS // 60_000 <= 74 * 60
    assert 0.06 < musty[0].worst < 0.1
    told = [row for row in in_order["notices"] if row[0] == "musty"]
    assert {row[4] for row in told} >= {"began", "ended"}
    late = [m for m in heard if m not in heard[1000:1300]] + heard[1000:1300]
    again = run(tmp_path / "2.sqlite", late, restart_every=3, site=site)
    assert again["spells"] == in_order["spells"]


def test_a_batch_that_dries_too_slowly_is_told_of_once() -> None:
    now_ms = START_MS + 6 * 24 * HOUR_MS
    batch = Batch("statice-1", 1, "statice", 6, START_MS, (Stay(START_MS, None, "loft"),))
    left = Prospect(
        1, now_ms, "unknown", 71.0, 200.0, 0.0, None, None, None, 2.0, False, 60.0, damp_h=97
    )
    teller = BatchRules(SITE, BOOK, lambda kind, place: False)
    (notice,) = teller.tell(batch, left, {})
    assert (notice.kind, notice.weight, notice.space) == ("drying-slowly", Weight.SOON, "loft")
    assert "weighing" in notice.body
    assert "our own rule of thumb, no standard" in notice.body
    assert "Do not shake" in notice.body
    assert teller.tell(batch, left, {}) == []
    fresh = BatchRules(SITE, BOOK, lambda kind, place: False)
    assert fresh.tell(batch, replace(left, damp_h=95), {}) == []
    assert fresh.tell(batch, replace(left, still_to_lose_pct=49.0), {}) == []


def test_the_musty_notice_carries_its_caution() -> None:
    spell = Spell(Kind.MUSTY, "loft", None, 10, 10, None, 1.2)
    advice = best_thing(spell, Circumstances(SITE, 100_000.0))
    for word in ("shake", "bag", "FFP3"):
        assert word in advice.caution
