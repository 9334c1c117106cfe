"""Commands that ask the running monitor over its socket: they load little, to answer at once."""

from __future__ import annotations

import json
import os
import sys
from argparse import Namespace
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from monitor.edges import clock
from monitor.edges.socket import SocketError, ask
from monitor.entries import requests
from monitor.entries.admission import flower_named
from monitor.entries.entries import RequestError
from monitor.entries.requests import read_time
from monitor.service.cli import FailedError
from monitor.service.settings.settings import Settings, book_of, load, shipped_book, socket_file
from monitor.site.flowers import Flower

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


def painted(text: str, colour: int) -> str:
    """Text in a colour (SGR, ECMA-48), only on a terminal, and not where NO_COLOR is set."""
    plain = os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb"
    return (
        text if plain or not colour or not sys.stdout.isatty() else f"\x1b[{colour}m{text}\x1b[0m"
    )


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


def flowers(asked: Namespace) -> None:
    """List the flowers that are known, or what is known of one."""
    file = settings_file(asked)
    book = book_of(load(file)) if asked.config is not None or file.exists() else shipped_book()
    if asked.flower is not None:
        flower = book.flowers[flower_named(asked.flower, book.words())]
        printed(asked, asdict(flower), lambda: "\n".join(_of_flower(flower)))
        return
    names = {key: list(flower.names) for key, flower in book.flowers.items()}
    width = max(map(len, names))
    printed(
        asked, names, lambda: "\n".join(f"{k:<{width}}  {', '.join(n)}" for k, n in names.items())
    )


def _of_flower(flower: Flower) -> list[str]:
    def span(two: tuple[float, float], unit: str) -> str:
        return f"{two[0]:g} to {two[1]:g} {unit}"

    opens = flower.opening_above_c
    told = {
        "names": ", ".join(flower.names),
        "water when cut": span(flower.water_pct_wb, "% of the whole weight"),
        "days to hang": span(flower.days_hanging, "in a warm, airy, dark room"),
        "a bunch": span(flower.stems_per_bunch, "stems"),
        "crisp in air of": span(flower.crisp_humidity_pct, "% humidity"),
        "buds go on opening": "no" if opens is None else f"above {opens:g} °C while moist",
        "goes wrong": flower.goes_wrong,
        "cut": flower.cut_when,
    }
    return [flower.key, *(f"  {what:<20}{said}" for what, said in told.items())]


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
