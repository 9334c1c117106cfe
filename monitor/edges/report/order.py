"""What the monitor asks of the report's process, and what that answers: JSON in, JSON out."""

from __future__ import annotations

import json
import sys
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from monitor.site.flowers import Book, Flower
from monitor.site.readings import ForecastFrom, Quantity, ReadAs, Sensor, TimeAt
from monitor.site.spaces import Delays, Limits, Site, Space, Use
from monitor.site.windows import Window

# Read by the child from its standard input; its answer, one line of JSON, goes to standard output.
COMMAND = (sys.executable, "-m", "monitor.edges.report")
WEEK_PAGE = "week.html"  # in the folder of each week


@dataclass(frozen=True)
class Order:
    """Reports to be made: of weeks in a row, or of a season.

    week     name of the first ISO week, e.g. "2026-W29"
    folder   where a folder of its own is made for each week
    now_ms   until when anything can be known; a week that is not over is told so far [UTC epoch ms]
    weeks    how many in a row
    season   from its first to before its last minute [UTC epoch minutes]; it is told instead
    backups  where backups are kept; None: nothing is said of them
    """

    store: Path
    folder: Path
    week: str
    now_ms: int
    site: Site
    book: Book
    weeks: int = 1
    season: tuple[int, int] | None = None
    backups: Path | None = None

    def to_json(self) -> str:
        """The order as the child reads it."""
        return json.dumps(asdict(self), default=str, ensure_ascii=False)

    @staticmethod
    def from_json(text: str) -> Order:
        """The order as it was written."""
        plain = json.loads(text)
        season, backups = plain["season"], plain["backups"]
        return Order(
            Path(plain["store"]),
            Path(plain["folder"]),
            plain["week"],
            plain["now_ms"],
            _site(plain["site"]),
            _book(plain["book"]),
            plain["weeks"],
            None if season is None else (season[0], season[1]),
            None if backups is None else Path(backups),
        )


@dataclass(frozen=True)
class Answer:
    """A report that was made.

    week    the week's name; of a season its first and last day
    text    at most ten lines for the phone; the first is its title
    folder  its own folder
    files   names of the files in it, the page first
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


def _book(plain: dict[str, Any]) -> Book:
    flowers = {key: _flower(flower) for key, flower in plain["flowers"].items()}
    return Book(flowers, _flower(plain["other"]))


def _flower(plain: dict[str, Any]) -> Flower:
    # JSON knows no tuples.
    fields: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in plain.items()}
    return Flower(**fields)


def _site(plain: dict[str, Any]) -> Site:
    spaces = {name: _space(space) for name, space in plain["spaces"].items()}
    sensors = {name: _sensor(sensor) for name, sensor in plain["sensors"].items()}
    forecasts = tuple(
        ForecastFrom(**one | {"reads_as": _sensor(one["reads_as"])}) for one in plain["forecasts"]
    )
    return Site(**plain | {"spaces": spaces, "sensors": sensors, "forecasts": forecasts})


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
