"""The page's process: it serves, asks the monitor how everything stands, and ends with it."""

from __future__ import annotations

import contextlib
import logging
import os
import queue
import resource
import socket
import ssl
import sys
import threading
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from typing import IO, Any
from zoneinfo import ZoneInfo

import uvicorn
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware

from monitor.edges import logs
from monitor.edges.beside import give_way
from monitor.edges.clock import monotonic_s, now_ms
from monitor.edges.page.access import Door, PassphraseError, SignIns
from monitor.edges.page.app import Pages
from monitor.edges.page.guard import (
    MOST,
    REQUEST_WITHIN_S,
    Answering,
    Headers,
    Listening,
    PageError,
)
from monitor.edges.page.house import (
    House,
    Listens,
    MonitorGoneError,
    PageOrder,
    Present,
    PutIn,
    read_line,
)
from monitor.edges.page.setting_up import SettingUpPages
from monitor.edges.socket import SocketError, ask
from monitor.entries.entries import JSON, Request, RequestError
from monitor.entries.requests import parse_form
from monitor.store.connection import StoreError

log = logging.getLogger(__name__)

ANSWERED_WITHIN_S = 10.0
ENTERED_WITHIN_S = 20.0
MOST_FILES = 2 * MOST + 64
LARGEST_BYTES = 512 * 1024 * 1024  # of memory of its own
AT_ONCE = 4  # requests to the monitor


class Asker:
    """Asks the monitor through two pipes: an empty line out, a line of JSON in."""

    def __init__(self, out: IO[bytes], lines: IO[bytes]) -> None:
        self._out, self._lines = out, lines
        self._came: queue.Queue[bytes] = queue.Queue()
        self._lock = threading.Lock()
        self._last: Present | None = None
        self._unanswered = 0
        self._asked_s = 0.0
        threading.Thread(target=self._listen, name="monitor", daemon=True).start()

    def _listen(self) -> None:
        for line in self._lines:
            self._came.put(line)
        os._exit(0)  # the monitor is gone: nobody would hear what is entered

    def standing(self, old_s: float = 0.0) -> Present:
        """How everything stands, or stood so long ago at most [s]; raises MonitorGoneError."""
        with self._lock:
            if self._last is None or monotonic_s() - self._asked_s >= old_s:
                self._asked_s = monotonic_s()
                self._last = read_line(self._answer(), Present)
            return self._last

    def _answer(self) -> bytes:
        """The answer to a new question: what was asked before, and came too late, is let go."""
        self._out.write(b"\n")
        self._out.flush()
        self._unanswered += 1
        line = b""
        while self._unanswered:
            try:
                line = self._came.get(timeout=ANSWERED_WITHIN_S)
            except queue.Empty:
                raise MonitorGoneError("the monitor does not answer") from None
            self._unanswered -= 1
        return line


def serve() -> None:
    """Serve until the monitor ends it, or it cannot: then why, in a sentence, on the way out."""
    _begin()
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever else is printed is no answer
    order = read_line(sys.stdin.buffer.readline(), PageOrder)
    why = _serve(order, Asker(out, sys.stdin.buffer))
    with contextlib.suppress(OSError):
        out.write(f"{why}\n".encode())
        out.flush()
    os._exit(0)  # what is still being asked has nobody to be told to


def _begin() -> None:
    logs.begin(logging.WARNING)
    # Where a limit may not be set, as in the unit, the unit's own holds.
    for limit, most in (
        (resource.RLIMIT_NOFILE, MOST_FILES),
        (resource.RLIMIT_DATA, LARGEST_BYTES),
    ):
        with contextlib.suppress(OSError, ValueError):
            hard = resource.getrlimit(limit)[1]
            least = most if hard == resource.RLIM_INFINITY else min(most, hard)
            resource.setrlimit(limit, (least, hard))
    give_way()


def _serve(order: PageOrder, asker: Asker) -> str:
    listens = order.listens
    where = f"{listens.bind}, port {listens.port}"
    try:
        with listening_at(listens) as listening:
            signed_in = SignIns(
                None if listens.passphrase_file is None else order.store.with_suffix(".sign-ins"),
                now_ms,
            )
            door = Door(listens.passphrase_file, signed_in, monotonic_s)
            house = _house(order, asker)
            secure = listens.certificate_file is not None
            pages = Pages(house, door, secure)
            server_of(pages, listens, listening).run(sockets=[listening])
        return f"The page at {where} has ended."
    except PassphraseError as error:
        return f"The page cannot start: {error}."
    except ssl.SSLError as error:
        return (
            f"The page cannot start: {listens.certificate_file} and {listens.key_file} do not "
            f"make a certificate and its key ({error.reason}); mend [page] in the settings."
        )
    except OSError as error:
        return (
            f"The page cannot listen at {where} ({error.strerror}); end what uses it, or write "
            "another port under [page] in the settings."
        )
    except (Exception, SystemExit) as error:
        log.exception("The page failed")
        return f"The page at {where} has failed ({error}); it is started again."


def server_of(
    pages: Pages | SettingUpPages, listens: Listens, listening: Listening
) -> uvicorn.Server:
    """What serves these pages, within the page's bounds."""
    refusals = (
        *(PageError, HTTPException, StoreError),
        *(PassphraseError, RequestError, MonitorGoneError),
    )
    app = Starlette(
        routes=pages.routes(),
        middleware=[
            Middleware(Answering, listening=listening),
            Middleware(Headers, trusted=listens.trusted_hosts),
            Middleware(GZipMiddleware, minimum_size=1000, compresslevel=5),
        ],
        exception_handlers=dict.fromkeys(refusals, pages.refused),
        lifespan=listening.watching,
    )
    listening.open(monotonic_s)
    return uvicorn.Server(
        uvicorn.Config(
            app,
            http="h11",
            loop="asyncio",
            ws="none",
            log_config=None,
            access_log=False,
            lifespan="on",
            server_header=False,
            proxy_headers=False,
            timeout_keep_alive=round(REQUEST_WITHIN_S),
            timeout_graceful_shutdown=2,
            ssl_certfile=listens.certificate_file,
            ssl_keyfile=listens.key_file,
        )
    )


def _house(order: PageOrder, asker: Asker) -> House:
    pool, zone = ThreadPoolExecutor(AT_ONCE, "asks"), ZoneInfo(order.site.timezone)

    def asked(request: Mapping[str, JSON]) -> Mapping[str, Any]:
        try:
            answer = ask(order.socket, request, ENTERED_WITHIN_S)
        except SocketError as error:
            raise RequestError(str(error)) from error
        if "error" in answer:
            field = answer.get("field")
            raise RequestError(str(answer["error"]), None if field is None else str(field))
        return answer

    def enter(request: Request) -> PutIn:
        answer = asked({"enter": request._asdict()})
        return PutIn(request, answer["said"], answer["batch"], answer["upset"])

    return House(
        site=order.site,
        store=order.store,
        book=order.book,
        commands=order.commands,
        standing=asker.standing,
        submit=lambda request: pool.submit(enter, request),
        parse=lambda form: parse_form(form, asker.standing().now_ms, zone),
        plan=lambda given: asked({"plan": dict(given)}),
        check=lambda sensor: asked({"saltcheck": sensor}),
    )


def listening_at(listens: Listens) -> Listening:
    """The socket of the page, bound; raises OSError."""
    family, kind, protocol, _, address = socket.getaddrinfo(
        listens.bind, listens.port, type=socket.SOCK_STREAM
    )[0]
    listening = Listening(family, kind, protocol)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(address)
    except OSError:
        listening.close()
        raise
    return listening


if __name__ == "__main__":
    serve()
