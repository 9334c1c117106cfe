"""Waiting for a fact: it ends when nothing has moved for long, never by a time for the whole.

A machine that others use takes ten times as long as a quiet one; what gets on is not stuck.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

STILL_S = 300.0  # so long without a move is stuck, on the busiest machine
LOOK_EVERY_S, MOVED_EVERY_S = 0.05, 1.0
T = TypeVar("T")


def until(
    so: Callable[[], T],
    why: Callable[[], object] = lambda: "still not so",
    moved: Callable[[], object] = lambda: None,
    between: Callable[[], object] = lambda: time.sleep(LOOK_EVERY_S),
) -> T:
    """What `so` gives, once that is true.

    why      what to say where nothing moves any more
    moved    what changes as long as it gets on: messages handled, minutes folded
    between  done between two looks
    raises   AssertionError
    """
    before, since = moved(), time.monotonic()
    asked = since
    while not (answer := so()):
        now = time.monotonic()
        if now - asked > MOVED_EVERY_S:
            asked = now
            if (moves := moved()) != before:
                before, since = moves, now
        assert now - since < STILL_S, why()
        between()
    return answer
