"""The one thing to change next week: what hurt most, and how much a change would have brought.

Nothing is promised that was not measured: the hours are those of the week that was, in which the
air outside would have helped. Which change suits what is common practice among growers, from
memory; whether opening up would have dried a space is for `airing_helps` to say.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from monitor.ahead.airing import airing_helps
from monitor.edges.report.batch_words import moved
from monitor.edges.report.gather import SiteWeek, air
from monitor.edges.report.numbers import SpaceWeek, days_over_dose
from monitor.edges.report.text import at_clock
from monitor.science.moist_air import standard_pressure
from monitor.site import words
from monitor.site.kinds import Kind
from monitor.site.spaces import OUTDOORS, Site, Use

# Opening up is looked at so often: air outside changes slowly.
_STEP_MIN = 30
# The worst for the flowers first. Less than this is not worth a change.
_WORTH_CHANGING_H = 2.0
# From this share of the damp hours on, opening up is the thing to do.
_OPENING_PAYS = 0.25
_MISSING_SHARE = 0.1
# A batch is moved where nine in ten of the plausible ones are crisp a day sooner or more; good air
# missed is told where it would have pulled a tenth harder.
_WORTH_MOVING_D = 1.0
_WORTH_AIRING = 0.1


def thing_to_change(week: SiteWeek) -> str:
    """One or two sentences; "" where nothing needs changing."""
    move = _move(week)
    if move:
        return move
    indoors = [space for space in week.spaces if space.space.name != OUTDOORS]
    outdoors = next((s for s in week.spaces if s.space.name == OUTDOORS), None)
    for kind, change in _CHANGES:
        worst = max(indoors, key=lambda space: past_h(space, kind), default=None)
        if worst is not None and past_h(worst, kind) >= _WORTH_CHANGING_H:
            return change(week.site, worst, outdoors)
    return _less_light(indoors) or _see_to_sensors(indoors) or _air_more(week)


def _move(week: SiteWeek) -> str:
    """A batch that cannot finish where it hangs, or that is surely much sooner crisp elsewhere."""
    # What dries sooner in the heat is harmed by it.
    hot = {s.space.name for s in week.spaces if past_h(s, Kind.HOT) >= _WORTH_CHANGING_H}
    found = [
        b
        for b in week.hanging
        if b.move and b.move.sooner_d[0] >= _WORTH_MOVING_D and b.move.space not in hot
    ]
    best = max(found, key=lambda b: b.move.sooner_d[1] if b.move else 0.0, default=None)
    if best is None or best.move is None:
        return ""
    name, there = words.shortened(best.batch.name), words.shortened(best.move.space)
    return f"Next week, move {name} to {there}. {moved(best.move, week.site, 'There')}"


def _air_more(week: SiteWeek) -> str:
    """Good air that was missed, and what it would have brought."""

    def share(space: SpaceWeek) -> float:
        seen, load = week.airing.get(space.space.name), space.drying_load_kpa_h
        return seen.missed_kpa_h / load if seen is not None and load else 0.0

    worst = max(week.spaces, key=share, default=None)
    if worst is None or not week.hanging or share(worst) < _WORTH_AIRING:
        return ""
    missed = _hours(week.airing[worst.space.name].missed_h)
    brought = f"{100 * share(worst):.0f} % more drying pull"
    return _next_week(
        worst,
        f"open up while the air outside is drier. It stayed shut for {missed} of good air, which "
        f"would have brought about {brought}.",
    )


def past_h(space: SpaceWeek, kind: Kind) -> float:
    """Hours a space was past a limit of this kind."""
    return next((limit.past_h for limit in space.limits if limit.kind is kind), 0.0)


def airing_share(
    site: Site,
    space: SpaceWeek,
    outdoors: SpaceWeek | None,
    when: pd.Series[bool],
    step_min: int = _STEP_MIN,
) -> float | None:
    """Share of these minutes in which opening up would have dried the space; None: not known.

    step_min  the air is looked at so often [min]
    """
    if outdoors is None:
        return None
    minutes = when.index[when.to_numpy(dtype=np.bool_)]
    looked = minutes[minutes % step_min == 0]
    pressure_pa = standard_pressure(site.elevation_m)
    helped = [
        airing_helps(inside, outside, pressure_pa)
        for inside, outside in zip(air(space, looked), air(outdoors, looked), strict=True)
    ]
    told = [one for one in helped if one is not None]
    return sum(told) / len(told) if told else None


def _when_damp(site: Site, space: SpaceWeek, outdoors: SpaceWeek | None) -> str:
    hours = past_h(space, Kind.DAMP)
    damp = f"It was too damp for {_hours(hours)}"
    if space.space.use is not Use.HANGING:
        return _next_week(space, f"move what stands there to a drier room. {damp}.")
    share = airing_share(site, space, outdoors, space.past[Kind.DAMP])
    less = "hang less at once, or run a dehumidifier"
    if share is None:
        could_tell = "With a sensor outdoors we could say when opening up would help"
        return _next_week(space, f"{less}. {damp}. {could_tell}.")
    if share >= _OPENING_PAYS:
        open_up = "open up while the air outside is drier, and shut it when it is not"
        helped = f"Opening up would have dried it for {_part(share, hours)}"
        return _next_week(space, f"{open_up}. {damp}. {helped}.")
    helped = f"Opening up would have helped for {_part(share, hours)}"
    return _next_week(space, f"keep it shut in damp weather, and {less}. {damp}. {helped}.")


def _when_hot(site: Site, space: SpaceWeek, outdoors: SpaceWeek | None) -> str:
    hours, hot = past_h(space, Kind.HOT), space.past[Kind.HOT]
    first, last = _usual_hours(space, hot)
    said = f"shade it or air it from {first} to {last}. It was too hot for {_hours(hours)}"
    cooler = None if outdoors is None else _cooler_share(space, outdoors, hot)
    if cooler is None:
        return _next_week(space, f"{said}.")
    return _next_week(space, f"{said}, and outside it was cooler for {_part(cooler, hours)}.")


def _when_sunny(site: Site, space: SpaceWeek, outdoors: SpaceWeek | None) -> str:
    first, last = _usual_hours(space, space.past[Kind.SUNNY])
    hours = _hours(past_h(space, Kind.SUNNY))
    return _next_week(
        space, f"keep the sun off from {first} to {last}. It was too bright for {hours}."
    )


# What is said of one week's air, the first that applies.
_CHANGES = ((Kind.DAMP, _when_damp), (Kind.HOT, _when_hot), (Kind.SUNNY, _when_sunny))


def _less_light(indoors: list[SpaceWeek]) -> str:
    worst = max(indoors, key=days_over_dose, default=None)
    days = 0 if worst is None else days_over_dose(worst)
    if worst is None or not days:
        return ""
    return _next_week(
        worst,
        f"keep it darker. It took in more light than its limit on {words.count(days, 'day')}.",
    )


def _see_to_sensors(indoors: list[SpaceWeek]) -> str:
    def missing_min(space: SpaceWeek) -> int:
        return sum(end - begin for begin, end in space.air_gaps)

    worst = max(indoors, key=missing_min, default=None)
    if worst is None or missing_min(worst) < _MISSING_SHARE * 60 * worst.hours:
        return ""
    missing = words.lasting(missing_min(worst))
    return _next_week(worst, f"see to its sensors. For {missing} nobody knows how the air was.")


def _usual_hours(space: SpaceWeek, when: pd.Series[bool]) -> tuple[str, str]:
    """Between which hours of the day most of it lay, to the half hour."""
    local = pd.DatetimeIndex(space.minutes["hour"])
    of_day = (local.hour * 60 + when.index.to_numpy() % 60)[when.to_numpy(dtype=np.bool_)]
    first, last = np.quantile(of_day, (0.1, 0.9))
    return at_clock(math.floor(first / 30) * 30), at_clock(math.ceil(last / 30) * 30)


def _cooler_share(space: SpaceWeek, outdoors: SpaceWeek, when: pd.Series[bool]) -> float:
    inside = space.minutes["temperature_c"][when]
    outside = outdoors.minutes["temperature_c"].reindex(inside.index)
    return float((outside < inside).sum()) / len(inside)


def _next_week(space: SpaceWeek, to_do: str) -> str:
    return f"Next week, {words.shortened(space.space.name)}: {to_do}"


def _part(share: float, hours: float) -> str:
    """`12 h of it`, `all of it`, `none of it`."""
    part = round(share * hours)
    if part >= round(hours):
        return "all of it"
    return f"{part} h of it" if part else "none of it"


def _hours(hours: float) -> str:
    return f"{hours:.0f} h"
