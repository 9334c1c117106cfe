"""The service's unit, read by systemd itself."""

from __future__ import annotations

import re
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.service.asking import DEFAULT_CONFIG
from monitor.service.daemon import FRESH_S, LOOK_EVERY_S, tell_systemd
from monitor.service.settings.files import SERVICE_RUNTIME, SERVICE_SETTINGS, SERVICE_STATE

UNIT = Path(__file__).parents[2] / "systemd" / "drying-room.service"
MOST_EXPOSED = 11  # tenths


def value(key: str) -> str:
    [found] = re.findall(rf"^{key}=(.*)$", UNIT.read_text("utf-8"), re.MULTILINE)
    return str(found)


def verify(folder: Path, text: str) -> str:
    """What systemd complains of, with a program that is on this machine."""
    unit = folder / UNIT.name
    unit.write_text(re.sub(r"^ExecStart=\S+", f"ExecStart={sys.executable}", text, flags=re.M))
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(unit)],
        capture_output=True,
        text=True,
        check=False,
    )
    return done.stderr


def test_systemd_reads_it_without_a_word(tmp_path: Path) -> None:
    text = UNIT.read_text("utf-8")
    assert verify(tmp_path, text) == ""
    assert "Unknown key" in verify(tmp_path, text.replace("WatchdogSec", "WatchdogSeconds"))


def test_it_is_exposed_little() -> None:
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", f"--threshold={MOST_EXPOSED}", str(UNIT)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout


def test_it_is_started_again_for_ever_but_not_with_wrong_settings() -> None:
    assert value("StartLimitIntervalSec") == "0"
    assert value("Restart") == "always"
    assert value("RestartPreventExitStatus") == "2"
    words = [sys.executable, "-m", "monitor", "run", "--config", "/nowhere/at-all.toml"]
    assert subprocess.run(words, capture_output=True, check=False).returncode == 2


def test_the_watchdog_waits_longer_than_a_part_may_take() -> None:
    assert value("Type") == "notify"
    assert int(value("WatchdogSec")) >= 2 * (FRESH_S + LOOK_EVERY_S)


def test_its_folders_are_those_of_the_program() -> None:
    assert f"/var/lib/{value('StateDirectory')}" == str(SERVICE_STATE)
    assert f"/run/{value('RuntimeDirectory')}" == str(SERVICE_RUNTIME)
    assert value("ReadWritePaths") == f"-{SERVICE_SETTINGS}"
    assert value("ExecStart").endswith("/drying-room run")  # without settings it sets up
    assert DEFAULT_CONFIG[1] == SERVICE_SETTINGS / "drying-room.toml"


def test_systemd_hears_what_we_tell(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(5)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        tell_systemd("READY=1")
        assert manager.recv(100) == b"READY=1"
