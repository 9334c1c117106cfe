"""A small TCP proxy of our own between a client and the broker, to break the way between.

pass   bytes go through
stall  connections stay open and nothing moves: a half-open connection
drop   bytes are taken and thrown away
cut    every connection is closed, and new ones too
"""

from __future__ import annotations

import selectors
import socket
import time
from contextlib import suppress
from threading import Thread
from typing import Literal

Mode = Literal["pass", "stall", "drop", "cut"]


class Proxy:
    """Listens on a free port of the loopback address; `mode` may be set at any time."""

    def __init__(self, target_port: int) -> None:
        self.mode: Mode = "pass"
        self._target = ("127.0.0.1", target_port)
        self._selector = selectors.DefaultSelector()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._selector.register(self._listener, selectors.EVENT_READ)
        self._running = True
        self._thread = Thread(target=self._run, name="proxy")
        self._thread.start()

    def __enter__(self) -> Proxy:
        return self

    def __exit__(self, *_: object) -> None:
        self._running = False
        self._thread.join()
        self._cut_all()
        self._listener.close()
        self._selector.close()

    def _run(self) -> None:
        while self._running:
            if self.mode == "cut":
                self._cut_all()
            if self.mode == "stall":
                time.sleep(0.02)
                continue
            for key, _ in self._selector.select(0.02):
                if key.fileobj is self._listener:
                    self._accept()
                elif key.data is not None:
                    self._move(key.fileobj, key.data)  # type: ignore[arg-type]

    def _accept(self) -> None:
        near, _ = self._listener.accept()
        if self.mode == "cut":
            near.close()
            return
        try:
            far = socket.create_connection(self._target, timeout=1.0)
        except OSError:
            near.close()
            return
        far.settimeout(5.0)
        near.settimeout(5.0)
        self._selector.register(near, selectors.EVENT_READ, data=far)
        self._selector.register(far, selectors.EVENT_READ, data=near)

    def _move(self, source: socket.socket, target: socket.socket) -> None:
        try:
            data = source.recv(65536)
            if data and self.mode == "pass":
                target.sendall(data)
        except OSError:
            data = b""
        if not data:
            self._close(source)
            self._close(target)

    def _cut_all(self) -> None:
        for key in list(self._selector.get_map().values()):
            if key.fileobj is not self._listener:
                self._close(key.fileobj)  # type: ignore[arg-type]

    def _close(self, sock: socket.socket) -> None:
        with suppress(KeyError, ValueError):
            self._selector.unregister(sock)
        sock.close()
