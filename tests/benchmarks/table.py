"""The rows that every benchmark gives, how they are printed, and which are far out of line."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import inf
from typing import NamedTuple


class Row(NamedTuple):
    """One figure.

    against    the peer or the floor, measured in the same run; "": there is none
    ratio      ours to theirs, so that the goal reads naturally; None: there is none
    goal       what is asked of it, in words
    cpu_ratio  the same ratio by processor alone, which other work on the machine hardly stretches
    """

    what: str
    size: str
    ours: str
    against: str = ""
    ratio: float | None = None
    goal: str = ""
    cpu_ratio: float | None = None


# Far out of line, at the small size and on a machine that others use: about three times worse than
# asked, or than it is where more is asked than it does. What → least and most of its ratio, by
# processor where the row tells it. Seconds are never judged.
LIMITS: dict[str, tuple[float, float]] = {
    "a minute of air": (0.0, 3.9),
    "messages of two quantities decoded, stored and acknowledged, a second": (0.27, inf),
    "messages of two quantities through the worker, folded and stored, a second": (0.17, inf),
    "a season recomputed": (0.0, 9.0),
    "written to disk a day, a commit a minute": (0.0, 30.0),
    "live: resident memory": (0.0, 2.0),
    "--help, processor": (0.0, 12.0),
    "now, processor": (0.0, 12.0),
    "batches, processor": (0.0, 12.0),
    "weigh, processor": (0.0, 12.0),
    "processor a message, decoded, folded and stored": (0.0, 3.0),
}


HEADING = (
    "| what | size | ours | against, same run | ratio | asked |\n"
    "| --- | --- | --- | --- | --- | --- |"
)


def line(row: Row) -> str:
    """A row as a line of a Markdown table."""
    ratio = "" if row.ratio is None else f"{row.ratio:.2f}"
    return "| " + " | ".join((row.what, row.size, row.ours, row.against, ratio, row.goal)) + " |"


def show(rows: Iterable[Row]) -> None:
    """Print rows as a Markdown table's body."""
    for row in rows:
        print(line(row), flush=True)


def section(name: str, about: str, measured: str, rows: Iterable[Row]) -> str:
    """One benchmark's part of the written figures.

    about     what it is, in a sentence
    measured  on which machine, under which load
    """
    table = "\n".join((HEADING, *map(line, rows)))
    return f"## {name}\n\n{about}\n\nMeasured {measured}.\n\n{table}\n"


def written(before: str, introduction: str, sections: Mapping[str, str]) -> str:
    """The written figures: these sections anew, the others as they stood, by name."""
    _, *standing = before.split("\n## ")
    kept = {text.split("\n", 1)[0]: f"## {text.strip()}\n" for text in standing}
    return "\n".join((introduction, *(text for _, text in sorted((kept | dict(sections)).items()))))


def out_of_line(rows: Iterable[Row]) -> list[str]:
    """A sentence for each row whose ratio is beyond its limits."""
    found = []
    for row in rows:
        least, most = LIMITS.get(row.what, (-inf, inf))
        ratio = row.ratio if row.cpu_ratio is None else row.cpu_ratio
        if ratio is not None and not least <= ratio <= most:
            found.append(f"{row.what}, {row.size}: {ratio:.2f} is not from {least:g} to {most:g}")
    return found
