"""The Unix socket over which the commands speak to the running monitor.

One connection carries one request and one answer, each a JSON object on one line. The listener
never decides anything: it hands the request to the worker and waits for the answer.
"""

from __future__ import annotations

import contextlib
import fcntl
import grp
import json
import logging
import os
import socket
import stat
import struct
import threading
import time
from collections import Counter
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from pathlib import Path

from monitor.entries.entries import JSON

GROUP = "drying-room"
LONGEST_REQUEST = 64 * 1024  # bytes
READ_WITHIN_S = 5.0
AT_ONCE, AT_ONCE_OF_ONE = 32, 8  # connections served at the same time, in all and of one user

Message = dict[str, JSON]
Submit = Callable[[Message, "Future[Message]"], None]

_log = logging.getLogger(__name__)


class SocketError(RuntimeError):
    """Why the socket could not be opened or asked, in one sentence."""


def user_of(connection: socket.socket) -> int:
    """The number of the user at the other end (SO_PEERCRED, unix(7)); -1: not said."""
    try:
        told = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
    except OSError:
        return -1
    return int(_CREDENTIALS.unpack(told)[1])


_CREDENTIALS = struct.Struct("iII")  # struct ucred: process, user, group


class Listener:
    """Takes requests on a Unix socket and answers with what the worker says.

    submit          called with (request, answer) in a thread of its own for each request, so that
                    a long answer keeps nobody else waiting. Whoever answers sets the answer's
                    result: a JSON object.
    whose           the user at the other end: one who holds places keeps no other user out
    answer_within_s how long the worker may take [s]
    raises          SocketError if another monitor holds the socket or it cannot be made
    """

    def __init__(
        self,
        path: Path,
        submit: Submit,
        answer_within_s: float = 30.0,
        whose: Callable[[socket.socket], int] = user_of,
    ) -> None:
        self._path = path
        self._submit = submit
        self._answer_within_s = answer_within_s
        self._whose = whose
        self._held: Counter[int] = Counter()
        self._holding = threading.Lock()
        self._closing = threading.Event()
        self._lock = _lock(path)
        try:
            self._server = _bind(path)
        except BaseException:
            os.close(self._lock)
            raise
        self._thread = threading.Thread(target=self._accept, name="socket", daemon=True)
        self._thread.start()

    @property
    def alive(self) -> bool:
        """Whether it still takes requests."""
        return self._thread.is_alive()

    def close(self) -> None:
        """Stops taking requests and removes the socket; may be called twice."""
        if self._closing.is_set():
            return
        self._closing.set()
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)  # wakes accept()
        self._thread.join(5)
        self._server.close()
        self._path.unlink(missing_ok=True)
        os.close(self._lock)

    def _accept(self) -> None:
        while not self._closing.is_set():
            try:
                connection, _ = self._server.accept()
            except OSError as error:
                if not self._closing.is_set():  # out of descriptors: others will be freed
                    _log.warning("a command could not connect: %s", error)
                    self._closing.wait(0.2)
                continue
            user = self._whose(connection)
            if not self._takes_place(user):
                _refuse_busy(connection)
                continue
            try:
                threading.Thread(target=self._serve, args=(connection, user), daemon=True).start()
            except RuntimeError:  # no more threads
                self._gives_back(user)
                _refuse_busy(connection)

    def _takes_place(self, user: int) -> bool:
        with self._holding:
            if self._held.total() >= AT_ONCE or self._held[user] >= AT_ONCE_OF_ONE:
                return False
            self._held[user] += 1
            return True

    def _gives_back(self, user: int) -> None:
        with self._holding:
            self._held[user] -= 1

    def _serve(self, connection: socket.socket, user: int) -> None:
        try:
            with connection, contextlib.suppress(OSError):
                _send(connection, self._answer(connection))
        finally:
            self._gives_back(user)

    def _answer(self, connection: socket.socket) -> Message:
        try:
            request = _decoded(_line(connection, LONGEST_REQUEST, READ_WITHIN_S))
        except ValueError as error:
            return {"error": str(error)}
        answer: Future[Message] = Future()
        try:
            self._submit(request, answer)
            return answer.result(timeout=self._answer_within_s)
        except TimeoutError:
            return {"error": _NO_ANSWER}
        except Exception:
            _log.exception("a request could not be answered")
            return {"error": "the monitor could not take this; its log says why"}


