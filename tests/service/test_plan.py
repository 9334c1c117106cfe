"""Where a harvest should hang, through the real daemon on a real broker; the readings are of a
simulated shed whose physics shares nothing with the monitor's."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator

import pytest

from monitor.edges import broker as broker_edge
from monitor.edges.mqtt import Guest
from monitor.entries.entries import RequestError
from monitor.places.what_ifs import read_what_ifs
from tests.benchmarks.room_simulator import ROOMS, STEP_MIN, simulate, weather
from tests.service.test_live import command
from tests.service.trial import Trial, settings_in

DAYS = 4
SETTINGS = """
[site]
name = "Barn"
latitude = 36.1
longitude = -79.9
timezone = "America/New_York"
[[space]]
name = "plank shed"
use = "hanging"
volume_m3 = 30
[[space.window]]
name = "west window"
facing = "west"
width_m = 1.2
height_m = 1.0
lower_edge_m = -0.3
distance_m = 1.0
[[space]]
name = "old barn"
use = "hanging"
[[space]]
name = "attic"
use = "hanging"
[[space]]
name = "box room"
use = "storing"
"""
SENSOR = """
[[sensor]]
name = "{name}"
space = "{space}"
topic = "barn/{name}"
every = "5 min"
time = {{ at = "/ts", unit = "ms" }}
reads.temperature = {{ at = "/t", unit = "°C" }}
reads.humidity = {{ at = "/rh", unit = "%" }}
"""
SENSORS = "".join(
    SENSOR.format(name=name, space=space)
    for name, space in (("rail", "plank shed"), ("beam", "old barn"), ("yard", "outdoors"))
)


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Trial]:
    folder = tmp_path_factory.mktemp("plan")
    (folder / "broker").mkdir()
    (folder / "sample.toml").write_text(SETTINGS + SENSORS, "utf-8")
    broker = broker_edge.start(folder / "broker", folder / "broker.log", "mosquitto")
    trial = Trial(
        settings_in(folder, broker, folder / "sample.toml", commit_every="1 s"), until=None
    )
    try:
        trial.start()
        _publish(broker.address, trial)
        yield trial
    finally:
        trial.stop()
        broker.stop()


def _publish(address: object, trial: Trial) -> None:
    run = simulate(ROOMS[1], weather(ROOMS[1].climate), 185, DAYS, lambda *_: False)
    steps = run.measured.shape[0]
    begin_ms = time.time_ns() // 1_000_000 - steps * STEP_MIN * 60_000
    with Guest(address) as guest:  # type: ignore[arg-type]
        for step, (t, rh, out_t, out_rh) in enumerate(run.measured.round(1).tolist()):
            at_ms = begin_ms + step * STEP_MIN * 60_000
            for name, air in (
                ("rail", (t, rh)),
                ("beam", (t - 3, 88.0)),
                ("yard", (out_t, out_rh)),
            ):
                payload = {"ts": at_ms, "t": air[0], "rh": air[1] + step % 3 / 10}
                guest.publish(f"barn/{name}", json.dumps(payload).encode())
        guest.settle()
    trial.wait_until(lambda: trial.handled() >= 3 * steps)

    def measured() -> bool:
        told = json.loads(command(trial, "now", "--json").stdout)
        shed = next(space for space in told["spaces"] if space["space"] == "plank shed")
        return shed["temperature_c"] is not None

    # Folded and in the store: the minutes are what the plan reads.
    trial.wait_until(lambda: trial.export("air").count("plank shed") > 5600)
    trial.wait_until(measured)


def test_a_ranking_with_reasons(running: Trial) -> None:
    done = command(running, "plan", "statice", "--bunches", "12", "--fresh-mass", "180")
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert lines[0] == "Twelve bunches of statice:"
    assert lines[1].startswith("1. Plank shed. Expected crisp in")
    assert " (8 times in 10)" in lines[1]
    assert "It bears about" in lines[1]
    assert "The sun is on the rail for" in lines[1] or "windows" not in lines[1]
    assert lines[2].strip().startswith("How sure: fair")
    assert "would change that" in lines[2]
    assert "Box room" not in done.stdout, "nothing hangs where things are stored"
    attic = next(line for line in lines if "Attic" in line)
    assert "Its air is not measured, so nothing can be told of it." in attic


def test_what_is_not_known_cannot_be_told(running: Trial) -> None:
    told = json.loads(command(running, "plan", "statice", "--bunches", "12", "--json").stdout)
    of_space = {choice["space"]: choice for choice in told["choices"]}
    shed, barn = of_space["plank shed"], of_space["old barn"]
    assert shed["bears"] is None, "no bunch was ever weighed"
    assert "the weight of a bunch" in " ".join(shed["reasons"])
    assert barn["days"] is None
    assert "it cannot get crisp here" in " ".join(barn["reasons"])
    assert [choice["space"] for choice in told["choices"]] == ["plank shed", "old barn", "attic"]


def test_what_ifs(running: Trial) -> None:
    asked = ["door", "fan 60", "dehumidifier 10", "bunches 4", "heater"]
    words = [word for one in asked for word in ("--what-if", one)]
    done = command(
        running, "plan", "statice", "--bunches", "300", "--fresh-mass", "180", "--json", *words
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    said = "\n".join(told["what_if"])
    assert "Plank shed with the door open at noon: it bears about" in said
    assert "with a fan of 60 m³ an hour: it bears about" in said
    assert "a dehumidifier of 10 litres a day" in said
    assert said.count("Local rules for electrics first") == 2
    assert "Four bunches of statice:" in said
    assert "Never a gas or paraffin heater" in said
    assert "hang fewer" in " ".join(told["choices"][0]["reasons"])
    low, middle, high = told["choices"][0]["bears"]
    assert 0 <= low <= middle <= high


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["statise", "--bunches", "6"], 'no flower is known as "statise"; near it: statice'),
        (["statice"], "a plan needs bunches, for example --bunches 6"),
        (["statice", "--bunches", "0"], "bunches must be a whole number from 1 to 1000"),
        (["statice", "--bunches", "6", "--what-if", "magic"], 'a what-if is "door", "fan 60"'),
        (["statice", "--bunches", "6", "--what-if", "fan 9000"], "a fan moves 5 to 5000"),
    ],
)
def test_asked_wrongly_it_is_one_sentence(running: Trial, words: list[str], sentence: str) -> None:
    done = command(running, "plan", *words)
    assert done.returncode == 2
    assert sentence in done.stderr
    assert done.stderr.count("\n") == 1


def test_what_ifs_as_people_write_them() -> None:
    assert read_what_ifs(["Door", "dehumidifier  10"]).litres_a_day == 10
    with pytest.raises(RequestError, match="a what-if is"):
        read_what_ifs(["heater 5"])
