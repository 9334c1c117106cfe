"""What every connection and request must pass, and what every answer carries."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import ipaddress
import os
import re
import socket
import struct
from collections import Counter
from collections.abc import AsyncIterator, Callable, Iterable
from typing import Any
from urllib.parse import parse_qsl, urlsplit

from starlette.datastructures import Headers as HTTPHeaders
from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LARGEST_FORM = 16 * 1024
MOST_FIELDS = 60
FORM_WITHIN_S = 10.0

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
# A report is one file with its style within; nothing in it may run or fetch.
REPORT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox"


class PageError(Exception):
    """A request that is not answered: status and one sentence."""

    def __init__(self, status: int, sentence: str) -> None:
        super().__init__(sentence)
        self.status = status
        self.sentence = sentence


def host_of(header: str) -> str | None:
    """The name or address in a Host header (RFC 9110, 7.2); None: it is none.

    >>> host_of("[::1]:8642"), host_of("loft.lan"), host_of("a@b")
    ('::1', 'loft.lan', None)
    """
    found = re.fullmatch(r"(?:\[([0-9a-f:.]+)\]|([^\[\]:@/\s]+))(?::\d*)?", header.lower())
    return None if found is None else found[1] or found[2]


class Headers:
    """Answers only by a name of its own, and adds what keeps browsers from being used against it.

    trusted  names and addresses; `*.lan` is every name that ends so
    """

    def __init__(self, app: ASGIApp, trusted: Iterable[str]) -> None:
        self._app = app
        self._trusted = {name.strip("[]").lower() for name in trusted}

    def _trusts(self, scope: Scope) -> bool:
        host = host_of(HTTPHeaders(scope=scope).get("host", ""))
        return host is not None and (
            host in self._trusted
            or any(
                one == "*" or (one[:2] == "*." and host.endswith(one[1:])) for one in self._trusted
            )
        )

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on, with the headers."""

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.setdefault("Content-Security-Policy", POLICY)
                headers.setdefault("Cache-Control", "no-store")
                headers["X-Content-Type-Options"] = "nosniff"
                headers["Referrer-Policy"] = "same-origin"
                headers["Cross-Origin-Opener-Policy"] = "same-origin"
                headers["Cross-Origin-Resource-Policy"] = "same-origin"
                headers["Permissions-Policy"] = "camera=(), geolocation=(), microphone=()"
            await send(message)

        if scope["type"] != "http":
            await self._app(scope, receive, send)
        elif self._trusts(scope):
            await self._app(scope, receive, with_headers)
        else:
            await PlainTextResponse(_NOT_OURS, 400)(scope, receive, with_headers)


_NOT_OURS = "The page does not go by this name; name it under trusted_hosts in the settings."


def same_origin(request: Request) -> None:
    """Refuse what was not sent by a page of ours; raises PageError."""
    told = request.headers.get("sec-fetch-site")
    origin = request.headers.get("origin")
    if told is None and origin is None:
        raise PageError(403, "This was not sent by the page itself, so it was not entered.")
    if told is not None and told != "same-origin":
        raise PageError(403, "This came from another site, so it was not entered.")
    if origin is not None:
        ours = (request.url.scheme, request.headers.get("host", "").lower())
        parts = urlsplit(origin)
        if (parts.scheme, parts.netloc.lower()) != ours:
            raise PageError(403, "This came from another site, so it was not entered.")


async def form_of(request: Request) -> dict[str, str]:
    """The fields of a posted form, each once; raises PageError."""
    kind = request.headers.get("content-type", "").split(";")[0].strip()
    if kind != "application/x-www-form-urlencoded":
        raise PageError(415, "Only forms of this page are taken here.")
    body = bytearray()
    try:
        async with asyncio.timeout(FORM_WITHIN_S):
            async for part in request.stream():
                body += part
                if len(body) > LARGEST_FORM:
                    raise PageError(413, "That is more than a form can hold; shorten it.")
    except TimeoutError:
        raise PageError(408, "The form took too long to arrive; send it again.") from None
    try:
        text = body.decode("ascii")
        fields = parse_qsl(
            text, keep_blank_values=True, max_num_fields=MOST_FIELDS, errors="strict"
        )
    except ValueError:
        raise PageError(400, "The form could not be read; go back and send it again.") from None
    if len({name for name, _ in fields}) != len(fields):
        raise PageError(400, "The form names a field twice; go back and send it again.")
    return dict(fields)


# -- connections, from the accept on: before TLS and any request -------------------------------

# Our own choice: a phone holds six at most, a household some dozens, through a proxy all as one.
MOST, MOST_OF_ONE = 128, 64
REQUEST_WITHIN_S = 10.0  # the handshake and a whole request; also until the next one
READ_WITHIN_S = 20.0  # an answer, once some of it had to wait
LOOK_EVERY_S = 1.0
_IN_A_ROW = 16  # taken before the others have their turn
# Encrypted connections lie in circles of a quarter of a megabyte, which the collector would leave
# for long; what was there before any of them is frozen, so that it need not look at it.
_COLLECT_EVERY = 64


