"""Backups of a real store that is being written, on real disks and full ones."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.edges.beside import BesideError, ask
from monitor.engine.effects import Effects
from monitor.service.errands import BACKUP
from monitor.site.quantities import Quantity, Reading
from monitor.site.time import DAY_MS
from monitor.store import connection
from monitor.store.backup import BackupOrder, Made, back_up, restore, verify
from monitor.store.connection import StoreError, backups, made_ms
from monitor.store.writer import Writer

KEPT = 3
NOW_MS = round(datetime(2026, 7, 12, 4, 15, tzinfo=UTC).timestamp() * 1000)


def fill(writer: Writer, first: int, count: int) -> None:
    readings = [
        Reading(NOW_MS + 1000 * i, "rail", Quantity.TEMPERATURE, 20.0 + i % 7)
        for i in range(first, first + count)
    ]
    writer.apply(Effects(readings=readings))
    writer.commit()


def count(file: Path) -> int:
    with closing(sqlite3.connect(file)) as db:
        return int(db.execute("SELECT count(*) FROM reading").fetchone()[0])


def test_a_backup_is_made_while_the_store_is_written(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "x.sqlite")
    fill(writer, 0, 50_000)
    made = []
    order = BackupOrder(writer.file, tmp_path / "b", None, KEPT, NOW_MS)
    child = threading.Thread(target=lambda: made.append(back_up(order)))
    child.start()
    turns = 0
    while child.is_alive():
        fill(writer, 50_000 + 10 * turns, 10)
        turns += 1
    child.join()
    writer.close()
    assert turns > 1
    file = Path(made[0].file)
    assert file.name == "x-20260712T041500Z.sqlite"
    assert file.stat().st_mode & 0o777 == 0o600
    assert 50_000 <= count(file) <= 50_000 + 10 * turns
    verify(file)


def test_a_bounded_number_is_kept_and_other_files_are_left_alone(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "x.sqlite")
    fill(writer, 0, 5)
    folder = tmp_path / "b"
    folder.mkdir()
    (folder / "x-of-mine.sqlite").write_text("mine")
    for day in range(KEPT + 3):
        back_up(BackupOrder(writer.file, folder, None, KEPT, NOW_MS + day * DAY_MS))
    kept = backups(writer.file, folder)
    assert len(kept) == KEPT
    assert made_ms(writer.file, kept[-1]) == NOW_MS + (KEPT + 2) * DAY_MS
    assert (folder / "x-of-mine.sqlite").read_text() == "mine"
    assert not list(folder.glob("*.part"))
    writer.close()


def test_a_missing_stick_is_one_sentence_and_no_failure(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "x.sqlite")
    fill(writer, 0, 5)
    made = back_up(BackupOrder(writer.file, tmp_path / "b", tmp_path / "stick", KEPT, NOW_MS))
    assert count(Path(made.file)) == 5
    assert made.second is None
    assert made.trouble is not None
    assert made.trouble.endswith("is the stick plugged in?")
    assert not (tmp_path / "stick").exists()
    (tmp_path / "stick").mkdir()
    again = back_up(
        BackupOrder(writer.file, tmp_path / "b", tmp_path / "stick", KEPT, NOW_MS + DAY_MS)
    )
    assert again.trouble is None
    assert count(Path(again.second or "")) == 5
    writer.close()


def test_the_child_process_says_what_it_made_and_why_it_could_not(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "x.sqlite")
    fill(writer, 0, 5)
    (tmp_path / "taken").write_text("a file where a folder is wanted")

    def made(folder: str) -> Made:
        return ask(BACKUP, BackupOrder(writer.file, tmp_path / folder, None, KEPT, NOW_MS))

    assert count(Path(made("b").file)) == 5
    with pytest.raises(BesideError, match="no backup can be written there"):
        made("taken")
    writer.close()


def test_restore_brings_it_back_and_keeps_what_was_there(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "x.sqlite")
    fill(writer, 0, 5)
    file = Path(back_up(BackupOrder(writer.file, tmp_path / "b", None, KEPT, NOW_MS)).file)
    fill(writer, 5, 20)
    with pytest.raises(StoreError, match="another monitor is already running"):
        restore(file, writer.file, NOW_MS)
    writer.close()
    done = restore(file, writer.file, NOW_MS + DAY_MS)
    assert count(writer.file) == 5
    assert done.kept is not None
    assert count(done.kept) == 25
    again = Writer(writer.file)
    fill(again, 5, 1)
    again.close()
    assert count(writer.file) == 6


def test_a_damaged_or_strange_file_is_not_restored(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "x.sqlite")
    fill(writer, 0, 20_000)
    file = Path(back_up(BackupOrder(writer.file, tmp_path / "b", None, KEPT, NOW_MS)).file)
    writer.close()
    whole = file.read_bytes()
    file.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(StoreError, match="take another backup"):
        restore(file, writer.file, NOW_MS)
    torn = bytearray(whole)
    torn[8192:40_000] = bytes(40_000 - 8192)
    file.write_bytes(torn)
    with pytest.raises(StoreError, match="take another backup"):
        restore(file, writer.file, NOW_MS)
    file.write_text("Dear diary")
    with pytest.raises(StoreError, match="take another backup"):
        restore(file, writer.file, NOW_MS)
    with closing(sqlite3.connect(tmp_path / "other.sqlite")) as db:
        db.execute("CREATE TABLE songs (name TEXT)")
    with pytest.raises(StoreError, match="no store of this program"):
        restore(tmp_path / "other.sqlite", writer.file, NOW_MS)
    assert count(writer.file) == 20_000


def test_before_a_migration_the_store_is_copied(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = Writer(tmp_path / "x.sqlite")
    fill(writer, 0, 5)
    writer.close()
    released = connection.MIGRATIONS
    later = (*released, "CREATE TABLE weather (minute INTEGER PRIMARY KEY) STRICT;")
    monkeypatch.setattr(connection, "MIGRATIONS", later)
    Writer(tmp_path / "x.sqlite").close()
    monkeypatch.setattr(connection, "MIGRATIONS", released)
    # The older program refuses the newer store, and goes on with the copy.
    with pytest.raises(StoreError, match="newer version"):
        Writer(tmp_path / "x.sqlite")
    before = tmp_path / f"x.before-version-{len(later)}.sqlite"
    restore(before, tmp_path / "x.sqlite", NOW_MS)
    Writer(tmp_path / "x.sqlite").close()
    assert count(tmp_path / "x.sqlite") == 5


def test_who_may_not_read_the_store_is_told_to_ask_as_its_owner(tmp_path: Path) -> None:
    """Root may read everything, so a process of another user asks."""
    writer = Writer(tmp_path / "x.sqlite")
    fill(writer, 0, 5)
    writer.close()
    tmp_path.chmod(0o755)
    asks = (
        "import os, sys; from pathlib import Path; from monitor.store import connection\n"
        f"file = Path({str(writer.file)!r})\n"
        "os.chdir(file.parent); os.chmod(file, 0) if os.getuid() else os.setuid(65534)\n"
        "try: connection.open_for_reading(Path(file.name))\n"
        "except connection.StoreError as error: print(error)"
    )
    done = subprocess.run([sys.executable, "-c", asks], capture_output=True, text=True, check=False)
    assert "only its owner may read it; put `sudo -u " in done.stdout, done.stderr
