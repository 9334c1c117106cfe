"""The same questions in a terminal, with the real broker: from nothing to whole settings."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

from monitor.edges.broker import start
from monitor.service.settings.settings import load
from tests.browser.test_setting_up import TOPIC, a_sensor
from tests.waiting import until


def test_from_nothing_to_settings(tmp_path: Path) -> None:
    (tmp_path / "broker").mkdir()
    broker = start(tmp_path / "broker", tmp_path / "broker.log", "mosquitto")
    log = tmp_path / "log"
    command = [sys.executable, "-u", "-m", "monitor", "setup"]
    surroundings = os.environ | {"XDG_STATE_HOME": str(tmp_path / "state")}
    try:
        with a_sensor(broker, 21.5), log.open("wb") as out:
            process = subprocess.Popen(
                command, cwd=tmp_path, stdin=subprocess.PIPE, stdout=out, stderr=out,
                env=surroundings,
            )  # fmt: skip
            assert process.stdin is not None

            def type_in(*lines: str) -> None:
                assert process.stdin is not None
                process.stdin.write("".join(f"{line}\n" for line in lines).encode())
                process.stdin.flush()

            type_in("Hollin", "Europe/London", "north", "-2")  # a slip, and once more
            type_in("Hollin", "Europe/London", "53,7", "-2")
            type_in("", str(broker.port), "", "")

            def look_again() -> None:
                time.sleep(0.5)
                type_in("")

            until(lambda: "Take this one (21.5 °C" in log.read_text("utf-8"), log.read_text,
                  between=look_again)  # fmt: skip
            type_in("1", "loft peg", "loft", "", "", "")
            type_in("", "", "3")  # drying, no limit of its own; notices later
            type_in("straw rail twine loft", "straw rail twine loft", "here")
            process.stdin.close()
            assert process.wait(120) == 0, log.read_text("utf-8")
        assert "a number was expected here" in log.read_text("utf-8")
        settings = load(tmp_path / "drying-room.toml")
        assert settings.site.sensors["loft peg"].topic == TOPIC
        assert settings.site.spaces["loft"].limits.hot_c == 32
        again = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True,
                               env=surroundings, check=False)  # fmt: skip
        assert again.returncode == 2
        assert "is there already" in again.stderr
    finally:
        broker.stop()


def test_a_missing_config_stays_a_mistake(tmp_path: Path) -> None:
    told = subprocess.run(
        [sys.executable, "-m", "monitor", "run", "--config", "none.toml"],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert told.returncode == 2
    assert "there is no file none.toml" in told.stderr


def test_new_words_are_made_on_the_board(tmp_path: Path) -> None:
    told = subprocess.run(
        [sys.executable, "-m", "monitor", "setup", "--words"],
        cwd=tmp_path, capture_output=True, text=True, check=True,
        env=os.environ | {"XDG_STATE_HOME": str(tmp_path / "state")},
    )  # fmt: skip
    words = told.stdout.partition("hour: ")[2].split()
    assert len(words) == 3
    assert (tmp_path / "state/drying-room/setup-words").stat().st_mode & 0o077 == 0
