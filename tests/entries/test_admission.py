"""Requests at the moment of entry: every refusal with its sentence, and what is made."""

from __future__ import annotations

import shlex
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.entries.admission import Known, admit, upset
from monitor.entries.batches import fold
from monitor.entries.entries import Entry, Request, RequestError, standing
from monitor.entries.logbook import history_lines, made
from monitor.entries.requests import parse_words
from monitor.site.spaces import Space, Use

ZONE = ZoneInfo("Europe/London")
NOW = 1_783_323_000_000  # 2026-07-06 08:30 there
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
FLOWERS = {
    "statice": "statice",
    "sea lavender": "statice",
    "larkspur": "larkspur",
    "globe amaranth": "gomphrena",
    "gomphrena": "gomphrena",
}


def known(entries: list[Entry]) -> Known:
    return Known(entries, SPACES, ["loft-rail", "spare-wall"], FLOWERS, notices=[12])


def enter(entries: list[Entry], line: str) -> Entry:
    """One command's words, entered: the entries grow by one."""
    request = parse_words(shlex.split(line), NOW, ZONE)
    entry = admit(request, known(entries), len(entries) + 1, NOW)
    entries.append(entry)
    return entry


def told(lines: list[str]) -> list[str]:
    """What each command prints."""
    entries: list[Entry] = []
    return [made(enter(entries, line), fold(standing(entries), SPACES)) for line in lines]


SEASON = [
    'hang "Sea Lavender" --space loft --bunches 6 --colour violet --at "2026-06-30 08:30"',
    'hang larkspur --space LOFT --bunches 2 --name "east end" --at "yesterday 09:00"',
    'weigh "East End" 164.5 --at "yesterday 10:00"',
    "snap statice-1 bends",
    'move east-end --space "spare room" --at "yesterday 18:00"',
    'takedown "east end" --good 20 --mould 1',
    'move "east end" --space window',
]


def test_a_season_and_what_it_prints() -> None:
    assert told(SEASON) == [
        "statice-1: six bunches of statice (violet), hanging in loft (entry 1)",
        "east end: two bunches of larkspur, hanging in loft (entry 2)",
        "east end weighed: mass 164.5 g (entry 3)",
        "statice-1 bent: the stem bends (entry 4)",
        "east end: two bunches of larkspur, hanging in spare room (entry 5)",
        "east end: two bunches of larkspur, taken down (entry 6)",
        "east end: two bunches of larkspur, taken down, kept in window (entry 7)",
    ]


def test_the_numbered_history() -> None:
    entries: list[Entry] = []
    for line in [
        *SEASON[:4],
        'correct 1 --bunches 7 --colour "" --at "2026-06-30 07:00"',
        "undo 1",
        "undo 6",
        "undo 2",
    ]:
        enter(entries, line)
    history = fold(standing(entries), SPACES)
    assert history_lines(entries, history, ZONE) == [
        "    1  2026-06-30 08:30  hang: flower statice, space loft, bunches 6, colour violet, "
        "name statice-1",
        "    2  2026-07-05 09:00  hang: flower larkspur, space loft, bunches 2, name east end "
        "· undone",
        "    3  2026-07-05 10:00  weigh: entry 2, mass 164.5 g "
        "· does not count: the hanging it belongs to (entry 2) does not count",
        "    4  2026-07-06 08:30  snap: statice-1, the stem bends",
        "    5  2026-06-30 08:30  correct 1 (hang): bunches 7, no colour, time 2026-06-30 07:00",
        "    6  2026-06-30 08:30  undo 1 · undone",
        "    7  2026-06-30 08:30  undo 6",
        "    8  2026-07-05 09:00  undo 2",
    ]


