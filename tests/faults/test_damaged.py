"""A store's file with bytes flipped or cut off: used as far as it is whole, or refused in words."""

from __future__ import annotations

import io
import random
import subprocess
import sys
from collections import Counter
from pathlib import Path

from monitor.engine.engine import Engine
from monitor.intake.payloads import Message
from monitor.notices.spell_rules import Policy
from monitor.site.time import HOUR_MS
from monitor.store.backup import restore
from monitor.store.connection import (
    DAMAGED,
    OWN_MISTAKES,
    StoreError,
    WriteError,
    vacuum_into,
    why_failed,
)
from monitor.store.exports import WHAT
from monitor.store.formats import export
from monitor.store.queries import Reader
from monitor.store.writer import Writer
from tests.edges.receiver import free_port
from tests.engine.test_engine import BOOK, SITE, START_MS, day
from tests.service.test_live import SETTINGS

PLACES, FULL_PLACES = 40, 500


def fed(file: Path, told: list[Message], now_ms: int) -> None:
    """A monitor on this store takes in messages, folds up to now, and goes."""
    writer = Writer(file)
    try:
        engine = Engine(SITE, Policy(), BOOK, writer)
        writer.apply(engine.receive([m._replace(arrived_ms=now_ms) for m in told]), ["phone"])
        now_ms += 10_000  # no more of the log comes
        while engine.behind(now_ms):
            writer.apply(engine.advance(now_ms, 60), ["phone"])
            writer.apply(engine.consider(), ["phone"])
        writer.commit()
    finally:
        writer.close()


def looked_at(file: Path) -> None:
    for what in WHAT:
        with Reader(file) as reader:
            export(reader, SITE, what, io.BytesIO())


def run(folder: Path, places: int) -> str:
    """Damage in so many places, one at a time; returns the figures in a line."""
    rng = random.Random(3)
    first, second = day(10.0), day(20.0)
    fed(folder / "good.sqlite", first, START_MS + 12 * HOUR_MS)
    good = (folder / "good.sqlite").read_bytes()
    came: Counter[str] = Counter()
    for place in range(places):
        file = folder / f"{place}.sqlite"
        damaged, at = bytearray(good), rng.randrange(len(good))
        if place % 5 == 0:
            del damaged[at:]
        else:
            for n in range(at, min(at + rng.choice((1, 4, 64, 512)), len(good))):
                damaged[n] ^= rng.randrange(1, 256)
        file.write_bytes(damaged)
        try:
            fed(file, second, START_MS + 30 * HOUR_MS)
            looked_at(file)
            how = "used"
        except StoreError as refused:
            told = "bring back a backup with: drying-room restore" in str(refused)
            how = "refused at its start" if told else f"wrongly told: {refused}"
        except OWN_MISTAKES:
            raise
        except WriteError as failed:
            found = why_failed(failed) == DAMAGED
            how = "found damaged at work" if found else f"not known as damage: {failed!r}"
        came[how] += 1
        for left in folder.glob(f"{place}.*"):
            left.unlink()
    assert set(came) <= {"used", "refused at its start", "found damaged at work"}, came
    return f"{places} places: " + ", ".join(f"{n} {how}" for how, n in sorted(came.items()))


def test_what_is_damaged_is_used_or_refused_in_a_sentence(tmp_path: Path) -> None:
    print(run(tmp_path, PLACES))


def test_the_command_says_it_and_a_backup_brings_all_back(tmp_path: Path) -> None:
    store, backup = tmp_path / "x.sqlite", tmp_path / "backup.sqlite"
    fed(store, day(10.0), START_MS + 12 * HOUR_MS)
    writer = Writer(store)
    vacuum_into(writer._db, backup)
    writer.close()
    whole = store.read_bytes()
    store.write_bytes(whole[:20_000] + bytes(len(whole) - 20_000))
    settings = tmp_path / "drying-room.toml"
    settings.write_text(
        SETTINGS + f'[store]\nfile = "{store}"\n[page]\nport = {free_port()}\n', "utf-8"
    )
    done = subprocess.run(
        [sys.executable, "-m", "monitor", "run", "--config", str(settings)],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    assert "bring back a backup with: drying-room restore" in done.stderr
    restore(backup, store, START_MS)
    fed(store, day(20.0), START_MS + 30 * HOUR_MS)
    looked_at(store)
