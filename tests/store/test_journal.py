"""The journal of what people entered: with it a backup brought back loses no entry.

Real files throughout; kills are a process that ends itself between two calls of the system.
"""

from __future__ import annotations

import json
import os
import random
import sqlite3
import stat
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

from monitor.engine.effects import Effects
from monitor.engine.engine import Engine
from monitor.entries.entries import Entry, Request, bears_from_ms
from monitor.notices.spell_rules import Policy
from monitor.site.time import HOUR_MS
from monitor.store.backup import BackupOrder, back_up, restore, set_aside_future
from monitor.store.connection import journal_of, vacuum_into
from monitor.store.journal import read
from monitor.store.queries import Reader
from monitor.store.schema import MIGRATIONS
from monitor.store.writer import Writer
from tests.engine.test_crisp_engine import ARID, HANG, arid, enter, fold
from tests.engine.test_engine import BOOK, FOREVER_MS, START_MS, message, rows

NOW_MS = START_MS + 48 * HOUR_MS


def entry(number: int, changes: int | None = None, **said: Any) -> Entry:
    at_ms = START_MS + number * HOUR_MS
    return Entry(number, at_ms, at_ms, "undo" if changes else "weigh", said, changes)


SAID = [
    entry(1, batch=1, grams=120.5),
    entry(2, batch=1, note="Strohblumen, \N{SNOWMAN} =1+1\n"),
    entry(3, changes=2),
    entry(4, changes=3),
]


def enter_all(writer: Writer, entries: list[Entry]) -> None:
    for one in entries:
        writer.apply(Effects(entries=[one]))
        writer.commit()


def entries_of(file: Path) -> list[Entry]:
    with Reader(file) as reader:
        return reader.entries()


def in_journal(store: Path) -> list[Entry]:
    kept = read(journal_of(store))
    return [kept.entries[number][-1] for number in sorted(kept.entries)]


def spoil(store: Path) -> None:
    """As a card does it that dies: the file is there, and nothing in it is a store."""
    store.write_bytes(random.Random(1).randbytes(store.stat().st_size))


def backed_up(store: Path, folder: Path) -> Path:
    return Path(back_up(BackupOrder(store, folder, None, 3, START_MS)).file)


def test_an_entry_is_in_the_journal_once_it_is_committed(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "x.sqlite")
    writer.apply(Effects(entries=[SAID[0]]))
    writer.rollback()
    assert in_journal(writer.file) == []
    writer.apply(Effects(entries=[SAID[0]]))
    writer.commit()
    assert in_journal(writer.file) == [SAID[0]]
    enter_all(writer, SAID[1:])
    assert in_journal(writer.file) == SAID
    assert stat.S_IMODE(journal_of(writer.file).stat().st_mode) == 0o600
    before = journal_of(writer.file).read_bytes()
    writer.close()
    Writer(writer.file).close()
    assert journal_of(writer.file).read_bytes() == before


def test_a_backup_brought_back_loses_no_entry(tmp_path: Path) -> None:
    store = tmp_path / "x.sqlite"
    writer = Writer(store)
    enter_all(writer, SAID[:1])
    backup = backed_up(store, tmp_path / "b")
    enter_all(writer, SAID[1:])
    writer.close()
    spoil(store)
    done = restore(backup, store, NOW_MS)
    assert (done.entries, done.troubles) == (3, [])
    assert entries_of(store) == SAID
    assert restore(backup, store, NOW_MS + 1000).entries == 3  # and none comes twice
    Writer(store).close()
    assert entries_of(store) == in_journal(store) == SAID
    assert [one.id for one in entries_of(backup)] == [1]


def test_a_store_put_back_by_hand_gets_its_entries_at_the_next_start(tmp_path: Path) -> None:
    store = tmp_path / "x.sqlite"
    writer = Writer(store)
    vacuum_into(writer._db, tmp_path / "copy.sqlite")
    enter_all(writer, SAID)
    writer.close()
    for left in ("-wal", "-shm", ""):
        store.with_name(store.name + left).unlink(missing_ok=True)
    (tmp_path / "copy.sqlite").rename(store)
    Writer(store).close()
    assert entries_of(store) == SAID


