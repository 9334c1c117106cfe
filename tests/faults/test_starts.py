"""What must not start: beside its store, and where the machine gives it no thread."""

from __future__ import annotations

import resource
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from tests.service.test_live import SETTINGS, live


def started(
    settings: Path, before: Callable[[], None] | None = None
) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "monitor", "run", "--config", str(settings)],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
        preexec_fn=before,
    )


def refused_in_one_sentence(done: subprocess.CompletedProcess[str], words: str) -> None:
    assert done.returncode == 2
    assert done.stdout == ""
    assert len(done.stderr.strip().splitlines()) == 1
    assert words in done.stderr
    assert "Traceback" not in done.stderr


def test_two_monitors_on_one_store(tmp_path: Path) -> None:
    with live(tmp_path) as (_, trial):
        refused_in_one_sentence(started(trial.settings.file), "store.sqlite")
        assert trial.health()["connected"]


def test_a_program_older_than_its_store(tmp_path: Path) -> None:
    with live(tmp_path) as (_, trial):
        trial.stop()
        with closing(sqlite3.connect(trial.settings.store.file)) as db:
            db.execute("PRAGMA user_version = 9999")
        before = trial.settings.store.file.read_bytes()
        refused_in_one_sentence(started(trial.settings.file), "newer version of this program")
        assert trial.settings.store.file.read_bytes() == before


def test_a_machine_that_gives_it_no_thread(tmp_path: Path) -> None:
    settings = tmp_path / "drying-room.toml"
    store = f'[store]\nfile = "{tmp_path / "store.sqlite"}"\n'
    settings.write_text(SETTINGS + store, "utf-8")

    def too_little() -> None:  # a thread's stack is larger than all that it may have
        resource.setrlimit(resource.RLIMIT_STACK, (2 << 30, 2 << 30))
        resource.setrlimit(resource.RLIMIT_DATA, (1 << 30, 1 << 30))

    done = started(settings, too_little)
    assert done.returncode == 1
    assert "too little memory or too few threads" in done.stderr
    assert "Traceback" not in done.stderr
