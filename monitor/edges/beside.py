"""Our own commands in a process beside: asked in JSON, watched, ended when they take too much.

A command is a function of this package with one argument, or a class whose one object is called
with each question. The types that it is annotated with are the whole protocol: one line of JSON a
question, one line an answer. What it fails with is one sentence. So nothing that takes long, or
loads much, or waits for strangers does so in the monitor itself.

The child is this module: `python -m monitor.edges.beside FUNCTION ASKER`.
"""

from __future__ import annotations

import ctypes
import logging
import os
import selectors
import signal
import subprocess
import sys
import threading
import time
import traceback
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from importlib import import_module
from inspect import isclass
from pathlib import Path
from typing import IO, Any, Generic, TypeVar, get_type_hints

import msgspec

import monitor

Asked = TypeVar("Asked")
Answered = TypeVar("Answered")

LOOK_EVERY_S = 0.1
LONGEST_ANSWER = 64 * 1024 * 1024  # bytes

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Command(Generic[Asked, Answered]):
    """What is run beside, and what it may take.

    does       "package.module:name" of a function or class; the parent never imports it for this
    answer     the type that comes back
    within_s   for one question, starting included [s]
    memory_mb  resident [MB]: a wall against what has no end, far above what it needs
    """

    does: str
    asked: type[Asked]
    answer: type[Answered]
    within_s: float
    memory_mb: int = 800

    def words(self) -> list[str]:
        """How the system starts it."""
        return [sys.executable, "-m", __spec__.name, self.does, str(os.getpid())]

    def line(self, question: Asked) -> bytes:
        """A question as it is written to it."""
        return msgspec.json.encode(question, enc_hook=_plain) + b"\n"

    def read(self, line: bytes) -> Answered:
        """What it answered; raises BesideError where it failed."""
        said = msgspec.json.decode(line, type=_Said)
        if said.trace:
            log.error("%s", said.trace)
        if said.failed is not None:
            raise BesideError(said.failed)
        return msgspec.json.decode(said.answer, type=self.answer, dec_hook=_typed)


class BesideError(Exception):
    """Why there is no answer, in one sentence."""


class Beside(Generic[Asked, Answered]):
    """A process that answers questions: started by the first one, ended with the `with`.

    One thread asks; `end` may come from any. The process dies with the thread that first asked.
    """

    def __init__(self, command: Command[Asked, Answered]) -> None:
        self._command = command
        self._process: subprocess.Popen[bytes] | None = None
        self._lock = threading.Lock()
        self._ended = False

    def __enter__(self) -> Beside[Asked, Answered]:
        return self

    def __exit__(self, *_: object) -> None:
        self.rest()

    def ask(self, question: Asked) -> Answered:
        """The answer to one question; raises BesideError."""
        line = self._command.line(question)
        try:
            answer = self._talk(self._started(), line)
        except OSError as error:
            self.rest()
            raise BesideError(f"it could not be done: {error}") from error
        except BesideError:
            self.rest()
            raise
        return self._command.read(answer)

    def rest(self) -> None:
        """End the process; the next question starts another."""
        with self._lock:
            process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait()
            for pipe in (process.stdin, process.stdout):
                if pipe is not None:
                    pipe.close()

    def end(self) -> None:
        """End it for good, whoever waits for it; from any thread."""
        with self._lock:
            self._ended = True
            if self._process is not None:
                self._process.kill()

    def _started(self) -> subprocess.Popen[bytes]:
        with self._lock:
            if self._ended:
                raise BesideError("it was broken off")
            if self._process is None:
                # Run where the package lies, so that it is found however we were started. What
                # libraries print may hold secrets: it goes nowhere.
                self._process = subprocess.Popen(  # noqa: S603 - our own module
                    self._command.words(),
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    stderr=subprocess.DEVNULL,
                    cwd=Path(monitor.__file__).parents[1],
                )
            return self._process

    def _talk(self, process: subprocess.Popen[bytes], question: bytes) -> bytes:
        """Write a line and read one, looking meanwhile at what the process takes."""
        command, until = self._command, time.monotonic() + self._command.within_s
        into, out_of = _pipes(process)
        answer = bytearray()
        with selectors.DefaultSelector() as selector:
            selector.register(into, selectors.EVENT_WRITE)
            selector.register(out_of, selectors.EVENT_READ)
            while not answer.endswith(b"\n"):
                for key, _ in selector.select(LOOK_EVERY_S):
                    if key.fileobj is out_of:
                        piece = os.read(out_of.fileno(), 65536)
                        if not piece:
                            raise BesideError(_why_ended(process))
                        answer += piece
                        continue
                    try:
                        question = question[os.write(into.fileno(), question) :]
                    except BrokenPipeError:
                        question = b""  # its end is read in a moment
                    if not question:
                        selector.unregister(into)
                if time.monotonic() > until:
                    raise BesideError(f"it took longer than {command.within_s:.0f} s")
                if resident_mb(process.pid) > command.memory_mb or len(answer) > LONGEST_ANSWER:
                    raise BesideError(f"it took more than {command.memory_mb} MB of memory")
        return bytes(answer)


