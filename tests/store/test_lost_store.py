"""A store that is gone is never replaced by an empty one; a restore cut anywhere is finished.

Every cut of a restore is made: before each of its calls to the system that change a file's name.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from monitor.engine.effects import Effects
from monitor.entries.entries import Entry
from monitor.site.quantities import Flag, Quantity, Reading
from monitor.site.time import DAY_MS, MINUTE_MS
from monitor.store.backup import BackupOrder, back_up, restore
from monitor.store.connection import StoreRefusedError, journal_of, lost
from monitor.store.queries import Reader
from monitor.store.writer import Writer

NOW_MS = 1_783_987_200_000  # 2026-07-14T00:00:00Z
KEPT = 3


class CutError(Exception):
    """The power went."""


def fill(file: Path, first: int, end: int) -> None:
    """Readings of these minutes, and an entry of the last."""
    with closing(Writer(file)) as writer:
        for minute in range(first, end):
            time_ms = NOW_MS + minute * MINUTE_MS
            writer.apply(Effects([Reading(time_ms, "a", Quantity.TEMPERATURE, 20.0, Flag(0))]))
        made_ms = NOW_MS + end * MINUTE_MS
        number = len(writer.entries()) + 1
        entry = Entry(number, made_ms, made_ms, "aside", {"sensor": "a"}, None)
        writer.apply(Effects(entries=[entry]))
        writer.commit()


def held(file: Path) -> tuple[int, int]:
    """How many readings and entries a store has."""
    with Reader(file) as reader:
        return len(list(reader.readings())), len(reader.entries())


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A store of eight readings and two entries, with a backup of five and one."""
    file = tmp_path / "x.sqlite"
    fill(file, 0, 5)
    back_up(BackupOrder(file, tmp_path / "stick", None, KEPT, NOW_MS))
    fill(file, 5, 8)
    return file


def backup_of(store: Path) -> Path:
    [file] = (store.parent / "stick").glob("*.sqlite")
    return file


def cut(monkeypatch: pytest.MonkeyPatch, after: int) -> None:
    """The power goes before the call of that number that makes, renames or removes a file."""
    left = iter(range(after))

    def counted(name: str) -> None:
        real = getattr(os, name)

        def call(*args: object, **named: object) -> object:
            if next(left, None) is None:
                raise CutError
            return real(*args, **named)

        monkeypatch.setattr(os, name, call)

    for name in ("rename", "replace", "unlink", "chmod", "fsync"):
        counted(name)


@pytest.mark.parametrize("wal", [False, True], ids=["closed", "killed"])
def test_a_restore_cut_anywhere_is_finished_or_as_if_it_had_not_begun(
    store: Path, wal: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is lost wherever it is cut: the next start finds the old store or the new one."""
    if wal:  # as a killed monitor leaves it: the last reading is in the log alone
        with closing(sqlite3.connect(store, isolation_level=None)) as db:
            db.execute("PRAGMA wal_autocheckpoint = 0")
            time_ms = NOW_MS + 60 * MINUTE_MS
            one = "SELECT ?, sensor, quantity, 1.0, 0 FROM reading LIMIT 1"
            db.execute(f"INSERT INTO reading {one}", (time_ms,))
            for ending in ("", "-wal"):
                shutil.copy(f"{store}{ending}", store.parent / f"kept{ending}")
        for ending in ("", "-wal"):
            shutil.move(store.parent / f"kept{ending}", f"{store}{ending}")
    before = (8 + wal, 2)
    whole = store.parent / "whole"
    shutil.copytree(store.parent, whole, ignore=shutil.ignore_patterns("whole"))
    seen = set()
    for after in range(100):
        here = store.parent / f"cut-{after}"
        shutil.copytree(whole, here)
        again = here / store.name
        with monkeypatch.context() as patched:
            cut(patched, after)
            try:
                restore(backup_of(again), again, NOW_MS + DAY_MS)
            except CutError:
                pass
            else:
                break
        Writer(again).close()
        found = held(again)
        seen.add(found)
        assert found in (before, (5, 2)), after
        kept = list(here.glob("x.replaced-*.sqlite"))
        assert [held(file) for file in kept] == ([] if found == before else [before]), after
        assert not list(here.glob("*.restoring*")), after
        assert not list(here.glob("*.new")), after
        assert not list(here.glob("*.entries.*")), after
    assert after > 8
    assert seen == {before, (5, 2)}


def test_a_restore_into_an_empty_place_cut_short_makes_no_empty_store(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bare = store.parent / "bare" / store.name
    with monkeypatch.context() as patched:
        cut(patched, 4)
        with pytest.raises(CutError):
            restore(backup_of(store), bare, NOW_MS)
    with pytest.raises(StoreRefusedError, match="was cut short; drying-room restore /"):
        Writer(bare)
    assert not bare.exists()
    restore(backup_of(store), bare, NOW_MS)
    assert held(bare) == (5, 1)
    Writer(bare).close()


@pytest.mark.parametrize("folder", ["backups", "elsewhere"])
def test_where_the_store_is_gone_its_backup_is_named(store: Path, folder: str) -> None:
    shutil.move(store.parent / "stick", store.parent / folder)
    [backup] = (store.parent / folder).glob("*.sqlite")
    store.unlink()
    with pytest.raises(StoreRefusedError, match="the store is gone") as refused:
        Writer(store, [store.parent / folder])
    assert str(refused.value).endswith(f"drying-room restore {backup}")
    assert not store.exists()
    restore(backup, store, NOW_MS)
    assert held(store) == (5, 2)


def test_where_only_what_was_entered_is_left_it_is_not_put_aside(store: Path) -> None:
    store.unlink()
    journal = journal_of(store).read_bytes()
    for opens in (Writer, Reader):
        with pytest.raises(StoreRefusedError, match="only what was entered is left in"):
            opens(store)
    assert journal_of(store).read_bytes() == journal
    assert not store.exists()
    journal_of(store).unlink()
    assert lost(store) is None
    Writer(store).close()
    assert held(store) == (0, 0)


def test_a_store_that_was_put_aside_by_hand_is_named(store: Path) -> None:
    aside = store.with_name("x.replaced-20260714T000000Z.sqlite")
    store.rename(aside)
    with pytest.raises(StoreRefusedError, match=f"drying-room restore {aside}"):
        Writer(store)


def test_a_link_in_a_backup_folder_is_neither_followed_nor_counted(store: Path) -> None:
    """What a stick brings along writes over no other file and pushes no backup out."""
    other = store.parent / "precious"
    other.write_text("as it was")
    stick, usb = store.parent / "stick", store.parent / "usb"
    usb.mkdir()
    name = "x-20260715T000000Z"
    for folder in (stick, usb):
        (folder / f"{name}.part").symlink_to(other)
        (folder / f"{name}.sqlite").symlink_to(other)
        for day in range(1, 6):
            (folder / f"x-2026080{day}T000000Z.sqlite").symlink_to(other)
    made = back_up(BackupOrder(store, stick, usb, KEPT, NOW_MS + DAY_MS))
    assert made.trouble is None
    assert other.read_text() == "as it was"
    assert held(Path(made.file)) == held(Path(made.second or "")) == (8, 2)
    assert not Path(made.file).is_symlink()
    assert len([file for file in stick.glob("*.sqlite") if not file.is_symlink()]) == 2
