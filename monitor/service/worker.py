"""The worker: one thread that owns everything that changes.

It drives the MQTT socket, hands messages and what people enter to the engine, writes what follows
in one transaction, and only after the commit acknowledges to the broker and wakes the sender.
If a commit fails, what is in memory is thrown away and made anew from the last commit, and the
broker is asked to deliver again.
"""

from __future__ import annotations

import logging
import math
import selectors
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from socket import socketpair
from typing import Protocol

from monitor.edges.mqtt import Link
from monitor.engine.effects import Effects, Snapshot
from monitor.engine.engine import Engine
from monitor.entries.entries import Request, RequestError
from monitor.entries.logbook import Entered
from monitor.intake.payloads import Message
from monitor.notices.sentences import upkeep
from monitor.service.outgoing import WayOut
from monitor.site.time import MINUTE_MS
from monitor.store.connection import OWN_MISTAKES, WriteError, why_failed
from monitor.store.writer import Writer

log = logging.getLogger(__name__)

# Folded before the socket has its turn again: fewer minutes where they take longer.
MINUTES_AT_A_TIME, FOLDED_FOR_S = 120, 0.05
# A feed faster than the fold waits at the broker: what is not folded yet is held in memory. Long
# enough that a feed out of order by hours is taken in whole before the fold goes over it.
MOST_HELD_MIN = 420
CONSIDERED_FOR_S = 0.05
STORE_RETRY_S = 5.0
SAID_AGAIN_S = 3600.0


@dataclass(frozen=True, slots=True)
class Enter:
    """Somebody enters something; the answer is what was entered, or RequestError."""

    request: Request
    answer: Future[Entered] = field(default_factory=Future)


class Lookout(Protocol):
    """Something that is looked at once a turn, in the worker's thread, before the commit."""

    def look(self, now_ms: int) -> None: ...


# A task is done in the worker's thread, between commits.
Task = Callable[["Worker"], None]
Event = Enter | Task