def ask(command: Command[Asked, Answered], question: Asked) -> Answered:
    """The answer of a process that is started for this question; raises BesideError."""
    with Beside(command) as beside:
        return beside.ask(question)


def resident_mb(process: int) -> float:
    """What a process holds of memory [MB]; 0 where it is gone, or the system does not say."""
    try:
        pages = int(Path(f"/proc/{process}/statm").read_text("ascii").split()[1])
    except (OSError, IndexError, ValueError):
        return 0.0
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def _pipes(process: subprocess.Popen[bytes]) -> tuple[IO[bytes], IO[bytes]]:
    if process.stdin is None or process.stdout is None:
        raise BesideError("it has no pipes")
    os.set_blocking(process.stdin.fileno(), False)
    return process.stdin, process.stdout


def _why_ended(process: subprocess.Popen[bytes]) -> str:
    code = process.wait()
    return f"it ended without an answer ({f'signal {-code}' if code < 0 else f'code {code}'})"


# -- the lines -----------------------------------------------------------------------------------


class _Said(msgspec.Struct, omit_defaults=True):
    """A line of answer. trace: of what nobody foresaw."""

    answer: msgspec.Raw = msgspec.Raw(b"null")
    failed: str | None = None
    trace: str = ""


def _plain(value: object) -> object:
    if isinstance(value, Path):
        return str(value)
    if hasattr(value, "tolist"):  # a number of numpy's
        return value.tolist()
    raise TypeError(f"{type(value).__name__} cannot be asked beside")


def _typed(kind: type, value: Any) -> Any:
    if issubclass(kind, Path):
        return Path(value)
    raise TypeError(f"{kind.__name__} cannot be asked beside")


# -- the child -----------------------------------------------------------------------------------


def _named(command: str) -> tuple[Callable[[Any], Any], Any]:
    """What a command does, and the type of its one argument."""
    module, name = command.split(":")
    found = getattr(import_module(module), name)
    function: Callable[[Any], Any] = found() if isclass(found) else found  # type: ignore[assignment]
    hints = get_type_hints(type(function).__call__ if isclass(found) else function)
    del hints["return"]
    (asked,) = hints.values()
    return function, asked


def _answered(function: Callable[[Any], Any], asked: Any, line: bytes) -> _Said:
    """What came of one question; what is foreseen is said by its own sentence."""
    try:
        answer = function(msgspec.json.decode(line, type=asked, dec_hook=_typed))
        return _Said(msgspec.Raw(msgspec.json.encode(answer, enc_hook=_plain)))
    except Exception as error:
        ours = type(error).__module__.startswith(monitor.__name__)
        if ours or isinstance(error, OSError | ValueError):
            return _Said(failed=str(error) or type(error).__name__)
        return _Said(failed=f"it failed ({error!r})", trace=traceback.format_exc())


def _end_with(asker: int) -> None:
    """Be killed the moment the asker is gone, even in the middle of a question."""
    if sys.platform == "linux":  # prctl(2), PR_SET_PDEATHSIG
        ctypes.CDLL(None).prctl(1, signal.SIGKILL)
    if os.getppid() != asker:
        os._exit(0)


def give_way() -> None:
    """Should memory run out, this process is ended and not the monitor."""
    with suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text("500", "ascii")


def main() -> None:
    """Answer each line of the input with one, then end at once, whatever still hangs."""
    _end_with(int(sys.argv[2]))
    give_way()
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # libraries may print: that is no answer
    function, asked = _named(sys.argv[1])
    for line in sys.stdin.buffer:
        answers.write(msgspec.json.encode(_answered(function, asked, line)) + b"\n")
        answers.flush()
    os._exit(0)  # a thread that waits for a stranger may still be there


if __name__ == "__main__":
    main()
