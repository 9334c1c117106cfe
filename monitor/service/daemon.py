"""The daemon: builds everything from the settings, starts it in order, stops it in order."""

from __future__ import annotations

import logging
import os
import selectors
import signal
import socket
import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import replace
from datetime import time
from functools import partial
from zoneinfo import ZoneInfo

from monitor.edges import broker as broker_edge
from monitor.edges import clock
from monitor.edges import mqtt as mqtt_edge
from monitor.edges.mqtt import Link
from monitor.edges.page.house import Listens, PageOrder, PageProcess, Present, Summary
from monitor.edges.sender import Delivered, Outcome, Sender
from monitor.edges.socket import Listener
from monitor.engine.engine import Engine
from monitor.entries.requests import EntryLine
from monitor.intake.payloads import Decoder
from monitor.intake.published import ForecastReader
from monitor.notices.sentences import upkeep
from monitor.notices.spell_rules import Policy
from monitor.service.cli import COMMANDS
from monitor.service.desk import Desk
from monitor.service.errands import Errands
from monitor.service.jobs import Replay, Stepper, Timetable
from monitor.service.outgoing import PhoneOutbox, WayOut
from monitor.service.settings.files import read_secret
from monitor.service.settings.people import Notices
from monitor.service.settings.settings import Settings, book_of, socket_file
from monitor.service.watches import BrokerWatch, FloodWatch, PayloadWatch, Publisher, Timekeeper
from monitor.service.worker import Worker
from monitor.store.connection import DAMAGED, FULL, WriteError, why_failed
from monitor.store.queries import Reader
from monitor.store.writer import Writer

log = logging.getLogger(__name__)

PAGE_COMMAND = (sys.executable, "-m", "monitor.edges.page.server")
LOOK_EVERY_S = 5.0
FRESH_S = 60.0  # a thread not heard of for longer is taken for dead
LAST_NOTICES_S = 10.0  # so long a replay waits at its end for notices to be delivered


