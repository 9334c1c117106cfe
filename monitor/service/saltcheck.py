"""A sensor checked in a jar of wet salt, or beside another: how it stands, and the command.

The command watches, and stores the correction on a yes; the desk tells how the check stands.
"""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.air.neighbours import SENSOR_PCT
from monitor.edges.socket import Message
from monitor.engine.effects import Snapshot
from monitor.entries import requests
from monitor.entries.entries import (
    Calibration,
    Request,
    RequestError,
    Service,
    calibrations,
    holding,
    out_of_service,
    services,
    standing,
)
from monitor.places.saltcheck import HOW_TO, HOW_TO_BESIDE, Check, against_salt, side_by_side
from monitor.science.sorption import SALTS
from monitor.site.quantities import Flag, Quantity
from monitor.site.spaces import Site
from monitor.site.time import MINUTE_MS
from monitor.store.queries import Reader

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
    sensor = told["sensor"]
    asks = wants.watch and not quiet and sys.stdin.isatty()
    try:
        if not told["under_way"]:
            if asks and not _yes(f"{sensor} goes out of service for about a day. Go on?"):
                say("Nothing was changed.")
                return told
            told = _begin(wants, sensor, ask, say)
        _same_check(wants, told)
        told = _settled(wants, told, ask, say)
        if told["settled"]:
            _answer(wants, told, ask, say, asks)
    except (KeyboardInterrupt, EOFError):
        say(f"\n{_what_stands(ask({'saltcheck': sensor}))}")
    return told


def _yes(question: str) -> bool:
    return input(f"{question} yes or no: ").strip().lower() in ("y", "yes")


def _what_stands(told: Any) -> str:
    sensor = told["sensor"]
    if not told["under_way"]:
        return f"No check is under way: {sensor} is in service."
    return (
        f"The check goes on, and {sensor} stays out of service. To see how it stands: "
        f"`drying-room saltcheck {sensor}`. To end it and change nothing: "
        f"`drying-room saltcheck {sensor} --stop`."
    )


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


def _answer(wants: Wants, told: Any, ask: Ask, say: Callable[[str], None], asks: bool) -> None:
    sensor = told["sensor"]
    if told["worth_it"]:
        if not wants.yes and not asks:
            say(
                f"To store it: `drying-room saltcheck {sensor} --yes`. To leave the sensor as it "
                f"is: `drying-room saltcheck {sensor} --stop`."
            )
            return
        if wants.yes or _yes("Store this correction?"):
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


Floats = NDArray[np.float64]
_MOIST = {Quantity.TEMPERATURE, Quantity.HUMIDITY}
_NOT_MEANT = Flag.RANGE | Flag.TOO_OLD


def look(store: Path, site: Site, snapshot: Snapshot, sensor: str) -> Message:
    """How the check of a sensor stands; under_way is false where there is none.

    raises  RequestError where the sensor cannot be checked
    """
    name = _checkable(site, sensor)
    stands = standing(snapshot.entries)
    check = out_of_service(services(stands), name, snapshot.now_ms)
    if check is None or (check.salt is None and check.beside is None):
        return {"sensor": name, "under_way": False}
    known = calibrations(stands)
    with Reader(store) as reader:
        found = _found(reader, site, known, check, snapshot.now_ms)
    slope, offset = holding(known, name, Quantity.HUMIDITY, snapshot.now_ms)
    more = 0.0 if found.offset_pct is None else round(found.offset_pct, 1)
    return {
        "sensor": name,
        "under_way": True,
        "since_ms": check.from_ms,
        "salt": check.salt,
        "beside": check.beside,
        "how": HOW_TO_BESIDE if check.salt is None else HOW_TO.format(salt=SALTS[check.salt].value),
        "settled": found.settled,
        "offset_pct": found.offset_pct,
        "doubt_pct": found.doubt_pct,
        "worth_it": found.worth_it,
        "says": found.says,
        "calibrate": {"offset": round(offset + more, 2), "slope": slope},
    }


def _checkable(site: Site, sensor: str) -> str:
    names = {name.casefold(): name for name in site.sensors}
    name = names.get(sensor.strip().casefold())
    if name is None:
        raise RequestError(
            f'no sensor is named "{sensor}"; choose {", ".join(site.sensors)}', "sensor"
        )
    if not site.sensors[name].reads.keys() >= _MOIST:
        raise RequestError(
            f"{name} does not tell both temperature and humidity, so it cannot be checked this way",
            "sensor",
        )
    return name


def _found(
    reader: Reader, site: Site, known: list[Calibration], check: Service, now_ms: int
) -> Check:
    begin, end = check.from_ms // MINUTE_MS, now_ms // MINUTE_MS + 1
    minute = np.arange(begin, max(end, begin), dtype=np.int64)
    own = _told(reader, known, check.sensor, minute)
    until = np.flatnonzero(np.isfinite(own[1]))
    minute = minute[: until[-1] + 1] if until.size else minute[:0]
    own = (own[0][: minute.size], own[1][: minute.size])
    if check.beside is None:
        return against_salt(SALTS[check.salt or "table"], minute, *own)
    _checkable(site, check.beside)
    return side_by_side(minute, own, _told(reader, known, check.beside, minute), SENSOR_PCT / 2)


def _told(
    reader: Reader, known: list[Calibration], sensor: str, minute: NDArray[np.int64]
) -> tuple[Floats, Floats]:
    """Temperature [°C] and humidity [%] by minute, as corrected until now; NaN: not told."""
    columns = []
    for quantity in (Quantity.TEMPERATURE, Quantity.HUMIDITY):
        column = np.full(minute.size, np.nan)
        if minute.size:
            first, last = int(minute[0]), int(minute[-1])
            rows = reader.readings_of(sensor, quantity, first * MINUTE_MS, (last + 1) * MINUTE_MS)
            for at_ms, value, flags in rows:
                if not flags & _NOT_MEANT:
                    slope, offset = holding(known, sensor, quantity, at_ms)
                    column[at_ms // MINUTE_MS - first] = slope * value + offset
        columns.append(column)
    return columns[0], columns[1]
