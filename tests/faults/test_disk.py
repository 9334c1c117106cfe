"""The disk full, read-only, failing or gone under the running monitor: nothing is lost.

Gone: the store can be neither written nor read, so what was committed cannot be read again either.
"""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest

from monitor.edges import broker as broker_edge
from monitor.edges.mqtt import Guest
from monitor.service.demo import Phone, PhoneNotice
from tests.faults.conftest import Shim
from tests.service.test_live import SETTINGS
from tests.service.trial import Trial, settings_in

READINGS = 600


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ("full", "Monitor: the disk is full"),
        ("readonly", "Monitor: the disk cannot be written"),
        ("eio", "Monitor: the disk cannot be written"),
        ("dead", "Monitor: the disk cannot be written"),
    ],
)
def test_nothing_is_lost_and_it_is_said_while_it_lasts_and_after(
    shim: Shim, tmp_path: Path, fault: str, said: str
) -> None:
    (tmp_path / "broker").mkdir()
    (tmp_path / "sample.toml").write_text(SETTINGS, "utf-8")
    broker = broker_edge.start(tmp_path / "broker", tmp_path / "broker.log", "mosquitto")
    rang: list[PhoneNotice] = []
    with Phone(rang.append) as phone:
        address = f'[[address]]\nname = "phone"\nurl = "{phone.address}"\n'
        settings = settings_in(tmp_path, broker, tmp_path / "sample.toml", address, "1 s")
        trial = Trial(settings, until=None, environment=shim.environment())
        begin_ms = time.time_ns() // 1_000_000 - READINGS * 1000

        def titles() -> list[str]:
            return [message.title for message in rang]

        def stored() -> int:
            return trial.export("readings").count("temperature")

        try:
            trial.start()
            with Guest(broker.address) as guest:

                def publish(numbers: range) -> None:
                    for number in numbers:
                        at_ms = begin_ms + 1000 * number
                        payload = {"ts": at_ms, "t": 20 + number / 1000, "rh": 50}
                        guest.publish("barn/rail", json.dumps(payload).encode())
                        guest.turn(0)
                        time.sleep(0.005)
                    guest.settle()

                publish(range(READINGS // 3))
                shim.set(fault)
                publish(range(READINGS // 3, READINGS * 2 // 3))
                # The store cannot keep a notice now; it is told past it.
                trial.wait_until(lambda: said in titles())
                if fault == "dead":
                    trial.wait_until(lambda: "The store cannot be read either" in trial.log())
                else:
                    assert stored() <= READINGS // 3
                shim.set("")
                publish(range(READINGS * 2 // 3, READINGS))
            trial.wait_until(lambda: stored() == READINGS)
            rows = [line for line in trial.export("readings").splitlines() if "temperature" in line]
            assert len({row.split(",")[0] for row in rows}) == READINGS
            assert trial.process is not None
            assert trial.process.poll() is None
            assert "could not be written" in trial.log()
            after = "Monitor: readings could not be kept for a while"
            trial.wait_until(lambda: after in trial.export("notices"))
            assert titles().count(said) == 1
            assert said not in trial.export("notices")
        finally:
            trial.stop()
            broker.stop()
