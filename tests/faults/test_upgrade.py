"""Killed while a store is brought up to date: it holds the old shape or the new one, whole."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from monitor.store.connection import VERSION
from monitor.store.schema import MIGRATIONS
from monitor.store.writer import Writer

# Ends itself as a kill would before its n-th statement; says where there was no n-th any more.
KILLED = """
import os, sqlite3, sys
from pathlib import Path
from monitor.store import connection
file, left = Path(sys.argv[1]), int(sys.argv[2])
connect = sqlite3.connect

def counting(*asked, **named):
    made = connect(*asked, **named)
    made.set_trace_callback(count)
    return made

def count(statement):
    global left
    left -= 1
    if left < 0:
        os._exit(9)

sqlite3.connect = counting
connection.open_for_writing(file)
"""


def of_version(file: Path, version: int) -> None:
    """A store as the program of that version left it, with an entry in it."""
    with closing(sqlite3.connect(file, isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode = WAL")
        for step in MIGRATIONS[:version]:
            db.executescript(step)
        db.execute(f"PRAGMA user_version = {version}")
        if version:
            db.execute("INSERT INTO entry VALUES (1, 2, 3, 'hang', '{}', NULL)")


def shape(file: Path) -> tuple[int, set[str]]:
    with closing(sqlite3.connect(file)) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        version = db.execute("PRAGMA user_version").fetchone()[0]
        return version, {sql for (sql,) in db.execute("SELECT sql FROM sqlite_schema") if sql}


@pytest.mark.parametrize("version", range(VERSION))
def test_killed_before_every_statement_of_an_upgrade(tmp_path: Path, version: int) -> None:
    whole = []  # the shape of each version
    for number in range(VERSION + 1):
        of_version(tmp_path / f"{number}.sqlite", number)
        whole.append(shape(tmp_path / f"{number}.sqlite"))
    for statement in range(200):
        file = tmp_path / f"killed-{statement}.sqlite"
        of_version(file, version)
        done = subprocess.run(
            [sys.executable, "-c", KILLED, str(file), str(statement)], check=False
        )
        assert shape(file) in whole[version:]
        Writer(file).close()  # the next start finishes it
        assert shape(file) == whole[VERSION]
        if version:
            with closing(sqlite3.connect(file)) as db:
                assert db.execute("SELECT verb FROM entry").fetchall() == [("hang",)]
        if done.returncode == 0:
            break
        assert done.returncode == 9
    else:
        raise AssertionError("the upgrade never came to its end")
    assert statement > 5
