"""What became of the spells when readings were added, late ones too."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from monitor.air.spells import Spell


class SpellKey(NamedTuple):
    """Which spell."""

    kind: str
    space: str | None
    sensor: str | None
    began: int


def key_of(spell: Spell) -> SpellKey:
    """The identity of a spell."""
    return SpellKey(spell.kind.value, spell.space, spell.sensor, spell.began)


class SpellChanges(NamedTuple):
    """Spells before and after, compared.

    removed   told of before, and no longer any spell overlaps them
    going_on  all that have not ended
    moved     spells, as they were, that now have another beginning [UTC epoch minutes]. They
              can be renamed one by one: none moves to where another moves away from, for that
              one would not have moved
    """

    added: tuple[Spell, ...]
    ended: tuple[Spell, ...]
    removed: tuple[Spell, ...]
    going_on: tuple[Spell, ...]
    moved: tuple[tuple[Spell, int], ...]


def compare(before: Iterable[Spell], after: Iterable[Spell]) -> SpellChanges:
    """What became of the spells; two of one kind and place that overlap are the same."""
    old, new = list(before), list(after)
    same = {spell: _best_overlap(spell, new) for spell in old}
    kept = {match for match in same.values() if match is not None}
    unchanged = set(old)
    return SpellChanges(
        added=tuple(s for s in new if s not in kept),
        ended=tuple(s for s in new if s in kept and s.ended is not None and s not in unchanged),
        removed=tuple(s for s in old if same[s] is None),
        going_on=tuple(s for s in new if s.ended is None),
        moved=tuple(
            (s, match.began) for s, match in same.items() if match and match.began != s.began
        ),
    )


def _best_overlap(spell: Spell, others: Iterable[Spell]) -> Spell | None:
    """The spell of the same kind and place that this one has become, if any.

    One with the same beginning; else that which shares the most minutes, the earliest of equals.
    Of a spell still going on, the minutes up to its declaration count first: how far it went on
    after them was not known.
    """
    place = (spell.kind, spell.space, spell.sensor)
    rivals = [s for s in others if (s.kind, s.space, s.sensor) == place and _shared(spell, s) > 0]
    sure = spell if spell.ended is not None else spell._replace(ended=spell.declared)
    return max(
        rivals,
        key=lambda s: (s.began == spell.began, _shared(sure, s), _shared(spell, s), -s.began),
        default=None,
    )


def _shared(one: Spell, other: Spell) -> float:
    """Minutes two spells share, negative where they are apart; endless where both go on."""
    ends = [float("inf") if s.ended is None else max(s.ended, s.began + 1) for s in (one, other)]
    return min(ends) - max(one.began, other.began)