@pytest.mark.parametrize(
    ("line", "field", "sentence"),
    [
        (
            "hang statise --space loft --bunches 2",
            "flower",
            'no flower is known as "statise"; near it: statice; to add it, write '
            '[flower."statise"] into the settings',
        ),
        (
            "hang rose --space loft --bunches 2",
            "flower",
            'no flower is known as "rose"; to add it, write [flower."rose"] into the settings',
        ),
        (
            "hang statice --space lofft --bunches 2",
            "space",
            'no space is named "lofft"; did you mean "loft"?',
        ),
        (
            "hang statice --space away --bunches 2",
            "space",
            'no space is named "away"; choose loft or spare room',
        ),
        (
            "move statice-1 --space cellarr",
            "space",
            'no space is named "cellarr"; choose spare room',
        ),
        (
            'move "east end" --space cellarr',
            "space",
            'no space is named "cellarr"; choose box or away',
        ),
        (
            "hang statice --space box --bunches 2",
            "space",
            "box is for storing; for hanging, choose loft or spare room",
        ),
        (
            "hang statice --space outdoors --bunches 2",
            "space",
            "outdoors is only there to compare with; for hanging, choose loft or spare room",
        ),
        (
            'hang statice --space loft --bunches 2 --name "Statice 1"',
            "name",
            "a batch is already named statice-1 (entry 1); choose another name",
        ),
        (
            "weigh stattice-1 9",
            "batch",
            'no batch is named "stattice-1"; did you mean "statice-1"?',
        ),
        ("weigh rye 9", "batch", 'no batch is named "rye"; `drying-room batches` lists them'),
        (
            'weigh statice-1 9 --at "2026-06-29 08:00"',
            "at",
            "statice-1 was hung only later (entry 1); give a later time, or correct the time of "
            "entry 1",
        ),
        (
            "move statice-1 --space box",
            "space",
            "statice-1 still hangs; take it down first: takedown statice-1 --space box",
        ),
        (
            "move statice-1 --space away",
            "space",
            "statice-1 still hangs; take it down first: takedown statice-1",
        ),
        (
            'move "east end" --space loft',
            "space",
            "east end was taken down before (entry 6) and loft is for hanging; to hang it on, undo "
            "6 first",
        ),
        (
            'takedown "east end"',
            "batch",
            "east end was already taken down (entry 6); correct 6 instead",
        ),
        # backdated, it would make a later entry untrue
        (
            'takedown "east end" --at "yesterday 17:00"',
            None,
            "this contradicts entry 5 (a move); correct or undo that one first",
        ),
        (
            "takedown statice-1 --space loft",
            "space",
            "loft is for hanging; for storing or showing, choose box or window",
        ),
        ("seen 13", "notice", "there is no notice 13; `drying-room export notices` lists them"),
        (
            "pause hott --space loft --for spell",
            "kind",
            'no kind is named "hott"; did you mean "hot"?',
        ),
        (
            "pause warm --for spell",
            "kind",
            'no kind is named "warm"; choose hot, cold, damp, arid, sunny, dewy, musty, silent or '
            "stuck",
        ),
        (
            "calibrate cellar --swap",
            "sensor",
            'no sensor is named "cellar"; choose loft-rail or spare-wall',
        ),
        ("calibrate loft-rail", "offset", "say what changed: --offset, --slope or --swap"),
        (
            "calibrate loft-rail --offset -1.5",
            "quantity",
            "an offset or a slope needs its quantity, for example --quantity humidity",
        ),
        (
            "correct 99 --bunches 2",
            "entry",
            "there is no entry 99; `drying-room batches --history` numbers them",
        ),
        ("undo 99", "entry", "there is no entry 99; `drying-room batches --history` numbers them"),
        ("correct 1", None, "a correction needs what to change, for example --bunches 7"),
        ("correct 1 --grams 7", "grams", "entry 1 is a hanging: it has nothing called the mass"),
        ('correct 1 --space ""', "space", "a hanging needs the space; undo it instead"),
        ('correct 1 --name ""', "name", "a hanging needs the name; undo it instead"),
        (
            'correct 1 --name "east end"',
            "name",
            "a batch is already named east end (entry 2); choose another name",
        ),
        (
            'correct 3 --at "2026-07-01 08:00"',
            "at",
            "east end was hung only later (entry 2); give a later time, or correct the time of "
            "entry 2",
        ),
        (
            "correct 5 --space box",
            "space",
            "east end still hangs; take it down first: takedown east end --space box",
        ),
    ],
)
def test_refused_with_one_sentence(line: str, field: str | None, sentence: str) -> None:
    entries: list[Entry] = []
    for said in SEASON:
        enter(entries, said)
    before = list(entries)
    with pytest.raises(RequestError) as refused:
        enter(entries, line)
    assert (refused.value.field, refused.value.sentence) == (field, sentence)
    assert entries == before


@pytest.mark.parametrize(
    ("lines", "sentence"),
    [
        (["undo 1", "undo 1"], "entry 1 is undone already"),
        (["undo 1", "correct 1 --bunches 2"], "entry 1 is undone already"),
        (
            ["undo 1", "correct 2 --bunches 2"],
            "entry 2 is an undoing: it can be undone, not corrected",
        ),
        (
            ["correct 1 --bunches 3", "undo 1", "correct 2 --bunches 4"],
            "entry 1 is undone; undo the undoing first",
        ),
        (
            ["undo 1", "weigh statice-1 9"],
            'no batch is named "statice-1"; `drying-room batches` lists them',
        ),
        (
            [
                "undo 1",
                "hang statice --space loft --bunches 2 --name statice-1 --at 08:20",
                "undo 2",
            ],
            "this contradicts entry 3 (a hanging); correct or undo that one first",
        ),
    ],
)
def test_changes_of_changes_refused(lines: list[str], sentence: str) -> None:
    entries: list[Entry] = []
    enter(entries, SEASON[0])
    for line in lines[:-1]:
        enter(entries, line)
    with pytest.raises(RequestError) as refused:
        enter(entries, lines[-1])
    assert refused.value.sentence == sentence


