"""Connecting in a helper thread: looking up, connecting and shaking hands may take long."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from contextlib import suppress
from selectors import EVENT_READ, BaseSelector
from socket import socketpair
from threading import Thread

from paho.mqtt.client import Client


class Dialler:
    """One attempt at a time; a finished one rings a bell in the owner's selector.

    owner  put as data on the bell's key, so that the owner knows it
    """

    def __init__(self, selector: BaseSelector, owner: object) -> None:
        self.busy = False
        self.bell, self._push = socketpair()
        self.bell.setblocking(False)
        self._selector = selector
        selector.register(self.bell, EVENT_READ, data=owner)
        self._results: deque[Client | Exception] = deque()
        self._closed = False

    def dial(self, connected_client: Callable[[], Client]) -> None:
        """Start an attempt: connected_client runs in the helper and may block and raise."""
        self.busy = True
        Thread(target=self._run, args=(connected_client,), name="dial", daemon=True).start()

    def result(self) -> Client | Exception | None:
        """What the attempt came to, once the bell has rung; None while it is under way."""
        with suppress(BlockingIOError):
            self.bell.recv(64)
        if not self._results:
            return None
        self.busy = False
        return self._results.popleft()

    def close(self) -> None:
        """Let go; an attempt still under way hangs up by itself when it is through."""
        self._closed = True
        self._discard()
        with suppress(KeyError):
            self._selector.unregister(self.bell)
        self.bell.close()
        self._push.close()

    def _run(self, connected_client: Callable[[], Client]) -> None:
        try:
            self._results.append(connected_client())
        except Exception as error:
            self._results.append(error)
        with suppress(OSError):
            self._push.send(b"!")
        if self._closed:
            self._discard()

    def _discard(self) -> None:
        with suppress(IndexError):
            late = self._results.popleft()
            if isinstance(late, Client):
                late.disconnect()
