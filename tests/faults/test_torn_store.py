"""The store as it stood at every write and sync of a run, the last write torn.

SQLite's own promise (write-ahead log, synchronous FULL) held for our schema and our commits: what
was committed before is there, and the file is whole.
"""

from __future__ import annotations

import os
import random
import sqlite3
import struct
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

from monitor.store.writer import Writer
from tests.faults.conftest import Shim

COMMITS, PLACES = 60, 60

# Ten readings a commit; after each commit its number is written to a file the shim logs too.
CHILD = """
import sys
from pathlib import Path
from monitor.engine.effects import Effects
from monitor.site.quantities import Quantity, Reading
from monitor.store.writer import Writer
store, commits = Path(sys.argv[1]), int(sys.argv[2])
writer = Writer(store)
marks = open(str(store) + ".marks", "wb", buffering=0)
for commit in range(commits):
    rows = [Reading(1000 * commit + i, "a", Quantity.HUMIDITY, 50.0) for i in range(10)]
    writer.apply(Effects(readings=rows))
    writer.commit()
    marks.write(b"x")
"""


class Change(NamedTuple):
    kind: str
    path: str
    offset: int
    data: bytes


def changes(log: Path) -> Iterator[Change]:
    raw, at = log.read_bytes(), 0
    while at < len(raw):
        kind = chr(raw[at])
        path_length, offset, length = struct.unpack_from("<QQQ", raw, at + 1)
        at += 25
        path = raw[at : at + path_length].decode()
        at += path_length
        data = raw[at : at + length] if kind == "w" else b""
        at += length if kind == "w" else 0
        yield Change(kind, path, offset, data)


def at_change(made: list[Change], count: int, store: Path, folder: Path) -> int:
    """Put the files down as they stood at a change, that one torn; returns the commits marked."""
    files: dict[str, bytearray] = {}
    marked = 0
    for number, change in enumerate(made[:count]):
        name = Path(change.path).name
        if name.endswith(".marks"):
            marked += len(change.data)
            continue
        content = files.setdefault(name, bytearray())
        data = change.data[: len(change.data) // 2] if number == count - 1 else change.data
        if change.kind == "w":
            content.extend(bytes(max(change.offset + len(data) - len(content), 0)))
            content[change.offset : change.offset + len(data)] = data
        elif change.kind == "t":
            del content[change.offset :]
        elif change.kind == "u":
            del files[name]
    for name, content in files.items():
        if not name.endswith("-shm"):  # lost with the power, and made anew
            (folder / name).write_bytes(content)
    return marked


def run(shim: Shim, folder: Path, commits: int, places: int) -> int:
    """Returns how many places were tried."""
    store = folder / "store.sqlite"
    subprocess.run(
        [sys.executable, "-c", CHILD, str(store), str(commits)],
        env=os.environ | shim.environment(logged=True),
        check=True,
    )
    made = list(changes(shim.log))
    assert sum(change.kind == "s" for change in made) > commits
    rng = random.Random(3)
    tried = sorted(rng.sample(range(1, len(made) + 1), min(places, len(made))))
    for count in tried:
        there = folder / f"at-{count}"
        there.mkdir()
        marked = at_change(made, count, store, there)
        copy = there / "store.sqlite"
        if not copy.exists():
            continue
        Writer(copy).close()
        with closing(sqlite3.connect(copy)) as db:
            assert db.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
            found = {row[0] for row in db.execute("SELECT time_ms FROM reading")}
        for commit in range(marked):
            assert {1000 * commit + i for i in range(10)} <= found, f"commit {commit} at {count}"
    return len(tried)


def test_at_sampled_boundaries(shim: Shim, tmp_path: Path) -> None:
    assert run(shim, tmp_path, COMMITS, PLACES) == PLACES
