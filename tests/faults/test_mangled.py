"""Everything the monitor reads, mangled: it takes it or says in one sentence why not.

No crash, no hang, no growth. Two makers of bad input: a mutator of bytes, and hypothesis, which
builds it by its form and shrinks what fails.
"""

from __future__ import annotations

import asyncio
import gzip
import json
import random
import sqlite3
import time
from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack, closing
from itertools import cycle
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from starlette.requests import Request as HttpRequest

from monitor.ahead import lesson as learning
from monitor.ahead.model import Location
from monitor.air import states
from monitor.air.fold import State
from monitor.edges import listen
from monitor.edges.page import guard
from monitor.edges.recordings import RecordingError, recorded
from monitor.edges.socket import LONGEST_REQUEST, _decoded
from monitor.engine.effects import Effects
from monitor.engine.engine import Engine
from monitor.entries.entries import Entry, RequestError
from monitor.entries.requests import (
    EntriesError,
    from_json,
    parse_form,
    read_entries_file,
    read_time,
)
from monitor.intake.payloads import Decoder, Message
from monitor.notices.spell_rules import Policy
from monitor.places.what_ifs import read_what_ifs
from monitor.service.settings import settings as settings_files
from monitor.service.settings.files import shipped
from monitor.site.flowers import BookError, read_book
from monitor.store.backup import restore, verify
from monitor.store.connection import StoreError, journal_of, vacuum_into
from monitor.store.queries import Reader
from monitor.store.writer import Writer
from tests.faults.mutator import NASTY, mutated
from tests.intake.test_payloads import ARRIVED_MS, SENSORS
from tests.service.test_live import SETTINGS

CASES, FULL_CASES = 10_000, 1_000_000
MOST_GROWTH_MB = 40.0
LONGEST_S = 20.0  # of the processor's time, for one case
LONGEST_SENTENCE = 700
ZONE = ZoneInfo("Europe/London")
BOOK = read_book(shipped("config/flowers.toml").read_text("utf-8"))

Case = Callable[[bytes], bool]  # True: taken, False: refused in a sentence; raises: a crash


def sentence(text: str) -> None:
    """One line, not endless, nothing in it that a terminal or a log could stumble over."""
    assert text.strip(), "no reason is given"
    assert len(text) <= LONGEST_SENTENCE, text
    assert text.isprintable(), ascii(text)
    assert "Traceback" not in text
    assert "Error(" not in text, text


class Target(NamedTuple):
    """Something that reads. share: its part of all cases, in thousandths."""

    share: int
    seeds: list[bytes]
    case: Case


def targets(folder: Path, at_the_end: ExitStack) -> dict[str, Target]:
    """Everything that reads what others wrote."""
    return {
        "payloads": Target(417, PAYLOADS, decode_case()),
        "engine": Target(60, PAYLOADS, engine_case(folder, at_the_end)),
        "listening": Target(80, PAYLOADS, listening),
        "requests": Target(160, REQUESTS, request),
        "forms": Target(130, FORMS, form_case(at_the_end)),
        "times": Target(60, TIMES, a_time),
        "entries": Target(20, ENTRIES, entries),
        "recordings": Target(25, RECORDINGS, recording_case(folder)),
        "states": Target(20, [states.dump(State(1))], state),
        "lessons": Target(10, [learning.dump(LESSON)], lesson),
        "settings": Target(8, SETTINGS_FILES, settings_case(folder)),
        "flowers": Target(4, [shipped("config/flowers.toml").read_bytes()[:3000]], flowers),
        "backups": Target(3, [small_store(folder)], backup_case(folder)),
        "journals": Target(3, [journal(folder)], journal_case(folder)),
    }


# -- payloads -----------------------------------------------------------------------------------

PAYLOADS = [
    b"21.3",
    b" -4e1 \n",
    b'{"t": 21.3, "rh": 55.5}',
    b'{"ts": 1784000000, "t": 20}',
    b'{"ts": 1784000000123, "t": 20}',
    b'{"when": {"at": "2026-07-14T09:30:00+02:00"}, "t": 20.25}',
    b'{"air": [{"t": 19.5}], "power": {"v": 2.9}}',
    b'[{"bn": "rail:", "bt": 1.784e9, "n": "temp", "u": "Cel", "v": 21}]',
    b'[{"n": "urn:dev:ow:10e2073a01080063", "u": "%RH", "v": 20, "t": -3}, {"u": "%EL", "v": 9}]',
]


