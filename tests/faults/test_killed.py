"""The monitor killed (-9) at random instants while a thousand timed readings a second arrive."""

from __future__ import annotations

import csv
import json
import random
import threading
import time
from io import StringIO
from itertools import pairwise
from pathlib import Path

from monitor.edges import broker as broker_edge
from monitor.edges.mqtt import Guest
from monitor.service.demo import Phone, PhoneNotice
from tests.service.test_live import SETTINGS
from tests.service.trial import Trial, settings_in

KILLS, RATE = 8, 1000
SECONDS_A_KILL = 2  # to start anew, and until the next
ON_ITS_WAY_S = 1.0  # from the socket of who was killed to where the phone notes it
# One sensor tells of a past afternoon, hot for an hour; its spell must be as without any kill.
MINUTES = 240
HOT = range(90, 150)


def payloads(kills: int, begin_ms: int) -> list[bytes]:
    """Enough readings for all the kills, spread evenly over the afternoon."""
    count = kills * RATE * SECONDS_A_KILL
    step_ms = MINUTES * 60_000 / count
    made = []
    for number in range(count):
        at_ms = begin_ms + round(number * step_ms)
        hot = (at_ms - begin_ms) // 60_000 in HOT
        made.append(json.dumps({"ts": at_ms, "t": 34 if hot else 20, "rh": 50}).encode())
    return made


def run(folder: Path, kills: int) -> str:
    """Returns the figures in a line; raises AssertionError where anything was lost."""
    rng = random.Random(5)
    (folder / "broker").mkdir()
    (folder / "sample.toml").write_text(SETTINGS, "utf-8")
    broker = broker_edge.start(folder / "broker", folder / "broker.log", "mosquitto")
    rang: list[tuple[float, PhoneNotice]] = []
    known_sent: list[tuple[float, list[dict[str, str]]]] = []  # by the store, at each kill

    def ring(message: PhoneNotice) -> None:
        rang.append((time.monotonic(), message))

    begin_ms = (time.time_ns() // 60_000_000_000 - MINUTES - 5) * 60_000
    made = payloads(kills, begin_ms)
    began = time.strftime("%Y-%m-%dT%H:%M:00Z", time.gmtime(begin_ms / 1000 + 60 * HOT.start))
    ended = time.strftime("%Y-%m-%dT%H:%M:00Z", time.gmtime(begin_ms / 1000 + 60 * HOT.stop))
    with Phone(ring) as phone:
        address = f'[[address]]\nname = "phone"\nurl = "{phone.address}"\n[notices]\n'
        address += "most_a_day = 100\nnight_rest = false\nall_well_at = false\n"
        settings = settings_in(folder, broker, folder / "sample.toml", address, "5 s")
        trial = Trial(settings, until=None)
        done = threading.Event()

        def publish() -> None:
            with Guest(broker.address, in_flight=500) as guest:
                began = time.monotonic()
                for number, payload in enumerate(made):
                    guest.publish("barn/rail", payload)
                    if (ahead := number / RATE - (time.monotonic() - began)) > 0:
                        guest.turn(ahead)
                guest.settle()
            done.set()

        try:
            trial.start()
            publishing = threading.Thread(target=publish)
            publishing.start()
            for _ in range(kills):
                time.sleep(rng.uniform(0.05, 0.9))
                trial.kill()
                at = time.monotonic()
                known_sent.append((at, [row for row in notices_of(trial) if row["sent"]]))
                trial.start()
            publishing.join()
            wanted = len({json.loads(payload)["ts"] for payload in made})

            def settled_and_sent() -> bool:
                # Nothing is settled of a log before it has come to its end.
                if f",{began},{ended}," not in trial.export("spells"):
                    return False
                if not all(row["sent"] for row in to_the_phone(trial)):
                    return False
                return trial.export("readings").count(",temperature,") >= wanted

            trial.wait_until(settled_and_sent)
            rows = [r for r in trial.export("readings").splitlines() if "temperature" in r]
            spells = [r for r in trial.export("spells").splitlines() if ",hot," in r]
            to_phone = to_the_phone(trial)
            told = [row for row in notices_of(trial) if row["kind"] == "hot"]
        finally:
            trial.stop()
            broker.stop()
    assert done.is_set()
    assert len(rows) == wanted, f"{wanted - len(rows)} readings are missing"
    assert len({row.split(",")[0] for row in rows}) == wanted
    assert len(spells) == 1, spells
    assert f",{began},{ended}," in spells[0]
    assert any(row["spell_began"] == began for row in told)
    assert to_phone
    for row in to_phone:
        assert row["sent"], row
        assert any(is_of(message, row) for _, message in rang), (row, rang)
    # What the store knew to be sent at a kill never rings after it; and nothing rings again but by
    # a kill while it was on its way to the service, or before its answer was committed.
    for at, rows_sent in known_sent:
        again = [m for when, m in rang if when > at for row in rows_sent if is_of(m, row)]
        assert not again, f"told again although the store knew it was sent: {again}"
    doubled = 0
    for message in {message for _, message in rang}:
        times = [when for when, one in rang if one == message]
        for first, second in pairwise(times):
            assert any(first - ON_ITS_WAY_S < at < second for at, _ in known_sent), message
        doubled += len(times) - 1
    return (
        f"{kills} kills, {wanted:,} readings, none lost; {len(to_phone)} notices to the phone, "
        f"none lost, {doubled} came again, each by a kill between its sending and our commit"
    )


def notices_of(trial: Trial) -> list[dict[str, str]]:
    return list(csv.DictReader(StringIO(trial.export("notices"))))


def to_the_phone(trial: Trial) -> list[dict[str, str]]:
    """Its notices; notes wait for the digest."""
    return [row for row in notices_of(trial) if row["address"]]


def is_of(message: PhoneNotice, row: dict[str, str]) -> bool:
    return message.title == row["title"] and message.body.startswith(row["body"])


def test_nothing_is_lost(tmp_path: Path) -> None:
    print(run(tmp_path, KILLS))
