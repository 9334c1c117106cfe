"""The tables of quantities and kinds are whole, and what they name is there."""

from dataclasses import fields

import pytest

from monitor.air.minute import MinuteOfAir
from monitor.intake.vocabulary import CALLED
from monitor.site.kinds import Kind, worst_first
from monitor.site.quantities import MEASURED, Quantity, units
from monitor.site.spaces import Delays, Limits, Use


@pytest.mark.parametrize("quantity", Quantity)
def test_a_quantity_is_kept_in_a_unit_that_it_may_be_sent_in(quantity: Quantity) -> None:
    row = quantity.row
    assert row.units[row.unit] == (0.0, 1.0)
    assert set(row.senml.values()) <= set(units(quantity))
    assert row.range[0] < row.range[1]
    assert not row.column or row.column in MinuteOfAir._fields
    assert row.foretold is not None or quantity in MEASURED


@pytest.mark.parametrize("quantity", MEASURED)
def test_a_guess_can_be_written_into_the_settings(quantity: Quantity) -> None:
    likely = CALLED[quantity].likely
    assert {one.unit for one in likely} <= set(units(quantity))
    assert all(one.low < one.high for one in likely)


@pytest.mark.parametrize("kind", Kind)
def test_what_a_kind_names_is_there(kind: Kind) -> None:
    row = kind.row
    assert not row.limit or row.limit in {one.name for one in fields(Limits)}
    assert not row.column or row.column in MinuteOfAir._fields
    assert row.fault is not bool(row.limit)
    assert row.weight in ("now", "soon", "note")
    if row.quantity is not None:
        assert (row.unit, row.column) == (row.quantity.row.unit, row.quantity.row.column)
        assert row.extreme
    for use in Use:
        assert kind.advice(use).to_do


def test_a_delay_is_a_kind_s_or_that_of_urgent_dampness() -> None:
    assert {one.name for one in fields(Delays)} == {*Kind} - {"musty", "stuck"} | {"damp_now"}


def test_the_worst_stands_first() -> None:
    assert [kind.row.rank for kind in worst_first()] == list(range(len(Kind)))
    assert (worst_first()[0], worst_first()[-1]) == (Kind.MUSTY, Kind.COLD)
