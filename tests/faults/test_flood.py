"""Sensors gone mad: fifty of them at two thousand messages a second, beside sensors that are well.

Memory stays bounded, what the others tell is handled meanwhile, and it is said once.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

from monitor.edges import broker as broker_edge
from monitor.edges.mqtt import Guest
from tests.faults.test_flat import use_of
from tests.service.trial import BARN, Trial, settings_in

SENSORS, RATE = 50, 2_000
SECONDS, FULL_SECONDS = 6, 120
MOST_GROWTH_MB = 60.0

SITE = (
    BARN
    + """
[[sensor]]
name = "well"
space = "hay loft"
topic = "barn/well"
every = "60 s"
time = { at = "/ts", unit = "ms" }
reads.temperature = { at = "/t", unit = "°C" }
"""
)
MAD = """
[[sensor]]
name = "mad {n}"
space = "hay loft"
topic = "barn/mad/{n}"
every = "60 s"
time = {{ at = "/ts", unit = "ms" }}
reads.humidity = {{ at = "/rh", unit = "%" }}
"""

# A process of its own, so that the flood does not wait for who watches it: half of it garbage,
# the rest readings of this moment.
FLOOD = """
import json, sys, time
from monitor.edges.mqtt import Broker, Guest
port, sensors, rate, seconds = map(int, sys.argv[1:])
with Guest(Broker("127.0.0.1", port), in_flight=1000) as guest:
    began, sent = time.monotonic(), 0
    while sent < rate * seconds:
        topic = f"barn/mad/{sent % sensors}"
        told = {"ts": time.time_ns() // 1_000_000, "rh": 50 + sent % 7}
        guest.publish(topic, json.dumps(told).encode() if sent % 2 else b"\\xff mad")
        sent += 1
        while (ahead := sent / rate - (time.monotonic() - began)) > 0.005:
            guest.turn(ahead)
    guest.settle()
print(sent, time.monotonic() - began)
"""


def run(folder: Path, seconds: int) -> str:
    """Returns the figures in a line."""
    (folder / "broker").mkdir()
    mad = "".join(MAD.format(n=n) for n in range(SENSORS))
    (folder / "sample.toml").write_text(SITE + mad, "utf-8")
    broker = broker_edge.start(folder / "broker", folder / "broker.log", "mosquitto")
    extra = f"[page]\nport = {broker_edge.free_port()}\n"
    trial = Trial(settings_in(folder, broker, folder / "sample.toml", extra), until=None)
    longest_s, sent, most_mb = 0.0, 0, 0.0
    try:
        process = trial.start()
        with Guest(broker.address) as guest:

            def well() -> float:
                """Publishes one good reading; how long until the monitor has it [s]."""
                at_ms = time.time_ns() // 1_000_000
                began = time.monotonic()
                guest.publish("barn/well", json.dumps({"ts": at_ms, "t": 20}).encode())
                guest.settle()

                trial.wait_until(lambda: trial.heard_ms("well") >= at_ms)
                return time.monotonic() - began

            for _ in range(3):
                well()
            before_mb = use_of(process.pid, trial.settings.store.file).resident_mb
            words = [str(n) for n in (broker.port, SENSORS, RATE, seconds)]
            flood = subprocess.Popen(
                [sys.executable, "-c", FLOOD, *words], stdout=subprocess.PIPE, text=True
            )
            while flood.poll() is None:
                longest_s = max(longest_s, well())
                sent += 1
                most_mb = max(most_mb, use_of(process.pid, trial.settings.store.file).resident_mb)
                time.sleep(0.5)
            told, _ = flood.communicate()
            assert flood.returncode == 0
            well()
        count = round(float(told.split()[0]))
        trial.wait_until(lambda: trial.handled() >= count)
        lines = trial.log().splitlines()
        assert "Traceback" not in trial.log()
        assert len(lines) < 100, len(lines)
        assert process.poll() is None
        trial.stop()
        assert trial.export("readings").count(",temperature,") == sent + 4
        notices = trial.export("notices").count("sensors send far too much")
        # Of a flood that fills the memory; a short one does not.
        assert notices == (1 if seconds >= FULL_SECONDS else 0), notices
    finally:
        trial.stop()
        broker.stop()
    figures = (
        f"{count:,} messages from {SENSORS} sensors in {float(told.split()[1]):.0f} s, half of "
        f"them garbage, all handled; {sent + 4} readings of the other sensor, all kept, each heard "
        f"within {longest_s:.1f} s; resident {before_mb:.0f} MB, at most {most_mb:.0f} MB; "
        f"{len(lines)} lines in the log, {notices} notices of the flood"
    )
    assert most_mb - before_mb < MOST_GROWTH_MB, figures
    return figures


def test_sensors_gone_mad_keep_nobody_else_from_being_heard(tmp_path: Path) -> None:
    print(run(tmp_path, SECONDS))
