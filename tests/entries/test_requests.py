"""What people enter: by command, by form, by file, over the socket: one validation."""

from __future__ import annotations

import contextlib
import json
import shlex
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.entries.entries import Request, RequestError
from monitor.entries.fields import FIELDS
from monitor.entries.requests import (
    CommandParser,
    EntriesError,
    EntryLine,
    add_entry_words,
    from_json,
    parse_form,
    parse_words,
    read_entries_file,
    to_json,
)
from monitor.entries.verbs import VERBS

ZONE = ZoneInfo("Europe/London")
NOW = 1_783_323_000_000  # 2026-07-06 08:30 there
AT = 1_783_150_200_000  # 2026-07-04 08:30 there

ASKED = [
    (
        "hang statice --space loft --bunches 6 --stems-per-bunch 10 --colour violet "
        '--fresh-mass 210 --target 12 --name statice-east --at "2026-07-04 08:30"',
        Request(
            "hang",
            {
                "flower": "statice",
                "space": "loft",
                "bunches": 6,
                "stems_per_bunch": 10,
                "colour": "violet",
                "fresh_mass_g": 210.0,
                "target_pct_db": 12.0,
                "name": "statice-east",
            },
            AT,
        ),
    ),
    (
        "hang --bunches 6 --space loft statice",
        Request("hang", {"flower": "statice", "space": "loft", "bunches": 6}),
    ),
    (
        "weigh statice-1 164.5 --at 2026-07-04T07:30Z",
        Request("weigh", {"batch": "statice-1", "grams": 164.5}, AT),
    ),
    ("snap statice-1 SNAPS", Request("snap", {"batch": "statice-1", "result": "snaps"})),
    (
        'move "statice 1" --space spare\\ room',
        Request("move", {"batch": "statice 1", "space": "spare room"}),
    ),
    (
        "takedown b --good 1 --mould 2 --opened 3 --faded 4 --shed 0 --note 'tied too thick'",
        Request(
            "takedown",
            {
                "batch": "b",
                "good": 1,
                "mould": 2,
                "opened": 3,
                "faded": 4,
                "shed": 0,
                "note": "tied too thick",
            },
        ),
    ),
    ("takedown b --space box", Request("takedown", {"batch": "b", "space": "box"})),
    ("seen", Request("seen", {})),
    ("seen 12", Request("seen", {"notice": 12})),
    (
        'pause hot --space loft --for "1 h"',
        Request("pause", {"kind": "hot", "for_min": 60, "space": "loft"}),
    ),
    ('pause hot --for "1 day"', Request("pause", {"kind": "hot", "for_min": 1440})),
    ("pause hot --for spell", Request("pause", {"kind": "hot", "for_min": "spell"})),
    (
        'calibrate loft-rail --from "2026-07-04 08:30" --quantity humidity --offset -1.5 '
        "--slope 1.02",
        Request(
            "calibrate",
            {"sensor": "loft-rail", "quantity": "humidity", "offset": -1.5, "slope": 1.02},
            AT,
        ),
    ),
    ("calibrate loft-rail --swap", Request("calibrate", {"sensor": "loft-rail", "swap": True})),
    (
        'correct 5 --bunches 7 --colour "" --at "2026-07-04 08:30"',
        Request("correct", {"bunches": 7, "colour": None}, AT, 5),
    ),
    ("undo 5", Request("undo", {}, None, 5)),
]


@pytest.mark.parametrize(("line", "request_"), ASKED)
def test_a_commands_words(line: str, request_: Request) -> None:
    found = parse_words(shlex.split(line), NOW, ZONE)
    assert found == request_
    assert from_json(json.loads(json.dumps(to_json(found)))) == request_


