"""Our own commands in a process beside: asked, watched, ended, and gone with who asked."""

from __future__ import annotations

import math
import os
import signal
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from monitor.edges.beside import Beside, BesideError, Command, ask, resident_mb
from monitor.site.quantities import Quantity
from monitor.site.spaces import ReadAs, Sensor, Site, Space, Use, Window
from tests.waiting import until

HERE = "tests.edges.test_beside"


@dataclass(frozen=True)
class Told:
    """One of each type that goes to and fro."""

    site: Site
    folder: Path
    values: list[float | None]
    kept: bytes = b""


def back(told: Told) -> Told:
    """The same, with a number of numpy's in it, and one that is none."""
    print("what a library prints is no answer")
    return Told(told.site, told.folder, [np.float64(1.5), math.nan], told.kept)


def behave(how: str) -> str:
    """As badly as asked."""
    if how == "refuse":
        raise ValueError("it is not so")
    if how == "stumble":
        raise KeyError(how)
    if how == "die":
        os.kill(os.getpid(), signal.SIGKILL)
    if how == "hang":
        time.sleep(60)
    if how == "give way":
        return Path("/proc/self/oom_score_adj").read_text("ascii").strip()
    kept = []
    while how == "grow":
        kept.append(bytearray(8_000_000))
        time.sleep(0.01)
    return how


class Counting:
    """One object answers all questions."""

    def __init__(self) -> None:
        self._asked = 0

    def __call__(self, _: str) -> tuple[int, int]:
        self._asked += 1
        return self._asked, os.getpid()


BACK = Command(f"{HERE}:back", Told, Told, within_s=20)
BEHAVE = Command(f"{HERE}:behave", str, str, within_s=40, memory_mb=200)
COUNTING = Command(f"{HERE}:Counting", str, tuple[int, int], within_s=20)


def test_what_is_asked_and_answered_comes_over_whole() -> None:
    pane = Window("pane", 180.0, 1.0, 1.2, 0.3, 2.0, horizon=((90.0, 10.0),))
    loft = Space("loft", Use.HANGING, windows=(pane,))
    reads = {Quantity.TEMPERATURE: ReadAs("°C", "/t")}
    sensor = Sensor("rail", "loft", "a/b", 60.0, reads)
    site = Site("Ashgill", 54.2, -2.5, 0, "Europe/London", "°C", {"loft": loft}, {"rail": sensor})
    told = Told(site, Path("/a/folder"), [0.1], bytes(range(256)))
    came = ask(BACK, told)
    assert (came.site, came.folder, came.kept) == (told.site, told.folder, told.kept)
    assert came.values == [1.5, None]


@pytest.mark.parametrize(
    ("how", "sentence"),
    [
        ("refuse", "it is not so"),
        ("stumble", "it failed (KeyError('stumble'))"),
        ("die", "it ended without an answer (signal 9)"),
        ("grow", "it took more than 200 MB of memory"),
    ],
)
def test_each_failure_is_one_sentence_and_the_next_is_answered(how: str, sentence: str) -> None:
    with Beside(BEHAVE) as beside:
        with pytest.raises(BesideError) as failed:
            beside.ask(how)
        assert str(failed.value) == sentence
        assert beside.ask("well") == "well"


def test_what_hangs_is_ended_in_time() -> None:
    with pytest.raises(BesideError, match="it took longer than 1 s"):
        ask(replace(BEHAVE, within_s=1), "hang")


def test_one_process_stays_until_it_rests() -> None:
    with Beside(COUNTING) as beside:
        first, second = beside.ask("a"), beside.ask("b")
        assert (first[0], second[0], first[1]) == (1, 2, second[1])
        assert resident_mb(first[1]) > 1
        beside.rest()
        assert resident_mb(first[1]) == 0
        assert beside.ask("c")[0] == 1


def test_it_is_broken_off_from_another_thread() -> None:
    with Beside(BEHAVE) as beside:
        threading.Timer(1.0, beside.end).start()
        began = time.monotonic()
        with pytest.raises(BesideError):
            beside.ask("hang")
        assert time.monotonic() - began < 3
        with pytest.raises(BesideError, match="broken off"):
            beside.ask("well")


def test_it_dies_with_who_asked() -> None:
    asker = (
        "from tests.edges.test_beside import COUNTING, Beside\n"
        "beside = Beside(COUNTING)\n"
        "print(beside.ask('a')[1], flush=True)\n"
        "import time; time.sleep(60)"
    )
    with subprocess.Popen(
        [sys.executable, "-c", asker], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        child = int(process.stdout.readline())
        assert resident_mb(child) > 1
        process.kill()
    until(lambda: resident_mb(child) == 0)


def test_should_memory_run_out_it_is_ended_and_not_the_monitor() -> None:
    assert ask(BEHAVE, "give way") == "500"
