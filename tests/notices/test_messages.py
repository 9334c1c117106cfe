"""Every message the program can send, held by a snapshot: tests/notices/messages.txt.

After a change of words, read the new ones and keep them:
    python -m tests.notices.test_messages --write
"""

import re
import sys
from pathlib import Path

import pytest

from monitor.notices.notice import Notice, Part, Weight
from tests.notices.phrasebook import every_message, spelled_out

SNAPSHOT = Path(__file__).with_name("messages.txt")
MESSAGES = list(every_message())

# Words that nobody says in a garden. Where a message needs the thing, it says it in plain words.
JARGON = re.compile(
    r"\b(VPD|RH|dew point|equilibrium|humidity ratio|psychro\w*|ensemble|p10|p50|p90|threshold|"
    r"payloads?|JSON|MQTT|QoS|topics?|timeout|exception|null|klx|lx|kPa|outbox|spells?|"
    r"deadband|quantil\w*|sensor fault|error)\b",
    re.IGNORECASE,
)
# What ends, or only tells, asks for nothing.
TELLS_ONLY = {"digest", "report", "test", "all-well"}


def _asks(name: str, notice: Notice) -> bool:
    over = notice.part in (Part.ENDED, Part.TAKEN_BACK, Part.NOT_COMING) or name == "broker back"
    return not over and (notice.kind not in TELLS_ONLY or "not all well" in name)


def test_the_words_are_those_of_the_snapshot() -> None:
    assert spelled_out() == SNAPSHOT.read_text("utf-8")


def test_every_kind_of_message_is_there() -> None:
    kinds = {notice.kind for _, notice in MESSAGES}
    assert kinds >= {
        *("hot", "cold", "damp", "arid", "sunny", "dewy", "musty", "silent", "stuck"),
        *("all-well", "digest", "report", "test", "broker", "store", "clock"),
        *("job-missed", "job-failed", "unread", "crisp-soon", "try-snap"),
        *(
            "stalled",
            "drying-slowly",
            "cannot-finish",
            "opening",
            "light-share",
            "taken-down-moist",
        ),
    }
    assert {notice.part for _, notice in MESSAGES} == {"", *(part.value for part in Part)}
    assert len({name for name, _ in MESSAGES}) == len(MESSAGES)


@pytest.mark.parametrize(("name", "notice"), MESSAGES, ids=[name for name, _ in MESSAGES])
def test_a_message_reads_well(name: str, notice: Notice) -> None:
    text = f"{notice.title}\n{notice.body}"
    assert 0 < len(notice.title) <= 60, "the title fits a lock screen"
    assert "…" not in notice.title[-1:], "the title is whole"
    assert notice.title[0].isupper() or notice.title[0].isdigit()
    assert "\n" not in notice.title
    assert notice.body.strip(), "it says what"
    assert all(line.endswith((".", "…")) or "still" in line for line in notice.body.splitlines())
    assert "!" not in text
    assert not re.search(r"\b(None|nan|inf)\b", text)
    assert "  " not in text
    assert not JARGON.search(text), JARGON.search(text)
    assert notice.body.count("To do: ") == (1 if _asks(name, notice) else 0)


@pytest.mark.parametrize(("name", "notice"), MESSAGES, ids=[name for name, _ in MESSAGES])
def test_a_message_says_where(name: str, notice: Notice) -> None:
    told = notice.title.casefold()
    where = (
        "fernhollow",
        "all sensors",
        "three sensors",
        "three spaces",
        "everywhere",
        "monitor",
        "readings",
        "the report for week",
    )
    if notice.space is None:
        assert told.startswith(where)
    else:
        assert told.startswith(notice.space[:13].casefold().rstrip())
    if notice.sensor is not None:
        assert notice.sensor[:12] in notice.title
    assert notice.place.startswith("/")


@pytest.mark.parametrize(("name", "notice"), MESSAGES, ids=[name for name, _ in MESSAGES])
def test_what_can_hurt_comes_with_its_caution(name: str, notice: Notice) -> None:
    if "dehumidifier" in notice.body:
        assert "Local rules for electrics first" in notice.body
    if "mouldy." in notice.body:
        assert "Do not shake" in notice.body
        assert "mask" in notice.body
    if "what heats this room" in notice.body:
        assert "no fire alarm" in notice.body
    assert not re.search(r"(?<!Never )\b(use|run|light|bring in) a (gas|paraffin)", notice.body)


def test_no_message_is_of_no_use_for_a_thermometer_in_fahrenheit() -> None:
    fahrenheit = [n for name, n in MESSAGES if "°F" in name]
    assert fahrenheit
    assert not any("°C" in f"{n.title}{n.body}" for n in fahrenheit)


def test_cold_asks_for_nothing_at_once() -> None:
    assert {n.weight for _, n in MESSAGES if n.kind == "cold"} <= {Weight.NOTE, Weight.SOON}


if __name__ == "__main__" and "--write" in sys.argv:
    SNAPSHOT.write_text(spelled_out(), "utf-8")
