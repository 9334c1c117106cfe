"""What the tests stand on: a wait ends when nothing moves, and what is shared fails once."""

from __future__ import annotations

from itertools import count
from pathlib import Path

import pytest

from tests import waiting
from tests.conftest import Kept


@pytest.fixture(autouse=True)
def a_tenth_of_a_second_is_long(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(waiting, "STILL_S", 0.1)
    monkeypatch.setattr(waiting, "MOVED_EVERY_S", 0.01)
    monkeypatch.setattr(waiting, "LOOK_EVERY_S", 0.005)


def test_what_moves_is_waited_for_however_long_it_takes() -> None:
    looks, moves = count(), count()
    assert waiting.until(lambda: next(looks) >= 100, moved=lambda: next(moves))


def test_what_stands_still_fails_and_says_why() -> None:
    with pytest.raises(AssertionError, match="the door is shut"):
        waiting.until(lambda: False, lambda: "the door is shut")


def test_what_is_shared_is_made_once_and_fails_once(kept: Kept, tmp_path: Path) -> None:
    made: list[Path] = []
    assert kept(tmp_path.name, made.append) == kept(tmp_path.name, made.append) == made[0]
    assert len(made) == 1

    def fail(folder: Path) -> None:
        made.append(folder)
        raise ValueError("the barn burnt down")

    with pytest.raises(ValueError, match="the barn burnt down"):
        kept(f"{tmp_path.name}-burnt", fail)
    with pytest.raises(AssertionError, match="ValueError: the barn burnt down"):
        kept(f"{tmp_path.name}-burnt", fail)
    assert len(made) == 2
