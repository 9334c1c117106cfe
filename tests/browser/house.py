"""Real daemons with their pages, on real brokers, for the browser to look at."""

from __future__ import annotations

import gzip
import json
import shutil
import socket
from base64 import b64decode
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from playwright.sync_api import Page

from monitor.edges import broker as broker_edge
from monitor.edges.broker import free_port
from monitor.edges.mqtt import Broker, Guest
from monitor.edges.socket import ask
from monitor.engine.engine import Engine
from monitor.entries.entries import Request
from monitor.entries.requests import read_entries_file, to_json
from monitor.intake.payloads import Message
from monitor.notices.spell_rules import Policy
from monitor.service.settings.settings import load, socket_file
from monitor.site.flowers import read_book
from monitor.store.writer import Writer
from tests.service.trial import NINE_DAYS, SAMPLES, Trial, settings_in

ROOT = Path(__file__).parents[2]
AXE = ROOT / "node_modules" / "axe-core" / "axe.min.js"
AA = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
SIZES = {"phone": (360, 740), "desk": (1280, 800)}
VIEWS = (
    "/",
    "/space/loft",
    "/space/loft?span=week",
    "/space/loft?span=year",
    "/space/wash%20house",
    "/space/box%20room",
    "/plan",
    "/plan?flower=statice&bunches=12&fresh_mass_g=180&door=yes&fan=60&heater=yes",
    "/plan?flower=statise&bunches=2",
    "/batches",
    "/batch/statice-purple",
    "/batch/lavender-first",
    "/entries",
    "/notices",
    "/weeks",
    "/sensors",
    "/check/box-room-shelf",
    "/do/hang?space=loft",
    "/do/weigh?batch=statice-purple",
    "/do/snap?batch=statice-purple",
    "/do/move?batch=statice-purple",
    "/do/takedown?batch=statice-purple",
    "/correct/1",
    "/help/notices.md",
    "/help/commands.md",
)
CHROMIUM = (
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync"),
    *("--disable-background-networking", "--disable-component-update"),
)
MESSAGES = 35_000  # the first four days
BEFORE_END = "2026-07-12T12:00:00Z"


@dataclass
class Served:
    """A daemon, the port of its page, and its broker."""

    port: int
    broker: Broker
    trial: Trial
    scheme: str = "http"

    @property
    def url(self) -> str:
        return f"{self.scheme}://127.0.0.1:{self.port}"

    def enter(self, verb: str, **arguments: str | int | float) -> None:
        """Enter something as a command does."""
        request = to_json(Request(verb, dict(arguments)))
        answer = ask(socket_file(self.trial.settings), request, timeout=120)
        assert "error" not in answer, answer

    def enter_change(self, verb: str, changes: int) -> None:
        """Correct or undo an entry as a command does."""
        request = to_json(Request(verb, {}, None, changes))
        answer = ask(socket_file(self.trial.settings), request, timeout=120)
        assert "error" not in answer, answer

    def entries(self) -> int:
        """How many entries there are."""
        answer = ask(socket_file(self.trial.settings), {"show": "history"}, timeout=120)
        told = answer["history"]
        assert isinstance(told, list)
        return len(told)

    def hanging(self) -> int:
        """How many batches hang."""
        answer = ask(socket_file(self.trial.settings), {"show": "batches"}, timeout=120)
        told = answer["batches"]
        assert isinstance(told, list)
        return sum(batch["state"] == "hanging" for batch in told)

    def publish(self, told: list[tuple[str, dict[str, float]]]) -> None:
        """Publish (topic, reading) with the reading's time as `ts` in seconds; wait until heard."""
        with Guest(self.broker) as guest:
            for topic, payload in told:
                guest.publish(topic, json.dumps(payload).encode())
            guest.settle()
        topic, newest = told[-1]
        sensors = self.trial.settings.site.sensors.values()
        name = next(s.name for s in sensors if s.topic == topic)
        self.trial.wait_until(lambda: self.trial.heard_ms(name) >= 1000 * newest["ts"])


@contextmanager
def serving(
    folder: Path,
    sample: Path,
    extra: str = "",
    page: str = "",
    until: str | None = BEFORE_END,
    port: int | None = None,
    opens: bool = True,
) -> Iterator[Served]:
    """A daemon of a sample's settings that serves its page.

    page   what stands under [page]
    until  the end of a run on the readings' clock; None: it runs live
    opens  wait until the page can be opened
    """
    (folder / "broker").mkdir(exist_ok=True)
    broker = broker_edge.start(folder / "broker", folder / "broker.log", "mosquitto")
    port = port or free_port()
    told = f"{extra}\n[page]\nport = {port}\n{page}\n"
    trial = Trial(settings_in(folder, broker, sample, told), until=until, entries=None)
    scheme = "https" if "certificate_file" in page else "http"
    try:
        trial.start()
        if opens:
            trial.wait_until(lambda: answers(port))
        yield Served(port, broker.address, trial, scheme)
    finally:
        trial.stop()
        broker.stop()


@contextmanager
def thornlaw(folder: Path, days: Path) -> Iterator[Served]:
    """The sample readings' house, its clock the readings themselves.

    days  a store with the days behind it, as `write_days` makes one
    """
    (folder / "broker").mkdir(exist_ok=True)
    broker = broker_edge.start(folder / "broker", folder / "broker.log", "mosquitto")
    port = free_port()
    settings = settings_in(folder, broker, SAMPLES / "nine_days.toml", f"[page]\nport = {port}\n")
    shutil.copy(days, settings.store.file)
    trial = Trial(settings, until=BEFORE_END, entries=None)
    try:
        trial.start()
        trial.wait_until(lambda: answers(port))
        yield Served(port, broker.address, trial)
    finally:
        trial.stop()
        broker.stop()


def answers(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def write_days(store: Path, messages: int = MESSAGES) -> None:
    """The first of the nine days' messages and entries, through the engine into a store."""
    book = read_book((ROOT / "config" / "flowers.toml").read_text("utf-8"))
    site = load(SAMPLES / "nine_days.toml").site
    writer = Writer(store)
    engine = Engine(site, Policy(), book, writer, 2**52)
    with gzip.open(NINE_DAYS, "rt", encoding="utf-8") as lines:
        told = [_message(json.loads(line)) for _, line in zip(range(messages), lines, strict=False)]
    text = (SAMPLES / "nine_days.entries").read_text("utf-8")
    waiting = read_entries_file(text, ZoneInfo(site.timezone))
    # In slices, so that what is said of a batch is said hour by hour, as it is in a running one.
    for first in range(0, len(told), 2_000):
        writer.apply(engine.receive(told[first : first + 2_000]))
        now_ms = engine.now_ms(0)
        while waiting and (waiting[0].request.at_ms or 0) < now_ms:
            request = waiting.pop(0).request
            writer.apply(engine.enter(request, request.at_ms or 0)[1])
        while engine.behind(now_ms):
            writer.apply(engine.advance(now_ms, 1000))
            writer.apply(engine.consider())
    writer.commit()
    writer.close()


def _message(told: dict[str, str]) -> Message:
    raw = told["payload"].encode() if "payload" in told else b64decode(told["payload_base64"])
    return Message(told["topic"], raw, 0, False)


def words(page: Page) -> str:
    """What the page's main part says."""
    return page.locator("main").inner_text()
