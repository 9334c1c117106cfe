"""The history that only grows: what stands after corrections and undoings."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.entries.entries import JSON, Entry, first_of, standing, undone


def entry(number: int, verb: str, changes: int | None = None, **said: JSON) -> Entry:
    return Entry(number, number * 1000, number * 1000, verb, said, changes)


HUNG = entry(1, "hang", bunches=6, colour="violet")


@pytest.mark.parametrize(
    ("later", "expected"),
    [
        ([], {"bunches": 6, "colour": "violet"}),
        ([entry(2, "correct", 1, bunches=7)], {"bunches": 7, "colour": "violet"}),
        ([entry(2, "correct", 1, colour=None)], {"bunches": 6}),
        # a later correction is laid over an earlier one, and leaves the rest of it
        (
            [entry(2, "correct", 1, bunches=7, colour="blue"), entry(3, "correct", 1, bunches=8)],
            {"bunches": 8, "colour": "blue"},
        ),
        # a correction of a correction
        (
            [entry(2, "correct", 1, bunches=7), entry(3, "correct", 2, bunches=9)],
            {"bunches": 9, "colour": "violet"},
        ),
        # … keeps the place of the correction it corrects: entry 3 is still the later one
        (
            [
                entry(2, "correct", 1, bunches=7),
                entry(3, "correct", 1, bunches=8),
                entry(4, "correct", 2, bunches=9),
            ],
            {"bunches": 8, "colour": "violet"},
        ),
        # undoing a correction
        (
            [entry(2, "correct", 1, bunches=7), entry(3, "undo", 2)],
            {"bunches": 6, "colour": "violet"},
        ),
        # undoing, and undoing that
        ([entry(2, "undo", 1)], None),
        ([entry(2, "undo", 1), entry(3, "undo", 2)], {"bunches": 6, "colour": "violet"}),
        ([entry(2, "undo", 1), entry(3, "undo", 2), entry(4, "undo", 3)], None),
        # a correction waits under an undoing and is there again after it
        (
            [entry(2, "undo", 1), entry(3, "correct", 1, bunches=7), entry(4, "undo", 2)],
            {"bunches": 7, "colour": "violet"},
        ),
        # two undoings: one of them undone still leaves the other
        ([entry(2, "undo", 1), entry(3, "undo", 1), entry(4, "undo", 2)], None),
        # changes of nothing, of oneself, of what comes later: without effect
        (
            [entry(2, "undo", 77), entry(3, "undo", 3), entry(4, "correct", 5, bunches=1)],
            {"bunches": 6, "colour": "violet"},
        ),
    ],
)
def test_what_stands(later: list[Entry], expected: dict[str, JSON] | None) -> None:
    found = {e.id: e.arguments for e in standing([HUNG, *later])}
    assert found.get(1) == expected


def test_a_corrected_time_moves_the_entry() -> None:
    weighed = entry(2, "weigh", grams=100.0)
    back = entry(3, "correct", 2, at_ms=500)
    assert [(e.id, e.at_ms) for e in standing([HUNG, weighed, back])] == [(2, 500), (1, 1000)]
    assert standing([HUNG, weighed, back])[0].arguments == {"grams": 100.0}


# RFC 7396, appendix A: the rows of its example table whose documents are one level deep.
@pytest.mark.parametrize(
    ("original", "patch", "result"),
    [
        ({"a": "b"}, {"a": "c"}, {"a": "c"}),
        ({"a": "b"}, {"b": "c"}, {"a": "b", "b": "c"}),
        ({"a": "b"}, {"a": None}, {}),
        ({"a": "b", "b": "c"}, {"a": None}, {"b": "c"}),
        ({"a": ["b"]}, {"a": "c"}, {"a": "c"}),
        ({"a": "c"}, {"a": ["b"]}, {"a": ["b"]}),
        ({"a": [1]}, {"a": [2]}, {"a": [2]}),
    ],
)
def test_corrections_merge_as_rfc_7396_says(
    original: dict[str, JSON], patch: dict[str, JSON], result: dict[str, JSON]
) -> None:
    found = standing([Entry(1, 0, 0, "hang", original), Entry(2, 0, 0, "correct", patch, 1)])
    assert found == [Entry(1, 0, 0, "hang", result)]


def test_the_root_of_a_chain() -> None:
    chain = {e.id: e for e in [HUNG, entry(2, "correct", 1), entry(3, "undo", 2)]}
    assert first_of(chain, 3) == HUNG
    assert first_of(chain, 9) is None
    assert first_of({4: entry(4, "undo", 4)}, 4) is None


@st.composite
def histories(draw: st.DrawFn) -> list[Entry]:
    made = []
    for number in range(1, draw(st.integers(1, 14)) + 1):
        verb = draw(st.sampled_from(["hang", "weigh", "correct", "undo"]))
        changes = draw(st.integers(1, number + 1)) if verb in ("correct", "undo") else None
        keys = st.sampled_from(["bunches", "colour", "at_ms"])
        values = st.none() | st.integers(0, 9)
        said = draw(st.dictionaries(keys, values, max_size=3))
        made.append(Entry(number, number, draw(st.integers(0, 9)), verb, said, changes))
    return made


@given(histories(), st.randoms(use_true_random=False))
def test_order_of_arrival_does_not_matter(made: list[Entry], chance: random.Random) -> None:
    shuffled = made * 2
    chance.shuffle(shuffled)
    assert standing(shuffled) == standing(made)
    assert undone(shuffled) == undone(made)
    found = standing(made)
    assert found == sorted(found, key=lambda e: (e.at_ms, e.id))
    assert all(e.verb in ("hang", "weigh") and None not in e.arguments.values() for e in found)


@given(histories(), st.data())
def test_an_undone_undoing_leaves_no_trace(made: list[Entry], data: st.DataObject) -> None:
    target = data.draw(st.integers(1, len(made)))
    number = len(made) + 1
    undo, back = (
        Entry(number, 0, 0, "undo", {}, target),
        Entry(number + 1, 0, 0, "undo", {}, number),
    )
    assert target not in {e.id for e in standing([*made, undo])}
    assert standing([*made, undo, back]) == standing(made)
