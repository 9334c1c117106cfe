"""What holds for every test: the order in which they are taken up, and what they share."""

from __future__ import annotations

import fcntl
import os
import traceback
from collections.abc import Callable
from pathlib import Path

import pytest

LONGEST = "test_four_ways.py"
Kept = Callable[[str, Callable[[Path], None]], Path]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the longest file: run side by side, it would else be the last, and alone."""
    items.sort(key=lambda item: item.path.name != LONGEST)


@pytest.fixture(scope="session")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Kept:
    """Folders that are made once for all tests in all processes, and only read from then on.

    `kept(name, make)` is the folder `name` that `make` has filled. Who asks while it is being made
    waits. If making fails, it fails once: all who ask later are told why at once.
    """
    base = tmp_path_factory.getbasetemp()
    base = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base

    def asked(name: str, make: Callable[[Path], None]) -> Path:
        folder, failed = base / f"kept-{name}", base / f"kept-{name}.failed"
        with (base / f"kept-{name}.lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            assert not failed.exists(), f"{name} failed before:\n{failed.read_text('utf-8')}"
            if not folder.exists():
                folder.mkdir()
                try:
                    make(folder)
                except BaseException:
                    failed.write_text(traceback.format_exc(), "utf-8")
                    raise
        return folder

    return asked
