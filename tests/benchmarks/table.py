"""The rows that every benchmark gives, and how they are printed."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple


class Row(NamedTuple):
    """One figure.

    against  the peer or the floor, measured in the same run; "": there is none
    ratio    ours to theirs, so that the goal reads naturally; None: there is none
    goal     what is asked of it, in words
    """

    what: str
    size: str
    ours: str
    against: str = ""
    ratio: float | None = None
    goal: str = ""


def show(rows: Iterable[Row]) -> None:
    """Print rows as a Markdown table's body."""
    for row in rows:
        ratio = "" if row.ratio is None else f"{row.ratio:.2f}"
        cells = (row.what, row.size, row.ours, row.against, ratio, row.goal)
        print("| " + " | ".join(cells) + " |", flush=True)
