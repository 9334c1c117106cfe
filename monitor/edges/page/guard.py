"""What every request must pass and every answer carries: headers, sizes, where it came from."""

from __future__ import annotations

import asyncio
from urllib.parse import parse_qsl, urlsplit

from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LARGEST_FORM = 16 * 1024
MOST_FIELDS = 60
FORM_WITHIN_S = 15.0

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
# A report is one file with its style within; nothing in it may run or fetch.
REPORT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox"


class RefusedError(Exception):
    """A request that is not answered: status and one sentence."""

    def __init__(self, status: int, sentence: str) -> None:
        super().__init__(sentence)
        self.status = status
        self.sentence = sentence


class Headers:
    """Adds to every answer what keeps browsers from being used against it."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

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

        if scope["type"] == "http":
            await self._app(scope, receive, with_headers)
        else:
            await self._app(scope, receive, send)


def same_origin(request: Request) -> None:
    """Refuse what was not sent by a page of ours; raises RefusedError."""
    told = request.headers.get("sec-fetch-site")
    origin = request.headers.get("origin")
    if told is None and origin is None:
        raise RefusedError(403, "This was not sent by the page itself, so it was not entered.")
    if told is not None and told != "same-origin":
        raise RefusedError(403, "This came from another site, so it was not entered.")
    if origin is not None:
        ours = (request.url.scheme, request.headers.get("host", "").lower())
        parts = urlsplit(origin)
        if (parts.scheme, parts.netloc.lower()) != ours:
            raise RefusedError(403, "This came from another site, so it was not entered.")


async def form_of(request: Request) -> dict[str, str]:
    """The fields of a posted form, each once; raises RefusedError."""
    kind = request.headers.get("content-type", "").split(";")[0].strip()
    if kind != "application/x-www-form-urlencoded":
        raise RefusedError(415, "Only forms of this page are taken here.")
    body = bytearray()
    try:
        async with asyncio.timeout(FORM_WITHIN_S):
            async for part in request.stream():
                body += part
                if len(body) > LARGEST_FORM:
                    raise RefusedError(413, "That is more than a form can hold; shorten it.")
    except TimeoutError:
        raise RefusedError(408, "The form took too long to arrive; send it again.") from None
    try:
        text = body.decode("ascii")
        fields = parse_qsl(
            text, keep_blank_values=True, max_num_fields=MOST_FIELDS, errors="strict"
        )
    except ValueError:
        raise RefusedError(400, "The form could not be read; go back and send it again.") from None
    if len({name for name, _ in fields}) != len(fields):
        raise RefusedError(400, "The form names a field twice; go back and send it again.")
    return dict(fields)
