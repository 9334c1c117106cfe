"""What must not start beside the store: a second monitor, and a program older than the store."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

from tests.service.test_live import live
from tests.service.trial import Trial


def second(trial: Trial) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "monitor", "run", "--config", str(trial.settings.file)],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )


def refused_in_one_sentence(done: subprocess.CompletedProcess[str], words: str) -> None:
    assert done.returncode == 2
    assert done.stdout == ""
    assert len(done.stderr.strip().splitlines()) == 1
    assert words in done.stderr
    assert "Traceback" not in done.stderr


def test_two_monitors_on_one_store(tmp_path: Path) -> None:
    with live(tmp_path) as (_, trial):
        refused_in_one_sentence(second(trial), "store.sqlite")
        assert trial.health()["connected"]


def test_a_program_older_than_its_store(tmp_path: Path) -> None:
    with live(tmp_path) as (_, trial):
        trial.stop()
        with closing(sqlite3.connect(trial.settings.store.file)) as db:
            db.execute("PRAGMA user_version = 9999")
        before = trial.settings.store.file.read_bytes()
        refused_in_one_sentence(second(trial), "newer version of this program")
        assert trial.settings.store.file.read_bytes() == before