def decode_case() -> Case:
    decoder = Decoder(SENSORS)
    topics = cycle(str(one.topic) for one in SENSORS.values())

    def case(data: bytes) -> bool:
        decoded = decoder.decode(Message(next(topics), data, ARRIVED_MS, False))
        for _, failure in decoded.failures:
            sentence(str(failure))
        assert all(abs(value) < 1e14 for _, _, value, _ in decoded.readings)
        return bool(decoded.readings)

    return case


def engine_case(folder: Path, at_the_end: ExitStack) -> Case:
    """Through engine and store; the topic is mangled too."""
    file = folder / "garden.toml"
    file.write_text(SETTINGS, "utf-8")
    site = settings_files.load(file).site
    writer = at_the_end.enter_context(closing(Writer(folder / "engine.sqlite")))
    engine = Engine(site, Policy(), BOOK, writer)
    count = 0

    def case(data: bytes) -> bool:
        nonlocal count
        count += 1
        arrived_ms = ARRIVED_MS + 100 * count
        topic = ("barn/rail", "barn/plain", data[:200].decode("latin-1"))[count % 3]
        effects = engine.receive([Message(topic, data, arrived_ms, retained=count % 5 == 0)])
        writer.apply(effects, ["phone"])
        for unread in effects.unread:
            sentence(unread.reason)
        if count % 200 == 0:
            while engine.behind(arrived_ms):
                writer.apply(engine.advance(arrived_ms, 1000), ["phone"])
                writer.apply(engine.consider())
            writer.commit()
        return bool(effects.readings)

    return case


def listening(data: bytes) -> bool:
    """What `listen` shows of a stranger's message, topic and all."""
    heard = listen.TopicHeard(data[:40].decode("latin-1"), data, 2)
    for line in listen.report([heard], 20.0).splitlines():
        assert line.isprintable(), ascii(line)
    return True


# -- what people ask ----------------------------------------------------------------------------

REQUESTS = [
    b'{"enter": {"verb": "hang", "arguments": {"flower": "statice", "space": "loft", "bunches": 6},'
    b' "at_ms": 1783150200000, "changes": null}}',
    b'{"enter": {"verb": "correct", "arguments": {"bunches": null}, "changes": 5}}',
    b'{"enter": {"verb": "takedown", "arguments": {"batch": "a", "good": 1, "note": "x"}}}',
    b'{"enter": {"verb": "calibrate", "arguments": {"sensor": "a", "offset": -1.5, "swap": true}}}',
    b'{"show": "now"}',
]


def request(data: bytes) -> bool:
    try:
        told = _decoded(data[:LONGEST_REQUEST])
        if "enter" in told:
            from_json(told)
    except RequestError as refused:
        sentence(refused.sentence)
        return False
    except ValueError as refused:
        sentence(str(refused))
        return False
    return True


FORMS = [
    b"token=a.b.c&verb=hang&flower=statice&space=loft&bunches=6&colour=violet&at=08%3A30",
    b"verb=weigh&batch=statice-1&grams=164.5&at=2026-07-04+08%3A30",
    b"verb=correct&entry=5&bunches=&note=tied+too+thick",
    b"verb=pause&kind=hot&for_min=1+h&space=loft",
]


def form_case(at_the_end: ExitStack) -> Case:
    loop = at_the_end.enter_context(closing(asyncio.new_event_loop()))

    def form(data: bytes) -> bool:
        sent = [data]

        async def receive() -> dict[str, Any]:
            return {"type": "http.request", "body": sent.pop(), "more_body": False}

        asked = HttpRequest(
            {
                "type": "http",
                "method": "POST",
                "headers": [(b"content-type", b"application/x-www-form-urlencoded")],
            },
            receive,
        )
        try:
            typed = loop.run_until_complete(guard.form_of(asked))
            typed.pop("token", "")
            wish = parse_form(typed, ARRIVED_MS, ZONE)
            read_what_ifs([typed.get("note", "door")])
        except guard.PageError as refused:
            sentence(f"{refused.status}: {refused.sentence}")
            return False
        except RequestError as refused:
            sentence(refused.sentence)
            return False
        return bool(wish.verb)

    return form


TIMES = [
    b"2026-07-04 08:30",
    b"08:30",
    b"yesterday 18:00",
    b"2026-03-29T01:30",
    b"2026-07-04T08:30Z",
]


