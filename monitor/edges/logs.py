"""The log: on standard error, a line of a kind once a minute with its count."""

from __future__ import annotations

import logging
import sys
from collections.abc import Callable

from monitor.edges.clock import monotonic_s

SAID_AGAIN_S = 60.0
MOST_KINDS = 1000
LIBRARIES = ("apscheduler", "uvicorn")  # they tell of each step


class OnceAMinute(logging.Filter):
    """Lets a line of a kind through once a minute, with the number of those that it stands for.

    A kind is what is written before anything is filled in; `extra={"about": ...}` parts it further.
    """

    def __init__(self, monotonic: Callable[[], float] = monotonic_s) -> None:
        super().__init__()
        self._monotonic = monotonic
        self._said: dict[tuple[str, str, str], tuple[float, int]] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether it is written."""
        text = str(record.msg)
        if text == "%s":
            text = record.getMessage()
        kind = (record.name, getattr(record, "about", ""), text.split("\n")[0][:80])
        now_s = self._monotonic()
        said_s, more = self._said.get(kind, (now_s - SAID_AGAIN_S, 0))
        if now_s - said_s < SAID_AGAIN_S:
            self._said[kind] = (said_s, more + 1)
            return False
        if len(self._said) > MOST_KINDS:
            self._said.clear()
        self._said[kind] = (now_s, 0)
        if more:
            record.msg = f"{record.getMessage()} ({more} more like it since it was last said)"
            record.args = None
        return True


def begin(level: int, once_a_minute: bool = True) -> None:
    """Write the log to standard error; a replay's minutes are not the wall's: all of it."""
    handler = logging.StreamHandler(sys.stderr)
    if once_a_minute:
        handler.addFilter(OnceAMinute())
    logging.basicConfig(level=level, format="%(message)s", handlers=[handler])
    for library in LIBRARIES:
        logging.getLogger(library).setLevel(logging.WARNING)