def test_a_torn_journal_gives_its_whole_lines_and_is_mended(tmp_path: Path) -> None:
    store, journal = tmp_path / "x.sqlite", journal_of(tmp_path / "x.sqlite")
    writer = Writer(store)
    backup = backed_up(store, tmp_path / "b")
    enter_all(writer, SAID)
    writer.close()
    whole = journal.read_bytes()
    for length in range(0, len(whole), 13):
        journal.write_bytes(whole[:length])
        ends = whole[:length].count(b"\n")
        assert in_journal(store) == SAID[:ends]
        Writer(store).close()
        assert in_journal(store) == SAID
        journal.write_bytes(whole[:length])
        copy = tmp_path / f"{length}.sqlite"
        journal_of(copy).write_bytes(whole[:length])
        assert restore(backup, copy, NOW_MS).entries == ends
        assert entries_of(copy) == SAID[:ends]


def test_a_damaged_line_is_passed_over_and_said(tmp_path: Path) -> None:
    store, journal = tmp_path / "x.sqlite", journal_of(tmp_path / "x.sqlite")
    writer = Writer(store)
    backup = backed_up(store, tmp_path / "b")
    enter_all(writer, SAID)
    writer.close()
    whole, rng = journal.read_bytes(), random.Random(5)
    for _ in range(40):
        damaged = bytearray(whole)
        damaged[rng.randrange(len(whole))] ^= 1 << rng.randrange(8)
        journal.write_bytes(damaged)
        found = in_journal(store)
        assert all(one in SAID for one in found)
        assert len(found) >= len(SAID) - 2  # a line end that is hit joins two
        copy = tmp_path / "copy.sqlite"
        journal_of(copy).write_bytes(damaged)
        done = restore(backup, copy, NOW_MS)
        assert [t for t in done.troubles if "could not be read" in t] or found == SAID
        Writer(store).close()
        assert in_journal(store) == entries_of(store) == SAID


def test_a_journal_of_another_store_is_left_alone_and_said(tmp_path: Path) -> None:
    ours, other = Writer(tmp_path / "x.sqlite"), Writer(tmp_path / "y.sqlite")
    backup = backed_up(ours.file, tmp_path / "b")
    enter_all(ours, SAID)
    enter_all(other, [entry(1, batch=9), entry(2, batch=9)])
    store, strange = ours.file, journal_of(other.file).read_bytes()
    ours.close(), other.close()
    journal_of(store).rename(tmp_path / "x.sqlite.entries.1")
    journal_of(store).write_bytes(strange)
    done = restore(backup, store, NOW_MS)
    assert done.troubles == [
        f"{journal_of(store)}: is of another store; nothing of it was put back."
    ]
    assert entries_of(store) == SAID  # from the one put aside
    Writer(store).close()
    assert in_journal(store) == SAID
    assert (tmp_path / "x.sqlite.entries.2").read_bytes() == strange


def test_a_store_of_an_older_program_gets_its_journal_at_the_first_start(tmp_path: Path) -> None:
    store, backup = tmp_path / "x.sqlite", tmp_path / "backup.sqlite"
    with closing(sqlite3.connect(store, isolation_level=None)) as db:
        for step in MIGRATIONS[:1]:
            db.executescript(step)
        db.execute("PRAGMA user_version = 1")
        for one in SAID[:2]:
            db.execute(
                "INSERT INTO entry VALUES (?, ?, ?, ?, ?, ?)",
                (*one[:4], json.dumps(one.arguments), one.changes),
            )
        db.execute("VACUUM INTO ?", (str(backup),))
    writer = Writer(store)
    assert in_journal(store) == SAID[:2]
    enter_all(writer, SAID[2:])
    writer.close()
    spoil(store)
    assert restore(backup, store, NOW_MS).entries == 2
    Writer(store).close()
    assert entries_of(store) == in_journal(store) == SAID
    assert not (tmp_path / "x.sqlite.entries.1").exists()  # it is known as the same store