def test_the_future_is_refused_but_for_a_minute() -> None:
    request = Request("seen", {}, NOW + 60_001)
    with pytest.raises(
        RequestError, match="the time lies in the future; give the time it happened"
    ):
        admit(request, known([]), 1, NOW)
    assert admit(request._replace(at_ms=NOW + 60_000), known([]), 1, NOW).at_ms == NOW + 60_000


def test_undoing_a_hanging_says_what_no_longer_counts() -> None:
    entries: list[Entry] = []
    for line in SEASON:
        enter(entries, line)
    undo = admit(Request("undo", {}, None, 2), known(entries), 8, NOW)
    assert upset(known(entries), undo)[0] == (
        "entry 3 no longer counts: the hanging it belongs to (entry 2) does not count"
    )
    assert len(upset(known(entries), undo)) == 4


def test_a_name_is_never_given_twice() -> None:
    entries: list[Entry] = []
    names = []
    for line in [
        "hang statice --space loft --bunches 1",
        "undo 1",
        "hang statice --space loft --bunches 1",
        "hang larkspur --space loft --bunches 1 --name statice-4",
        'hang statice --space loft --bunches 1 --at "yesterday 08:00"',
        "hang statice --space loft --bunches 1",
        "hang 'globe amaranth' --space loft --bunches 1",
    ]:
        entry = enter(entries, line)
        names.append(entry.arguments.get("name"))
    assert names == [
        *("statice-1", None, "statice-2", "statice-4", "statice-3", "statice-5", "gomphrena-1")
    ]


def test_a_calibration_corrected_stays_whole() -> None:
    entries: list[Entry] = []
    enter(entries, "calibrate loft-rail --quantity humidity --offset -1.5 --from 08:00")
    enter(entries, "correct 1 --offset -2")
    assert standing(entries)[0].arguments["offset"] == -2.0
    with pytest.raises(RequestError, match="say what changed: --offset, --slope or --swap"):
        enter(entries, 'correct 1 --offset ""')


WORDS = st.sampled_from(
    [
        *(
            "hang statice --space loft --bunches 2",
            "hang larkspur --space 'spare room' --bunches 1",
        ),
        *("hang statice --space loft --bunches 3 --name x", "weigh statice-1 50", "snap x snaps"),
        *("move statice-1 --space 'spare room'", "move larkspur-2 --space loft"),
        *("takedown statice-1 --space box", "takedown x --good 3", "move statice-1 --space away"),
        *("move statice-1 --space window", "seen", "pause hot --for '2 h'"),
        *("calibrate loft-rail --swap", "weigh statice-2 40"),
    ]
)
CLOCK = st.integers(0, 23).map(lambda hour: f"--at '2026-07-05 {hour:02}:00'")


@given(st.lists(st.tuples(WORDS, CLOCK, st.integers(0, 3), st.integers(1, 12)), max_size=14))
def test_what_is_admitted_never_breaks_the_history(
    steps: list[tuple[str, str, int, int]],
) -> None:
    entries: list[Entry] = []
    for words, clock, change, number in steps:
        timed = words if words.startswith(("seen", "pause", "cali")) else f"{words} {clock}"
        line = [timed, f"undo {number}", f"correct {number} {clock}", timed][change]
        before = fold(standing(entries), SPACES)
        try:
            entry = enter(entries, line)
        except RequestError:
            continue
        after = fold(standing(entries), SPACES)
        new = {p.entry for p in after.problems} - {p.entry for p in before.problems}
        if entry.changes is None:  # an entry of its own never makes another untrue
            assert not new
        else:  # a change says whom it upsets
            told = upset(known(entries[:-1]), entry)
            assert len([one for one in told if "no longer counts" in one]) == len(new)
        assert made(entry, after)
        assert len(history_lines(entries, after, ZONE)) == len(entries)


def test_a_bunch_that_got_heavier_is_asked_back() -> None:
    entries: list[Entry] = []
    enter(entries, "hang statice --space loft --bunches 6 --fresh-mass 150")
    enter(entries, "weigh statice-1 152")  # scales differ
    with pytest.raises(RequestError) as refused:
        enter(entries, "weigh statice-1 190")
    assert refused.value.sentence == (
        "190 g is more than when it was hung (150 g): is it the same bunch? "
        "If that figure is wrong, correct entry 1 first"
    )
    enter(entries, "correct 1 --fresh-mass 200")
    enter(entries, "weigh statice-1 190")


def test_two_corrections_of_one_entry_at_once_are_said() -> None:
    entries: list[Entry] = []
    enter(entries, "hang statice --space loft --bunches 6")
    enter(entries, "correct 1 --bunches 7")
    entry = enter(entries, "correct 1 --bunches 8 --colour violet")
    assert upset(known(entries[:-1]), entry) == [
        "entry 2 changed bunches just before; what you say counts now"
    ]
    entry = enter(entries, "correct 1 --colour white")
    assert upset(known(entries[:-1]), entry) == [
        "entry 3 changed the colour just before; what you say counts now"
    ]