REFUSED = [
    ("dry statice-1", "verb", None),
    ("hang", "flower", "hang needs the flower, for example statice"),
    ("hang statice --space loft", "bunches", "hang needs bunches, for example --bunches 6"),
    ("hang statice --bunches 6", "space", "hang needs the space, for example --space loft"),
    ("hang statice --space", None, "--space needs a value after it"),
    (
        "hang statice --bunch 6",
        None,
        "--bunch 6 is not known here; `drying-room hang --help` shows what is",
    ),
    (
        "hang statice yarrow --space loft --bunches 6",
        None,
        "yarrow is not known here; `drying-room hang --help` shows what is",
    ),
    *(
        (
            f"hang statice --space loft --bunches {said}",
            "bunches",
            f'bunches must be a whole number from 1 to 1000, not "{said}"',
        )
        for said in ("0", "-2", "1001", "six", "6.5", "1_0", "٦", "nan", "1e2", "0x6")
    ),
    (
        "hang statice --space loft --bunches 6 --stems-per-bunch 501",
        "stems_per_bunch",
        'stems per bunch must be a whole number from 1 to 500, not "501"',
    ),
    (
        "hang statice --space loft --bunches 6 --target 61",
        "target_pct_db",
        'the target must be a number from 1 to 60 % of dry mass, not "61"',
    ),
    (
        "hang statice --space loft --bunches 6 --target -5",
        "target_pct_db",
        'the target must be a number from 1 to 60 % of dry mass, not "-5"',
    ),
    (
        "hang statice --space loft --bunches 6 --fresh-mass 0",
        "fresh_mass_g",
        'the fresh mass must be a number from 1 to 20000 g, not "0"',
    ),
    (
        "hang statice --space loft --bunches 6 --name 12",
        "name",
        'the name must begin with a letter, not "12"',
    ),
    (
        "hang statice --space loft --bunches 6 --name a/b",
        "name",
        'the name may have letters, figures, spaces and - _ \' . only, not "a/b"',
    ),
    (
        f"hang statice --space loft --bunches 6 --name {'a' * 41}",
        "name",
        f'the name must be 1 to 40 letters on one line, not "{"a" * 39}…"',
    ),
    (
        'hang "" --space loft --bunches 6',
        "flower",
        'the flower must be 1 to 60 letters on one line, not ""',
    ),
    ("weigh statice-1", "grams", "weigh needs the mass, for example 164.5"),
    (
        "weigh statice-1 164,5",
        "grams",
        'the mass needs a point for its decimals: 164.5, not "164,5"',
    ),
    (
        "weigh statice-1 0",
        "grams",
        'the mass must be a number from 0.1 to 20000 g, not "0"',
    ),
    (
        "weigh statice-1 inf",
        "grams",
        'the mass must be a number from 0.1 to 20000 g, not "inf"',
    ),
    (
        "snap statice-1 breaks",
        "result",
        'the snap test must be snaps or bends, not "breaks"',
    ),
    ("snap statice-1", "result", "snap needs the snap test, for example snaps"),
    ("move statice-1", "space", "move needs the space, for example --space loft"),
    ("takedown", "batch", "takedown needs the batch, for example statice-1"),
    (
        "takedown b --good -1",
        "good",
        'heads good must be a whole number from 0 to 1000000, not "-1"',
    ),
    ("seen twelve", "notice", None),
    ("pause hot --space loft", "for_min", 'pause needs the pause, for example --for "1 h"'),
    (
        "pause hot --for ever",
        "for_min",
        'the pause must be a time such as "1 h", "1 day", or spell, not "ever"',
    ),
    (
        'pause hot --for "31 days"',
        "for_min",
        'the pause must be between 1 min and 30 days, not "31 days"',
    ),
    (f'pause hot --for "{"9" * 400} days"', "for_min", None),
    (
        "calibrate loft-rail --slope 0",
        "slope",
        'the slope must be a number from 0.1 to 10, not "0"',
    ),
    (
        "calibrate loft-rail --quantity wetness --offset 1",
        "quantity",
        "the quantity must be temperature, humidity, illuminance, irradiance, pressure, mass, "
        'surface_temperature, battery, signal or rain, not "wetness"',
    ),
    ("undo", "entry", "undo needs the number of an entry, for example 5"),
    (
        "undo statice-1",
        "entry",
        f'the number of an entry must be a whole number from 1 to {2**53}, not "statice-1"',
    ),
    ("undo 5 --at 08:00", None, None),
    ("weigh b 9 --at soon", "at", None),
]


