"""What the page is given, and how: its process is asked in JSON, and asks back in JSON.

The page runs in a process of its own, so that nothing done to it reaches the monitor. Its first
line is a `PageOrder`. From then on it asks by an empty line how everything stands, for open pages
once a second, and gets a line: a `Present`. What people enter goes over the socket of the commands.
"""

from __future__ import annotations

import contextlib
import logging
import subprocess
import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO, Any, NamedTuple, Protocol, TypeVar

import msgspec
import numpy as np

import monitor
from monitor.ahead.grid import STEP_MIN
from monitor.ahead.look import HORIZONS_H, Coming
from monitor.engine.effects import Snapshot
from monitor.entries.batches import described, hanging_in, kept_in
from monitor.entries.entries import JSON, Request
from monitor.notices.notice import Circumstances
from monitor.science.moist_air import standard_pressure
from monitor.site.flowers import Book
from monitor.site.spaces import OUTDOORS, Site

log = logging.getLogger(__name__)

Told = dict[str, object]  # a page, by the words of its template

_REMEMBERED = 500
FIRST_WAIT_S, LONGEST_WAIT_S = 2.0, 300.0
ENDS_WITHIN_S = 5.0


class Listens(NamedTuple):
    """Where the page listens and who may open it. passphrase_file None: only this machine."""

    bind: str
    port: int
    trusted_hosts: tuple[str, ...]
    passphrase_file: Path | None = None
    certificate_file: Path | None = None
    key_file: Path | None = None


class Summary(NamedTuple):
    """A command in a line. example: its words, without the program's name."""

    command: str
    summary: str
    example: str


class PageOrder(NamedTuple):
    """What the page's process is told first. socket: where the monitor takes requests."""

    listens: Listens
    site: Site
    book: Book
    store: Path
    socket: Path
    commands: tuple[Summary, ...] = ()


class Present(NamedTuple):
    """How everything stands.

    now_ms   now, by the wall or the readings [UTC epoch ms]
    trouble  what keeps the monitor from watching, in a sentence; None: nothing
    """

    snapshot: Snapshot
    now_ms: int
    trouble: str | None


class MonitorGoneError(RuntimeError):
    """The monitor does not answer."""


class PutIn(NamedTuple):
    """What was entered: what it came to in words, its batch, and which older entries it upset."""

    request: Request
    said: str
    batch: str | None
    upset: Sequence[str]


class Submitted:
    """What was entered by forms, each known by its number: sent twice, it is entered once."""

    def __init__(self) -> None:
        self._done: OrderedDict[str, Future[PutIn]] = OrderedDict()
        self._lock = threading.Lock()

    def said(self, number: str) -> list[str] | None:
        """What a form came to, in words; None: nothing, or not yet."""
        done = self._done.get(number)
        if done is None or not done.done() or done.exception():
            return None
        return [done.result().said, *done.result().upset]

    def once(self, number: str, enter: Callable[[], Future[PutIn]]) -> Future[PutIn]:
        """Enter it, unless it is entered or about to be."""
        with self._lock:
            before = self._done.get(number)
            if before is not None and not (before.done() and before.exception()):
                return before
            answer = self._done[number] = enter()
            if len(self._done) > _REMEMBERED:
                self._done.popitem(last=False)
            return answer


class Looks(Protocol):
    """Tells how everything stands now, or stood at most `old_s` seconds ago."""

    def __call__(self, old_s: float = 0.0) -> Present: ...


@dataclass(frozen=True)
class House:
    """Everything the page reads and does.

    book      what is known of each flower
    standing  how everything stands now, or stood at most so many seconds ago
    submit    has something entered; the future's answer is PutIn, or RequestError
    parse     a form's fields → what is asked for; raises RequestError
    plan      where a harvest should hang; raises RequestError with a sentence
    check     how the check of a sensor stands; raises RequestError where it cannot be checked
    commands  what can be asked in a terminal
    """

    site: Site
    store: Path
    book: Book
    standing: Looks
    submit: Callable[[Request], Future[PutIn]]
    parse: Callable[[Mapping[str, str]], Request]
    plan: Callable[[Mapping[str, JSON]], Mapping[str, Any]]
    check: Callable[[str], Mapping[str, Any]]
    commands: tuple[Summary, ...] = ()

    def spaces(self) -> list[str]:
        """The spaces in the order of the settings; outdoors last, where something measures it."""
        measured = any(s.space == OUTDOORS for s in self.site.sensors.values())
        indoors = [name for name in self.site.spaces if name != OUTDOORS]
        return indoors + ([OUTDOORS] if measured else [])

    def circumstances(self, snapshot: Snapshot) -> Circumstances:
        """What advice needs to know."""
        batches = snapshot.history.batches
        at_risk = {
            name: tuple(
                described(b)
                for b in hanging_in(batches, name, snapshot.now_ms)
                + kept_in(batches, name, snapshot.now_ms)
            )
            for name in self.site.spaces
        }
        pressure_pa = standard_pressure(self.site.elevation_m)
        advised = {
            name: coming.airing.verb
            for name, coming in snapshot.coming.items()
            if coming.airing is not None
        }
        return Circumstances(self.site, pressure_pa, at_risk, snapshot.air, advised=advised)


