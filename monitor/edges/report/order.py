"""What the monitor asks of the report's process, and what that answers: JSON in, JSON out."""

from __future__ import annotations

import json
import sys
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from monitor.room.readings import Quantity, ReadAs, Sensor, TimeAt
from monitor.room.spaces import Delays, Limits, Site, Space, Use
from monitor.room.windows import Window

# Read by the child from its standard input; its answer, one line of JSON, goes to standard output.
COMMAND = (sys.executable, "-m", "monitor.edges.report")


@dataclass(frozen=True)
class Order:
    """One report to be made.

    week    name of the ISO week, e.g. "2026-W29"
    folder  where the week's own folder is made
    now_ms  until when anything can be known; a week that is not over is told so far [UTC epoch ms]
    """

    store: Path
    folder: Path
    week: str
    now_ms: int
    site: Site

    def to_json(self) -> str:
        """The order as the child reads it."""
        return json.dumps(asdict(self), default=str, ensure_ascii=False)

    @staticmethod
    def from_json(text: str) -> Order:
        """The order as it was written."""
        plain = json.loads(text)
        return Order(
            Path(plain["store"]),
            Path(plain["folder"]),
            plain["week"],
            plain["now_ms"],
            _site(plain["site"]),
        )


@dataclass(frozen=True)
class Answer:
    """A report that was made.

    text    at most ten lines for the phone; the first is its title
    folder  the week's own folder
    files   names of the files in it
    """

    week: str
    text: str
    folder: Path
    files: tuple[str, ...] = field(default=())

    def to_json(self) -> str:
        """The answer as one line."""
        return json.dumps(asdict(self), default=str, ensure_ascii=False)

    @staticmethod
    def from_json(text: str) -> Answer:
        """The answer as it was written."""
        plain = json.loads(text)
        return Answer(plain["week"], plain["text"], Path(plain["folder"]), tuple(plain["files"]))


def _site(plain: dict[str, Any]) -> Site:
    spaces = {name: _space(space) for name, space in plain["spaces"].items()}
    sensors = {name: _sensor(sensor) for name, sensor in plain["sensors"].items()}
    return Site(**plain | {"spaces": spaces, "sensors": sensors})


def _space(plain: dict[str, Any]) -> Space:
    return Space(
        **plain
        | {
            "use": Use(plain["use"]),
            "limits": Limits(**plain["limits"]),
            "delays": Delays(**plain["delays"]),
            "windows": tuple(_window(window) for window in plain["windows"]),
        }
    )


def _window(plain: dict[str, Any]) -> Window:
    return Window(**plain | {"horizon": tuple((at, up) for at, up in plain["horizon"])})


def _sensor(plain: dict[str, Any]) -> Sensor:
    reads = {Quantity(name): ReadAs(**read_as) for name, read_as in plain["reads"].items()}
    time = None if plain["time"] is None else TimeAt(**plain["time"])
    return Sensor(**plain | {"reads": reads, "time": time})
