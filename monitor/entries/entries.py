"""What people enter, as a history that only grows; and what of it is about sensors.

Nothing is edited. `correct` and `undo` are entries too; `changes` is the number of the entry
they change. What counts is worked out again from all of them:

- An entry stands unless an undoing that itself stands changes it. So undoing an undoing brings
  the entry back, and undoing a correction brings the words before it back.
- A correction names only what it changes; `None` takes an optional part away (the merge of
  RFC 7396, one level deep). Several corrections of one entry are laid over it in the order of
  their numbers, later over earlier.
- A correction may be corrected: its own changes are then merged the same way. An undoing has
  nothing to correct: it can only be undone.
- A correction of the time is kept under the key `at_ms`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple, TypeAlias

from monitor.site.quantities import Quantity
from monitor.site.words import shown

if TYPE_CHECKING:
    JSON: TypeAlias = "bool | int | float | str | list[JSON] | dict[str, JSON] | None"
else:
    JSON = Any  # msgspec reads types as the program runs, and knows none within itself

LONGEST_SENTENCE = 400

CORRECT = "correct"
UNDO = "undo"


class Entry(NamedTuple):
    """One entry as it is kept.

    id         its number; a later entry has a higher one
    made_ms    when it was entered [UTC epoch ms]
    at_ms      when what it speaks of happened [UTC epoch ms]
    verb       "hang", "weigh", …, "correct", "undo"
    arguments  what was said, see `fields`
    changes    number of the entry that this one corrects or undoes
    """

    id: int
    made_ms: int
    at_ms: int
    verb: str
    arguments: dict[str, JSON]
    changes: int | None = None


class Request(NamedTuple):
    """What someone asks to have entered; at_ms: None means now."""

    verb: str
    arguments: dict[str, JSON]
    at_ms: int | None = None
    changes: int | None = None


class RequestError(ValueError):
    """Why a request is refused: one sentence, and the field it concerns (None: the whole)."""

    def __init__(self, sentence: str, field: str | None = None) -> None:
        self.sentence = shown(sentence, LONGEST_SENTENCE)  # it may repeat what somebody sent
        super().__init__(self.sentence)
        self.field = field


def standing(entries: Iterable[Entry]) -> list[Entry]:
    """The entries that count after corrections and undoings, by (at_ms, id).

    Corrections and undoings themselves are not among them. The order in which the entries are
    given does not matter; their numbers do.
    """
    return _settled(entries)[0]


def undone(entries: Iterable[Entry]) -> set[int]:
    """The numbers of the entries of any verb that an undoing has taken out."""
    return _settled(entries)[1]


def first_of(entries: Mapping[int, Entry], number: int) -> Entry | None:
    """The entry at the root of a chain of corrections and undoings, None where it breaks."""
    entry = entries.get(number)
    while entry is not None and entry.changes is not None:
        entry = entries.get(entry.changes) if entry.changes < entry.id else None
    return entry


def bears_from_ms(entries: Iterable[Entry], new: Iterable[Entry]) -> int:
    """The earliest time of which new entries may change what is known [UTC epoch ms].

    It counts whatever was ever said of the time of an entry that they speak of, change or undo.

    entries  all there are, with the new ones
    """
    by_number = {entry.id: entry for entry in entries}

    def root(entry: Entry) -> int:
        first = first_of(by_number, entry.id)
        return entry.id if first is None else first.id

    touched = {root(entry) for entry in new}
    times: list[int] = []
    for entry in by_number.values():
        if root(entry) in touched:
            corrected = entry.arguments.get("at_ms")
            times += [entry.at_ms] + ([corrected] if isinstance(corrected, int) else [])
    return min(times)


def _settled(entries: Iterable[Entry]) -> tuple[list[Entry], set[int]]:
    """Standing entries and undone numbers; one pass from the newest back.

    Whatever changes an entry has a higher number, so it is settled before the entry is reached.
    """
    taken_out: set[int] = set()
    patches: dict[int, dict[str, JSON]] = {}
    kept: list[Entry] = []
    for entry in sorted({e.id: e for e in entries}.values(), key=lambda e: e.id, reverse=True):
        if entry.id in taken_out:
            continue
        arguments = entry.arguments | patches.get(entry.id, {})
        if entry.changes is None:
            kept.append(_laid_over(entry, arguments))
        elif entry.changes >= entry.id:
            continue  # it would change what did not exist yet
        elif entry.verb == UNDO:
            taken_out.add(entry.changes)
        else:  # the later corrections are in `patches` already and win
            patches[entry.changes] = arguments | patches.get(entry.changes, {})
    return sorted(kept, key=lambda e: (e.at_ms, e.id)), taken_out


def _laid_over(entry: Entry, arguments: dict[str, JSON]) -> Entry:
    at_ms = arguments.get("at_ms")
    said: dict[str, JSON] = {k: v for k, v in arguments.items() if k != "at_ms" and v is not None}
    return entry._replace(at_ms=at_ms if isinstance(at_ms, int) else entry.at_ms, arguments=said)


# -- dated changes to sensors: offsets, slopes, swaps; and when one was out of service ----------


class Calibration(NamedTuple):
    """From `from_ms` on [UTC epoch ms], value = slope · reading + offset.

    quantity   None: a swap without figures, which touches every quantity of the sensor
    offset     in the unit the quantity is kept in; slope [-]
    swapped    another sensor hangs there since: earlier figures and its history no longer hold
    """

    sensor: str
    quantity: Quantity | None
    from_ms: int
    offset: float = 0.0
    slope: float = 1.0
    swapped: bool = False


def calibrations(standing: Iterable[Entry]) -> list[Calibration]:
    """The dated changes to sensors among the standing entries, in order of time."""
    return [
        Calibration(
            said["sensor"],
            Quantity(said["quantity"]) if "quantity" in said else None,
            entry.at_ms,
            said.get("offset", 0.0),
            said.get("slope", 1.0),
            said.get("swap", False),
        )
        for entry, said in _said(standing, "calibrate")
    ]


class Service(NamedTuple):
    """From `from_ms` on [UTC epoch ms] a sensor is out of service, or back in it.

    entry   number of the entry that says so
    salt    the salt it is shut in with, where it is being checked
    beside  the trusted sensor it hangs beside, where it is being checked
    """

    sensor: str
    from_ms: int
    out: bool
    entry: int
    salt: str | None = None
    beside: str | None = None


def services(standing: Iterable[Entry]) -> list[Service]:
    """When sensors went out of service and came back, in order of time."""
    return [
        Service(
            *(said["sensor"], entry.at_ms, entry.verb == "aside", entry.id),
            *(said.get("salt"), said.get("beside")),
        )
        for entry, said in _said(standing, "aside", "back")
    ]


def _said(standing: Iterable[Entry], *verbs: str) -> Iterator[tuple[Entry, dict[str, Any]]]:
    return ((entry, entry.arguments) for entry in standing if entry.verb in verbs)


def out_of_service(known: Sequence[Service], sensor: str, at_ms: int) -> Service | None:
    """What put this sensor out of service at that time; None: it is in service."""
    before = (s for s in reversed(known) if s.sensor == sensor and s.from_ms <= at_ms)
    last = next(before, None)
    return last if last is not None and last.out else None


def holding(
    known: Sequence[Calibration], sensor: str, quantity: Quantity, at_ms: int
) -> tuple[float, float]:
    """(slope, offset) that hold for this sensor and quantity at that time; (1, 0) if none."""
    slope, offset = 1.0, 0.0
    for change in known:
        if change.sensor != sensor or change.from_ms > at_ms:
            continue
        if change.quantity is quantity:
            slope, offset = change.slope, change.offset
        elif change.swapped:
            slope, offset = 1.0, 0.0
    return slope, offset