def test_what_a_wrong_clock_dated_stays_the_same_entry(tmp_path: Path) -> None:
    store = tmp_path / "x.sqlite"
    writer = Writer(store)
    enter_all(writer, SAID)
    backup = backed_up(store, tmp_path / "b")
    writer.close()
    set_aside_future(store, START_MS + 2 * HOUR_MS)
    mended = entries_of(store)
    assert mended != SAID
    assert in_journal(store) == mended
    Writer(store).close()
    restore(backup, store, NOW_MS)
    assert not (tmp_path / "x.sqlite.entries.1").exists()
    assert [one.id for one in entries_of(store)] == [1, 2, 3, 4]


def test_a_journal_that_cannot_be_written_loses_no_entry(tmp_path: Path) -> None:
    store, journal = tmp_path / "x.sqlite", journal_of(tmp_path / "x.sqlite")
    journal.mkdir()  # not even root writes into that
    writer = Writer(store)
    enter_all(writer, SAID[:2])
    assert writer.journal.trouble == "Is a directory"
    journal.rmdir()
    enter_all(writer, SAID[2:])
    assert writer.journal.trouble is None
    writer.close()
    assert entries_of(store) == in_journal(store) == SAID


def test_a_pipe_in_the_journals_place_holds_nobody_up(tmp_path: Path) -> None:
    store, journal = tmp_path / "x.sqlite", journal_of(tmp_path / "x.sqlite")
    os.mkfifo(journal)
    writer = Writer(store)
    assert writer.journal.trouble == "it is a pipe"
    enter_all(writer, SAID)
    assert writer.journal.trouble == "No such device or address"
    writer.close()
    assert entries_of(store) == SAID


# -- killed at every place ------------------------------------------------------------------------

# A process of one thread that lets a child begin the work and end itself before its n-th call of
# the system or statement of the store; 0 where the child came to the end of the work.
KILLED = """
import os, sqlite3, sys
from pathlib import Path
from monitor.engine.effects import Effects
from monitor.entries.entries import Entry
from monitor.store import backup, writer
from tests.store.test_journal import NOW_MS, SAID
what, folder = sys.argv[1], Path(sys.argv[2])
left = 0

def counted(call):
    def calling(*asked, **named):
        count()
        return call(*asked, **named)
    return calling

def count(*_):
    global left
    left -= 1
    if left < 0:
        os._exit(9)

def write(file):
    w = writer.Writer(file)
    told = open(file.with_suffix(".told"), "wb", buffering=0)
    for one in SAID[len(w.entries()):]:
        w.apply(Effects(entries=[one]))
        w.commit()
        told.write(b"x")

def bring(file):
    backup.restore(folder / "backup.sqlite", file, NOW_MS)

connect = sqlite3.connect
def connecting(*asked, **named):
    made = connect(*asked, **named)
    made.set_trace_callback(count)
    return made

for place in range(500):
    file = folder / f"{place}.sqlite"
    for ending in (".sqlite", ".sqlite.entries"):
        if (source := folder / ("source" + ending)).exists():
            file.with_suffix(ending).write_bytes(source.read_bytes())
    if (child := os.fork()) == 0:
        left = place
        sqlite3.connect = connecting
        for name in ("write", "fsync", "rename", "open", "unlink"):
            setattr(os, name, counted(getattr(os, name)))
        (write if what == "write" else bring)(file)
        os._exit(0)
    ended = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    if ended == 0:
        print(place)
        break
    assert ended == 9, ended
"""


