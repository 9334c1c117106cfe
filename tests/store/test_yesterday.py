"""A store, settings and a journal of entries that an earlier version wrote work unchanged.

The files in `yesterday/` are of that version: four days and a night at Thornlaw (every third of
the nine days' readings of five sensors, with entries, weighings, notices, a report and what was
learned), its exports of them, and its exports of the four hours after, in which it went on from
them with every reading and one more weighing.

That version wrote numbers to 17 figures: they are compared as they are written now, what sensors
sent to 8 figures and what is worked out to 6. The readings lose nothing by it.
"""

from __future__ import annotations

import csv
import gzip
import io
import json
import lzma
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import datetime
from functools import partial
from pathlib import Path

import pytest

from monitor.engine.engine import Engine
from monitor.entries.entries import Request
from monitor.intake.payloads import Message
from monitor.notices.spell_rules import Policy
from monitor.service.settings.settings import Settings, load
from monitor.site.flowers import read_book
from monitor.store.exports import WHAT, Cell
from monitor.store.formats import Format, export, figures
from monitor.store.queries import Reader
from monitor.store.writer import Writer

ROOT = Path(__file__).parents[2]
KEPT = Path(__file__).parent / "yesterday"
BOOK = read_book((ROOT / "config" / "flowers.toml").read_text("utf-8"))
FROM, UNTIL, WEIGHED = "2026-07-09T05:00:00Z", "2026-07-09T09:00:00Z", "2026-07-09T07:10:00Z"
TURN_MS = 900_000


def at_ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    shutil.copy(KEPT / "store.sqlite.entries", tmp_path)
    (tmp_path / "store.sqlite").write_bytes(unpacked("store.sqlite"))
    return settings_in(tmp_path)


def settings_in(folder: Path) -> Settings:
    """As they were, but for the folder in which the store lies."""
    text = (KEPT / "drying-room.toml").read_text("utf-8")
    file = folder / "drying-room.toml"
    file.write_text(text.replace('"store.sqlite"', f'"{folder / "store.sqlite"}"'), "utf-8")
    return load(file)


def unpacked(name: str) -> bytes:
    return lzma.decompress((KEPT / f"{name}.xz").read_bytes())


def exported(settings: Settings, what: str, from_ms: int | None = None) -> bytes:
    out = io.BytesIO()
    with Reader(settings.store.file) as reader:
        export(reader, settings.site, what, out, Format.CSV, from_ms)
    return out.getvalue()


def kept(name: str, what: str) -> bytes:
    """An export of yesterday, its numbers written as they are now."""
    turns = [
        {Cell.NUMBER: figures, Cell.SENT: partial(figures, count=8)}.get(cell)
        for cell in WHAT[what].columns.values()
    ]
    told = csv.reader(io.StringIO(unpacked(f"{name}.csv").decode()))
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(next(told))
    for row in told:
        writer.writerow(f(float(v)) if f and v else v for f, v in zip(turns, row, strict=True))
    return text.getvalue().encode()


def messages() -> Iterator[Message]:
    with gzip.open(ROOT / "sample_readings" / "nine_days.jsonl.gz", "rt", encoding="utf-8") as file:
        for line in file:
            told = json.loads(line)
            if FROM <= told["at"] < UNTIL:
                yield Message(told["topic"], told["payload"].encode(), at_ms(told["at"]), False)


def go_on(settings: Settings) -> None:
    """The next hours, a quarter of an hour a turn, on the readings' clock."""
    with closing(Writer(settings.store.file)) as writer:
        engine = Engine(settings.site, Policy(), BOOK, writer, at_ms(UNTIL))
        told = list(messages())
        for begin in range(at_ms(FROM), at_ms(UNTIL), TURN_MS):
            if begin <= at_ms(WEIGHED) < begin + TURN_MS:
                weighed = Request("weigh", {"batch": "lavender-first", "grams": 64.0}, begin)
                writer.apply(engine.enter(weighed, begin)[1])
            some = [m for m in told if begin <= m.arrived_ms < begin + TURN_MS]
            writer.apply(engine.receive(some))
            engine.catch_up()
            while engine.behind(engine.now_ms(0)):
                writer.apply(engine.advance(engine.now_ms(0), 120))
                writer.apply(engine.consider())
            writer.commit()


# There was no rain yet.
@pytest.mark.parametrize("what", sorted(set(WHAT) - {"amounts", "sensors"}))
def test_it_opens_and_exports_the_same(settings: Settings, what: str) -> None:
    before = (KEPT / "store.sqlite.entries").read_bytes()
    Writer(settings.store.file).close()
    assert exported(settings, what) == kept(what, what)
    assert settings.store.file.with_name("store.sqlite.entries").read_bytes() == before
    assert list(settings.store.file.parent.glob("*.entries.*")) == []


def test_readings_stay_exact_to_their_resolution(settings: Settings) -> None:
    """Eight figures tell any two values apart that a sensor of 24 bits can send."""
    told = zip(exported(settings, "readings").splitlines()[1:], rows_of("readings"), strict=True)
    for ours, before in told:
        assert float(ours.split(b",")[4]) == pytest.approx(float(before[4]), rel=2**-25, abs=0)


def rows_of(name: str) -> list[list[str]]:
    return list(csv.reader(io.StringIO(unpacked(f"{name}.csv").decode())))[1:]


def test_all_that_it_holds_is_read(settings: Settings) -> None:
    """Also the tables that no export shows."""
    with closing(Writer(settings.store.file)) as writer, Reader(settings.store.file) as reader:
        assert len(writer.waiting()) == 3
        assert len(writer.lessons()) == 3
        assert len(writer.foretold_since(0)) == 3
        assert len(list(reader.unread())) == 7
        assert [kept.week for kept in reader.reports()] == ["2026-W27"]
        assert [entry.verb for entry in reader.entries()].count("weigh") == 3
    with closing(sqlite3.connect(settings.store.file)) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_it_goes_on_from_there_as_it_did(settings: Settings) -> None:
    """The same readings, air and spells; batches stand as they did."""
    go_on(settings)
    for what in ("readings", "spells", "stays"):
        assert exported(settings, what, at_ms(FROM)) == kept(f"after-{what}", what), what
    for what in ("air", "batches"):
        found, before = (
            list(csv.reader(io.StringIO(text.decode())))
            for text in (exported(settings, what, at_ms(FROM)), kept(f"after-{what}", what))
        )
        assert len(found) == len(before), what
        for ours, theirs in zip(found, before, strict=True):
            assert [as_told(cell) for cell in ours] == [
                near if isinstance(near := as_told(cell), str) else pytest.approx(near, rel=1e-9)
                for cell in theirs
            ]


def as_told(cell: str) -> str | float:
    try:
        return float(cell)
    except ValueError:
        return cell
