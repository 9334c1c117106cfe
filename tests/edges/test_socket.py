"""The command socket, on real Unix sockets."""

from __future__ import annotations

import json
import os
import queue
import socket
import stat
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

import pytest

from monitor.edges.socket import LONGEST_REQUEST, Listener, Message, SocketError, ask, user_of
from tests.waiting import until


def echo(request: Message, answer: Future[Message]) -> None:
    answer.set_result({"heard": dict(request)})


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "run" / "monitor.sock"


@pytest.fixture
def listener(path: Path) -> Iterator[Listener]:
    listening = Listener(path, echo)
    yield listening
    listening.close()


def raw(path: Path, *pieces: bytes, hold_s: float = 0.0) -> bytes:
    """Sends these bytes as they are and returns everything that comes back."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as connection:
        connection.settimeout(10)
        connection.connect(str(path))
        got = b""
        try:
            for piece in pieces:
                connection.sendall(piece)
            time.sleep(hold_s)
            connection.shutdown(socket.SHUT_WR)
            while piece := connection.recv(65536):
                got += piece
        except OSError:
            pass
        return got


def test_asked_and_answered(listener: Listener, path: Path) -> None:
    assert ask(path, {"enter": {"verb": "undo", "flower": "Ähre"}}) == {
        "heard": {"enter": {"verb": "undo", "flower": "Ähre"}}
    }
    assert listener.alive


def test_only_owner_and_group_may_speak(listener: Listener, path: Path) -> None:
    assert stat.S_IMODE(path.stat().st_mode) == 0o660


def test_many_at_once_each_get_their_own_answer(path: Path) -> None:
    waiting: list[tuple[Message, Future[Message]]] = []
    listening = Listener(path, lambda request, answer: waiting.append((request, answer)))

    def worker() -> None:
        until(lambda: len(waiting) == 6)
        for request, answer in reversed(waiting):
            answer.set_result({"number": request["number"]})

    try:
        with ThreadPoolExecutor(7) as pool:
            pool.submit(worker)
            answers = pool.map(lambda n: ask(path, {"number": n}), range(6))
            assert [answer["number"] for answer in answers] == list(range(6))
    finally:
        listening.close()


@pytest.mark.parametrize(
    ("sent", "sentence"),
    [
        (b"hello\n", "a request must be one JSON object on one line"),
        (b"[1]\n", "a request must be one JSON object on one line"),
        (b"\xff\xfe\n", "a request must be one JSON object on one line"),
        (b"[" * 60_000 + b"\n", "a request must be one JSON object on one line"),
        (b'{"a": 1', "it broke off before its end"),
        (b"", "it broke off before its end"),
    ],
)
def test_garbage_gets_one_sentence(
    listener: Listener, path: Path, sent: bytes, sentence: str
) -> None:
    assert json.loads(raw(path, sent)) == {"error": sentence}
    assert ask(path, {"still": "there"}) == {"heard": {"still": "there"}}


def test_an_oversized_request_is_cut_off(listener: Listener, path: Path) -> None:
    got = raw(path, b" " * (LONGEST_REQUEST + 1))
    assert got == b"" or json.loads(got) == {"error": "a request may be at most 64 kB"}
    raw(path, b" " * 5_000_000)
    assert ask(path, {"still": "there"}) == {"heard": {"still": "there"}}


def test_slow_ones_do_not_hold_up_the_others(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.edges.socket.READ_WITHIN_S", 4.0)
    listening = Listener(path, echo)
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as slow:
            slow.connect(str(path))
            slow.sendall(b'{"never')
            began = time.monotonic()
            assert ask(path, {"quick": True}) == {"heard": {"quick": True}}
            assert time.monotonic() - began < 3.9
            slow.settimeout(300)
            assert slow.recv(10) == b""  # dropped
            assert time.monotonic() - began >= 3.0
    finally:
        listening.close()


def test_too_many_at_once_are_told_so(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.edges.socket.AT_ONCE_OF_ONE", 2)
    held: queue.Queue[Future[Message]] = queue.Queue()
    listening = Listener(path, lambda request, answer: held.put(answer))
    try:
        with ThreadPoolExecutor(2) as pool:
            asked = [pool.submit(ask, path, {}) for _ in range(2)]
            answers = [held.get(timeout=120) for _ in asked]  # both places are taken now
            assert ask(path, {}) == {"error": "the monitor is busy with other commands; try again"}
            for answer in answers:
                answer.set_result({"ok": True})
            assert [future.result(10) for future in asked] == [{"ok": True}] * 2
    finally:
        listening.close()


def test_one_user_who_holds_all_places_keeps_no_other_out(path: Path) -> None:
    """Real connections that say nothing and never read; the users' numbers are ours."""
    users: queue.Queue[int] = queue.Queue()
    listening = Listener(path, echo, whose=lambda connection: users.get())
    held = [socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) for _ in range(30)]
    try:
        for one in held:
            users.put(1001)
            one.connect(str(path))
        users.put(1001)
        assert "busy" in str(ask(path, {}))
        users.put(1002)
        assert ask(path, {}) == {"heard": {}}
        # They are let go, and the next of that user is answered.
        for one in held:
            one.settimeout(60)
            while one.recv(65536):
                pass
        users.put(1001)
        assert ask(path, {}) == {"heard": {}}
    finally:
        for one in held:
            one.close()
        listening.close()


