"""The command that watches a sensor in its jar, and stores the correction on a yes."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable
from typing import Any, NamedTuple

from monitor.entries.entries import Request, RequestError
from monitor.service import requests

LOOK_EVERY_S = 60.0

Ask = Callable[[dict[str, Any]], Any]


class Wants(NamedTuple):
    """What was asked. salt, beside: None where not said; at_ms: when it was shut in; None: now."""

    sensor: str
    salt: str | None
    beside: str | None
    at_ms: int | None
    watch: bool
    yes: bool
    stop: bool


def saltcheck(wants: Wants, ask: Ask, quiet: bool = False) -> Any:
    """Begin or go on with a check; returns how it stands in the end.

    quiet   say nothing: a program reads the answer
    raises  RequestError with one sentence
    """
    say: Callable[[str], None] = (lambda _: None) if quiet else _say
    told = ask({"saltcheck": wants.sensor})
    if wants.stop:
        return _stop(told, ask, say)
    if not told["under_way"]:
        told = _begin(wants, told["sensor"], ask, say)
    _same_check(wants, told)
    told = _settled(wants, told, ask, say)
    if told["settled"]:
        _answer(wants, told, ask, say, quiet)
    return told


def _say(sentence: str) -> None:
    print(sentence, flush=True)


def _begin(wants: Wants, sensor: str, ask: Ask, say: Callable[[str], None]) -> Any:
    against: dict[str, Any] = (
        {"salt": wants.salt or "table"} if wants.beside is None else {"beside": wants.beside}
    )
    if wants.salt is not None and wants.beside is not None:
        raise RequestError("check against salt or beside another sensor, not both", "salt")
    _enter(ask, "aside", {"sensor": sensor, **against}, wants.at_ms)
    told = ask({"saltcheck": sensor})
    say(f"{sensor} is out of service: what it tells is kept, not used.")
    say(str(told["how"]))
    say("You may leave this (Ctrl-C) and ask again later; the check goes on.")
    return told


def _same_check(wants: Wants, told: Any) -> None:
    asked_beside = (
        wants.beside is not None and wants.beside.casefold() != str(told["beside"]).casefold()
    )
    if asked_beside or (wants.salt is not None and wants.salt != told["salt"]):
        against = told["beside"] or f"{told['salt']} salt"
        raise RequestError(
            f"a check of {told['sensor']} against {against} is under way; end it first with "
            f"`drying-room saltcheck {told['sensor']} --stop`",
            "salt",
        )


def _settled(wants: Wants, told: Any, ask: Ask, say: Callable[[str], None]) -> Any:
    """Look until it has settled, saying what is new; once only where nobody waits."""
    said = None
    while True:
        if told["says"] != said:
            said = told["says"]
            say(str(said))
        if told["settled"] or not wants.watch:
            return told
        threading.Event().wait(LOOK_EVERY_S)
        told = ask({"saltcheck": told["sensor"]})
        if not told["under_way"]:
            raise RequestError(f"the check of {told['sensor']} was ended elsewhere", "sensor")


def _answer(wants: Wants, told: Any, ask: Ask, say: Callable[[str], None], quiet: bool) -> None:
    sensor = told["sensor"]
    if told["worth_it"]:
        asks = wants.watch and not quiet and sys.stdin.isatty()
        if not wants.yes and not asks:
            say(
                f"To store it: `drying-room saltcheck {sensor} --yes`. To leave the sensor as it "
                f"is: `drying-room saltcheck {sensor} --stop`."
            )
            return
        if wants.yes or input("Store this correction? yes or no: ").strip().lower() in ("y", "yes"):
            stored = _enter(
                ask, "calibrate", {"sensor": sensor, "quantity": "humidity", **told["calibrate"]}
            )
            say(f"Stored: {stored['said']}. `drying-room undo {stored['entry']}` takes it back.")
    _enter(ask, "back", {"sensor": sensor})
    say(f"{sensor} is in service again; hang it back where it belongs.")


def _stop(told: Any, ask: Ask, say: Callable[[str], None]) -> Any:
    if not told["under_way"]:
        raise RequestError(f"no check of {told['sensor']} is under way", "sensor")
    _enter(ask, "back", {"sensor": told["sensor"]})
    say(f"{told['sensor']} is in service again; nothing was changed.")
    return ask({"saltcheck": told["sensor"]})


def _enter(ask: Ask, verb: str, arguments: dict[str, Any], at_ms: int | None = None) -> Any:
    return ask(requests.to_json(Request(verb, arguments, at_ms, None)))
