"""What the monitor asks of the report's process, and what that answers."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import NamedTuple, Self

from monitor.edges.beside import Command
from monitor.site.flowers import Book
from monitor.site.spaces import Site
from monitor.site.time import local_day, midnight

WEEK_PAGE = "week.html"  # in the folder of each week


@dataclass(frozen=True)
class ReportOrder:
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
    "monitor.edges.report.build:build", ReportOrder, list[Answer], within_s=300, memory_mb=1500
)


class Week(NamedTuple):
    """An ISO week; `monday` is its first day."""

    monday: date

    @classmethod
    def parse(cls, text: str) -> Self:
        """The week of a name such as "2026-W29". raises ValueError, one plain sentence.

        >>> Week.parse("2026-W29").monday.isoformat()
        '2026-07-13'
        """
        name = text.strip().upper()
        try:
            week = cls(datetime.strptime(f"{name}-1", "%G-W%V-%u").date())
        except ValueError:
            week = None
        # A week 53 in a year that has none would be taken for the next year's first.
        if week is None or str(week) != name:
            raise ValueError(
                f"“{text}” is not a week; write the year and the week's number, such as 2026-W29"
            )
        return week

    @classmethod
    def holding(cls, epoch_ms: int, timezone: str) -> Self:
        """The week in which a moment [UTC epoch ms] lies."""
        day = local_day(epoch_ms, timezone)
        return cls(day - timedelta(days=day.weekday()))

    def __str__(self) -> str:
        return f"{self.monday:%G-W%V}"

    @property
    def number(self) -> int:
        """The week's number in its year."""
        return self.monday.isocalendar().week

    def before(self) -> Week:
        """The week before."""
        return Week(self.monday - timedelta(days=7))

    def after(self) -> Week:
        """The week after."""
        return Week(self.monday + timedelta(days=7))

    def a_year_before(self) -> Week:
        """The week of the same season a year before: 52 weeks."""
        return Week(self.monday - timedelta(weeks=52))

    def span(self, timezone: str) -> tuple[int, int]:
        """From its first minute to before its last [UTC epoch minutes]."""
        return midnight(self.monday, timezone), midnight(self.after().monday, timezone)
