"""Batches: hung, weighed, bent, moved, taken down, kept; folded from the standing entries.

A batch hangs in spaces whose use is `hanging`. Taken down, it goes on in a space for `storing`
or `showing` if the taking down or a later move says so; moved `away` it is sold, used up or
thrown out. A weighing or a snap test may come at any time after the hanging: a bunch from the
box can still be put on the scale.

Entries are taken in the order of (at_ms, id). One that cannot be true at its place (a batch not
yet hung, hung twice, taken down twice, put where its state forbids) is skipped and reported in
a sentence; the others still count. An entry names its batch by the number of the entry that hung
it, so that a batch may be renamed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, NamedTuple

from monitor.entries.entries import Entry, RequestError
from monitor.entries.fields import FIELDS
from monitor.entries.verbs import VERBS
from monitor.site.spaces import Space, Use
from monitor.site.words import count

AWAY = "away"
KEEPING = (Use.STORING, Use.SHOWING)


class BatchState(StrEnum):
    """Where a batch is in its life."""

    HANGING = "hanging"
    KEPT = "kept"  # taken down, in a space for storing or showing
    TAKEN_DOWN = "taken down"  # taken down, and in no space we know


class Stay(NamedTuple):
    """A time in one space, from inclusive, until exclusive [UTC epoch ms]; None: still there."""

    from_ms: int
    until_ms: int | None
    space: str


class Weighing(NamedTuple):
    """Mass of the tagged bunch [g]."""

    at_ms: int
    grams: float


class SnapTest(NamedTuple):
    """Whether a bent stem snapped (True) or only bent (False)."""

    at_ms: int
    snaps: bool


class Outcome(NamedTuple):
    """Heads counted at the taking down; None: not counted."""

    good: int | None = None
    mould: int | None = None
    opened: int | None = None
    faded: int | None = None
    shed: int | None = None


@dataclass(frozen=True, slots=True)
class Batch:
    """Bunches of one flower, cut and hung together.

    hung_by         number of the entry that hung it; taken_down_by likewise
    fresh_mass_g    mass of the tagged bunch when hung [g]
    scale           the sensor from which one bunch hangs; None: none
    target_pct_db   moisture at which it counts as crisp [% of dry mass]; None: the model's own
    hung_ms, taken_down_ms   [UTC epoch ms]
    stays           in order of time; those after taken_down_ms are in storing or showing spaces
    """

    name: str
    hung_by: int
    flower: str
    bunches: int
    hung_ms: int
    stays: tuple[Stay, ...]
    colour: str | None = None
    stems_per_bunch: int | None = None
    fresh_mass_g: float | None = None
    target_pct_db: float | None = None
    scale: str | None = None
    weighings: tuple[Weighing, ...] = ()
    snap_tests: tuple[SnapTest, ...] = ()
    taken_down_ms: int | None = None
    taken_down_by: int | None = None
    outcome: Outcome | None = None
    note: str | None = None

    @property
    def space(self) -> str | None:
        """Where it is now; None: taken down and in no space we know."""
        last = self.stays[-1]
        return last.space if last.until_ms is None else None

    @property
    def state(self) -> BatchState:
        """Where it is in its life, after all its entries."""
        if self.taken_down_ms is None:
            return BatchState.HANGING
        return BatchState.TAKEN_DOWN if self.space is None else BatchState.KEPT

    def space_at(self, at_ms: int) -> str | None:
        """The space it was in at that time."""
        for stay in self.stays:
            if stay.from_ms <= at_ms and (stay.until_ms is None or at_ms < stay.until_ms):
                return stay.space
        return None

    def taken_down_since(self, at_ms: int) -> bool:
        """Whether it was taken down after that time."""
        return self.taken_down_ms is not None and self.taken_down_ms > at_ms

    def hangs_at(self, at_ms: int) -> bool:
        """Whether it hung at that time: neither uncut nor taken down."""
        return self.hung_ms <= at_ms and (self.taken_down_ms is None or at_ms < self.taken_down_ms)


class Problem(NamedTuple):
    """An entry that cannot be true where it stands, and why, in one sentence.

    field  the part of the entry that it concerns, None: the whole
    """

    entry: int
    sentence: str
    field: str | None = None


class History(NamedTuple):
    """The batches in order of hanging, and the entries that had to be skipped."""

    batches: tuple[Batch, ...]
    problems: tuple[Problem, ...]

    def named(self, name: str) -> Batch | None:
        """The batch of this name, however its letters and spaces were typed."""
        return next((b for b in self.batches if key_of(b.name) == key_of(name)), None)


def key_of(name: str) -> str:
    """A batch's name as it is compared: "Statice 1" and "statice-1" are one.

    >>> key_of("Statice  1")
    'statice-1'
    """
    return "-".join(name.casefold().split())


def fold(standing: Iterable[Entry], spaces: Mapping[str, Space]) -> History:
    """Batches out of standing entries. Entries of other verbs are passed over.

    A space that the settings no longer know is taken as it was entered.
    """
    entries = [e for e in standing if e.verb in _STEP or e.verb == "hang"]
    hangings = {e.id: e for e in entries if e.verb == "hang"}
    owners = {key_of(_name_of(e)): e for e in reversed(hangings.values())}  # the first keeps it
    batches: dict[int, Batch] = {}
    problems: list[Problem] = []
    for entry in entries:
        try:
            _must_be_whole(entry)
            if entry.verb == "hang":
                batch = _hang(entry, owners, spaces)
            else:
                batch = _STEP[entry.verb](_found(entry, batches, hangings), entry, spaces)
            batches[batch.hung_by] = batch
        except RequestError as impossible:
            problems.append(Problem(entry.id, impossible.sentence, impossible.field))
    return History(tuple(batches.values()), tuple(problems))


def hanging_in(batches: Iterable[Batch], space: str, at_ms: int) -> list[Batch]:
    """The batches that hung in this space at that time."""
    return [b for b in batches if b.hangs_at(at_ms) and b.space_at(at_ms) == space]


def kept_in(batches: Iterable[Batch], space: str, at_ms: int) -> list[Batch]:
    """The batches that were taken down and kept in this space at that time."""
    return [b for b in batches if not b.hangs_at(at_ms) and b.space_at(at_ms) == space]


def described(batch: Batch) -> str:
    """A batch in plain words, e.g. "six bunches of statice (violet)"."""
    colour = f" ({batch.colour})" if batch.colour else ""
    return f"{count(batch.bunches, 'bunch', 'bunches')} of {batch.flower}{colour}"


def _must_be_whole(entry: Entry) -> None:
    for part in VERBS[entry.verb].must:
        if part not in entry.arguments:
            raise RequestError(f"{VERBS[entry.verb].called} needs {FIELDS[part].words}", part)


def _found(entry: Entry, batches: Mapping[int, Batch], hangings: Mapping[int, Entry]) -> Batch:
    number: Any = entry.arguments["batch"]
    if number in batches:
        return batches[number]
    hanging = hangings.get(number)
    if hanging is None or (hanging.at_ms, hanging.id) < (entry.at_ms, entry.id):
        raise RequestError(f"the hanging it belongs to (entry {number}) does not count", "batch")
    raise RequestError(
        f"{_name_of(hanging)} was hung only later (entry {number}); "
        f"give a later time, or correct the time of entry {number}",
        "at",
    )


def _name_of(hanging: Entry) -> str:
    said = hanging.arguments
    return str(said.get("name", f"{said.get('flower')}-entry-{hanging.id}"))


_AS_TOLD = (
    "flower", "bunches", "colour", "stems_per_bunch", "fresh_mass_g", "target_pct_db", "scale"
)  # fmt: skip


def _hang(entry: Entry, owners: Mapping[str, Entry], spaces: Mapping[str, Space]) -> Batch:
    name = _name_of(entry)
    owner = owners[key_of(name)]
    if owner.id != entry.id:
        raise RequestError(
            f"a batch is already named {_name_of(owner)} (entry {owner.id}); choose another name",
            "name",
        )
    said: Any = entry.arguments
    space = said["space"]
    _must_be_for(space, (Use.HANGING,), spaces)
    told = {part: said.get(part) for part in _AS_TOLD}
    stays = (Stay(entry.at_ms, None, space),)
    return Batch(name=name, hung_by=entry.id, hung_ms=entry.at_ms, stays=stays, **told)


def _weigh(batch: Batch, entry: Entry, spaces: Mapping[str, Space]) -> Batch:
    grams: Any = entry.arguments["grams"]
    return replace(batch, weighings=(*batch.weighings, Weighing(entry.at_ms, grams)))


def _snap(batch: Batch, entry: Entry, spaces: Mapping[str, Space]) -> Batch:
    snaps = entry.arguments["result"] == "snaps"
    return replace(batch, snap_tests=(*batch.snap_tests, SnapTest(entry.at_ms, snaps)))


def _move(batch: Batch, entry: Entry, spaces: Mapping[str, Space]) -> Batch:
    space = str(entry.arguments["space"])
    if batch.taken_down_ms is None:
        if space == AWAY or _use(space, spaces) in KEEPING:
            raise RequestError(
                f"{batch.name} still hangs; take it down first: takedown {batch.name}"
                + ("" if space == AWAY else f" --space {space}"),
                "space",
            )
        _must_be_for(space, (Use.HANGING,), spaces, batch.space)
    elif space != AWAY:
        if _use(space, spaces) is Use.HANGING:
            raise RequestError(
                f"{batch.name} was taken down before (entry {batch.taken_down_by}) and "
                f"{space} is for hanging; to hang it on, undo {batch.taken_down_by} first",
                "space",
            )
        _must_be_for(space, KEEPING, spaces, batch.space)
    return replace(batch, stays=_stays(batch, entry.at_ms, None if space == AWAY else space))


def _take_down(batch: Batch, entry: Entry, spaces: Mapping[str, Space]) -> Batch:
    if batch.taken_down_ms is not None:
        raise RequestError(
            f"{batch.name} was already taken down (entry {batch.taken_down_by}); "
            f"correct {batch.taken_down_by} instead",
            "batch",
        )
    said: dict[str, Any] = dict(entry.arguments)
    if "space" in said:
        _must_be_for(said["space"], KEEPING, spaces)
    return replace(
        batch,
        stays=_stays(batch, entry.at_ms, said.get("space")),
        taken_down_ms=entry.at_ms,
        taken_down_by=entry.id,
        outcome=Outcome(*(said.get(part) for part in Outcome._fields)),
        note=said.get("note"),
    )


_STEP = {"weigh": _weigh, "snap": _snap, "move": _move, "takedown": _take_down}


def _stays(batch: Batch, at_ms: int, space: str | None) -> tuple[Stay, ...]:
    """The stays with the last one ended and one in `space` begun; None: in no space."""
    *before, last = batch.stays
    if last.until_ms is None:
        last = last._replace(until_ms=at_ms)
    begun = () if space is None else (Stay(at_ms, None, space),)
    return (*before, last, *begun)


def _use(space: str, spaces: Mapping[str, Space]) -> Use | None:
    return spaces[space].use if space in spaces else None


def _must_be_for(
    space: str, uses: tuple[Use, ...], spaces: Mapping[str, Space], here: str | None = None
) -> None:
    use = _use(space, spaces)
    if use is None or use in uses:
        return
    wanted = " or ".join(uses)
    fit = sorted(s.name for s in spaces.values() if s.use in uses and s.name != here)
    instead = f"choose {' or '.join(fit)}" if fit else "the settings have no such space yet"
    why = "only there to compare with" if use is Use.OUTDOORS else f"for {use}"
    raise RequestError(f"{space} is {why}; for {wanted}, {instead}", "space")
