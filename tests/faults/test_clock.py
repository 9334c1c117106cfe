"""The clock wrong at the start, leaping, and put right: no flood of jobs, no false spell.

Changes to and from summer time are held against APScheduler in tests/service/test_jobs.py.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

import pytest

from monitor.edges import broker as broker_edge
from monitor.edges.clock import LEARNING_MS, NOT_BEFORE_MS, Clock
from monitor.edges.mqtt import Guest
from monitor.engine.engine import Engine
from monitor.notices.spell_rules import Policy
from monitor.service.settings.settings import load
from monitor.service.watches import CLOCK_PATIENCE_MS, Timekeeper
from monitor.service.worker import Worker
from tests.faults.conftest import Shim
from tests.service.test_jobs import BOOK
from tests.service.test_live import SETTINGS, command
from tests.service.trial import Trial, settings_in

DAY_S, YEAR_S = 86_400, 31_536_000
LONG_UP_S = "9000000"  # a machine that started long ago, and whose clock nobody keeps right


@contextmanager
def running(shim: Shim, folder: Path, clock_s: int = 0) -> Iterator[tuple[Trial, Guest]]:
    """A daemon whose wall lies so far from the time."""
    (folder / "broker").mkdir()
    (folder / "sample.toml").write_text(SETTINGS, "utf-8")
    broker = broker_edge.start(folder / "broker", folder / "broker.log", "mosquitto")
    settings = settings_in(folder, broker, folder / "sample.toml", commit_every="1 s")
    environment = shim.environment() | {"SHIM_UPTIME": LONG_UP_S}
    trial = Trial(settings, until=None, environment=environment)
    shim.set(f"clock {clock_s}")
    try:
        trial.start()
        with Guest(broker.address) as guest:
            yield trial, guest
    finally:
        trial.stop()
        broker.stop()


def send(guest: Guest, own_time: bool = True) -> None:
    """One reading with its own time, and one without."""
    if own_time:
        payload = f'{{"ts": {time.time_ns() // 1_000_000}, "t": 20.5, "rh": 50}}'
        guest.publish("barn/rail", payload.encode())
    guest.publish("barn/plain", b"120")
    guest.settle()


def times(trial: Trial, quantity: str) -> list[float]:
    """When the stored readings of a quantity were taken [epoch s]."""
    rows = [row.split(",") for row in trial.export("readings").splitlines()]
    return [datetime.fromisoformat(row[0]).timestamp() for row in rows if row[3] == quantity]


def wait_for(trial: Trial, quantity: str, count: int) -> list[float]:
    return trial.wait_until(lambda: found if len(found := times(trial, quantity)) >= count else [])


def nothing_happened(trial: Trial) -> None:
    """No spell, no notice, no job."""
    assert trial.export("spells").count("\n") == 1, trial.export("spells")
    assert trial.export("notices").count("\n") == 1, trial.export("notices")
    assert not (trial.settings.file.parent / "backups").exists()


def test_started_in_1970_what_has_no_time_waits_until_it_is_known(
    shim: Shim, tmp_path: Path
) -> None:
    with running(shim, tmp_path, -int(time.time()) + 60) as (trial, guest):
        taken_s = time.time()
        send(guest)
        assert abs(wait_for(trial, "temperature", 1)[0] - taken_s) < 2
        time.sleep(1.5)
        assert times(trial, "illuminance") == []
        assert trial.health()["time_known"] is False
        trial.wait_until(lambda: "The time is not known yet" in trial.log())
        refused = command(trial, "hang", "lavender", "--space", "hay loft", "--bunches", "2")
        assert refused.returncode == 2
        assert "does not know the time yet" in refused.stderr
        shim.set("")
        found = wait_for(trial, "illuminance", 1)
        assert abs(found[0] - taken_s) < 2
        assert trial.health()["time_known"] is True
        send(guest)
        wait_for(trial, "illuminance", 2)
        nothing_happened(trial)


def test_a_wall_before_the_newest_row_is_not_the_time(shim: Shim, tmp_path: Path) -> None:
    with running(shim, tmp_path) as (trial, guest):
        send(guest)
        wait_for(trial, "illuminance", 1)
        trial.stop()
        shim.set(f"clock {-3 * DAY_S}")
        trial.start()
        assert trial.health()["time_known"] is False
        send(guest)
        wait_for(trial, "temperature", 2)
        time.sleep(1.5)
        assert len(times(trial, "illuminance")) == 1
        nothing_happened(trial)


@pytest.mark.parametrize("leap_s", [YEAR_S, -3600], ids=["+1 year", "-1 h"])
def test_a_leap_that_nobody_vouches_for_is_not_followed(
    shim: Shim, tmp_path: Path, leap_s: int
) -> None:
    with running(shim, tmp_path) as (trial, guest):
        send(guest)
        wait_for(trial, "illuminance", 1)
        shim.set(f"clock {leap_s}")
        time.sleep(1)
        send(guest)
        found = wait_for(trial, "illuminance", 2)
        assert abs(found[-1] - time.time()) < 5
        time.sleep(2)
        trial.wait_until(lambda: "nobody vouches for it" in trial.log())
        shim.set("")
        time.sleep(1)
        send(guest)
        assert abs(wait_for(trial, "illuminance", 3)[-1] - time.time()) < 5
        nothing_happened(trial)


def test_another_zone_of_site_and_machine_changes_no_reading_and_makes_no_flood(
    shim: Shim, tmp_path: Path
) -> None:
    with running(shim, tmp_path) as (trial, guest):
        send(guest)
        before = wait_for(trial, "illuminance", 1)
        trial.stop()
        text = trial.settings.file.read_text("utf-8")
        assert "Europe/London" in text
        trial.settings.file.write_text(text.replace("Europe/London", "Pacific/Kiritimati"), "utf-8")
        trial.environment["TZ"] = "America/Los_Angeles"
        trial.start()
        assert trial.health()["time_known"] is True
        send(guest)
        after = wait_for(trial, "illuminance", 2)
        assert after[0] == before[0]
        assert abs(after[1] - time.time()) < 5
        time.sleep(1.5)
        nothing_happened(trial)


class Machine:
    """A wall and a counter, set by hand."""

    def __init__(self, up_ms: int) -> None:
        self.wall_ms = NOT_BEFORE_MS + 40 * DAY_S * 1000
        self.up_ms = up_ms
        self.kept_right = False

    def clock(self) -> Clock:
        return Clock(lambda: self.wall_ms, lambda: self.up_ms, lambda: self.kept_right)

    def passes(self, ms: int) -> None:
        self.wall_ms += ms
        self.up_ms += ms


def test_a_leap_is_followed_where_a_time_service_vouches_for_it() -> None:
    machine = Machine(up_ms=2 * LEARNING_MS)
    clock = machine.clock()
    before_ms = clock.now_ms()
    machine.wall_ms += YEAR_S * 1000
    clock.look()
    assert (clock.now_ms(), clock.leap_ms) == (before_ms, YEAR_S * 1000)
    machine.kept_right = True
    clock.look()
    assert (clock.now_ms(), clock.leap_ms) == (machine.wall_ms, 0)


def test_a_machine_that_has_just_started_is_still_learning_the_time() -> None:
    machine = Machine(up_ms=20_000)
    clock = machine.clock()
    machine.wall_ms += 5 * DAY_S * 1000  # the last shutdown's time until now, then the network's
    clock.look()
    assert clock.now_ms() == machine.wall_ms


def vouched(shim: Shim, marks: Path, words: str, **environment: str) -> str:
    """What `kept_right` says in a process of its own, under the shim."""
    shim_environment = shim.environment()
    shim.set(words)
    asking = "import sys, pathlib; from monitor.edges.clock import kept_right as k"
    done = subprocess.run(
        [sys.executable, "-c", f"{asking}; print(k(pathlib.Path(sys.argv[1])))", str(marks)],
        env=os.environ | shim_environment | environment,
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout.strip()


def test_where_the_kernel_may_not_be_asked_the_time_services_mark_counts(
    shim: Shim, tmp_path: Path
) -> None:
    marks = tmp_path / "synchronized"
    assert vouched(shim, marks, "noask") == "None"
    marks.touch()
    assert vouched(shim, marks, "noask") == "True"


def test_where_the_kernel_says_no_the_mark_does_not_count(shim: Shim, tmp_path: Path) -> None:
    marks = tmp_path / "synchronized"
    marks.touch()
    assert vouched(shim, marks, "", SHIM_UPTIME=LONG_UP_S) == "False"


def test_drift_is_followed() -> None:
    machine = Machine(up_ms=2 * LEARNING_MS)
    clock = machine.clock()
    for _ in range(100):
        machine.passes(60_000)
        machine.wall_ms += 50
        clock.look()
    assert clock.now_ms() == machine.wall_ms


def titles_after(folder: Path, machine: Machine, trouble_ms: int) -> list[str]:
    """Titles of the notices, after a trouble of so long."""
    (folder / "sample.toml").write_text(SETTINGS, "utf-8")
    site = load(folder / "sample.toml").site
    clock = machine.clock()
    worker = Worker(
        folder / "store.sqlite",
        lambda writer: Engine(site, Policy(), BOOK, writer),
        None,
        clock.now_ms,
        time.monotonic,
    )
    worker.time_known = clock.known
    keeper = Timekeeper(worker, clock, lambda _: None, lambda: None)
    keeper.look(clock.now_ms())
    if clock.known:
        machine.wall_ms += YEAR_S * 1000
    for _ in range(1 + trouble_ms // 5000):
        keeper.look(clock.now_ms())
        machine.passes(5000)
    worker.commit()
    titles = [told.notice.title for told in worker.writer.told_since(0)]
    worker.stop()
    worker.run()
    return titles


@pytest.mark.parametrize(
    ("lasting_ms", "said"), [(CLOCK_PATIENCE_MS - 5000, False), (3 * CLOCK_PATIENCE_MS, True)]
)
@pytest.mark.parametrize("known", [True, False], ids=["leapt", "not known"])
def test_a_wrong_clock_is_said_once_when_it_lasts(
    tmp_path: Path, known: bool, lasting_ms: int, said: bool
) -> None:
    machine = Machine(up_ms=2 * LEARNING_MS)
    if not known:
        machine.wall_ms = 60_000
    wanted = (
        "Monitor: the clock was put forward by 365 days"
        if known
        else "Monitor: the time is not known yet"
    )
    assert titles_after(tmp_path, machine, lasting_ms) == ([wanted] if said else [])
