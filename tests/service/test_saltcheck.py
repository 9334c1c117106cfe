"""The salt test and two sensors side by side, through the real daemon on a real broker."""

from __future__ import annotations

import json
import time
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from monitor.edges.mqtt import Broker, Guest
from monitor.service import saltcheck
from tests.service.test_live import SETTINGS, command, live
from tests.service.trial import Trial

ZONE = ZoneInfo("Europe/London")
TWO = (
    SETTINGS
    + """
[[sensor]]
name = "beam"
space = "hay loft"
topic = "barn/beam"
every = "60 s"
time = { at = "/ts", unit = "ms" }
reads.temperature = { at = "/t", unit = "°C" }
reads.humidity = { at = "/rh", unit = "%" }
"""
)


def publish(broker: Broker, trial: Trial, now_ms: int, hours: int, off_pct: float) -> None:
    """The rail settles over table salt at 20 °C (75.47 %, Greenspan 1977); the beam tells what a
    sensor beside it would."""
    with Guest(broker) as guest:
        sent = 0
        for minute in range(60 * hours, 0, -4):
            since_h = hours - minute / 60
            rh = 75.47 - off_pct - 20 * 2.718 ** (-since_h / 1.5) + (minute % 3) / 20
            at_ms = now_ms - 60_000 * minute
            rail = {"ts": at_ms, "t": 20 + (minute % 5) / 50, "rh": round(rh, 2)}
            beam = {"ts": at_ms, "t": 20.0 + (minute % 5) / 50, "rh": round(rh + off_pct, 2)}
            guest.publish("barn/rail", json.dumps(rail).encode())
            guest.publish("barn/beam", json.dumps(beam).encode())
            sent += 2
        guest.settle()
    trial.wait_until(lambda: trial.handled() >= sent)