class Daemon:
    """Everything that runs, of one settings file.

    until_ms  the clock is the readings themselves, up to this time; None: live
    entries   entries that take effect when the readings' clock reaches them
    stays     at that time it stays, until told to stop
    """

    def __init__(
        self,
        settings: Settings,
        until_ms: int | None = None,
        entries: Sequence[EntryLine] = (),
        stays: bool = False,
    ) -> None:
        self._time = clock.Clock()
        self._settings = settings
        self._until_ms = until_ms
        self._entries = list(entries)
        self._stays = stays
        self._zone = ZoneInfo(settings.site.timezone)
        self._stop = threading.Event()
        self._failed: str | None = None
        self._sender_beat_s = clock.monotonic_s()
        self._timetable: Timetable | None = None

    def run(self) -> int:
        """Run until told to stop, or until the replay's end; returns the exit code.

        raises  StoreError, SocketError, BrokerError: what keeps it from starting
        """
        with ExitStack() as stack:
            if self._settings.mqtt.embedded:
                self._settings = _with_own_broker(self._settings, stack)
            worker = self._worker()
            working = threading.Thread(target=self._guard(worker.run), name="worker")
            errands = Errands(self._settings, worker)
            stack.callback(_ended, working)
            stack.callback(worker.stop)
            sender = self._sender(worker)
            sending = threading.Thread(target=self._guard(sender.run), name="sender")
            stack.callback(_ended, sending)
            stack.callback(sender.stop)
            desk = Desk(worker, self._settings, book_of(self._settings).words())
            stack.callback(Listener(socket_file(self._settings), desk.submit).close)
            page = self._page(worker)
            stack.callback(page.stop)
            self._keep_time(worker, errands, stack)
            self._catch_signals(stack)
            working.start()
            sending.start()
            page.start()
            tell_systemd("READY=1")
            self._say_where()
            self._watch(worker, working, sending)
            tell_systemd("STOPPING=1")
            if self._until_ms is not None and self._failed is None:
                self._deliver_last(worker)
        if self._failed is not None:
            log.error("%s", self._failed)
            return 1
        return 0

    def stop(self) -> None:
        """End `run` soon; from any thread."""
        self._stop.set()

    # -- parts --------------------------------------------------------------------------------

    def _worker(self) -> Worker:
        settings = self._settings

        folders = settings.store.backup_folder, settings.store.second_backup_folder
        policy, book = policy_of(settings.notices), book_of(settings)

        def make_engine(writer: Writer) -> Engine:
            return Engine(settings.site, policy, book, writer, self._until_ms)

        def make_link(selector: selectors.BaseSelector) -> Link:
            filters = [
                *Decoder(settings.site.sensors).filters(),
                *ForecastReader(settings.site.forecasts).filters(),
            ]
            return Link(
                broker_of(settings),
                [topic for topic, timed in filters if timed],
                [topic for topic, timed in filters if not timed],
                selector,
                self._time.now_ms,
                clock.monotonic_s,
            )

        return Worker(
            settings.store.file,
            make_engine,
            make_link,
            self._time.now_ms,
            clock.monotonic_s,
            settings.store.commit_every_s,
            [address.name for address in settings.notices.addresses],
            [folder for folder in folders if folder is not None],
        )

    def _sender(self, worker: Worker) -> Sender:
        addresses = {a.name: a.url() for a in self._settings.notices.addresses}
        store, page = self._settings.store.file, self._settings.page.address
        outbox = PhoneOutbox(store, page, list(addresses), worker.now_ms)

        def report(outcome: Outcome) -> None:
            if not outbox.note(outcome):
                worker.post(lambda owner: _record(owner, outcome))

        def beat() -> None:
            self._sender_beat_s = clock.monotonic_s()

        sender = Sender(outbox, addresses, report, worker.now_ms, beat)
        worker.way_out = WayOut(sender.wake, partial(_alarm, worker, outbox), outbox.withdraw)
        return sender

    def _page(self, worker: Worker) -> PageProcess:
        settings, page = self._settings, self._settings.page
        listens = Listens(
            page.bind,
            page.port,
            page.trusted_hosts,
            page.passphrase_file,
            page.certificate_file,
            page.key_file,
        )
        order = PageOrder(
            listens,
            settings.site,
            book_of(settings),
            settings.store.file,
            socket_file(settings),
            summaries(),
        )

        def standing() -> Present:
            return Present(worker.snapshot, worker.now_ms(), _trouble(worker))

        return PageProcess(PAGE_COMMAND, order, standing, clock.monotonic_s)

    def _keep_time(self, worker: Worker, errands: Errands, stack: ExitStack) -> None:
        if self._until_ms is not None:
            stepper = Stepper(errands.jobs(), self._zone, errands.now)
            end = worker.end if self._stays else worker.stop
            replay = Replay(worker, self._until_ms, self._entries, stepper, clock.monotonic_s, end)
            worker.watches = [Publisher(worker, self._settings.site), replay]
            return
        timetable = Timetable(
            errands.jobs(),
            self._zone,
            errands.soon,
            errands.missed,
            errands.crashed,
            self._time.now_ms,
        )
        timetable.start()
        stack.callback(timetable.close)
        self._timetable = timetable
        newest_ms = worker.writer.newest_ms()
        if newest_ms is not None:
            self._time.expect(newest_ms)
        worker.time_known = self._time.known
        if self._time.known:
            worker.post(errands.catch_up)
        site = self._settings.site
        worker.watches = [
            Timekeeper(worker, self._time, errands.catch_up, timetable.clock_set),
            BrokerWatch(worker, site.timezone, clock.monotonic_s),
            PayloadWatch(worker, site),
            FloodWatch(worker),
            Publisher(worker, site),
        ]

    def _catch_signals(self, stack: ExitStack) -> None:
        if threading.current_thread() is not threading.main_thread():
            return
        for number in (signal.SIGTERM, signal.SIGINT):
            before = signal.signal(number, lambda *_: self.stop())
            stack.callback(signal.signal, number, before)

    # -- while it runs --------------------------------------------------------------------------

    def _guard(self, run: Callable[[], None]) -> Callable[[], None]:
        """A thread that ends by an error takes the daemon with it: systemd starts it anew."""

        def guarded() -> None:
            try:
                run()
            except Exception as error:
                log.exception("A part of the monitor failed")
                self._failed = f"the monitor stops: {error}"
            finally:
                self._stop.set()

        return guarded

    def _say_where(self) -> None:
        """For whoever started it by hand: where the page is, and where notices go."""
        page, addresses = self._settings.page, self._settings.notices.addresses
        log.info("The page: %s", page.address or f"http://{page.bind}:{page.port}")
        names = ", ".join(address.name for address in addresses)
        log.info("Notices go to: %s", names or "nobody yet; name an [[address]] in the settings")
        log.info("Heard so far: nothing yet of %d sensors.", len(self._settings.site.sensors))

    def _say_heard(self, worker: Worker, said: set[str]) -> set[str]:
        """Say which sensors are heard, whenever there is another."""
        sensors = self._settings.site.sensors
        heard = {name for name, one in worker.snapshot.sensors.items() if one.last_ms is not None}
        if heard > said:
            missing = [name for name in sensors if name not in heard]
            log.info(
                "Heard so far: %d of %d sensors%s",
                len(heard),
                len(sensors),
                f"; not yet: {', '.join(missing)}." if missing else ": all of them.",
            )
        return heard | said

    def _watch(self, worker: Worker, *threads: threading.Thread) -> None:
        """Tell systemd that all is well only while worker, sender and timetable are alive."""
        heard: set[str] = set()
        while not self._stop.wait(LOOK_EVERY_S if self._until_ms is None else 0.2):
            heard = self._say_heard(worker, heard)
            fresh = clock.monotonic_s() - min(worker.beat_s, self._sender_beat_s) < FRESH_S
            on_time = self._timetable is None or self._timetable.alive
            if fresh and on_time and all(t.is_alive() for t in threads):
                tell_systemd("WATCHDOG=1")

    def _deliver_last(self, worker: Worker) -> None:
        """At a replay's end, give the notices that are due the time to be delivered."""
        until = clock.monotonic_s() + LAST_NOTICES_S
        now_ms = worker.now_ms()
        while clock.monotonic_s() < until:
            with Reader(self._settings.store.file) as reader:
                if not any(row.next_try_ms <= now_ms for row in reader.unsent()):
                    return
            threading.Event().wait(0.1)