@pytest.mark.parametrize(("line", "field", "sentence"), REFUSED)
def test_refused_with_one_sentence(line: str, field: str | None, sentence: str | None) -> None:
    with pytest.raises(RequestError) as refused:
        parse_words(shlex.split(line), NOW, ZONE)
    assert refused.value.field == field
    assert "\n" not in refused.value.sentence
    if sentence is not None:
        assert refused.value.sentence == sentence


def test_nothing_said() -> None:
    with pytest.raises(
        RequestError, match=r"an entry begins with hang, weigh, snap, .*, not nothing"
    ):
        parse_words([], NOW, ZONE)


def test_a_form_says_the_same_as_the_words() -> None:
    form = {"verb": "hang", "flower": " Statice ", "space": "loft", "bunches": "6", "colour": ""}
    words = parse_words(shlex.split("hang Statice --space loft --bunches 6"), NOW, ZONE)
    assert parse_form(form, NOW, ZONE) == words
    # a browser's own date and time field, in the site's zone
    assert parse_form({**form, "at": "2026-07-04T08:30"}, NOW, ZONE).at_ms == AT
    assert parse_form({**form, "at": " "}, NOW, ZONE).at_ms is None


def test_an_emptied_field_of_a_correction_takes_the_part_away() -> None:
    form = {"verb": "correct", "entry": "5", "colour": " ", "bunches": "7", "at": ""}
    assert parse_form(form, NOW, ZONE) == Request(
        "correct", {"bunches": 7, "colour": None}, None, 5
    )


@pytest.mark.parametrize(
    ("form", "field", "sentence"),
    [
        ({}, "verb", f'nothing is entered by ""; choose {", ".join(VERBS)}'),
        ({"verb": "burn"}, "verb", f'nothing is entered by "burn"; choose {", ".join(VERBS)}'),
        ({"verb": "weigh", "batch": "b"}, "grams", "weigh needs the mass, for example 164.5"),
        ({"verb": "weigh", "heads": "3"}, "heads", "weigh has no part called heads"),
        ({"verb": "undo"}, "entry", "undo needs the number of an entry, for example undo 5"),
        ({"verb": "undo", "entry": "5", "space": "x"}, "space", "undo has no part called space"),
        ({"verb": "seen", "entry": "5"}, "entry", "seen has no part called entry"),
        (
            {"verb": "calibrate", "sensor": "s", "swap": "perhaps"},
            "swap",
            'the swap must be yes or left out, not "perhaps"',
        ),
    ],
)
def test_forms_refused(form: dict[str, str], field: str, sentence: str) -> None:
    with pytest.raises(RequestError) as refused:
        parse_form(form, NOW, ZONE)
    assert (refused.value.field, refused.value.sentence) == (field, sentence)


@pytest.mark.parametrize(
    "message",
    [
        {},
        {"enter": None},
        {"enter": {"verb": 3, "arguments": {}}},
        {"enter": {"verb": "weigh", "arguments": []}},
        {"enter": {"verb": "burn", "arguments": {}}},
        {"enter": {"verb": "weigh", "arguments": {"batch": "b"}}},
        {"enter": {"verb": "weigh", "arguments": {"batch": "b", "grams": True}}},
        {"enter": {"verb": "weigh", "arguments": {"batch": "b", "grams": float("nan")}}},
        {"enter": {"verb": "weigh", "arguments": {"batch": "b", "grams": 10**400}}},
        {"enter": {"verb": "weigh", "arguments": {"batch": 1, "grams": 9}}},
        {"enter": {"verb": "weigh", "arguments": {"batch": "b", "grams": 9}, "at_ms": "x"}},
        {"enter": {"verb": "weigh", "arguments": {"batch": "b", "grams": 9}, "at_ms": -1}},
        {"enter": {"verb": "weigh", "arguments": {"batch": "b", "grams": 9}, "at_ms": 1.5}},
        {"enter": {"verb": "seen", "arguments": {"notice": None}}},
        {"enter": {"verb": "undo", "arguments": {}}},
        {"enter": {"verb": "undo", "arguments": {}, "changes": [1]}},
        {"enter": {"verb": "correct", "arguments": {"at_ms": 3}, "changes": 1}},
    ],
)
def test_what_other_programs_send_is_checked_again(message: dict[str, Any]) -> None:
    with pytest.raises(RequestError):
        from_json(message)


