"""Commands that ask the running monitor over its socket: they load little, to answer at once."""

from __future__ import annotations

import json
from argparse import Namespace
from collections.abc import Callable
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from monitor.edges import clock
from monitor.edges.socket import SocketError, ask
from monitor.entries import requests
from monitor.entries.entries import RequestError
from monitor.entries.requests import read_time
from monitor.service.cli import FailedError
from monitor.service.settings.settings import Settings, load, socket_file

DEFAULT_CONFIG = (Path("drying-room.toml"), Path("/etc/drying-room/drying-room.toml"))


def settings_file(asked: Namespace) -> Path:
    """The settings asked for, or the first of the usual ones that there is."""
    if asked.config is not None:
        given: Path = asked.config
        return given
    return next((file for file in DEFAULT_CONFIG if file.exists()), DEFAULT_CONFIG[0])


def settings_of(asked: Namespace) -> Settings:
    """The settings asked for; raises SettingsError."""
    return load(settings_file(asked))


def time_of(settings: Settings, text: str | None, by_day: bool = False) -> int | None:
    """A time as people write it [UTC epoch ms]; raises RequestError."""
    if text is None:
        return None
    return read_time(text, clock.now_ms(), ZoneInfo(settings.site.timezone), by_day)


def answer_to(settings: Settings, request: dict[str, Any]) -> Any:
    """What the running monitor answers; raises FailedError, RequestError."""
    try:
        answer: Any = ask(socket_file(settings), request)
    except SocketError as error:
        raise FailedError(str(error)) from error
    if "error" in answer:
        raise RequestError(answer["error"])
    return answer


def printed(asked: Namespace, plain: object, words: Callable[[], str]) -> None:
    """Print an answer for a program, or in words."""
    print(json.dumps(plain, ensure_ascii=False, indent=1) if asked.json else words())


def now(asked: Namespace) -> None:
    """Show the air, the spells and the bunches of every space."""
    answer = answer_to(settings_of(asked), {"show": "now"})
    lines = answer.pop("lines")
    printed(asked, answer, lambda: "\n".join(lines))


def batches(asked: Namespace) -> None:
    """Show what hangs where, or every entry by its number."""
    shown = "history" if asked.history else "batches"
    answer = answer_to(settings_of(asked), {"show": shown})
    printed(asked, answer[shown], lambda: "\n".join(answer["lines"]))


def enter(asked: Namespace) -> None:
    """Enter something, and say what was made of it."""
    settings = settings_of(asked)
    zone = ZoneInfo(settings.site.timezone)
    request = requests.request_from(requests.fields_of(asked), clock.now_ms(), zone)
    answer = answer_to(settings, requests.to_json(request))
    printed(asked, answer, lambda: "\n".join([answer["said"], *answer["upset"]]))


def plan(asked: Namespace) -> None:
    """Say where a harvest should hang."""
    wanted = {
        "flower": asked.flower,
        "bunches": asked.bunches,
        "fresh_mass_g": asked.fresh_mass_g,
        "what_if": asked.what_if,
    }
    answer = answer_to(settings_of(asked), {"plan": wanted})
    printed(asked, answer, lambda: "\n".join([*answer["lines"], *answer["what_if"]]))


def saltcheck(asked: Namespace) -> None:
    """Check a sensor in its jar of wet salt, or beside another."""
    from monitor.service import saltcheck as check

    settings = settings_of(asked)
    wants = check.Wants(
        asked.sensor,
        asked.salt,
        asked.beside,
        time_of(settings, asked.at),
        watch=not (asked.once or asked.json),
        yes=asked.yes,
        stop=asked.stop,
    )
    told = check.saltcheck(wants, lambda request: answer_to(settings, request), asked.json)
    if asked.json:
        printed(asked, told, str)
