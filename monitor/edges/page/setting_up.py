"""The pages of setting up: open from this machine, from another to who knows the three words."""

from __future__ import annotations

import ipaddress
import logging
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from monitor.edges.clock import now_ms
from monitor.edges.page import help
from monitor.edges.page.access import Door
from monitor.edges.page.forms import Asked
from monitor.edges.page.guard import PageError, form_of, host_of, neighbourhood, same_origin
from monitor.edges.page.house import Summary
from monitor.edges.page.looks import HERE, style, templates
from monitor.entries.entries import RequestError

log = logging.getLogger(__name__)

WORDS_GOOD_S, MOST_WRONG = 3600.0, 10
_COOKIE = "drying-room-setting-up"


@dataclass(frozen=True)
class Ask:
    """One form of a step. about: what it is for, above it; hidden: what it sends unasked."""

    fields: tuple[Asked, ...]
    button: str
    hidden: Mapping[str, str] = field(default_factory=dict)
    about: str = ""


@dataclass(frozen=True)
class View:
    """What a step shows. hears: there may be more when it is looked at again."""

    step: str
    title: str
    lead: list[str]
    asks: list[Ask]
    wrong: str | None = None
    hears: bool = False


class SetsUp(Protocol):
    """What knows the steps and writes what they ask."""

    own: tuple[str, str, int]

    @property
    def finished(self) -> bool: ...
    def mark(self) -> str: ...
    def done(self, step: str) -> bool: ...
    def next(self) -> str: ...
    def view(self, step: str, typed: Mapping[str, str], error: RequestError | None) -> View: ...
    def take(self, step: str, typed: Mapping[str, str], mark: str | None = None) -> list[str]: ...


