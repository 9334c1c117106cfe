"""What holds for every test: the order in which they are taken up, and what they share."""

from __future__ import annotations

import fcntl
import os
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from xdist.scheduler import LoadScopeScheduling

Kept = Callable[[str, Callable[[Path], None]], Path]
# The longest files, longest first. They are taken up first: run side by side, they would else be
# the last, and alone. Their tests share nothing but what is `kept`, so each may go elsewhere.
LONGEST = (
    "test_four_ways.py",
    "test_story.py",
    "test_long.py",
    "test_flat.py",
    "test_disk.py",
    "test_killed.py",
    "test_broker.py",
    "test_weeks.py",
    "test_restarts.py",
    "test_live.py",
    "test_check.py",
)

# How much chance is tried, in one place; by hand: pytest --hypothesis-profile=large
for profile, examples in (("small", 100), ("large", 2_000)):
    settings.register_profile(
        profile, max_examples=examples, deadline=None, suppress_health_check=list(HealthCheck)
    )
settings.load_profile("small")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    def place(item: pytest.Item) -> int:
        name = item.path.name
        return LONGEST.index(name) if name in LONGEST else len(LONGEST)

    items.sort(key=place)


class Together(LoadScopeScheduling):  # type: ignore[misc]
    """All tests of a file in one process, but for those of the longest files."""

    def _split_scope(self, nodeid: str) -> str:
        file = nodeid.split("::", 1)[0]
        return nodeid if file.rpartition("/")[2] in LONGEST else file


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> LoadScopeScheduling:
    return Together(config, log)


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
