"""The real daemon on a real broker, fed a recording: for tests and benchmarks."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

from monitor.edges.broker import RunningBroker
from monitor.edges.socket import SocketError, ask
from monitor.service.settings.settings import Settings, load, socket_file
from monitor.service.worker import Worker
from monitor.store.formats import Format, export
from monitor.store.queries import Reader
from tests.waiting import until

T = TypeVar("T")
SAMPLES = Path(__file__).parents[2] / "sample_readings"
NINE_DAYS = SAMPLES / "nine_days.jsonl.gz"
NINE_DAYS_END = "2026-07-12T23:59:00Z"
# A site with one space, for tests that bring their own sensors.
BARN = """
[site]
name = "Barn"
latitude = 54.9
longitude = -2.1
timezone = "Europe/London"
[[space]]
name = "hay loft"
use = "hanging"
"""


def settings_in(
    folder: Path,
    broker: RunningBroker,
    sample: Path,
    extra: str = "",
    commit_every: str = "90 s",
    mqtt: str = "",
) -> Settings:
    """A sample's settings with this broker, and everything that is written in a folder.

    extra         tables of their own
    commit_every  "1 s" where a test waits for what is committed, and the time is the wall's
    mqtt          lines of [mqtt]
    """
    text = f"""{sample.read_text("utf-8")}
[mqtt]
host = "{broker.host}"
port = {broker.port}
{mqtt}
[store]
commit_every = "{commit_every}"
file = "{folder / "store.sqlite"}"
backup_folder = "{folder / "backups"}"
[report]
folder = "{folder / "reports"}"
{extra}
"""
    file = folder / "drying-room.toml"
    file.write_text(text, "utf-8")
    return load(file)


@dataclass
class Trial:
    """A daemon run as a process of its own.

    until        the end of a run on the readings' clock; None: it runs live
    environment  added to this process's own
    """

    settings: Settings
    until: str | None = NINE_DAYS_END
    entries: Path | None = SAMPLES / "nine_days.entries"
    environment: dict[str, str] = field(default_factory=dict)
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> subprocess.Popen[bytes]:
        words = ["run", "--config", str(self.settings.file)]
        if self.until is not None:
            words += ["--clock", "readings", "--until", self.until]
            words += [] if self.entries is None else ["--entries", str(self.entries)]
        with (self.settings.file.parent / "monitor.log").open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "monitor", *words],
                stdout=log,
                stderr=log,
                env=os.environ | self.environment,
            )
        self.until_connected()
        return self.process

    def wait_until(self, so: Callable[[], T]) -> T:
        """What `so` gives, once that is true; fails when the daemon ends or nothing moves."""
        assert self.process is not None

        def looked_at() -> T:
            ended = not self.running
            answer = so()
            assert answer or not ended, self.log()
            return answer

        return until(looked_at, self.log, self._moved)

    def until_connected(self) -> None:
        self.wait_until(lambda: self.health().get("connected"))

    @property
    def running(self) -> bool:
        return self.process is not None and self.process.poll() is None

    def health(self) -> dict[str, object]:
        try:
            return dict(ask(socket_file(self.settings), {"show": "health"}, timeout=120))
        except SocketError:
            return {}

    def handled(self) -> int:
        return int(str(self.health().get("messages", 0)))

    def heard_ms(self, sensor: str) -> int:
        """The time of its newest reading that is folded; 0: none is."""
        heard = self.health().get("heard_ms")
        return (heard.get(sensor) or 0) if isinstance(heard, dict) else 0

    def kill(self) -> None:
        """End it as a power cut would, by its own pid."""
        assert self.process is not None
        os.kill(self.process.pid, 9)
        self.process.wait()

    def finish(self) -> None:
        """Wait for the end that `until` sets, as long as messages come or minutes are stored."""
        self._until_ended()
        assert self.process is not None
        assert self.process.returncode == 0, self.log()

    def _until_ended(self) -> None:
        until(lambda: not self.running, self.log, lambda: (self._moved(), self._stored()))

    def _moved(self) -> object:
        health = self.health()
        return health.get("messages"), health.get("heard_ms")

    def _stored(self) -> object:
        store = self.settings.store.file
        log = store.with_name(store.name + "-wal")
        return log.stat().st_mtime_ns if log.exists() else None

    def stop(self) -> None:
        if self.process is not None and self.running:
            self.process.terminate()
            self._until_ended()

    def log(self) -> str:
        return (self.settings.file.parent / "monitor.log").read_text("utf-8")

    def export(self, what: str) -> str:
        file = self.settings.file.parent / f"{what}.csv"
        with Reader(self.settings.store.file) as reader, file.open("wb") as out:
            export(reader, self.settings.site, what, out, Format.CSV)
        return file.read_text("utf-8")


@dataclass
class Caught:
    """A watch that stops its worker once all minutes are folded."""

    worker: Worker

    def look(self, now_ms: int) -> None:
        if not self.worker.engine.behind(now_ms):
            self.worker.stop()
