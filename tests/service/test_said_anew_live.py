"""The daemon live, on a real broker: what is entered shows at once, also when killed meanwhile."""

from __future__ import annotations

import json
import time
from calendar import timegm
from pathlib import Path

import pytest

from monitor.drying.prospects import Prospects
from monitor.drying.standing import Standings
from monitor.edges.mqtt import Broker, Guest
from monitor.edges.report.gather import HoursOfAir
from monitor.edges.socket import ask
from monitor.entries.batches import fold
from monitor.entries.entries import standing
from monitor.service.settings.settings import book_of, socket_file
from monitor.store.queries import Reader
from tests.drying.asked import said_of
from tests.service.test_live import command, live
from tests.service.trial import Trial


def send_a_log(broker: Broker, hours: int) -> None:
    """What a sensor kept for so many hours until now, a value each minute."""
    now_ms = time.time_ns() // 1_000_000
    with Guest(broker) as guest:
        for minute in range(60 * hours, 0, -1):
            payload = {"ts": now_ms - 60_000 * minute, "t": 20.0, "rh": 50.0}
            guest.publish("barn/rail", json.dumps(payload).encode())
        guest.settle()


def said(trial: Trial, besides: float | None = None) -> float:
    """Still to lose of the one batch [%]: once it is said, is something else than before, and is
    what the store comes to for who reads it now. Until then no number, or the reason why."""

    def one() -> float | None:
        [plain] = ask(socket_file(trial.settings), {"show": "batches"}, timeout=120)["batches"]  # type: ignore[misc]
        told = plain["prospect"]
        assert told or plain["why_nothing"]
        left = told and told["still_to_lose_pct"]
        if told and left != besides and left == pytest.approx(afresh(trial, told["asked_at"])):
            return float(left)
        return None

    return trial.wait_until(one) or 0.0


def afresh(trial: Trial, asked_at: str) -> float | None:
    """The same at that hour, worked out from the store in one go."""
    asked_ms = 1000 * timegm(time.strptime(asked_at, "%Y-%m-%dT%H:%M:%SZ"))
    site = trial.settings.site
    with Reader(trial.settings.store.file) as reader:
        batches = fold(standing(reader.entries()), site.spaces).batches
        standings = Standings(book_of(trial.settings), HoursOfAir(reader), reader)
        one = said_of(
            Prospects(standings, site.hanging()),
            *(batches[0], batches, asked_ms, None, time.time_ns() // 1_000_000),
        )
    return None if one is None else one.still_to_lose_pct


def test_what_is_entered_shows_at_once_even_if_it_is_killed_over_it(tmp_path: Path) -> None:
    def ago(hours: float) -> str:
        return time.strftime("%Y-%m-%dT%H:%MZ", time.gmtime(time.time() - 3600 * hours))

    def enter(*words: str) -> None:
        done = command(trial, *words)
        assert done.returncode == 0, done.stderr

    with live(tmp_path) as (broker, trial):
        send_a_log(broker, 14)
        bunch = ("--space", "hay loft", "--bunches", "6", "--fresh-mass", "200")
        enter("hang", "statice", *bunch, "--at", ago(12))
        blind = said(trial)
        enter("weigh", "statice-1", "150", "--at", ago(0))
        weighed = said(trial, blind)
        assert weighed < blind
        enter("correct", "2", "--grams", "195")
        trial.kill()
        trial.start()
        assert said(trial, weighed) > weighed
