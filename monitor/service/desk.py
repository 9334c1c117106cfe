"""The desk: requests of the commands and the page, and the answers to them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import Future
from zoneinfo import ZoneInfo

from monitor.edges.beside import BesideError, ask
from monitor.edges.socket import Message
from monitor.engine.snapshot import Snapshot
from monitor.entries.entries import JSON, RequestError
from monitor.entries.logbook import Entered, history_lines
from monitor.service import requests, sensor_check, views
from monitor.service.planner import PLAN, order_from
from monitor.service.settings.settings import Settings
from monitor.service.worker import Enter, Worker
from monitor.store.connection import StoreError
from monitor.store.queries import Reader


class Desk:
    """Answers requests: entries through the worker, questions from its snapshot."""

    def __init__(self, worker: Worker, settings: Settings, flowers: Mapping[str, str]) -> None:
        self._worker = worker
        site = settings.site
        self._site, self._store = site, settings.store.file
        self._settings_file, self._flowers = settings.file.absolute(), flowers
        zone = ZoneInfo(site.timezone)
        self._shows: dict[str, Callable[[Snapshot], Message]] = {
            "health": lambda s: _health(worker, s),
            "now": lambda s: views.now_told(s, site, self._rain(s.now_ms)),
            "batches": lambda s: views.batches_told(s, site),
            "history": lambda s: {
                "history": views.history_plain(s.entries),
                "lines": list(history_lines(s.entries, s.history, zone)),
            },
        }

    def _rain(self, now_ms: int) -> float | None:
        """What fell since midnight, as far as it is kept [mm]; None: not known."""
        try:
            with Reader(self._store) as reader:
                return reader.rain_today(self._site, now_ms)
        except StoreError:
            return None

    def submit(self, request: Message, answer: Future[Message]) -> None:
        """Take a request of the socket; the answer comes when it is there."""
        if "enter" in request:
            self._enter(request, answer)
            return
        if "saltcheck" in request:
            answer.set_result(self._saltcheck(str(request["saltcheck"])))
            return
        if "plan" in request:
            answer.set_result(self._plan(request["plan"]))
            return
        show = self._shows.get(str(request.get("show")))
        if show is None:
            asked = ", ".join(self._shows)
            answer.set_result({"error": f"this cannot be asked; what can be shown is {asked}"})
            return
        snapshot = self._worker.snapshot
        answer.set_result({"now_ms": snapshot.now_ms, **show(snapshot)})

    def plan(self, given: Mapping[str, JSON]) -> Message:
        """Where a harvest should hang; raises RequestError with one sentence."""
        snapshot = self._worker.snapshot
        order = order_from(given, self._settings_file, self._site, snapshot, self._flowers)
        try:
            return ask(PLAN, order)
        except BesideError as error:
            raise RequestError(str(error)) from error

    def _plan(self, given: JSON) -> Message:
        try:
            return self.plan(given if isinstance(given, dict) else {})
        except RequestError as refused:
            return _refusal(refused)

    def check(self, sensor: str) -> Message:
        """How the check of a sensor stands; raises RequestError where it cannot be checked."""
        return sensor_check.look(self._store, self._site, self._worker.snapshot, sensor)

    def _saltcheck(self, sensor: str) -> Message:
        try:
            return self.check(sensor)
        except RequestError as refused:
            return _refusal(refused)
        except StoreError as error:
            return {"error": str(error)}

    def _enter(self, request: Message, answer: Future[Message]) -> None:
        try:
            event = Enter(requests.from_json(request))
        except RequestError as refused:
            answer.set_result(_refusal(refused))
            return
        event.answer.add_done_callback(lambda done: answer.set_result(_told(done)))
        self._worker.post(event)


def _health(worker: Worker, snapshot: Snapshot) -> Message:
    link = worker.link
    return {
        "connected": link is not None and link.state.connected,
        "broker": "no broker" if link is None else link.state.sentence,
        "messages": worker.handled,
        "session_kept": None if link is None else link.state.session_kept,
        "store": worker.trouble,
        "time_known": worker.time_known,
        "heard_ms": {name: sensor.last_ms for name, sensor in snapshot.sensors.items()},
    }


def _told(done: Future[Entered]) -> Message:
    refused = done.exception()
    if isinstance(refused, RequestError):
        return _refusal(refused)
    entered = done.result()
    return {
        "entry": entered.entry.id,
        "said": entered.said,
        "batch": entered.batch,
        "upset": list(entered.upset),
    }


def _refusal(refused: RequestError) -> Message:
    return {"error": refused.sentence, "field": refused.field}
