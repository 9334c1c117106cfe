"""What the monitor asks of the report's process, and what that answers."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from monitor.edges.beside import Command
from monitor.site.flowers import Book
from monitor.site.spaces import (
    Site,
)

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
    files: tuple[str, ...] = ()


# pandas stays out of the monitor.
REPORT = Command(
    "monitor.edges.report.build:build", Order, list[Answer], within_s=300, memory_mb=1500
)