# -- the lines --------------------------------------------------------------------------------

T = TypeVar("T")


def line_of(value: PageOrder | Present) -> bytes:
    """A line of JSON; of what is foreseen only what the page shows."""
    if isinstance(value, Present):
        coming = {name: _thinned(one) for name, one in value.snapshot.coming.items()}
        value = value._replace(snapshot=replace(value.snapshot, coming=coming))
    return msgspec.json.encode(value, enc_hook=_plain) + b"\n"


def read_line(line: bytes, kind: type[T]) -> T:
    """What a line holds; raises msgspec.ValidationError."""
    return msgspec.json.decode(line, type=kind, dec_hook=_typed)


def _thinned(coming: Coming) -> Coming:
    """The hours that the page names, without those between."""
    if coming.outlook is None:
        return coming
    steps = [hours * 60 // STEP_MIN - 1 for hours in HORIZONS_H]
    minute, paths = coming.outlook.minute[steps], coming.outlook.paths[:, :, steps]
    return replace(coming, outlook=replace(coming.outlook, minute=minute, paths=paths))


def _plain(value: Any) -> Any:
    if isinstance(value, Path):
        return str(value.absolute())
    if isinstance(value, np.ndarray):
        return value.tolist()
    raise TypeError(f"{type(value)} has no JSON")


def _typed(kind: Any, value: Any) -> Any:
    if kind is Path:
        return Path(value)
    return np.array(value, dtype=np.float64)


# -- beside the monitor -----------------------------------------------------------------------


class PageProcess:
    """The page's process, from a thread of the monitor; its failing never stops the monitor.

    command  starts it
    """

    def __init__(
        self,
        command: Sequence[str],
        order: PageOrder,
        standing: Callable[[], Present],
        monotonic: Callable[[], float],
    ) -> None:
        self._command, self._order, self._standing = command, order, standing
        self._monotonic = monotonic
        self._stopping = threading.Event()
        self._process: subprocess.Popen[bytes] | None = None
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)

    def start(self) -> None:
        """Begin to serve; returns at once."""
        self._thread.start()

    def stop(self) -> None:
        """End; pages that are open lose their connection. Safe to repeat."""
        self._stopping.set()
        process = self._process
        if process is not None:
            process.terminate()
            self._thread.join(ENDS_WITHIN_S)
            process.kill()
        if self._thread.is_alive():
            self._thread.join(ENDS_WITHIN_S)

    def _run(self) -> None:
        wait_s, said = FIRST_WAIT_S, ""
        while not self._stopping.is_set():
            began_s = self._monotonic()
            trouble = self._serve()
            if self._stopping.is_set():
                return
            if self._monotonic() - began_s > LONGEST_WAIT_S:
                wait_s, said = FIRST_WAIT_S, ""
            if trouble != said:
                log.warning("%s", trouble)
                said = trouble
            self._stopping.wait(wait_s)
            wait_s = min(2 * wait_s, LONGEST_WAIT_S)

    def _serve(self) -> str:
        """Answer the process until it ends; returns why it ended, in a sentence."""
        try:
            process = self._process = subprocess.Popen(  # noqa: S603 - our own module
                self._command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                cwd=Path(monitor.__file__).parents[1],
            )
        except OSError as error:
            return f"The page cannot be started ({error.strerror}); it is tried again."
        said = ""
        with process:
            assert process.stdin is not None  # noqa: S101 - both are pipes
            assert process.stdout is not None  # noqa: S101 - the same
            if self._stopping.is_set():
                process.kill()
            try:
                self._answer(process.stdin, line_of(self._order))
                for line in process.stdout:
                    if line.strip():
                        said = line.decode("utf-8", "replace").strip()
                    else:
                        self._answer(process.stdin, line_of(self._standing()))
            except OSError:
                pass  # it has ended
            except Exception:
                log.exception("The page could not be answered")
            process.kill()
            with contextlib.suppress(OSError):
                process.stdin.close()  # what it did not read any more
        return said or f"The page has ended ({process.returncode}); it is started again."

    def _answer(self, to: IO[bytes], line: bytes) -> None:
        to.write(line)
        to.flush()