def a_time(data: bytes) -> bool:
    try:
        return read_time(data.decode("utf-8", "replace"), ARRIVED_MS, ZONE) >= 0
    except RequestError as refused:
        sentence(refused.sentence)
        return False


ENTRIES = [
    b'hang statice --space loft --bunches 6 --at "2026-07-04 08:30"\n'
    b"weigh statice-1 164.5 --at 2026-07-04\n",
    b"# a comment\nsnap statice-1 bends --at 2026-07-05T18:35\nundo 5\n",
    b"calibrate rail --offset -1.5 --from 2026-07-04\naside rail --salt table --at 2026-07-04\n",
]


def entries(data: bytes) -> bool:
    try:
        return bool(read_entries_file(data.decode("utf-8", "replace"), ZONE))
    except EntriesError as refused:
        for _, said in refused.problems:
            sentence(said)
        return False


# -- files --------------------------------------------------------------------------------------

_LINES = (
    b'{"at": "2026-07-01T06:00:00Z", "topic": "barn/loft/rail", "payload": "21.4"}\n'
    b'{"at": "2026-07-01T06:01:00Z", "topic": "barn/loft/rail", "payload_base64": "/w=="}\n'
)
RECORDINGS = [_LINES, gzip.compress(_LINES, mtime=0)]


def recording_case(folder: Path) -> Case:
    file = folder / "lines.jsonl"

    def case(data: bytes) -> bool:
        file.write_bytes(data)
        try:
            for message in recorded(file):
                assert isinstance(message.topic, str)
        except RecordingError as refused:
            sentence(str(refused))
            return False
        return True

    return case


def state(data: bytes) -> bool:
    return states.load(data) is not None


LESSON = learning.Lesson(
    "loft", 1, learning.unlearned(Location(54.9, -2.1, "Europe/London"), 1), None
)


def lesson(data: bytes) -> bool:
    return learning.load(data) is not None


SETTINGS_FILES = [SETTINGS.encode(), shipped("config/drying-room.toml").read_bytes()]


def settings_case(folder: Path) -> Case:
    file = folder / "mangled.toml"

    def case(data: bytes) -> bool:
        file.write_bytes(data)
        try:
            settings_files.load(file)
        except settings_files.SettingsError as refused:
            for said in str(refused).splitlines():
                sentence(said)
            return False
        return True

    return case


def flowers(data: bytes) -> bool:
    try:
        read_book(data.decode("utf-8", "replace"))
    except BookError as refused:
        for said in str(refused).splitlines():
            sentence(said)
        return False
    return True


def small_store(folder: Path) -> bytes:
    """A store with a few rows in it, as a backup holds it."""
    file = folder / "small.sqlite"
    writer = Writer(file)
    writer.close()
    with closing(sqlite3.connect(file)) as db:
        db.execute("PRAGMA journal_mode = DELETE")
        db.execute("INSERT INTO entry VALUES (1, 2, 3, 'hang', '{}', NULL)")
        db.commit()
    return file.read_bytes()


def backup_case(folder: Path) -> Case:
    file, store = folder / "backup.sqlite", folder / "mangled.sqlite"

    def case(data: bytes) -> bool:
        file.write_bytes(data)
        try:
            restore(file, store, ARRIVED_MS)
            verify(store)
        except StoreError as refused:
            sentence(str(refused))
            return False
        return True

    return case


ENTERED = [Entry(n, n, n, "weigh", {"batch": 1, "note": f"{n} ½"}) for n in range(1, 5)]


def journal(folder: Path) -> bytes:
    """The journal of a store with some entries, and a backup from before them beside it."""
    with closing(Writer(folder / "journalled.sqlite")) as writer:
        vacuum_into(writer._db, folder / "unjournalled.sqlite")
        writer.apply(Effects(entries=ENTERED))
        writer.commit()
        return writer.journal.file.read_bytes()


def journal_case(folder: Path) -> Case:
    backup, store = folder / "unjournalled.sqlite", folder / "brought.sqlite"

    def case(data: bytes) -> bool:
        journal_of(store).write_bytes(data)
        done = restore(backup, store, ARRIVED_MS)
        for said in done.troubles:
            sentence(said)
        with Reader(store) as reader:
            entries = reader.entries()
        assert all(entry in ENTERED for entry in entries)
        return entries == ENTERED

    return case


