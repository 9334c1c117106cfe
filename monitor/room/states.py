"""The states of the last half hour, and those of each full hour that the store keeps."""

from __future__ import annotations

from collections import deque
from typing import Protocol

from monitor.room import checkpoint
from monitor.room.fold import State

KEPT_MIN = 30


class Archive(Protocol):
    """Where the states of the full hours are kept."""

    def state_for(self, minute: int) -> bytes | None:
        """The newest kept state that folds on from this minute or before."""


class States:
    """Where folding anew can begin."""

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._newest: deque[State] = deque(maxlen=KEPT_MIN)

    def keep(self, state: State) -> None:
        """Remember a state that was just folded."""
        self._newest.append(state)

    def forget(self) -> None:
        """Something else than readings changed: those in memory hold no more."""
        self._newest.clear()

    def before(self, minute: int) -> State | None:
        """The newest state that was there before this minute was folded; None: there is none."""
        while self._newest and self._newest[-1].minute > minute:
            self._newest.pop()
        if self._newest:
            return self._newest[-1]
        kept = self._archive.state_for(minute)
        return None if kept is None else checkpoint.load(kept)
