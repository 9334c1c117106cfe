"""The health round against a real broker, a real monitor and a real service on loopback."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from monitor.edges import broker as broker_edge
from monitor.edges.broker import RunningBroker
from monitor.edges.mqtt import Guest
from monitor.edges.socket import Message, SocketError, ask
from monitor.engine.effects import Effects
from monitor.entries.entries import Entry
from monitor.service.settings.settings import load, socket_file
from monitor.site.quantities import Flag, Quantity, Reading
from monitor.store.backup import set_aside_future
from monitor.store.connection import StoreError
from monitor.store.queries import Reader
from monitor.store.writer import Writer
from tests.edges.receiver import HttpReceiver
from tests.waiting import until

YEAR_MS = 365 * 86_400_000


def now_ms() -> int:
    return time.time_ns() // 1_000_000


def write_settings(folder: Path, port: int, address: str = "") -> Path:
    # The receiver's own address holds a secret word.
    (folder / "phone-url").write_text(address or "json://127.0.0.1:9/nobody")
    (folder / "phone-url").chmod(0o600)
    file = folder / "drying-room.toml"
    file.write_text(
        f"""
[site]
name = "Larkbarn"
latitude = 54.9
longitude = -2.1
elevation_m = 140
timezone = "Europe/London"
[mqtt]
host = "127.0.0.1"
port = {port}
[store]
file = "{folder / "x.sqlite"}"
backup_folder = "{folder / "b"}"
commit_every = "1 s"
[[address]]
name = "phone"
url_file = "phone-url"
[notices]
night_rest = false
[[space]]
name = "loft"
use = "hanging"
[[sensor]]
name = "rail"
space = "loft"
topic = "barn/rail"
every = "60 s"
time = {{ at = "/ts", unit = "ms" }}
reads.temperature = {{ at = "/t", unit = "°C" }}
reads.humidity = {{ at = "/rh", unit = "%" }}
reads.battery = {{ at = "/bat", unit = "%" }}
""",
        "utf-8",
    )
    return file


def check(file: Path, *words: str) -> tuple[int, dict[str, dict[str, str]], str]:
    """Exit code, lines by what they are about, and standard error."""
    done = subprocess.run(
        [sys.executable, "-m", "monitor", "check", "--json", "--config", str(file), *words],
        capture_output=True,
        text=True,
        check=False,
    )
    assert "Traceback" not in done.stderr, done.stderr
    lines = json.loads(done.stdout) if done.stdout else []
    return done.returncode, {line["about"]: line for line in lines}, done.stderr


def to_do(lines: dict[str, dict[str, str]]) -> set[str]:
    return {about for about, line in lines.items() if line["to_do"]}


@contextmanager
def monitor(file: Path) -> Iterator[None]:
    words = [sys.executable, "-m", "monitor", "run", "--config", str(file)]
    with (file.parent / "log").open("wb") as log:
        process = subprocess.Popen(words, stdout=log, stderr=log)
    try:
        until(lambda: health(file).get("connected"), (file.parent / "log").read_text)
        yield
    finally:
        process.terminate()
        assert process.wait(300) == 0


def health(file: Path) -> Message:
    """What the monitor says of itself; nothing where it does not answer."""
    try:
        return ask(socket_file(load(file)), {"show": "health"}, timeout=120)
    except SocketError:
        return {}


def wait_until_taken(file: Path) -> None:
    """Until the monitor has taken a message and committed it (a second later)."""
    until(lambda: health(file).get("messages"), (file.parent / "log").read_text)
    time.sleep(2.5)


def wait_until_refused(file: Path) -> None:
    """Until the monitor has tried to send a notice, and was refused."""

    def refused() -> bool:
        with Reader(load(file).store.file) as reader:
            return any(one.failure is not None for one in reader.notices(0))

    until(refused, (file.parent / "log").read_text)


def command(file: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "monitor", *words, "--config", str(file)],
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[RunningBroker]:
    (tmp_path / "broker").mkdir()
    running = broker_edge.start(tmp_path / "broker", tmp_path / "broker.log", "mosquitto")
    yield running
    running.stop()


def test_all_well_with_and_without_a_running_monitor(tmp_path: Path, broker: RunningBroker) -> None:
    with HttpReceiver() as receiver:
        file = write_settings(tmp_path, broker.port, receiver.address)
        with monitor(file):
            with Guest(broker.address) as guest:
                payload = {"ts": now_ms(), "t": 21.5, "rh": 55, "bat": 88}
                guest.publish("barn/rail", json.dumps(payload).encode())
                guest.settle()
            wait_until_taken(file)
            command(file, "aside", "rail")
            made = command(file, "backup")
            assert "opens well" in made.stdout, made.stderr
            code, lines, _ = check(file, "--notify")
            assert (code, to_do(lines)) == (0, set())
            assert "MQTT 5" in lines["broker"]["said"]
            assert "mosquitto version" in lines["versions"]["said"]
            assert "battery 88 %" in lines["sensor rail"]["said"]
            assert lines["test to phone"]["said"] == "the service took it (200)"
            assert receiver.titles == ["Larkbarn: a test message"]
            kept = str(next((tmp_path / "b").glob("*.sqlite")))
            command(file, "back", "rail")
            refused = command(file, "restore", kept)
            assert refused.returncode == 1
            assert "another monitor is already running" in refused.stderr
        code, lines, _ = check(file)
        assert (code, to_do(lines)) == (1, {"monitor"})
        assert lines["broker"]["said"].endswith("answers, MQTT 5")
        brought = command(file, "restore", kept)
        assert brought.returncode == 0, brought.stderr
        assert "Entered since then, and put back: 1." in brought.stdout
        assert "What it replaced is kept in" in brought.stdout
        (tmp_path / "x.sqlite.entries").unlink()
        _, lines, _ = check(file)
        assert lines["entries"]["said"].startswith("two entries not kept a second time")


def test_each_trouble_is_named_with_what_to_do(tmp_path: Path, broker: RunningBroker) -> None:
    with HttpReceiver(*[(403, {})] * 9) as receiver:
        file = write_settings(tmp_path, broker.port, receiver.address)
        writer = Writer(tmp_path / "x.sqlite")
        hour_ago = now_ms() - 3_600_000
        readings = [
            Reading(hour_ago - 60_000 * i, "rail", Quantity.TEMPERATURE, 99.0, Flag.RANGE)
            for i in range(200)
        ]
        readings.append(Reading(hour_ago, "rail", Quantity.BATTERY, 9.0))
        writer.apply(Effects(readings=readings))
        writer.commit()
        writer.close()
        with monitor(file):
            with Guest(broker.address) as guest:
                guest.publish("barn/rail", b'{"ts": 1, "t": "warm"}')
                guest.settle()
            wait_until_taken(file)
            wait_until_refused(file)
            code, lines, _ = check(file, "--notify")
        assert code == 1
        assert to_do(lines) == {"sensor rail", "backup", "last notice", "test to phone"}
        assert "not delivered after one try" in lines["last notice"]["said"]
        rail = lines["sensor rail"]
        for told in ("range 200", "battery 9 %", "not read in a day", "1 h ago"):
            assert told in rail["said"], rail
        for advice in ("change its battery", "its unit in the settings", "drying-room listen"):
            assert advice in rail["to_do"]
        assert "403" in lines["test to phone"]["said"]
    broker.stop()
    code, lines, _ = check(file)
    assert "No broker listens" in lines["broker"]["said"]
    assert "s3cret" not in json.dumps(lines)
    subprocess.run(
        [sys.executable, "-m", "monitor", "backup", "--config", str(file)],
        capture_output=True,
        check=True,
    )
    assert list((tmp_path / "b").glob("*.sqlite"))
    written = [path for path in tmp_path.rglob("*") if path.is_file() and path.name != "phone-url"]
    assert [path for path in written if b"s3cret" in path.read_bytes()] == []


def test_all_settings_problems_at_once(tmp_path: Path) -> None:
    file = write_settings(tmp_path, 1883)
    text = file.read_text("utf-8").replace('use = "hanging"', 'use = "hangng"')
    file.write_text(text.replace("latitude = 54.9", "latitude = 154.9"), "utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "monitor", "check", "--config", str(file)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1
    assert done.stdout.count("to do  settings") == 2
    assert "hangng" in done.stdout
    assert "Two things to do." in done.stdout


def test_rows_of_the_future_are_named_and_set_aside(tmp_path: Path) -> None:
    file = write_settings(tmp_path, 1)
    writer = Writer(tmp_path / "x.sqlite")
    now = now_ms()
    readings = [
        Reading(now + at, "rail", Quantity.TEMPERATURE, 20.0)
        for at in (-7_200_000, -60_000, YEAR_MS, YEAR_MS + 60_000)
    ]
    future = now + YEAR_MS
    writer.apply(
        Effects(
            readings=readings,
            settled=future // 60_000,
            entries=[Entry(1, future, future, "note", {"text": "hung the last"}, None)],
        )
    )
    writer.note("upkeep done", str(future))
    writer.commit()
    writer.close()
    code, lines, _ = check(file)
    assert code == 1
    assert "dated 365 days in the future" in lines["rows"]["said"]
    assert "check --mend" in lines["rows"]["to_do"]
    code, lines, told = check(file, "--mend")
    assert "rows" not in lines
    assert told.startswith("2 readings dated in the future were set aside; ")
    with closing(sqlite3.connect(tmp_path / "x.sqlite")) as db:
        assert db.execute("SELECT count(*) FROM reading").fetchone() == (2,)
        [(at_ms, arguments)] = db.execute("SELECT at_ms, arguments FROM entry").fetchall()
        facts = dict(db.execute("SELECT key, value FROM fact").fetchall())
    assert json.loads(arguments) == {"text": "hung the last"}
    assert now <= at_ms <= now_ms()
    assert int(facts["settled"]) <= now_ms() // 60_000
    assert int(facts["upkeep done"]) <= now_ms()
    [kept] = tmp_path.glob("x.before-mending-*.sqlite")
    with closing(sqlite3.connect(kept)) as db:
        assert db.execute("SELECT count(*) FROM reading").fetchone() == (4,)
    again = Writer(tmp_path / "x.sqlite")
    assert again.newest_ms() == now - 60_000
    with pytest.raises(StoreError, match="another monitor is already running"):
        set_aside_future(tmp_path / "x.sqlite", now)
    again.close()
