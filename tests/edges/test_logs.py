"""What is logged: a line of a kind once a minute, with the number of those that it stands for."""

from __future__ import annotations

import logging
import subprocess
import sys

from monitor.edges.logs import OnceAMinute

FLOOD = """
import logging
from monitor.edges import logs
logs.begin(logging.INFO, {once})
for number in range(10_000):
    try:
        raise OSError(24, "Too many open files")
    except OSError as error:
        logging.getLogger("x").exception("a command could not connect: %s", error)
"""


def line(text: str, *words: object, **about: str) -> logging.LogRecord:
    record = logging.LogRecord("x", logging.WARNING, __file__, 1, text, words, None)
    vars(record).update(about)
    return record


def test_a_line_of_a_kind_is_written_once_a_minute_with_its_count() -> None:
    now_s = 5.0
    passed = OnceAMinute(lambda: now_s)
    assert passed.filter(line("refused: %s", "a"))
    assert not any(passed.filter(line("refused: %s", n)) for n in range(999))
    now_s += 59.9
    assert not passed.filter(line("refused: %s", "b"))
    now_s += 0.2
    again = line("refused: %s", "c")
    assert passed.filter(again)
    assert again.getMessage() == "refused: c (1000 more like it since it was last said)"
    alone = line("refused: %s", "d")
    now_s += 60
    assert passed.filter(alone)
    assert alone.getMessage() == "refused: d"


def test_other_kinds_and_what_they_are_about_are_written_too() -> None:
    passed = OnceAMinute(lambda: 0.0)
    said = [
        line("unread: %s", "x", about="rail"),
        line("unread: %s", "x", about="shelf"),
        line("unread: %s", "x"),
        line("%s", "one sentence"),
        line("%s", "another"),
    ]
    assert all(map(passed.filter, said))
    assert not any(map(passed.filter, said))


def test_ten_thousand_failures_are_a_few_lines_and_a_replay_writes_all() -> None:
    for once, least, most in ((True, 1, 2), (False, 10_000, 10_000)):
        done = subprocess.run(
            [sys.executable, "-c", FLOOD.format(once=once)], capture_output=True, check=True
        )
        assert least <= done.stderr.count(b"a command could not connect") <= most
