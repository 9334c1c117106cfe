"""The page's addresses: who may see what, and what a form does."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import (
    FileResponse,
    HTMLResponse,
    RedirectResponse,
    Response,
    StreamingResponse,
)
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from monitor.edges.clock import now_ms
from monitor.edges.page import figures, forms, help, lists, spaces
from monitor.edges.page.access import SIGNED_IN_S, Door, PassphraseError
from monitor.edges.page.figures import Live
from monitor.edges.page.guard import (
    REPORT_POLICY,
    PageError,
    form_of,
    neighbourhood,
    same_origin,
)
from monitor.edges.page.house import House, MonitorGoneError, PutIn, Submitted, Told
from monitor.edges.page.looks import HERE, style, templates
from monitor.edges.report.order import WEEK_PAGE
from monitor.engine.effects import Snapshot
from monitor.entries.entries import RequestError
from monitor.site.words import begun, when
from monitor.store.connection import StoreError
from monitor.store.queries import Reader

log = logging.getLogger(__name__)

ANSWER_WITHIN_S = 20.0
_MENU = (
    ("/", "Spaces"),
    ("/batches", "Batches"),
    ("/notices", "Notices"),
    ("/weeks", "Weeks"),
    ("/sensors", "Sensors"),
)


class Pages:
    """Answers every address of the page."""

    def __init__(self, house: House, door: Door, secure: bool) -> None:
        self._house = house
        self._door = door
        self._secure = secure
        self._cookie = "__Host-drying-room" if secure else "drying-room"
        self._live = Live(house)
        self._submitted = Submitted()
        self._drawing = threading.Lock()
        self._style, self._templates = style(), templates()
        self._templates.filters["bound"] = figures.bound
        self._templates.globals.update(
            menu=_MENU,
            place=lambda kind, name: f"/{kind}/{quote(name, safe='')}",
        )

    def routes(self) -> list[Route | Mount]:
        """All addresses."""
        get = self._shown
        return [
            get("/", "spaces.html", lambda r, s: spaces.spaces(self._house, s)),
            get("/batches", "batches.html", lambda r, s: lists.batches(self._house, s)),
            get("/entries", "entries.html", lambda r, s: lists.entries(self._house, s)),
            get("/notices", "notices.html", lambda r, s: lists.notices(self._house, s)),
            get("/weeks", "weeks.html", lambda r, s: lists.weeks(self._house, s)),
            get("/sensors", "sensors.html", lambda r, s: self._sensors(s)),
            get("/signed-in", "signed-in.html", self._signed_in),
            get("/health", "sensors.html", lambda r, s: self._sensors(s)),
            get("/space/{name:path}", "space.html", self._space),
            get("/batch/{name:path}", "batch.html", self._batch),
            get("/plan", "plan.html", self._plan),
            get("/check/{name:path}", "check.html", self._check),
            get("/do/{verb}", "form.html", self._form),
            get("/correct/{number}", "form.html", self._correct),
            Route("/enter", self._enter, methods=["POST"]),
            help.route(self._templates, self._house.site.name, self._house.commands),
            Route("/report/{week}", self._report),
            Route("/live", self._events),
            Route("/sign-in", self._sign_in, methods=["GET", "POST"]),
            Route("/sign-out", self._sign_out, methods=["POST"]),
            Route("/page.css", self._css),
            Mount("/static", StaticFiles(directory=HERE / "static")),
        ]

    # -- who it is ------------------------------------------------------------------------------

    def _visitor(self, request: Request) -> str | None:
        return self._door.visitor(request.cookies.get(self._cookie))

    def _with_cookie(self, response: Response, cookie: str) -> None:
        response.set_cookie(
            self._cookie,
            cookie,
            max_age=SIGNED_IN_S,
            path="/",
            secure=self._secure,
            httponly=True,
            samesite="strict",
        )

    async def _answer(self, request: Request, tell: Callable[[Request], Response]) -> Response:
        """Answer a visitor, in a thread; others are shown to the door."""
        visitor, cookie = self._visitor(request), None
        if visitor is None and self._door.open:
            visitor, cookie = self._door.cookie("")
        if visitor is None:
            where = quote(request.url.path, safe="/")
            return RedirectResponse(f"/sign-in?to={where}", 303)
        request.state.visitor = visitor
        response = await run_in_threadpool(tell, request)
        if cookie is not None:
            self._with_cookie(response, cookie)
        return response

    # -- pages ----------------------------------------------------------------------------------

    def _shown(self, path: str, template: str, tell: Callable[[Request, Snapshot], Told]) -> Route:
        def page(request: Request) -> Response:
            return self._page(request, template, lambda s: tell(request, s))

        async def endpoint(request: Request) -> Response:
            return await self._answer(request, page)

        return Route(path, endpoint, methods=["GET"])

    def _page(
        self,
        request: Request,
        template: str,
        tell: Callable[[Snapshot], Told],
        status: int = 200,
    ) -> HTMLResponse:
        snapshot, _, trouble = self._house.standing()
        html = self._templates.get_template(template).render(
            tell(snapshot),
            site=self._house.site,
            now=figures.fresh_values(self._house, snapshot)["now"],
            fresh=snapshot.now_ms > 0,
            trouble=trouble,
            shape=figures.shape(snapshot),
            at="/" + request.url.path.strip("/").split("/")[0],
            token=lambda: self._door.token(request.state.visitor),
            signed_in=not self._door.open,
            overheard=not self._door.open and not self._secure,
            said=self._submitted.said(request.query_params.get("done", "")),
        )
        return HTMLResponse(html, status)

    def _space(self, request: Request, snapshot: Snapshot) -> Told:
        name = request.path_params["name"]
        if name not in self._house.spaces():
            raise HTTPException(404)
        span = request.query_params.get("span", "day")
        # One after another: side by side they would be no sooner, and keep the worker waiting.
        with self._drawing:
            return spaces.space(
                self._house, snapshot, name, span if span in spaces.SPANS else "day"
            )

    def _batch(self, request: Request, snapshot: Snapshot) -> Told:
        found = snapshot.history.named(request.path_params["name"])
        if found is None:
            raise HTTPException(404)
        return lists.batch(self._house, snapshot, found)

    def _sensors(self, snapshot: Snapshot) -> Told:
        return lists.sensors(self._house, snapshot, self._door.wrong)

    def _plan(self, request: Request, snapshot: Snapshot) -> Told:
        return vars(forms.plan_view(self._house, dict(request.query_params)))

    def _check(self, request: Request, snapshot: Snapshot) -> Told:
        name = request.path_params["name"]
        if not forms.can_be_checked(self._house, name):
            raise HTTPException(404)
        return vars(forms.check_view(self._house, snapshot, name))

    def _form(self, request: Request, snapshot: Snapshot) -> Told:
        verb = request.path_params["verb"]
        if not forms.has_form(verb):
            raise HTTPException(404)
        typed = dict(request.query_params)
        return self._form_told(verb, typed, snapshot)

    def _correct(self, request: Request, snapshot: Snapshot) -> Told:
        number = request.path_params["number"]
        try:
            forms.correctable(snapshot, number)
        except RequestError:
            raise HTTPException(404) from None
        return self._form_told("correct", {"entry": number}, snapshot)

    def _form_told(
        self,
        verb: str,
        typed: dict[str, str],
        snapshot: Snapshot,
        error: RequestError | None = None,
    ) -> Told:
        return {
            "form": forms.form(verb, self._house, snapshot, typed, error),
            "flowers": forms.flowers(self._house),
            "again": forms.again(snapshot) if verb == "hang" else [],
            "space": typed.get("space", ""),
        }

    # -- what is entered ------------------------------------------------------------------------

    async def _enter(self, request: Request) -> Response:
        same_origin(request)
        typed = await form_of(request)
        visitor = self._visitor(request)
        if visitor is None:
            raise PageError(403, "You are not signed in any more; sign in, then enter it again.")
        number = self._door.form_number(visitor, typed.pop("token", ""))
        if number is None:
            raise PageError(
                403, "This form is too old or not yours; open the page anew and enter it again."
            )
        request.state.visitor = visitor
        return await run_in_threadpool(self._take, request, number, typed)

    def _take(self, request: Request, number: str, typed: dict[str, str]) -> Response:
        house = self._house
        snapshot = house.standing().snapshot

        def enter() -> Future[PutIn]:
            return house.submit(house.parse(forms.checked(typed, house, snapshot)))

        try:
            entered = self._submitted.once(number, enter).result(ANSWER_WITHIN_S)
        except RequestError as error:
            return self._refused(request, typed, error)
        except TimeoutError:
            late = RequestError("the monitor is slow to answer; look whether it was entered", None)
            return self._refused(request, typed, late)
        return RedirectResponse(f"{self._where(entered)}?done={quote(number)}", 303)

    def _refused(self, request: Request, typed: dict[str, str], error: RequestError) -> Response:
        """The form again, with what is to be mended; what has none is refused as a whole."""
        verb = typed.get("verb", "")
        if not forms.has_form(verb) and verb != "correct":
            raise error
        return self._page(
            request, "form.html", lambda s: self._form_told(verb, typed, s, error), 422
        )

    def _where(self, entered: PutIn) -> str:
        """Where to see what was entered."""
        if entered.batch is not None:
            return f"/batch/{quote(entered.batch, safe='')}"
        verb, arguments = entered.request.verb, entered.request.arguments
        if verb in forms.CHECK_VERBS:
            return f"/check/{quote(str(arguments['sensor']), safe='')}"
        return "/notices" if verb in ("seen", "pause") else "/entries"

    async def _report(self, request: Request) -> Response:
        return await self._answer(request, self._week)

    def _week(self, request: Request) -> Response:
        with Reader(self._house.store) as reader:
            kept = reader.report(request.path_params["week"])
        if kept is None:
            raise HTTPException(404)
        file = Path(kept.folder) / WEEK_PAGE
        if not file.is_file():
            return RedirectResponse(f"/weeks#{quote(kept.week)}", 303)
        headers = {"Content-Security-Policy": REPORT_POLICY}
        return FileResponse(file, media_type="text/html", headers=headers)

    async def _events(self, request: Request) -> Response:
        if self._visitor(request) is None:
            raise PageError(403, "Sign in first.")
        return StreamingResponse(
            self._live.events(lambda: self._visitor(request) is not None),
            media_type="text/event-stream",
            headers={"X-Accel-Buffering": "no"},
        )

    # -- signing in and out ---------------------------------------------------------------------

    async def _sign_in(self, request: Request) -> Response:
        to = request.query_params.get("to", "/")
        to = to if to.startswith("/") and not to.startswith(("//", "/\\")) else "/"
        if self._door.open or self._visitor(request) is not None:
            return RedirectResponse(to, 303)
        if request.method == "GET":
            return self._asked(to)
        same_origin(request)
        typed = await form_of(request)
        whence = neighbourhood(request.client.host if request.client else "nowhere")
        wait_s = self._door.wait_s(whence)
        if wait_s > 0:
            return self._asked(to, f"Too many wrong tries. Wait {wait_s + 0.5:.0f} seconds.", 429)
        if not await self._door.try_passphrase(whence, typed.get("passphrase", "")):
            log.warning("A wrong passphrase was tried on the page, from %s", whence)
            return self._asked(to, "That is not the passphrase. Type it again.", 403)
        response = RedirectResponse(to, 303)
        self._with_cookie(response, self._door.cookie(request.headers.get("user-agent", ""))[1])
        return response

    def _asked(self, to: str, wrong: str | None = None, status: int = 200) -> Response:
        html = self._templates.get_template("sign-in.html").render(
            to=to, wrong=wrong, overheard=not self._secure, site=self._house.site
        )
        return HTMLResponse(html, status)

    def _signed_in(self, request: Request, snapshot: Snapshot) -> Told:
        zone, now = self._house.site.timezone, now_ms()
        told = [
            (
                *(one.number, one.device),
                *(when(ms, now, zone) for ms in (one.since_ms, one.seen_ms)),
                one.visitor == request.state.visitor,
            )
            for one in self._door.signed_in
        ]
        return {"signed_in_now": told}

    async def _sign_out(self, request: Request) -> Response:
        """End the sign-in of the one who asks, or of another by its number, at once."""
        same_origin(request)
        which = (await form_of(request)).get("which")
        visitor = self._visitor(request)
        numbered = (one.visitor for one in self._door.signed_in if str(one.number) == which)
        ended = visitor if which is None else next(numbered, None)
        if visitor is not None and ended is not None:
            self._door.signed_in.end(ended)
        if which is not None and ended != visitor:
            return RedirectResponse("/signed-in", 303)
        response = RedirectResponse("/sign-in", 303)
        response.delete_cookie(self._cookie, secure=self._secure, httponly=True)
        return response

    async def _css(self, request: Request) -> Response:
        kept = {"Cache-Control": "max-age=86400"}
        return Response(self._style, media_type="text/css", headers=kept)

    def _sorry(self, status: int, sentence: str) -> HTMLResponse:
        html = self._templates.get_template("sorry.html").render(
            sentence=sentence, site=self._house.site
        )
        return HTMLResponse(html, status)

    async def refused(self, request: Request, error: Exception) -> Response:
        """A request that is not answered, and why."""
        match error:
            case PageError():
                told = error.status, error.sentence
            case PassphraseError():
                told = 503, f"{error}."
            case RequestError():
                told = 422, begun(error.sentence)
            case MonitorGoneError():
                told = 503, "The monitor does not answer just now. Try again soon."
            case StoreError():
                told = 503, f"The store cannot be read just now ({error}). Try again soon."
            case HTTPException(status_code=404):
                told = 404, "There is nothing here by that name. It may have been undone."
            case HTTPException():
                told = error.status_code, "That does not go here. Begin at the spaces."
            case _:
                raise error
        return self._sorry(*told)