class SettingUpPages:
    """Answers every address while setting up.

    words   the file with the hash of the three words
    ended   called once the settings are whole and that is said
    commands  what can be asked in a terminal, for the help
    """

    def __init__(
        self,
        setup: SetsUp,
        steps: Mapping[str, str],
        door: Door,
        words: Path,
        ended: Callable[[], None],
        commands: tuple[Summary, ...],
    ) -> None:
        self._setup, self._steps, self._door = setup, steps, door
        self._words, self._ended, self._commands = words, ended, commands
        self._wrong_before, self._words_seen = 0, 0
        self._marks: dict[str, str] = {}
        self._used: set[str] = set()
        self._templates = templates()

    def routes(self) -> list[Route | Mount]:
        """All addresses."""
        return [
            Route("/", self._first, methods=["GET"]),
            Route("/step/{step}", self._step, methods=["GET", "POST"]),
            Route("/words", self._say_words, methods=["GET", "POST"]),
            help.route(self._templates, "Setting up", self._commands),
            Route("/page.css", lambda _: Response(style(), media_type="text/css")),
            Mount("/static", StaticFiles(directory=HERE / "static")),
        ]

    # -- who it is ------------------------------------------------------------------------------

    def _visitor(self, request: Request) -> str | None:
        """Who asks, if they may; raises PageError for a name that is not this machine's."""
        host = host_of(request.headers.get("host", "")) or ""
        # Another site's name may have been made to lead here; a number cannot.
        near = _is_near(request) and host in ("localhost", "127.0.0.1", "::1")
        if not near and _number(host) is None:
            raise PageError(400, "Open it by the machine's number, as http://192.168.1.20:8642.")
        known = self._door.visitor(request.cookies.get(_COOKIE))
        if known is None and near:
            return "here"
        return known

    async def _first(self, request: Request) -> Response:
        if self._visitor(request) is None:
            return RedirectResponse("/words", 303)
        return RedirectResponse(f"/step/{self._setup.next()}", 303)

    async def _say_words(self, request: Request) -> Response:
        if self._visitor(request) is not None:
            return RedirectResponse("/", 303)
        if request.method == "GET":
            return self._asked_words(None, 200)
        same_origin(request)
        typed = await form_of(request)
        whence = neighbourhood(request.client.host if request.client else "nowhere")
        if self._stale():
            return self._asked_words(
                "These words are used up. On the board type: drying-room setup --words", 403
            )
        if (wait_s := self._door.wait_s(whence)) > 0:
            return self._asked_words(f"Wait {wait_s + 0.5:.0f} seconds, then try again.", 429)
        words = " ".join(typed.get("words", "").casefold().split())
        if not await self._door.try_passphrase(whence, words):
            log.warning("Wrong words were tried while setting up, from %s", whence)
            left = MOST_WRONG - (self._door.wrong - self._wrong_before)
            return self._asked_words(f"Those are not the words. {left} more tries.", 403)
        response = RedirectResponse("/", 303)
        cookie = self._door.cookie(request.headers.get("user-agent", ""))[1]
        secure = request.url.scheme == "https"
        response.set_cookie(_COOKIE, cookie, httponly=True, samesite="strict", secure=secure)
        return response

    def _stale(self) -> bool:
        """Whether the words are too old, or tried wrong too often."""
        told = self._words.stat()
        if told.st_mtime_ns != self._words_seen:
            self._words_seen, self._wrong_before = told.st_mtime_ns, self._door.wrong
        old = now_ms() / 1000 - told.st_mtime > WORDS_GOOD_S
        return old or self._door.wrong - self._wrong_before >= MOST_WRONG

    def _asked_words(self, wrong: str | None, status: int) -> Response:
        words = Asked("words", "Three flower words", "as the board shows them", "", True, "text")
        lead = ["The board's screen and the monitor's log show them."]
        view = View("words", "Setting up", lead, [Ask((words,), "Come in")], wrong)
        return self._page(view, status, token="")

    # -- the steps ------------------------------------------------------------------------------

    async def _step(self, request: Request) -> Response:
        visitor = self._visitor(request)
        step = request.path_params["step"]
        if step not in self._steps:
            raise HTTPException(404)
        if request.method == "GET":
            if visitor is None:
                return RedirectResponse("/words", 303)
            return await run_in_threadpool(self._show, visitor, step, {}, None, [])
        same_origin(request)
        if visitor is None:
            raise PageError(403, "Say the three words first, then send it again.")
        typed = await form_of(request)
        number = self._door.form_number(visitor, typed.pop("token", ""))
        if number is None or number in self._used or number not in self._marks:
            raise PageError(403, "This form was sent before or is too old; open the step anew.")
        self._used.add(number)
        return await run_in_threadpool(self._take, request, visitor, step, typed, number)

    def _take(
        self, request: Request, visitor: str, step: str, typed: dict[str, str], number: str
    ) -> Response:
        host = host_of(request.headers.get("host", "")) or ""
        if not _is_near(request):  # a phone in the house has found its way: links lead there
            self._setup.own = (request.url.scheme, host, self._setup.own[2])
        try:
            said = self._setup.take(step, typed, self._marks.pop(number))
        except RequestError as error:
            return self._show(visitor, step, typed, error, [])
        if self._setup.finished:
            scheme, where, port = self._setup.own
            where = host if _is_near(request) else where
            lead = [
                "All is set. Wait ten seconds, then open the page: it asks for your passphrase."
            ]
            view = View(step, "The monitor starts", lead, [])
            self._ended()
            return self._page(view, 200, moved=f"{scheme}://{where}:{port}/")
        return self._show(visitor, step, {}, None, said)

    def _show(
        self,
        visitor: str,
        step: str,
        typed: Mapping[str, str],
        error: RequestError | None,
        said: list[str],
    ) -> Response:
        mark = self._setup.mark()

        def token() -> str:
            told = self._door.token(visitor)
            self._marks[self._door.form_number(visitor, told) or ""] = mark
            if len(self._marks) > 1000:
                del self._marks[next(iter(self._marks))]
            return told

        view = self._setup.view(step, typed, error)
        return self._page(view, 422 if error else 200, said=said, token=token, steps=True)

    def _page(
        self,
        view: View,
        status: int,
        *,
        said: list[str] | None = None,
        token: Callable[[], str] | str = "",
        steps: bool = False,
        moved: str = "",
    ) -> HTMLResponse:
        names = list(self._steps)
        told = [(n, self._steps[n], self._setup.done(n)) for n in names] if steps else []
        at = names.index(view.step) + 1 if view.step in names else 0
        onward = names[at] if steps and at < len(names) and told[at - 1][2] else ""
        html = self._templates.get_template("setting-up.html").render(
            view=view,
            said=said or [],
            token=token if callable(token) else lambda: token,
            steps=told,
            at=at,
            onward=onward,
            moved=moved,
            overheard=self._setup.own[0] == "http",
        )
        return HTMLResponse(html, status)

    async def refused(self, request: Request, error: Exception) -> Response:
        """A request that is not answered, and why."""
        match error:
            case PageError():
                status, sentence = error.status, error.sentence
            case HTTPException(status_code=status):
                sentence = "That does not go here. Begin at the first step."
            case _:
                raise error
        return self._page(View("", "That did not go", [sentence], []), status)


def _is_near(request: Request) -> bool:
    """Whether it comes from this machine."""
    found = None if request.client is None else _number(request.client.host)
    return found is not None and found.is_loopback


def _number(host: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    """The address that a host's name is; None: it is a name."""
    with suppress(ValueError):
        return ipaddress.ip_address(host)
    return None