def summaries() -> tuple[Summary, ...]:
    """The commands, for the help."""
    return tuple(Summary(name, row.summary, row.example) for name, row in COMMANDS.items())


def _ended(thread: threading.Thread) -> None:
    """Wait for its end, where it was started at all."""
    if thread.ident is not None:
        thread.join()


def _alarm(worker: Worker, outgoing: PhoneOutbox, error: WriteError) -> None:
    """The store cannot be written: say it past the store."""
    now_ms = worker.now_ms()
    reason = why_failed(error)
    if reason == FULL:
        outgoing.say(upkeep.disk_full(now_ms))
    elif reason == DAMAGED:
        outgoing.say(upkeep.store_damaged(now_ms))
    else:
        outgoing.say(upkeep.store_failing(reason, now_ms))


def _record(worker: Worker, outcome: Outcome) -> None:
    now_ms = worker.now_ms()
    worker.commit_soon()  # until it is committed, a power cut would have it sent again
    if isinstance(outcome, Delivered):
        worker.writer.delivered(outcome.notice, outcome.address, now_ms)
        return
    again_ms = None if outcome.permanent else now_ms + round(1000 * outcome.wait_s)
    worker.writer.not_delivered(outcome.notice, outcome.address, outcome.reason, again_ms)


def _with_own_broker(settings: Settings, stack: ExitStack) -> Settings:
    """Start a small broker beside the monitor, for trying out; raises BrokerError."""
    folder = settings.store.file.parent / "broker"
    folder.mkdir(parents=True, exist_ok=True)
    running = broker_edge.start(folder, folder / "broker.log", port=settings.mqtt.port)
    stack.callback(running.stop)
    log.info("Our own broker runs at %s:%d, for trying out only.", running.host, running.port)
    mqtt = replace(settings.mqtt, host=running.host, port=running.port)
    return replace(settings, mqtt=mqtt)


def _trouble(worker: Worker) -> str | None:
    """What keeps the monitor from watching, for the page."""
    if worker.trouble is not None:
        return f"The store cannot be written ({worker.trouble}); nothing new is kept until it can."
    link = worker.link
    if link is None or link.state.connected:
        return None
    return f"{link.state.sentence} Until it answers, nobody watches the rooms."


def broker_of(settings: Settings) -> mqtt_edge.Broker:
    """The broker of the settings; raises SettingsError if its password cannot be read."""
    mqtt = settings.mqtt
    return mqtt_edge.Broker(
        host=mqtt.host,
        port=mqtt.port,
        client_id=mqtt.client_id,
        user=mqtt.user,
        password=None if mqtt.password_file is None else read_secret(mqtt.password_file),
        ca_file=mqtt.ca_file,
        client_certificate_file=mqtt.client_cert_file,
        client_key_file=mqtt.client_key_file,
        session_expiry_s=mqtt.session_kept_s,
        keepalive_s=mqtt.keepalive_s,
    )


def policy_of(notices: Notices) -> Policy:
    """When the phone may ring, as the settings say."""
    rest = notices.night_rest or (time(0), time(0))
    return Policy(
        night_rest_from=_minute(rest[0]),
        night_rest_until=_minute(rest[1]),
        daily_cap=notices.most_a_day,
        reminder_every_min=round(notices.reminder_every_s / 60),
        all_well_at=None if notices.all_well_at is None else _minute(notices.all_well_at),
        digest_at=_minute(notices.digest_at),
    )


def _minute(at: time) -> int:
    return at.hour * 60 + at.minute


def tell_systemd(state: str) -> None:
    """Send a state such as READY=1 or WATCHDOG=1 over the socket it gives us (sd_notify(3))."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as messages:
        messages.connect(address)
        messages.sendall(state.encode())
