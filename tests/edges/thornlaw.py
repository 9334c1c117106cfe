"""Reads the sample readings by their settings, without the monitor: plain, for tests only."""

from __future__ import annotations

import base64
import gzip
import json
import tomllib
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

from tests.air.oracle import Spot

FOLDER = Path(__file__).parents[2] / "sample_readings"

# To the unit that is kept: value · factor + summand.
UNITS = {"°F": (5 / 9, -160 / 9), "1": (100.0, 0.0), "hPa": (100.0, 0.0)}


class Sent(NamedTuple):
    """A line of the file. at_ms: when it was sent [epoch ms]."""

    at_ms: int
    topic: str
    payload: str | bytes


def settings(name: str = "nine_days.toml", folder: Path = FOLDER) -> dict[str, Any]:
    """The settings as TOML has them."""
    return tomllib.loads((folder / name).read_text(encoding="utf-8"))


def spots(toml: dict[str, Any]) -> dict[str, Spot]:
    """Space and interval of every sensor."""
    return {
        s["name"]: Spot(s["space"], float(s["every"].removesuffix(" s"))) for s in toml["sensor"]
    }


def sent(file: Path = FOLDER / "nine_days.jsonl.gz") -> Iterator[Sent]:
    """Every message of the file, in its order."""
    with gzip.open(file, "rt", encoding="utf-8") as lines:
        for line in lines:
            message = json.loads(line)
            coded = message.get("payload_base64")
            payload = message["payload"] if coded is None else base64.b64decode(coded)
            yield Sent(epoch_ms(message["at"]), message["topic"], payload)


def epoch_ms(iso: str) -> int:
    """ISO 8601 with an offset → epoch milliseconds."""
    moment = datetime.fromisoformat(iso)
    if moment.tzinfo is None:
        raise ValueError(f"{iso} has no offset")
    return round(moment.timestamp() * 1000)


def read(message: Sent, sensor: dict[str, Any]) -> list[tuple[int, str, str, float]]:
    """(time [epoch ms], sensor, quantity, value) of a message that can be read; else raises.

    raises ValueError, KeyError, IndexError, TypeError: it cannot be read.
    """
    if isinstance(message.payload, bytes):
        raise ValueError("not text")
    payload = json.loads(message.payload, parse_constant=_refuse)
    found = []
    for quantity, how in sensor["reads"].items():
        if "senml" in how:
            time_ms, value = _senml(payload, how["senml"])
        else:
            time_ms = _time_ms(pointed(payload, sensor["time"]["at"]), sensor["time"]["unit"])
            value = pointed(payload, how["at"])
        factor, summand = UNITS.get(how["unit"], (1.0, 0.0))
        found.append((time_ms, sensor["name"], quantity, _number(value) * factor + summand))
    return found


def pointed(payload: Any, pointer: str) -> Any:
    """What an RFC 6901 pointer leads to (without its escapes)."""
    for step in pointer.split("/")[1:]:
        payload = payload[int(step)] if isinstance(payload, list) else payload[step]
    return payload


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or abs(value) > 1e9:
        raise TypeError(f"{value!r} is no number")
    return float(value)


def _refuse(word: str) -> float:
    raise ValueError(f"{word} is no number")


def _time_ms(value: Any, unit: str) -> int:
    time_ms = epoch_ms(value) if unit == "iso" else round(value * {"s": 1000, "ms": 1}[unit])
    if not epoch_ms("2026-07-04T00:00:00Z") <= time_ms < epoch_ms("2026-07-13T00:00:00Z"):
        raise ValueError("not in the nine days")
    return time_ms


def _senml(records: Any, name: str) -> tuple[int, Any]:
    """Time and value of a SenML record: base name and base time come from the first one."""
    base = records[0]["bn"], records[0]["bt"]
    for record in records:
        if base[0] + record["n"] == name:
            return _time_ms(base[1] + record.get("t", 0), "s"), record["v"]
    raise KeyError(name)
