"""Batches folded from entries: whole lives, and histories that contradict themselves."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.entries.batches import (
    Batch,
    BatchState,
    Outcome,
    Problem,
    SnapTest,
    Stay,
    Weighing,
    described,
    fold,
    hanging_in,
    kept_in,
    key_of,
)
from monitor.entries.entries import JSON, Entry, standing
from monitor.site.spaces import Space, Use

SPACES = {
    name: Space(name, use)
    for name, use in [
        ("loft", Use.HANGING),
        ("spare room", Use.HANGING),
        ("box", Use.STORING),
        ("window", Use.SHOWING),
        ("outdoors", Use.OUTDOORS),
    ]
}


def at(number: int, time: int, verb: str, changes: int | None = None, **said: JSON) -> Entry:
    return Entry(number, 0, time, verb, said, changes)


HUNG = at(1, 10, "hang", flower="statice", space="loft", bunches=6, name="statice-1")


def test_a_whole_life() -> None:
    history = fold(
        standing(
            [
                at(
                    1,
                    10,
                    "hang",
                    flower="statice",
                    space="loft",
                    bunches=6,
                    name="statice-1",
                    colour="violet",
                    stems_per_bunch=10,
                    fresh_mass_g=210.0,
                    target_pct_db=12.0,
                ),
                at(2, 20, "weigh", batch=1, grams=180.0),
                at(3, 30, "move", batch=1, space="spare room"),
                at(4, 40, "snap", batch=1, result="bends"),
                at(5, 50, "snap", batch=1, result="snaps"),
                at(6, 60, "takedown", batch=1, good=50, mould=2, note="fine", space="box"),
                at(7, 70, "weigh", batch=1, grams=60.0),
                at(8, 80, "move", batch=1, space="window"),
                at(9, 90, "move", batch=1, space="away"),
            ]
        ),
        SPACES,
    )
    assert history.problems == ()
    assert history.batches == (
        Batch(
            name="statice-1",
            hung_by=1,
            flower="statice",
            bunches=6,
            hung_ms=10,
            stays=(
                Stay(10, 30, "loft"),
                Stay(30, 60, "spare room"),
                Stay(60, 80, "box"),
                Stay(80, 90, "window"),
            ),
            colour="violet",
            stems_per_bunch=10,
            fresh_mass_g=210.0,
            target_pct_db=12.0,
            weighings=(Weighing(20, 180.0), Weighing(70, 60.0)),
            snap_tests=(SnapTest(40, False), SnapTest(50, True)),
            taken_down_ms=60,
            taken_down_by=6,
            outcome=Outcome(good=50, mould=2),
            note="fine",
        ),
    )
    batch = history.batches[0]
    assert (batch.state, batch.space) == (BatchState.TAKEN_DOWN, None)
    assert [batch.space_at(t) for t in (9, 10, 29, 30, 59, 60, 89, 90)] == [
        *(None, "loft", "loft", "spare room", "spare room", "box", "window", None)
    ]
    assert [t for t in range(100) if hanging_in(history.batches, "loft", t)] == list(range(10, 30))
    assert [t for t in range(100) if kept_in(history.batches, "box", t)] == list(range(60, 80))
    assert history.named("Statice 1") == batch


@pytest.mark.parametrize(
    ("entries", "problems"),
    [
        (
            [HUNG, at(2, 5, "weigh", batch=1, grams=9.0)],
            [
                Problem(
                    2,
                    "statice-1 was hung only later (entry 1); give a later time, or correct the "
                    "time of entry 1",
                    "at",
                )
            ],
        ),
        (
            [HUNG, at(2, 20, "undo", 1), at(3, 30, "snap", batch=1, result="bends")],
            [Problem(3, "the hanging it belongs to (entry 1) does not count", "batch")],
        ),
        (
            [HUNG, HUNG._replace(id=2, at_ms=30)],
            [
                Problem(
                    2, "a batch is already named statice-1 (entry 1); choose another name", "name"
                )
            ],
        ),
        (
            [HUNG, at(2, 20, "takedown", batch=1), at(3, 30, "takedown", batch=1)],
            [Problem(3, "statice-1 was already taken down (entry 2); correct 2 instead", "batch")],
        ),
        (
            [HUNG, at(2, 20, "takedown", batch=1), at(3, 30, "move", batch=1, space="loft")],
            [
                Problem(
                    3,
                    "statice-1 was taken down before (entry 2) and loft is for hanging; to hang "
                    "it on, undo 2 first",
                    "space",
                )
            ],
        ),
        (
            [HUNG, at(2, 20, "move", batch=1, space="box")],
            [
                Problem(
                    2,
                    "statice-1 still hangs; take it down first: takedown statice-1 --space box",
                    "space",
                )
            ],
        ),
        (
            [HUNG, at(2, 20, "move", batch=1, space="away")],
            [Problem(2, "statice-1 still hangs; take it down first: takedown statice-1", "space")],
        ),
        (
            [HUNG, at(2, 20, "takedown", batch=1, space="loft")],
            [
                Problem(
                    2, "loft is for hanging; for storing or showing, choose box or window", "space"
                )
            ],
        ),
        (
            [at(1, 10, "hang", flower="statice", space="box", bunches=6, name="a")],
            [Problem(1, "box is for storing; for hanging, choose loft or spare room", "space")],
        ),
        (
            [HUNG, at(2, 20, "move", batch=1, space="outdoors")],
            [
                Problem(
                    2,
                    "outdoors is only there to compare with; for hanging, choose spare room",
                    "space",
                )
            ],
        ),
        (
            [at(1, 10, "hang", flower="statice", bunches=6)],
            [Problem(1, "a hanging needs the space", "space")],
        ),
        # a correction in time that leaves an earlier move after the taking down
        (
            [
                HUNG,
                at(2, 20, "move", batch=1, space="spare room"),
                at(3, 30, "takedown", batch=1),
                at(4, 40, "correct", 3, at_ms=15),
            ],
            [
                Problem(
                    2,
                    "statice-1 was taken down before (entry 3) and spare room is for hanging; to "
                    "hang it on, undo 3 first",
                    "space",
                )
            ],
        ),
    ],
)
def test_impossible_entries_are_skipped_and_said(
    entries: list[Entry], problems: list[Problem]
) -> None:
    assert list(fold(standing(entries), SPACES).problems) == problems


def test_a_batch_may_be_renamed_and_keeps_its_weighings() -> None:
    renamed = at(3, 30, "correct", 1, name="east rail")
    history = fold(standing([HUNG, at(2, 20, "weigh", batch=1, grams=9.0), renamed]), SPACES)
    assert history.problems == ()
    assert history.batches[0].name == "east rail"
    assert history.batches[0].weighings == (Weighing(20, 9.0),)


def test_a_space_gone_from_the_settings_keeps_its_batches() -> None:
    history = fold(standing([HUNG]), {})
    assert hanging_in(history.batches, "loft", 10) == list(history.batches)


def test_in_plain_words() -> None:
    def batch(bunches: int, flower: str, colour: str | None = None) -> Batch:
        return Batch("x", 1, flower, bunches, 0, (Stay(0, None, "loft"),), colour)

    six, one = batch(6, "statice", "violet"), batch(1, "larkspur")
    assert described(six) == "six bunches of statice (violet)"
    assert described(one) == "one bunch of larkspur"
    assert described(batch(12, "yarrow")) == "twelve bunches of yarrow"
    assert described(batch(13, "yarrow")) == "13 bunches of yarrow"


TIMES = st.integers(0, 12)
PLACES = st.sampled_from([*SPACES, "away", "gone barn"])


@st.composite
def tangles(draw: st.DrawFn) -> list[Entry]:
    """Any entries whatever, valid in their parts, in any order, with any changes to them."""
    made: list[Entry] = []
    for number in range(1, draw(st.integers(1, 16)) + 1):
        batch, space, time = draw(st.integers(1, 8)), draw(PLACES), draw(TIMES)
        said: dict[str, JSON]
        verb, said = draw(
            st.sampled_from(
                [
                    ("hang", {"flower": "statice", "space": space, "bunches": 2}),
                    ("hang", {"flower": "yarrow", "space": space, "bunches": 1, "name": "same"}),
                    ("weigh", {"batch": batch, "grams": 50.0}),
                    ("snap", {"batch": batch, "result": "snaps"}),
                    ("move", {"batch": batch, "space": space}),
                    ("takedown", {"batch": batch, "space": space, "good": 1}),
                    ("takedown", {"batch": batch}),
                    ("seen", {}),
                    ("correct", {"at_ms": time}),
                    ("correct", {"space": space}),
                    ("correct", {"batch": batch, "name": None}),
                    ("undo", {}),
                ]
            )
        )
        changes = draw(st.integers(1, number)) if verb in ("correct", "undo") else None
        made.append(Entry(number, number, draw(TIMES), verb, dict(said), changes))
    return made


@given(tangles())
def test_no_history_whatever_raises_and_batches_stay_whole(made: list[Entry]) -> None:
    stands = [e for e in standing(made) if e.verb != "seen"]
    # only hangings have names; a patch can put one on another verb, which is passed over
    history = fold(stands, SPACES)
    counted = {p.entry for p in history.problems}
    assert counted <= {e.id for e in stands}
    assert len({key_of(b.name) for b in history.batches}) == len(history.batches)
    for batch in history.batches:
        assert batch.stays[0].from_ms == batch.hung_ms
        ends = [s.until_ms for s in batch.stays]
        assert all(end is not None for end in ends[:-1])
        for stay in batch.stays:
            assert stay.until_ms is None or stay.from_ms <= stay.until_ms
            use = SPACES[stay.space].use if stay.space in SPACES else None
            kept = batch.taken_down_ms is not None and stay.from_ms >= batch.taken_down_ms
            if use is not None and stay.from_ms != stay.until_ms:
                assert (use in (Use.STORING, Use.SHOWING)) == kept
    # every entry either counts in a batch or is reported
    told = sum(1 + len(b.weighings) + len(b.snap_tests) for b in history.batches)
    plain = [e for e in stands if e.verb in ("hang", "weigh", "snap")]
    assert told == len([e for e in plain if e.id not in counted])
