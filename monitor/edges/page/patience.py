"""How long the page waits for a request to come in: who holds back half of one is let go."""

from __future__ import annotations

import asyncio

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

# Our own choice: a request is a kilobyte or two, a few seconds' work for the slowest link.
REQUEST_WITHIN_S = 10.0


class Patient(H11Protocol):
    """Closes a connection whose request is not whole in time; open streams are left alone."""

    _let_go: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """A connection: its first request is awaited from now on."""
        super().connection_made(transport)
        self._wait()

    def data_received(self, data: bytes) -> None:
        """A piece of a request: the clock runs on until all of it is there."""
        super().data_received(data)
        if self.conn.their_state in (h11.IDLE, h11.SEND_BODY):
            self._wait()
        else:
            self._wait_no_more()

    def connection_lost(self, exc: Exception | None) -> None:
        """The end of a connection."""
        self._wait_no_more()
        super().connection_lost(exc)

    def _wait(self) -> None:
        if self._let_go is None:
            self._let_go = self.loop.call_later(REQUEST_WITHIN_S, self.transport.abort)

    def _wait_no_more(self) -> None:
        if self._let_go is not None:
            self._let_go.cancel()
            self._let_go = None
