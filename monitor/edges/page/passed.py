"""What was passed and what was added up, in the words of the pages."""

from __future__ import annotations

from monitor.air.spells import Spell
from monitor.edges.page.house import House
from monitor.site.words import lasting, two_figures, when_minute
from monitor.store.air import Load


def past(house: House, spell: Spell, now_ms: int) -> str:
    """A spell, from when on and for how long."""
    zone = house.site.timezone
    since = when_minute(spell.began, now_ms, zone)
    who = f"sensor {spell.sensor} " if spell.sensor else ""
    what = f"{who}{spell.kind.row.word}"
    what = what[:1].upper() + what[1:]
    if spell.ended is None:
        return f"{what} since {since}, and still so"
    return f"{what} from {since}, {lasted(spell)}"


def lasted(spell: Spell) -> str:
    """How long a spell that is over lasted."""
    return f"for {lasting((spell.ended or spell.began) - spell.began)}"


def pull(load: Load) -> str | None:
    """The pull of the air added up; None: it was never known."""
    return f"{two_figures(load.kpa_h):,g} kPa·h" if load.minutes else None
