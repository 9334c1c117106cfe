"""Weeks by the calendar on the wall: Monday to Sunday in the site's zone, named as ISO 8601 does.

Where the clocks change, a week has 167 or 169 hours and a day 23 or 25.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import NamedTuple, Self

from monitor.site.time import local_day, midnight


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

    def days(self) -> list[date]:
        """Its seven days."""
        return [self.monday + timedelta(days=n) for n in range(7)]

    def span(self, timezone: str) -> tuple[int, int]:
        """From its first minute to before its last [UTC epoch minutes]."""
        return midnight(self.monday, timezone), midnight(self.after().monday, timezone)
