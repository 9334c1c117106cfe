"""What lies beside a store: its journal, its backups, stores put aside, and a restore under way.

A restore is marked from its first step to its last: who next opens the store for writing does
what is left of it. Where a store is gone and something of it lies beside, no new one is made.
"""

from __future__ import annotations

import os
import shlex
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from monitor.site.time import epoch_ms_of, utc

_DATED = "%Y%m%dT%H%M%SZ"


@dataclass(frozen=True, slots=True)
class RestoreMark:
    """A restore under way.

    source  what is brought back
    kept    the name of the store that it replaces
    ready   whether the new store lies whole beside the old one
    """

    source: str
    kept: str
    ready: bool


def journal_of(store: Path) -> Path:
    """Where the journal of a store is."""
    return store.with_name(store.name + ".entries")


def new_of(store: Path) -> Path:
    """Where a restore makes the new store."""
    return store.with_name(store.name + ".new")


def replaced(store: Path, now_ms: int) -> Path:
    """Where a store is put that a restore replaces."""
    return store.with_name(f"{store.stem}.replaced-{moment(now_ms)}.sqlite")


def moment(now_ms: int) -> str:
    """A moment as file names hold it: 20260712T041500Z."""
    return utc(now_ms).strftime(_DATED)


def backups(store: Path, folder: Path) -> list[Path]:
    """The dated backups of a store in a folder, oldest first; a link is none."""
    found = []
    with suppress(OSError):
        for file in folder.glob(f"{store.stem}-*.sqlite"):
            if made_ms(store, file) is not None and not file.is_symlink():
                found.append(file)
    return sorted(found)


def made_ms(store: Path, file: Path) -> int | None:
    """When a backup was made, by its name [UTC epoch ms]; None: not one of ours."""
    try:
        moment = datetime.strptime(file.stem.removeprefix(f"{store.stem}-"), _DATED)
    except ValueError:
        return None
    return epoch_ms_of(moment.replace(tzinfo=UTC))


def lost(store: Path, folders: Sequence[Path] = ()) -> str | None:
    """Why no new store may be made where none is, and what to do; None: there never was one.

    folders  where backups may be besides the store's own folder and `backups` in it
    """
    if store.exists():
        return None
    mark = read_mark(store)
    if mark is not None:
        again = "start the monitor, it finishes it" if mark.ready else _command(Path(mark.source))
        return f"{store}: a restore of this store was cut short; {again}"
    where = (store.parent, store.parent / "backups", *folders)
    dated = [file for folder in where for file in backups(store, folder)]
    aside = sorted(store.parent.glob(f"{store.stem}.replaced-*.sqlite"))
    newest = max(dated, key=lambda file: made_ms(store, file) or 0, default=None)
    found = newest or next(reversed(aside), None)
    if found is not None:
        return (
            f"{store}: the store is gone, and {found} is left of it; bring it back with: "
            f"{_command(found)}"
        )
    journal = journal_of(store)
    if journal.is_file():
        return (
            f"{store}: the store is gone, and only what was entered is left in {journal}; bring "
            "back a backup with: drying-room restore, or move that file away to begin anew"
        )
    return None


def _command(file: Path) -> str:
    return f"drying-room restore {shlex.quote(str(file))}"


def read_mark(store: Path) -> RestoreMark | None:
    """The restore under way; None: none is."""
    try:
        return msgspec.json.decode(_mark_of(store).read_bytes(), type=RestoreMark)
    except FileNotFoundError:
        return None


def mark(store: Path, told: RestoreMark) -> None:
    """Say that a restore is under way, on the disk before anything else happens."""
    file = _mark_of(store)
    part = _mark_of(store, ".part")
    part.write_bytes(msgspec.json.encode(told))
    to_disk(part)
    part.replace(file)
    to_disk(store.parent)


def unmark(store: Path) -> None:
    """The restore is over."""
    _mark_of(store).unlink(missing_ok=True)
    to_disk(store.parent)


def _mark_of(store: Path, ending: str = "") -> Path:
    return store.with_name(f"{store.name}.restoring{ending}")


def finish_restore(store: Path) -> None:
    """Do what is left of a restore: put the old store aside with its log, the new in its place.

    For who holds the store's lock; any number of times. One cut short before the new store was
    whole has changed nothing: where the old one stands, it is as if it had not begun.
    """
    _mark_of(store, ".part").unlink(missing_ok=True)
    told, new = read_mark(store), new_of(store)
    if told is None or not (told.ready or store.exists()):
        return
    if told.ready and new.exists():
        kept = store.with_name(told.kept)
        for ending in ("", "-wal"):
            with suppress(FileNotFoundError):
                store.with_name(store.name + ending).rename(kept.with_name(kept.name + ending))
        store.with_name(store.name + "-shm").unlink(missing_ok=True)
        to_disk(store.parent)
        new.rename(store)
        to_disk(store.parent)
    new.unlink(missing_ok=True)
    unmark(store)


def to_disk(path: Path) -> None:
    """Wait until a file or the names in a folder are on the disk; raises OSError."""
    opened = os.open(path, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)