def neighbourhood(host: str) -> str:
    """The address that counts as one: an IPv6 address by its /64, as one household gets it.

    >>> neighbourhood("2001:db8:1:2:3:4:5:6"), neighbourhood("::ffff:192.0.2.7")
    ('2001:db8:1:2::/64', '192.0.2.7')
    """
    try:
        address = ipaddress.ip_address(host.split("%")[0])
    except ValueError:
        return host
    if address.version == 4:
        return str(address)
    mapped = address.ipv4_mapped
    return str(mapped or ipaddress.ip_network((address, 64), strict=False))


class Connection(socket.socket):
    """One of the page's connections, with what it keeps us waiting for.

    waits_since  for a whole request, since then; None: one is being answered
    stuck_since  what was to be sent waits for its reader since then; None: nothing waits
    """

    whose = ""
    client = ("", 0)
    waits_since: float | None = None
    stuck_since: float | None = None
    let_go = False

    def watch(self, client: tuple[str, int], book: Listening) -> None:
        """Begin to be counted."""
        self.client, self.whose, self._book = client, neighbourhood(client[0]), book
        self.waits_since = book.monotonic()

    def send(self, data: Any, *flags: int) -> int:
        """Send what there is room for."""
        try:
            sent = super().send(data, *flags)
        except BlockingIOError:
            self._stuck(True)
            raise
        self._stuck(sent < memoryview(data).nbytes)
        return sent

    def _stuck(self, waits: bool) -> None:
        if not waits:
            self.stuck_since = None
        elif self.stuck_since is None:
            self.stuck_since = self._book.monotonic()

    def leave(self) -> None:
        """End it: the server hears of an end of what it reads, and closes."""
        self.let_go = True
        with contextlib.suppress(OSError):
            self.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Close, and be counted no more."""
        super().close()
        self._book.closed(self)


class Listening(socket.socket):
    """The listening socket: the most in all, and of one address, are never passed.

    Where one is too many, the one that has kept us waiting longest gives way: of the newcomer's
    own address if that holds its share, else of the address that holds the most.
    """

    def open(self, monotonic: Callable[[], float]) -> None:
        """Begin with nobody there."""
        self.monotonic = monotonic
        self._there: dict[tuple[str, int], Connection] = {}
        self._taken = self._closed = 0
        gc.freeze()

    def accept(self) -> tuple[socket.socket, Any]:
        """The next connection that has room; raises BlockingIOError if there is none for now."""
        while True:
            if self._taken >= _IN_A_ROW:
                self._taken = 0
                raise BlockingIOError
            self._taken += 1
            try:
                plain, address = super().accept()
            except OSError:
                self._taken = 0
                raise
            if len(self._there) < 2 * MOST and self._makes_room(neighbourhood(address[0])):
                taken = Connection(fileno=plain.detach())
                taken.watch((address[0], address[1]), self)
                self._there[taken.client] = taken
                return taken, address
            # Refused at once, and nothing of it stays in the system.
            plain.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            plain.close()

    def _makes_room(self, whose: str) -> bool:
        there = [c for c in self._there.values() if not c.let_go]
        count = Counter(c.whose for c in there)
        if count[whose] < MOST_OF_ONE:
            if len(there) < MOST:
                return True
            whose = count.most_common(1)[0][0]
        waiting = [c for c in there if c.whose == whose and c.waits_since is not None]
        if waiting:
            min(waiting, key=lambda c: c.waits_since or 0.0).leave()
        return bool(waiting)

    def closed(self, connection: Connection) -> None:
        """One is there no more."""
        if self._there.get(connection.client) is connection:
            del self._there[connection.client]
        self._closed += 1
        if self._closed % _COLLECT_EVERY == 0:
            gc.collect()

    @contextlib.contextmanager
    def answering(self, client: tuple[str, int] | None) -> Any:
        """While a request of a connection is answered, it does not keep us waiting."""
        one = self._there.get(client) if client else None
        if one is not None:
            one.waits_since = None
        try:
            yield
        finally:
            if one is not None:
                one.waits_since = self.monotonic()

    @contextlib.asynccontextmanager
    async def watching(self, app: object) -> AsyncIterator[None]:
        """As the app's lifespan: let go of those that keep us waiting too long."""
        asyncio.get_running_loop().set_exception_handler(_out_of_memory)
        task = asyncio.create_task(self._watch())
        yield
        task.cancel()

    async def _watch(self) -> None:
        while True:
            await asyncio.sleep(LOOK_EVERY_S)
            now = self.monotonic()
            for one in list(self._there.values()):
                waited = now - (one.waits_since if one.waits_since is not None else now)
                stuck = now - (one.stuck_since if one.stuck_since is not None else now)
                if waited > REQUEST_WITHIN_S or stuck > READ_WITHIN_S:
                    one.leave()


def _out_of_memory(loop: asyncio.AbstractEventLoop, told: dict[str, object]) -> None:
    """A process that has no memory left can only be started anew."""
    loop.default_exception_handler(told)
    if isinstance(told.get("exception"), MemoryError):
        os._exit(1)


class Answering:
    """Tells the socket which of its connections has brought a request."""

    def __init__(self, app: ASGIApp, listening: Listening) -> None:
        self._app, self._listening = app, listening

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on."""
        client = scope.get("client")
        with self._listening.answering(None if client is None else tuple(client)):
            await self._app(scope, receive, send)
