"""A far shed whose link is down for a day: its broker, the house's, and the daemon, all real.

The same day told promptly and told late must come to the same readings, air and spells.
"""

from __future__ import annotations

import json
import time
from math import pi, sin
from pathlib import Path

from monitor.edges import broker as brokers
from monitor.edges.mqtt import Broker, Guest
from monitor.service.settings.settings import load
from tests.edges.conftest import Brokers
from tests.edges.test_mosquitto_conf import FAR, RAIL, STRAW, fitted, house, passwords
from tests.faults.proxy import Proxy
from tests.service.trial import Trial

BEGIN = 1_783_987_200  # 2026-07-14T00:00:00Z
EVERY_S = 120
BEFORE_S, DAY_S = 2 * 3600, 24 * 3600
END = BEGIN + BEFORE_S + DAY_S + 3600
SETTINGS = """
[site]
name = "Withy End"
latitude = 52.0
longitude = -3.0
timezone = "Europe/London"
[mqtt]
host = "127.0.0.1"
port = {port}
user = "drying-room"
password_file = "{folder}/password"
[store]
file = "{folder}/store.sqlite"
backup_folder = "{folder}/backups"
[report]
folder = "{folder}/reports"
"""
SENSOR = """
[[space]]
name = "{name}"
use = "hanging"
[[sensor]]
name = "{name}-rail"
space = "{name}"
topic = "{topic}"
every = "120 s"
time = {{ at = "/ts", unit = "s" }}
reads.temperature = {{ at = "/t", unit = "°C" }}
reads.humidity = {{ at = "/rh", unit = "%" }}
"""


def told(first: int, end: int) -> list[bytes]:
    """A space's readings: damp for ten hours of the day, so that a spell begins and ends."""
    payloads = []
    for at in range(first, end, EVERY_S):
        hour = (at - BEGIN) / 3600
        humidity = 84 if 6 <= hour < 16 else 58
        t = 19 + 4 * sin(hour / 24 * 2 * pi) + 0.1 * (at // EVERY_S % 7)
        payloads.append(json.dumps({"ts": at, "t": round(t, 2), "rh": humidity + at % 7}).encode())
    return payloads


def a_day(
    folder: Path, start_brokers: Brokers, link_is_down: bool
) -> tuple[dict[str, str], list[int]]:
    """Exports after the day, and how many messages the daemon had at the end of the day."""
    port, shed_port = brokers.free_port(), brokers.free_port()
    house(start_brokers, folder / "house", port)
    (folder / "password").write_text(STRAW)
    (folder / "password").chmod(0o600)
    text = SETTINGS.format(port=port, folder=folder)
    text += SENSOR.format(name="loft", topic="sensors/loft-rail")
    text += SENSOR.format(name="shed", topic="shed/rail")
    (folder / "x.toml").write_text(text)
    until = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(END))
    trial = Trial(load(folder / "x.toml"), until, entries=None)
    shed = folder / "shed"
    with Proxy(port) as way:
        conf = fitted("mosquitto-far-shed.conf", shed, shed_port)
        conf = conf.replace("house.example:1883", f"127.0.0.1:{way.port}")
        conf = conf.replace("write-the-password-here", FAR)
        conf = conf.replace("restart_timeout 5 60", "restart_timeout 1 2")
        passwords(shed / "far-shed.passwd", rail=RAIL)
        start_brokers.start(shed_port, conf, "shed.conf")
        try:
            trial.start()
            loft = Broker("127.0.0.1", port, user="loft-rail", password=RAIL)
            rail = Broker("127.0.0.1", shed_port, user="rail", password=RAIL)

            def publish(first: int, end: int) -> int:
                payloads = told(first, end)
                for broker, topic in ((rail, "shed/rail"), (loft, "sensors/loft-rail")):
                    with Guest(broker) as guest:
                        for payload in payloads:
                            guest.publish(topic, payload)
                        guest.settle()
                        assert guest.refused == 0
                return len(payloads)

            cut_at, back_at = BEGIN + BEFORE_S, BEGIN + BEFORE_S + DAY_S
            before = publish(BEGIN, cut_at)
            trial.wait_until(lambda: trial.handled() == 2 * before)
            way.mode = "cut" if link_is_down else "pass"
            of_day = publish(cut_at, back_at)
            trial.wait_until(lambda: trial.handled() >= 2 * before + of_day)
            if not link_is_down:
                trial.wait_until(lambda: trial.handled() == 2 * (before + of_day))
            heard = [2 * before, of_day, trial.handled()]
            way.mode = "pass"
            trial.wait_until(lambda: trial.handled() == 2 * (before + of_day))
            publish(back_at, END + EVERY_S)
            trial.finish()
            return {what: trial.export(what) for what in ("readings", "air", "spells")}, heard
        finally:
            trial.stop()


def test_a_shed_cut_off_for_a_day_comes_to_the_same_as_one_that_was_not(
    start_brokers: Brokers, tmp_path: Path
) -> None:
    (tmp_path / "prompt").mkdir()
    (tmp_path / "late").mkdir()
    prompt, _ = a_day(tmp_path / "prompt", start_brokers, link_is_down=False)
    late, (before, of_day, heard) = a_day(tmp_path / "late", start_brokers, link_is_down=True)
    assert heard == before + of_day  # nothing came out of the shed while the link was down
    assert prompt["spells"].count(",damp,") == 2  # a spell in either space
    assert prompt["readings"].count("shed-rail") == 2 * len(told(BEGIN, END + EVERY_S))
    assert late == prompt