def ask(path: Path, request: Mapping[str, JSON], timeout: float = 35.0) -> Message:
    """The running monitor's answer to one request; raises SocketError.

    timeout  for connecting, and again for the whole answer [s]
    """
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as connection:
        connection.settimeout(timeout)
        try:
            connection.connect(str(path))
            with contextlib.suppress(BrokenPipeError, ConnectionResetError):
                _send(connection, request)  # refused before it was read: the answer says why
            return _decoded(_line(connection, None, timeout))
        except (FileNotFoundError, ConnectionRefusedError):
            raise SocketError(
                "the monitor is not running: start it with `drying-room run`"
            ) from None
        except PermissionError:
            raise SocketError(
                f"you may not speak to the monitor: have yourself added to the group {GROUP} "
                f"(`sudo usermod -aG {GROUP} $USER`) and sign in again"
            ) from None
        except TimeoutError:
            raise SocketError(_NO_ANSWER) from None
        except (OSError, ValueError) as error:
            raise SocketError(f"the monitor broke off without an answer ({error})") from None


_NO_ANSWER = (
    "the monitor has not answered in time; before entering it again, look with "
    "`drying-room batches --history` whether it was taken"
)


def _lock(path: Path) -> int:
    """A lock held as long as the listener lives: two monitors cannot both take the socket."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        held = os.open(path.with_name(path.name + ".lock"), os.O_RDWR | os.O_CREAT, 0o600)
    except OSError as error:
        raise SocketError(f"{path}: the socket cannot be made: {error.strerror}") from None
    try:
        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(held)
        raise SocketError(f"{path}: another monitor is running here; stop it first") from None
    return held


def _bind(path: Path) -> socket.socket:
    """A listening socket at `path`, in place of one nobody listens at any more.

    It is made under another name and put in place with its rights already set.
    """
    _must_be_free(path)
    making = path.with_name(path.name + ".new")
    server = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        making.unlink(missing_ok=True)
        server.bind(str(making))
        making.chmod(0o660)
        with contextlib.suppress(KeyError, PermissionError):
            os.chown(making, -1, grp.getgrnam(GROUP).gr_gid)
        server.listen(AT_ONCE)
        making.rename(path)
    except OSError as error:
        server.close()
        making.unlink(missing_ok=True)
        why = error.strerror or f"{error}; choose a shorter folder"
        raise SocketError(f"{path}: the socket cannot be made: {why}") from None
    return server


def _must_be_free(path: Path) -> None:
    try:
        kind = path.stat().st_mode
    except FileNotFoundError:
        return
    if not stat.S_ISSOCK(kind):
        raise SocketError(f"{path}: there is something else than a socket; move it away")
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.settimeout(2)
        try:
            probe.connect(str(path))
        except ConnectionRefusedError:
            return  # left behind by a monitor that was killed
        except OSError:
            pass  # someone is there, however slow
    raise SocketError(f"{path}: another monitor is running here; stop it first")


def _refuse_busy(connection: socket.socket) -> None:
    with connection, contextlib.suppress(OSError):
        connection.settimeout(0.2)
        _send(connection, {"error": "the monitor is busy with other commands; try again"})


def _line(connection: socket.socket, longest: int | None, within_s: float) -> bytes:
    """One line; raises ValueError if it is too long or incomplete, TimeoutError if too slow."""
    until = time.monotonic() + within_s
    got = bytearray()
    while b"\n" not in got:
        left = until - time.monotonic()
        if left <= 0:
            raise TimeoutError
        connection.settimeout(left)
        piece = connection.recv(65536)
        if not piece:
            raise ValueError("it broke off before its end")
        got += piece
        if longest is not None and len(got) > longest:
            raise ValueError(f"a request may be at most {longest // 1024} kB")
    return bytes(got[: got.index(b"\n")])


def _decoded(line: bytes) -> Message:
    try:
        message = json.loads(line)
    except (ValueError, RecursionError):
        raise ValueError("a request must be one JSON object on one line") from None
    if not isinstance(message, dict):
        raise ValueError("a request must be one JSON object on one line")
    return message


def _send(connection: socket.socket, message: Mapping[str, JSON]) -> None:
    connection.settimeout(READ_WITHIN_S)
    connection.sendall(json.dumps(message).encode() + b"\n")
