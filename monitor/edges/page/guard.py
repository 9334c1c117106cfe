"""What every request must pass and every answer carries: headers, sizes, where it came from."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterable
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
