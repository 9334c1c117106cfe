"""A little stand-in for a phone: shows notices as they arrive over HTTP on this machine.

It takes what Apprise sends to a `json://` address. It is for trying things out: a demo needs no
account anywhere.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Thread
from types import TracebackType
from typing import NamedTuple

LONGEST_BYTES = 64 * 1024


class Message(NamedTuple):
    """A notice as the phone got it."""

    title: str
    body: str


class Phone:
    """Listens on a free port of 127.0.0.1 while in its `with`, and hands on each message.

    show  called from the phone's own threads, in the order of arrival
    """

    def __init__(self, show: Callable[[Message], None]) -> None:
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), _handler(show))
        self._server.daemon_threads = True
        self._thread = Thread(target=self._server.serve_forever, args=(0.1,), name="phone")

    @property
    def address(self) -> str:
        """What to put into the settings as the address."""
        return f"json://127.0.0.1:{self._server.server_port}/phone"

    def __enter__(self) -> Phone:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()


def as_text(message: Message) -> str:
    """A message as a terminal shows it: the title on its own line, the rest set in.

    >>> print(as_text(Message("Granary: hot, 33 °C", "Now 33 °C.\\nTo do: draw a curtain.")))
    ▷ Granary: hot, 33 °C
      Now 33 °C.
      To do: draw a curtain.
    """
    return "\n  ".join([f"▷ {message.title}", *message.body.splitlines()])


def _handler(show: Callable[[Message], None]) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        timeout = 10

        def do_POST(self) -> None:
            message = self._read()
            self.send_response(400 if message is None else 200)
            self.send_header("Content-Length", "0")
            self.end_headers()
            if message is not None:
                show(message)

        def _read(self) -> Message | None:
            length = self.headers.get("Content-Length", "")
            if not length.isdecimal() or int(length) > LONGEST_BYTES:
                return None
            try:
                told = json.loads(self.rfile.read(int(length)))
                return Message(str(told["title"]), str(told["message"]))
            except (ValueError, KeyError, TypeError):
                return None

        def log_message(self, format: str, *args: object) -> None:
            """Say nothing of requests."""

    return Handler