# -- by their form ------------------------------------------------------------------------------

WORDS = st.one_of(
    st.text(max_size=40), st.sampled_from([n.decode("utf-8", "replace")[:80] for n in NASTY])
)
LEAVES = st.one_of(st.none(), st.booleans(), st.integers(-(2**70), 2**70), st.floats(), WORDS)
JSONS = st.recursive(
    LEAVES,
    lambda inner: st.one_of(
        st.lists(inner, max_size=5),
        st.dictionaries(
            st.one_of(st.sampled_from(["t", "rh", "ts", "n", "v", "u", "bt", "bn", "air"]), WORDS),
            inner,
            max_size=5,
        ),
    ),
    max_leaves=12,
)
PARTS = st.sampled_from(
    ["verb", "entry", "at", "flower", "space", "bunches", "grams", "batch", "note", "good", "name"]
)
VERBS = st.sampled_from(["hang", "weigh", "takedown", "correct", "undo", "seen", "calibrate", "?"])


def built(at_the_end: ExitStack) -> dict[str, tuple[st.SearchStrategy[bytes], Case]]:
    """What hypothesis builds, and who reads it."""
    enter = st.fixed_dictionaries(
        {"verb": VERBS, "arguments": st.dictionaries(PARTS, JSONS, max_size=5)},
        optional={"at_ms": LEAVES, "changes": LEAVES},
    )
    forms = st.dictionaries(PARTS, WORDS, max_size=6)
    return {
        "payloads": (JSONS.map(lambda j: json.dumps(j).encode()), decode_case()),
        "requests": (enter.map(lambda j: json.dumps({"enter": j}).encode()), request),
        "forms": (forms.map(encoded), form_case(at_the_end)),
        "times": (WORDS.map(str.encode), a_time),
    }


def encoded(fields: dict[str, str]) -> bytes:
    return urlencode(fields, errors="replace").encode()


# -- the run ------------------------------------------------------------------------------------


def resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * 4096 / 1e6


def run(folder: Path, cases: int, seed: int) -> str:
    """Returns the figures in a line; raises with the case that is neither taken nor refused."""
    with ExitStack() as at_the_end:
        return tried(folder, cases, seed, at_the_end)


def tried(folder: Path, cases: int, seed: int, at_the_end: ExitStack) -> str:
    rng = random.Random(seed)
    all_targets = targets(folder, at_the_end)
    counts: Counter[str] = Counter()
    longest = 0.0
    after_first_mb = 0.0
    for part in range(10):  # all of them in turn, to see what grows
        for name, target in all_targets.items():
            for _ in range(round(cases * 0.9 * target.share / 10_000)):
                data = mutated(rng, target.seeds)
                began = time.thread_time()
                try:
                    taken = target.case(data)
                except Exception as error:
                    raise AssertionError(f"{name} fell over {data[:400]!r}") from error
                longest = max(longest, time.thread_time() - began)
                counts[f"{name} {'taken' if taken else 'refused'}"] += 1
        if part == 0:
            after_first_mb = resident_mb()
    grown_mb = resident_mb() - after_first_mb  # hypothesis itself remembers all it has built
    for name, (strategy, case) in built(at_the_end).items():
        of_form(strategy, case, counts, name, cases // 40)
    told = ", ".join(f"{name} {count:,}" for name, count in sorted(counts.items()))
    total = sum(counts.values())
    taken = sum(count for name, count in counts.items() if name.endswith("taken"))
    figures = (
        f"{total:,} cases, {taken:,} taken, {total - taken:,} refused in a sentence, none crashed; "
        f"longest {longest:.2f} s of processor time; grown by {grown_mb:.0f} MB ({told})"
    )
    assert longest < LONGEST_S, figures
    assert grown_mb < MOST_GROWTH_MB, figures
    return figures


def of_form(
    strategy: st.SearchStrategy[bytes], case: Case, counts: Counter[str], name: str, examples: int
) -> None:
    @settings(
        max_examples=examples,
        deadline=None,
        database=None,
        derandomize=True,
        suppress_health_check=list(HealthCheck),
    )
    @given(strategy)
    def one(data: bytes) -> None:
        counts[f"{name} {'taken' if case(data) else 'refused'}"] += 1

    one()


def test_what_is_mangled_is_taken_or_refused_in_one_sentence(tmp_path: Path) -> None:
    print(run(tmp_path, CASES, seed=1))