@pytest.fixture(autouse=True)
def two_sensors(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tests.service.test_live.SETTINGS", TWO)


def shut_in(now_ms: int, hours: int) -> str:
    at = datetime.fromtimestamp(now_ms / 1000 - 3600 * hours, ZONE)
    return at.strftime("%Y-%m-%d %H:%M")


def test_a_sensor_in_salt_is_corrected_on_yes_and_the_correction_undone(tmp_path: Path) -> None:
    with live(tmp_path) as (broker, trial):
        now_ms = time.time_ns() // 1_000_000
        publish(broker, trial, now_ms, 20, off_pct=3.0)
        first = command(trial, "saltcheck", "rail", "--at", shut_in(now_ms, 20), "--once")
        assert first.returncode == 0, first.stderr
        assert "rail is out of service" in first.stdout
        assert "Wet a few spoons of table salt" in first.stdout
        committed(trial)
        answer = command(trial, "saltcheck", "rail", "--once")
        assert "too low, give or take" in answer.stdout, answer.stdout
        assert "--yes" in answer.stdout
        told = json.loads(command(trial, "saltcheck", "rail", "--json").stdout)
        assert told["settled"] is True
        assert told["offset_pct"] == pytest.approx(3.0, abs=0.3)
        assert 0.3 < told["doubt_pct"] < 0.8
        other = command(trial, "saltcheck", "rail", "--salt", "magnesium", "--once")
        assert other.returncode == 2
        assert "a check of rail against table salt is under way" in other.stderr
        flagged = trial.export("readings")
        assert "out_of_service" in flagged.replace(" ", "_")
        assert [line for line in trial.export("spells").splitlines()[1:] if ",rail," in line] == []
        stored = command(trial, "saltcheck", "rail", "--yes")
        assert stored.returncode == 0, stored.stderr
        assert "Stored: sensor changed" in stored.stdout
        assert "in service again" in stored.stdout
        history = command(trial, "batches", "--history").stdout
        assert "calibrate: sensor rail, quantity humidity" in history
        assert "back: sensor rail" in history
        again = command(trial, "saltcheck", "rail", "--stop")
        assert (again.returncode, again.stderr) == (2, "no check of rail is under way\n")
        with Guest(broker) as guest:
            now_ms = time.time_ns() // 1_000_000
            guest.publish("barn/rail", json.dumps({"ts": now_ms, "t": 20, "rh": 50}).encode())
            guest.settle()
        number = stored.stdout.split("`drying-room undo ")[1].split("`")[0]
        undone = command(trial, "undo", number)
        assert "is undone" in undone.stdout


def committed(trial: Trial) -> None:
    """Until the marks are in the store: an entry commits at once, what follows soon after."""
    trial.wait_until(
        lambda: (
            "out" in trial.export("readings")
            and json.loads(command(trial, "saltcheck", "rail", "--json").stdout)["settled"]
        )
    )


def test_beside_a_trusted_one_and_within_its_doubt_nothing_is_changed(tmp_path: Path) -> None:
    with live(tmp_path) as (broker, trial):
        now_ms = time.time_ns() // 1_000_000
        publish(broker, trial, now_ms, 16, off_pct=1.0)
        begun = command(
            trial, "saltcheck", "rail", "--beside", "beam", "--at", shut_in(now_ms, 16), "--once"
        )
        assert begun.returncode == 0, begun.stderr
        assert "reads 1.0 % too low" in begun.stdout
        assert "within the doubt: leave it as it is" in begun.stdout
        assert "rail is in service again" in begun.stdout
        assert "calibrate" not in command(trial, "batches", "--history").stdout


def test_it_watches_until_it_has_settled_and_says_only_what_is_new(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The command alone, its looks answered in turn: still moving twice, then settled."""
    monkeypatch.setattr(saltcheck, "LOOK_EVERY_S", 0.01)
    moving = {
        **{"sensor": "rail", "under_way": True, "salt": "table", "beside": None},
        **{"settled": False, "worth_it": False, "how": "", "says": "The humidity still moves."},
    }
    done = moving | {"settled": True, "says": "That is within the doubt: leave it as it is."}
    looks = iter([moving, moving, moving, done])
    entered: list[str] = []

    def ask(request: dict[str, Any]) -> Any:
        if "saltcheck" in request:
            return next(looks)
        entered.append(request["enter"]["verb"])
        return {"said": "", "entry": 2}

    wants = saltcheck.Wants("rail", None, None, None, watch=True, yes=False, stop=False)
    saltcheck.saltcheck(wants, ask)
    lines = capsys.readouterr().out.splitlines()
    assert lines[:2] == ["The humidity still moves.", done["says"]]
    assert entered == ["back"]


def test_what_cannot_be_checked_is_one_sentence(tmp_path: Path) -> None:
    with live(tmp_path) as (_, trial):
        for words, said in (
            (("raill",), 'no sensor is named "raill"'),
            (("plain",), "plain does not tell both temperature and humidity"),
            (("rail", "--beside", "rail"), "a sensor cannot hang beside itself"),
            (("rail", "--stop"), "no check of rail is under way"),
        ):
            refused = command(trial, "saltcheck", *words, "--once")
            assert refused.returncode == 2
            assert said in refused.stderr
            assert refused.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("said", "entered", "last"),
    [
        ("no", [], "Nothing was changed."),
        (KeyboardInterrupt(), [], "No check is under way: rail is in service."),
        (
            "yes",
            ["aside"],
            "The check goes on, and rail stays out of service.",
        ),
    ],
)
def test_it_asks_before_a_sensor_goes_out_of_service_and_says_what_stands(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    said: object,
    entered: list[str],
    last: str,
) -> None:
    """At a terminal; Ctrl-C at the question, and while it watches."""
    verbs: list[str] = []

    def ask(request: dict[str, Any]) -> Any:
        if "saltcheck" in request:
            return {
                **{"sensor": "rail", "under_way": bool(verbs), "salt": "table", "beside": None},
                **{"settled": False, "worth_it": False, "how": "", "says": "It still moves."},
            }
        verbs.append(request["enter"]["verb"])
        return {"said": "", "entry": 2}

    def answer(_: str) -> str:
        if isinstance(said, BaseException):
            raise said
        return str(said)

    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("builtins.input", answer)
    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    monkeypatch.setattr(saltcheck.threading.Event, "wait", interrupted)
    wants = saltcheck.Wants("rail", None, None, None, watch=True, yes=False, stop=False)
    saltcheck.saltcheck(wants, ask)
    assert verbs == entered
    assert capsys.readouterr().out.splitlines()[-1].startswith(last)
