"""The states of the last half hour, and those of each full hour that the store keeps."""

from __future__ import annotations

from typing import Protocol

from monitor.air import kept as checkpoint
from monitor.air.fold import State

KEPT_MIN = 30
# Of the last minutes, where most late readings belong, each state; before them, as a state of forty
# sensors takes some 70 kB, only every fifth: a reading that late has up to four more folded again.
EACH_MIN, EVERY_MIN = 5, 5


class Archive(Protocol):
    """Where the states of the full hours are kept."""

    def state_for(self, minute: int) -> bytes | None:
        """The newest kept state that folds on from this minute or before."""


class States:
    """Where folding anew can begin."""

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._kept: list[State] = []  # in order of time

    def keep(self, state: State) -> None:
        """Remember a state that was just folded, and let go of some before it."""
        self._kept = [s for s in self._kept if _is_kept(s.minute, state.minute)]
        self._kept.append(state)

    def forget(self) -> None:
        """Something else than readings changed: those in memory hold no more."""
        self._kept.clear()

    def before(self, minute: int) -> State | None:
        """The newest state that was there before this minute was folded; None: there is none."""
        while self._kept and self._kept[-1].minute > minute:
            self._kept.pop()
        if self._kept:
            return self._kept[-1]
        kept = self._archive.state_for(minute)
        return None if kept is None else checkpoint.load(kept)


def _is_kept(minute: int, newest: int) -> bool:
    age = newest - minute
    return age < EACH_MIN or (age < KEPT_MIN and minute % EVERY_MIN == 0)
