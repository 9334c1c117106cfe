"""The phone's service refusing, slow and unreachable, under the running monitor."""

from __future__ import annotations

import csv
import io
import json
import time
from collections import Counter
from pathlib import Path

from monitor.edges import broker as broker_edge
from monitor.edges.mqtt import Guest
from tests.edges.receiver import HttpReceiver
from tests.faults.proxy import Proxy
from tests.service.test_live import SETTINGS
from tests.service.trial import Trial, settings_in

MINUTES = 240
HOT = (range(MINUTES - 40, MINUTES),)  # it is hot now: that rings


def addresses(**ports: int) -> str:
    told = "".join(
        f'[[address]]\nname = "{name}"\nurl = "json://127.0.0.1:{port}/"\n'
        for name, port in ports.items()
    )
    return told + "[notices]\nmost_a_day = 100\nnight_rest = false\nall_well_at = false\n"


def run(folder: Path, comes_back: bool) -> str:
    """A space that is hot now, told to a phone that refuses, a slow one and one away.

    comes_back  wait for the one away to come back: half a minute, for so long is the first wait
    """
    (folder / "broker").mkdir()
    (folder / "sample.toml").write_text(SETTINGS, "utf-8")
    broker = broker_edge.start(folder / "broker", folder / "broker.log", "mosquitto")
    with (
        HttpReceiver(*[(403, {})] * 100) as refusing,
        HttpReceiver(*["slow"] * 100) as slow,
        HttpReceiver() as away,
        Proxy(away.port) as proxy,
    ):
        proxy.mode = "cut"
        told = addresses(refusing=refusing.port, slow=slow.port, away=proxy.port)
        trial = Trial(settings_in(folder, broker, folder / "sample.toml", told), until=None)
        try:
            trial.start()
            begin_ms = (time.time_ns() // 60_000_000_000 - MINUTES) * 60_000
            with Guest(broker.address, in_flight=50) as guest:
                for minute in range(MINUTES):
                    hot = any(minute in hours for hours in HOT)
                    payload = {
                        "ts": begin_ms + minute * 60_000,
                        "t": (34 if hot else 20) + minute % 5 / 10,
                        "rh": 50,
                    }
                    guest.publish("barn/rail", json.dumps(payload).encode())
                guest.settle()
            rows = settled(trial, "slow")
            assert away.taken == []
            if comes_back:
                proxy.mode = "pass"
                rows = settled(trial, "away")
        finally:
            trial.stop()
            broker.stop()
    titles = [row["title"] for row in rows if row["address"] == "slow"]
    assert any("hot" in title for title in titles)
    assert Counter(slow.titles) == Counter(titles)
    assert all(row["sent"] for row in rows if row["address"] == "slow")
    assert refusing.asked == len(titles)  # once each
    for row in rows:
        if row["address"] == "refusing":
            assert (row["sent"], row["tries"]) == ("", "1")
            assert "403" in row["failure"]
    if comes_back:
        assert Counter(away.titles) == Counter(titles)
    return f"{len(titles)} notices to each of three addresses, each arrived once or was refused"


def settled(trial: Trial, address: str) -> list[dict[str, str]]:
    """The notices, once the heat is told, all of an address are sent and none is new."""

    def rows() -> list[dict[str, str]]:
        return list(csv.DictReader(io.StringIO(trial.export("notices"))))

    def all_sent() -> list[dict[str, str]]:
        first = rows()
        ours = [row for row in first if row["address"] == address]
        told = {row["spell_began"] for row in ours if row["kind"] == "hot"}
        if len(told) != len(HOT) or not all(row["sent"] for row in ours):
            return []
        time.sleep(1)
        return first if len(rows()) == len(first) else []

    return trial.wait_until(all_sent)


def test_each_notice_arrives_once_and_a_refusal_for_good_blocks_nothing(tmp_path: Path) -> None:
    print(run(tmp_path, comes_back=False))