JUNK = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner),
    max_leaves=6,
)


@given(
    st.sampled_from([*VERBS, "burn"]),
    st.dictionaries(st.sampled_from([*FIELDS, "x"]), JUNK, max_size=4),
    JUNK,
    JUNK,
)
def test_junk_is_a_request_or_a_sentence(
    verb: str, arguments: dict[str, Any], at_ms: Any, changes: Any
) -> None:
    told = {"verb": verb, "arguments": arguments, "at_ms": at_ms, "changes": changes}
    with contextlib.suppress(RequestError):
        request = from_json({"enter": told})
        assert from_json(to_json(request)) == request


@given(
    st.dictionaries(st.sampled_from(["verb", "at", "entry", *FIELDS]), st.text(max_size=12)),
    st.sampled_from(list(VERBS)),
)
def test_any_form_is_a_request_or_a_sentence(form: dict[str, str], verb: str) -> None:
    for told in (form, form | {"verb": verb}):
        with contextlib.suppress(RequestError):
            assert parse_form(told, NOW, ZONE).verb in VERBS


@pytest.mark.parametrize("verb", sorted(VERBS))
def test_every_command_has_an_example_that_works(verb: str) -> None:
    assert parse_words(shlex.split(VERBS[verb].example), NOW, ZONE).verb == verb


def test_commands_take_the_options_all_commands_have() -> None:
    parser = CommandParser(prog="drying-room undo")
    parser.add_argument("--config")
    add_entry_words(parser, VERBS["undo"])
    found = parser.parse_args(["--config", "x.toml", "5"])
    assert (found.verb, found.config, found.entry) == ("undo", "x.toml", "5")


def test_every_part_of_every_verb_is_a_field() -> None:
    for verb in VERBS.values():
        assert {*verb.must, *verb.may} <= set(FIELDS)


def test_a_file_of_entries() -> None:
    text = """
    # the first week
    hang statice --space loft --bunches 6 --at "2026-07-04 08:30"   # violet

    undo 1
    """
    assert read_entries_file(text, ZONE) == [
        EntryLine(3, Request("hang", {"flower": "statice", "space": "loft", "bunches": 6}, AT)),
        EntryLine(5, Request("undo", {}, None, 1)),
    ]


def test_all_problems_of_a_file_at_once() -> None:
    text = (
        'hang statice --space loft --bunches 0 --at "2026-07-04 08:30"\n'
        "weigh statice-1 50\n"
        'weigh statice-1 50 --at "2026-07-04\n'
        "weigh statice-1 50 --at 08:30\n"
        "undo 1\n"
        "hang --help\n"
    )
    with pytest.raises(EntriesError) as refused:
        read_entries_file(text, ZONE)
    assert refused.value.problems == [
        (1, 'bunches must be a whole number from 1 to 1000, not "0"'),
        (2, 'give its date in a file, for example --at "2026-07-04 08:30"'),
        (3, "a quotation mark is not closed; close it on the same line"),
        (4, '"08:30" needs its date here, for example "2026-07-04 08:30"'),
        (6, "hang needs the flower, for example statice"),
    ]
    assert str(refused.value).startswith("line 1: bunches must be")


def test_the_pages_form_of_a_check_becomes_the_commands_request():
    """The correction as the page of a check sends it, and its beginning and end."""
    form = {"verb": "calibrate", "sensor": "loft-rail", "quantity": "humidity"}
    asked = parse_form({**form, "offset": "-1.5", "slope": "1.0"}, NOW, ZONE)
    assert asked.arguments == {
        "sensor": "loft-rail", "quantity": "humidity", "offset": -1.5, "slope": 1.0,
    }  # fmt: skip
    begun = parse_form({"verb": "aside", "sensor": "loft-rail", "salt": "table"}, NOW, ZONE)
    assert begun.arguments == {"sensor": "loft-rail", "salt": "table"}
    assert parse_form({"verb": "back", "sensor": "loft-rail"}, NOW, ZONE).verb == "back"