class Worker:
    """The one owner. `post` and `snapshot` may be used from any thread, the rest from its own.

    make_engine   builds the engine from the store: at the start and after a failed commit
    make_link     builds the link to the broker under the worker's selector; None: no broker
    clock         now [UTC epoch ms]
    commit_every_s  at most so long between a change and its commit [s]
    addresses     names of the addresses to which notices go
    backup_folders  where to look for a store that is gone
    """

    def __init__(
        self,
        store: Path,
        make_engine: Callable[[Writer], Engine],
        make_link: Callable[[selectors.BaseSelector], Link] | None,
        clock: Callable[[], int],
        monotonic: Callable[[], float],
        commit_every_s: float = 90.0,
        addresses: Sequence[str] = (),
        backup_folders: Sequence[Path] = (),
    ) -> None:
        self._clock, self._monotonic = clock, monotonic
        self._commit_every_s = commit_every_s
        self._addresses = tuple(addresses)
        self._make_engine = make_engine
        self._selector = selectors.DefaultSelector()
        self._wake_receive, self._wake_send = socketpair()
        for end in (self._wake_receive, self._wake_send):
            end.setblocking(False)
        self._selector.register(self._wake_receive, selectors.EVENT_READ)
        self._events: deque[Event] = deque()
        self.writer = Writer(store, backup_folders)
        self.engine = make_engine(self.writer)
        self.link = make_link(self._selector) if make_link else None
        self.snapshot: Snapshot = self.engine.snapshot(self.now_ms())
        self.watches: list[Lookout] = []
        self.way_out = WayOut()
        self.heard_s = self.beat_s = monotonic()
        self.trouble: str | None = None
        self._alarmed = self._stopping = False
        self.time_known = True
        self._snapshot_at = self._commit_due = 0.0
        self._at_a_time = 1  # until it is known how long they take
        self._answers: list[tuple[Future[Entered], Entered]] = []
        self.handled = 0  # messages since the start
        self.ended = False  # a replay that stays at its end is there
        self._taken = 0  # serial of the last message given to the engine
        self._said: dict[str, float] = {}

    # -- from any thread --------------------------------------------------------------------------

    def post(self, event: Event) -> None:
        """Give the worker something to do."""
        self._events.append(event)
        self.wake()

    def wake(self) -> None:
        """End the worker's sleep; the pipe being full means it is awake."""
        with suppress(OSError):
            self._wake_send.send(b"\0")

    def stop(self) -> None:
        """Finish the turn, commit, and end."""
        self._stopping = True
        self.wake()

    def end(self) -> None:
        """A replay is at its end and stays there: everything is committed, nothing stops."""
        if not self.ended:
            self.commit()
            self.ended = True

    # -- its own thread ---------------------------------------------------------------------------

    def run(self) -> None:
        """Work until stopped; raises only what nobody foresaw."""
        try:
            if self.link is not None:
                self.link.start()
            while not self._stopping:
                self._turn()
            self._commit_last()
        finally:
            self._close()

    def _turn(self) -> None:
        ready = self._selector.select(self._sleep_s())
        self.beat_s = self._monotonic()
        if any(key.fileobj is self._wake_receive for key, _ in ready):
            self._drain_wake()
        if self.link is not None:
            self.link.service(ready)
        try:
            self._take_in()
            self._advance()
            self._do_events()
            self._refresh()
            for watch in self.watches:
                watch.look(self.now_ms())
            if self._commit_now():
                self.commit()
        except OWN_MISTAKES:
            raise
        except WriteError as error:
            self._start_over(error)

    def _sleep_s(self) -> float:
        now_ms = self._clock()
        if self._events or self._folds() or self._snapshot_at == -math.inf:
            return 0.0
        until_minute = (MINUTE_MS - now_ms % MINUTE_MS) / 1000
        sleep = min(until_minute, 1.0 if self.writer.open_transaction else 5.0)
        return min(sleep, self.link.timeout_s()) if self.link is not None else sleep

    def _drain_wake(self) -> None:
        with suppress(BlockingIOError):
            while self._wake_receive.recv(4096):
                pass

    def _take_in(self) -> None:
        if self.link is None or self._far_behind():
            return
        if self.link.inbox:
            self.heard_s = self._monotonic()
            self.write(self.engine.receive(self._given(self.link), self.time_known))

    def _given(self, link: Link) -> Iterator[Message]:
        """The messages that came in; in a replay up to the one that ends a minute."""
        for incoming in link.take():
            self._taken = incoming.serial
            self.handled += 1
            yield Message(incoming.topic, incoming.payload, incoming.arrived_ms, incoming.retained)
            if self.engine.turned:
                return

    def _far_behind(self) -> bool:
        full = self.engine.turned or self.engine.held_min > MOST_HELD_MIN
        return full and self._folds()

    def _folds(self) -> bool:
        """Whether minutes are over and to be folded now."""
        return self.engine.behind(self.now_ms()) and not self.engine.holds_back

    def _advance(self) -> None:
        if self._folds():
            began_s = self._monotonic()
            self.write(self.engine.advance(self.now_ms(), self._at_a_time))
            self._fit_slice(self._monotonic() - began_s)
            self.write(self.engine.consider())
        # All batches of an hour are told in one commit, but not in one turn if it takes long.
        until_s = self._monotonic() + CONSIDERED_FOR_S
        while self.engine.considering and self._monotonic() < until_s:
            self.write(self.engine.consider())

    def _fit_slice(self, took_s: float) -> None:
        """So many minutes at a time that a turn of folding takes about as long as it may."""
        if took_s > 2 * FOLDED_FOR_S:
            self._at_a_time = max(1, self._at_a_time // 2)
        elif took_s < FOLDED_FOR_S:
            self._at_a_time = min(MINUTES_AT_A_TIME, 2 * self._at_a_time)

    def _do_events(self) -> None:
        for _ in range(len(self._events)):
            event = self._events.popleft()
            if isinstance(event, Enter):
                self._enter(event)
            else:
                event(self)

    def _enter(self, event: Enter) -> None:
        try:
            if not self.time_known:
                raise RequestError(_NO_TIME)
            entered = self.enter(event.request)
        except RequestError as refused:
            event.answer.set_exception(refused)
        except WriteError:
            event.answer.set_exception(RequestError(_STORE_FAILED))
            raise
        else:
            self._answers.append((event.answer, entered))

    def enter(self, request: Request, now_ms: int | None = None) -> Entered:
        """Take in an entry and write it; raises RequestError."""
        at_ms = self.engine.now_ms(self._clock()) if now_ms is None else now_ms
        entered, effects = self.engine.enter(request, at_ms)
        self.write(effects)
        self._commit_due = 0.0
        return entered

    def write(self, effects: Effects) -> None:
        """Write effects into the open transaction."""
        if effects.empty:
            return
        if not self.writer.open_transaction:
            self._commit_due = self._monotonic() + self._commit_every_s
        self.writer.apply(effects, self._addresses)
        if effects.urgent:
            self._commit_due = 0.0
            self._snapshot_at = -math.inf  # who is told of it looks at once how it stands now
        for unread in effects.unread:
            about = unread.sensor or "no sensor"  # topics of others are without number
            self._say(about, "A payload could not be read: %s", unread.reason)

    def _commit_now(self) -> bool:
        if self.engine.considering:
            return False
        window_half_full = (
            self.link is not None
            and not self.link.inbox  # else it is left to fill on purpose
            and self.link.unacknowledged * 2 >= self.link.window
        )
        due = self.writer.open_transaction and self._monotonic() >= self._commit_due
        return window_half_full or due

    def commit(self) -> None:
        """Commit now, then acknowledge, answer and wake those who wait for it."""
        while self.engine.considering:
            self.write(self.engine.consider())
        written = self.writer.open_transaction
        self.writer.commit()
        if self.writer.journal.trouble is not None:
            self._say("journal", _NO_JOURNAL, self.writer.journal.file, self.writer.journal.trouble)
        if written and self.trouble is not None:
            trouble, self.trouble, self._alarmed = self.trouble, None, False
            self.way_out.written_again()
            self.write(self.engine.tell(upkeep.store_trouble(trouble, self.now_ms())))
        if self.link is not None and self._taken:
            self.link.acknowledge(self._taken)
        if self._answers:  # who entered it looks at once how it stands now
            self.snapshot = self.engine.snapshot(self.now_ms())
        for answer, entered in self._answers:
            answer.set_result(entered)
        self._answers.clear()
        self.way_out.committed()

    def _commit_last(self) -> None:
        try:
            self.commit()
        except OWN_MISTAKES:
            raise
        except WriteError as error:
            log.error("The last minute could not be kept (%s); the broker still has it.", error)

    def now_ms(self) -> int:
        """Now, by the wall or the readings [UTC epoch ms]."""
        return self.engine.now_ms(self._clock())

    def commit_soon(self) -> None:
        """Commit at the end of this turn."""
        self._commit_due = 0.0

    def _start_over(self, error: WriteError) -> None:
        """The store failed: go back to the last commit and ask the broker to deliver again."""
        if self.trouble is not None:
            self._alarm(error)
        self.trouble = why_failed(error)
        self._say("store", _GOING_BACK, error)
        self._refuse_answers()
        self._taken = 0
        if self.link is not None:
            self.link.drop()
        while True:
            reloaded = self._reloaded(error)
            self._wait(STORE_RETRY_S)
            if reloaded or self._stopping:
                return

    def _refuse_answers(self) -> None:
        for answer, _ in self._answers:
            answer.set_exception(RequestError(_STORE_FAILED))
        self._answers.clear()

    def _reloaded(self, cause: WriteError) -> bool:
        """Go back to the last commit; what is in memory may hold what was never written."""
        try:
            self.writer.rollback()
            self.engine = self._make_engine(self.writer)
        except WriteError as error:
            self._say("reading", "The store cannot be read either: %s", error)
            self._alarm(cause)  # a disk that fails makes what is read look damaged
            return False
        return True

    def _alarm(self, error: WriteError) -> None:
        """Once while it lasts: have it said past the store."""
        if not self._alarmed:
            self._alarmed = True
            self.way_out.fails(error)

    def _wait(self, seconds: float) -> None:
        """Let the store recover, still listening to the broker's socket and to `stop`."""
        until = self._monotonic() + seconds
        while not self._stopping and self._monotonic() < until:
            ready = self._selector.select(0.2)
            self.beat_s = self._monotonic()
            self._drain_wake()
            if self.link is not None:
                self.link.service(ready)

    def _refresh(self) -> None:
        """Swap the snapshot, at most once a second."""
        if self._monotonic() - self._snapshot_at >= 1.0:
            self._snapshot_at = self._monotonic()
            self.snapshot = self.engine.snapshot(self.now_ms())

    def _say(self, about: str, sentence: str, *words: object) -> None:
        """Log a sentence, once an hour about one thing."""
        now = self._monotonic()
        if now - self._said.get(about, -SAID_AGAIN_S) >= SAID_AGAIN_S:
            self._said[about] = now
            log.warning(sentence, *words, extra={"about": about})

    def _close(self) -> None:
        for event in self._events:
            if isinstance(event, Enter):
                event.answer.set_exception(RequestError(_GOING))
        self._refuse_answers()
        if self.link is not None:
            self.link.close()
        self.writer.close()
        for end in (self._selector, self._wake_receive, self._wake_send):
            end.close()


_NO_JOURNAL = "%s: cannot be written (%s); until it can, a backup brings back no newer entries"
_GOING_BACK = "The store could not be written (%s); going back to what it holds."
_STORE_FAILED = "it could not be stored; see that the disk is not full, then enter it again"
_NO_TIME = "this machine does not know the time yet; enter it again once its clock is set"
_GOING = "the monitor is stopping; enter it again once it runs"