def places(what: str, folder: Path) -> int:
    done = subprocess.run(
        [sys.executable, "-c", KILLED, what, str(folder)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return int(done.stdout)


def test_killed_at_every_place_between_store_and_journal(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "source.sqlite")
    backup = backed_up(writer.file, tmp_path / "b")
    writer.close()
    tried = places("write", tmp_path)
    assert tried > 30
    for place in range(tried + 1):
        store = tmp_path / f"{place}.sqlite"
        told = store.with_suffix(".told")
        answered = told.stat().st_size if told.exists() else 0
        lost = tmp_path / f"lost-{place}.sqlite"  # where the store was lost at this very moment
        if journal_of(store).exists():
            journal_of(lost).write_bytes(journal_of(store).read_bytes())
        restore(backup, lost, NOW_MS)
        found = entries_of(lost)
        assert found == SAID[: len(found)]
        assert len(found) >= answered
        Writer(store).close()
        assert entries_of(store) == in_journal(store) == SAID[: len(entries_of(store))]
        assert len(entries_of(store)) >= answered


def test_killed_at_every_place_of_bringing_back(tmp_path: Path) -> None:
    store = tmp_path / "source.sqlite"
    writer = Writer(store)
    enter_all(writer, SAID[:1])
    backed_up(store, tmp_path / "b").rename(tmp_path / "backup.sqlite")
    enter_all(writer, SAID[1:])
    writer.close()
    tried = places("bring", tmp_path)
    assert tried > 15
    for place in range(tried + 1):
        store = tmp_path / f"{place}.sqlite"
        if place % 2 and store.exists():  # somebody starts it first, or restores again at once
            Writer(store).close()
            assert entries_of(store) == SAID
        restore(tmp_path / "backup.sqlite", store, NOW_MS + 60_000)
        assert entries_of(store) == SAID
        Writer(store).close()
        assert entries_of(store) == in_journal(store) == SAID


# -- what follows from the entries ----------------------------------------------------------------


def test_the_earliest_time_that_new_entries_bear_on() -> None:
    hung = Entry(1, 900, 1000, "hang", {})
    earlier = Entry(2, 1100, 1100, "correct", {"at_ms": 700}, 1)
    later = Entry(3, 1200, 1200, "correct", {"at_ms": 800}, 1)
    alone = Entry(4, 1300, 1250, "weigh", {})
    every = [hung, earlier, later, alone]
    assert bears_from_ms(every, [alone]) == 1250
    assert bears_from_ms(every, [later]) == 700  # what held before it was dated 700
    assert bears_from_ms([alone, Entry(6, 1400, 1400, "undo", {}, 5)], [alone]) == 1250


def notices(file: Path) -> list[Any]:
    return rows(
        file,
        "SELECT made_ms, kind, space, spell_began, part, body, seen_ms FROM notice ORDER BY id",
    )


def test_what_follows_from_lost_entries_is_as_if_they_never_were_lost(tmp_path: Path) -> None:
    """Two dry days; what hangs crisp makes them too dry. Nothing said before is said again."""
    kept, lost = tmp_path / "x.sqlite", tmp_path / "y.sqlite"
    writer = Writer(kept)
    engine = Engine(ARID, Policy(), BOOK, writer, FOREVER_MS)
    first = [message("a", 5 * i + 0.5, 20.0, 30.0 if i < 288 else 90.0) for i in range(576)]
    writer.apply(engine.receive(first), ["phone"])
    fold(writer, engine)
    enter(writer, engine, "hang", 2, **HANG)
    backup = backed_up(kept, tmp_path / "b")
    said_before = notices(kept)
    assert said_before
    enter(writer, engine, "snap", 4, batch="statice-1", result="snaps")
    writer.apply(engine.enter(Request("seen", {}), engine.now_ms(0))[1])
    writer.commit()
    assert arid(writer) == [(4, 24.0)]
    writer.close()
    journal_of(lost).write_bytes(journal_of(kept).read_bytes())
    assert restore(backup, lost, NOW_MS).entries == 2
    came = []
    for file in (kept, lost):
        with closing(Writer(file)) as writer:
            engine = Engine(ARID, Policy(), BOOK, writer, FOREVER_MS)
            more = [message("a", 5 * i + 0.5, 20.0, 90.0) for i in range(576, 600)]
            writer.apply(engine.receive(more), ["phone"])
            fold(writer, engine)
            assert arid(writer) == [(4, 24.0)]
        told = notices(file)
        assert [row[:6] for row in told[: len(said_before)]] == [row[:6] for row in said_before]
        assert all(row[6] is not None for row in told[: len(said_before)])
        once = sorted(str(row[1:5]) for row in told)
        came.append((rows(file, "SELECT * FROM air"), entries_of(file), once))
    assert came[0] == came[1]