def test_who_asks_is_known_by_the_system(path: Path) -> None:
    told: queue.Queue[int] = queue.Queue()

    def whose(connection: socket.socket) -> int:
        told.put(user_of(connection))
        return told.queue[-1]

    listening = Listener(path, echo, whose=whose)
    try:
        assert ask(path, {}) == {"heard": {}}
        assert told.get() == os.getuid()
    finally:
        listening.close()


def test_a_worker_that_does_not_answer(path: Path) -> None:
    listening = Listener(path, lambda request, answer: None, answer_within_s=0.2)
    sentence = (
        "the monitor has not answered in time; before entering it again, look with "
        "`drying-room batches --history` whether it was taken"
    )
    try:
        assert ask(path, {}) == {"error": sentence}
        with pytest.raises(SocketError) as refused:
            ask(path, {}, timeout=0.05)
        assert str(refused.value) == sentence
    finally:
        listening.close()


def test_a_worker_that_fails_is_said_and_the_next_is_answered(path: Path) -> None:
    def fail_once(request: Message, answer: Future[Message]) -> None:
        if "fail" in request:
            raise RuntimeError("the queue is closed")
        answer.set_result({"ok": True})

    listening = Listener(path, fail_once)
    try:
        assert ask(path, {"fail": 1}) == {
            "error": "the monitor could not take this; its log says why"
        }
        assert ask(path, {}) == {"ok": True}
    finally:
        listening.close()


def test_nobody_there(path: Path) -> None:
    for _ in range(2):
        with pytest.raises(SocketError) as refused:
            ask(path, {})
        assert str(refused.value) == "the monitor is not running: start it with `drying-room run`"
        path.parent.mkdir(exist_ok=True)  # the second time the folder is there, empty


def test_a_second_monitor_is_refused(listener: Listener, path: Path) -> None:
    with pytest.raises(SocketError) as refused:
        Listener(path, echo)
    assert str(refused.value) == f"{path}: another monitor is running here; stop it first"
    assert ask(path, {"still": "there"}) == {"heard": {"still": "there"}}


def test_somebody_elses_listening_socket_is_left_alone(path: Path) -> None:
    path.parent.mkdir()
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as other:
        other.bind(str(path))
        other.listen()
        with pytest.raises(SocketError, match="another monitor is running here; stop it first"):
            Listener(path, echo)
        assert path.exists()


def test_what_is_no_socket_is_left_alone(path: Path) -> None:
    path.parent.mkdir()
    path.write_text("mine")
    with pytest.raises(SocketError) as refused:
        Listener(path, echo)
    assert str(refused.value) == f"{path}: there is something else than a socket; move it away"
    assert path.read_text() == "mine"


def test_a_path_too_long_for_a_socket_is_said(tmp_path: Path) -> None:
    path = tmp_path / ("x" * 120) / "monitor.sock"
    with pytest.raises(SocketError, match="choose a shorter folder"):
        Listener(path, echo)


def test_a_socket_left_by_a_killed_monitor_is_replaced(path: Path) -> None:
    program = (
        "import sys, pathlib; from monitor.edges.socket import Listener; "
        "Listener(pathlib.Path(sys.argv[1]), lambda r, a: None); "
        "print('up', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
    ) as killed:
        assert killed.stdout is not None
        assert killed.stdout.readline() == b"up\n"
        killed.kill()
        killed.wait()
    assert path.is_socket()
    listening = Listener(path, echo)
    try:
        assert ask(path, {}) == {"heard": {}}
    finally:
        listening.close()
    assert not path.exists()


def test_closing_leaves_nothing_open(path: Path) -> None:
    Listener(path, echo).close()
    open_before, threads_before = len(os.listdir("/proc/self/fd")), threading.active_count()
    for _ in range(5):
        listening = Listener(path, echo)
        ask(path, {})
        listening.close()
        listening.close()
    # At most, not equal: what another test left running may end meanwhile.
    until(lambda: threading.active_count() <= threads_before)
    assert len(os.listdir("/proc/self/fd")) <= open_before
