"""What would change if: as somebody asks it, and as it is answered."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import partial
from typing import NamedTuple

from monitor.entries.entries import RequestError
from monitor.places.plan import Candidate, Choice, bunches, so_many
from monitor.places.water import bears_range
from monitor.site.words import ELECTRICS, HEATERS, UNVENTED, named

_FORMS = '"door", "fan 60" (m³ an hour), "dehumidifier 10" (litres a day), "bunches 6" or "heater"'
_ASKED = re.compile(r"(door|heater|(fan|dehumidifier|bunches)\s+(\d+(?:\.\d+)?))")


# Compressors ice up below about this [°C] (sellers' own advice).
COMPRESSOR_ABOVE_C = 15.0
# A door open in the middle of the day [1/h], for so long [h]: from memory, for cross-draught.
DOOR_PER_H = 8.0
DOOR_HOURS = 2.0
# Dehumidifiers give about half of what their plate says, in ordinary rooms: sellers' own tables
# (10 l a day rated, 5.6 l at 27 °C and 60 %).
OF_NAMEPLATE = 0.5


class WhatIf(NamedTuple):
    """A change somebody could make.

    bears  (low, middle, high) water the space then bears [g/h]
    """

    name: str
    bears: tuple[float, float, float]
    why: str
    caution: str


class WhatIfs(NamedTuple):
    """What is asked; None and False: not."""

    door: bool = False
    fan_m3_h: float | None = None
    litres_a_day: float | None = None
    bunches: int | None = None
    heater: bool = False


def read_what_ifs(asked: Sequence[str]) -> WhatIfs:
    """What is asked, from a person's words.

    raises  RequestError with one sentence

    >>> read_what_ifs(["fan 60", "door"])
    WhatIfs(door=True, fan_m3_h=60.0, litres_a_day=None, bunches=None, heater=False)
    """
    wanted = WhatIfs()
    for text in asked:
        found = _ASKED.fullmatch(text.strip().lower())
        if found is None:
            raise RequestError(f'a what-if is {_FORMS}, not "{text}"', "what_if")
        match found[2], found[3]:
            case "fan", number:
                wanted = wanted._replace(fan_m3_h=_within(number, 5, 5000, "a fan moves"))
            case "dehumidifier", number:
                wanted = wanted._replace(litres_a_day=_within(number, 1, 100, "it takes"))
            case "bunches", number:
                wanted = wanted._replace(bunches=int(_within(number, 1, 1000, "a harvest has")))
            case _ if found[1] == "door":
                wanted = wanted._replace(door=True)
            case _:
                wanted = wanted._replace(heater=True)
    return wanted


def _within(number: str, low: float, high: float, what: str) -> float:
    value = float(number)
    if not low <= value <= high:
        raise RequestError(f"{what} {low:g} to {high:g}, not {number}", "what_if")
    return value


def what_if(
    space: Candidate, fan_m3_h: float | None = None, litres_a_day: float | None = None
) -> list[WhatIf]:
    """What opening at noon, a fan or a dehumidifier would add; empty where it cannot be told.

    fan_m3_h      airflow of a fan in an opening [m³/h]
    litres_a_day  of a dehumidifier, as its plate says [l/day]
    """
    if space.damp_pct is None or space.room is None:
        return []
    bears = partial(bears_range, space.damp_pct, *space.room)
    air, volume_m3, _ = space.room
    door = DOOR_PER_H * DOOR_HOURS / 24
    does = f"Two hours of draught do as much as {door:.1f} changes of air an hour all day."
    only = "Only while the air outside is the drier."
    told = [WhatIf("the door open at noon", bears(more_per_h=door), does, only)]
    if fan_m3_h is not None:
        fan = bears(more_per_h=fan_m3_h / volume_m3)
        does = "It carries off as much more air, as long as the air outside is the drier."
        told.append(WhatIf(f"a fan of {fan_m3_h:.0f} m³ an hour", fan, does, ELECTRICS))
    if litres_a_day is not None:
        takes = bears(extra_g_h=1000 * OF_NAMEPLATE * litres_a_day / 24)
        does = "In a room like this it takes about half of what its plate says, with all shut."
        if air.indoors[0] < COMPRESSOR_ABOVE_C:
            does += " Below 15 °C one with a compressor ices up and does less still."
        name = f"a dehumidifier of {litres_a_day:g} litres a day"
        told.append(WhatIf(name, takes, does, ELECTRICS))
    return told


def heating_said() -> str:
    """All that is said of heaters."""
    return f"Warmth lowers the humidity but carries no water off. {UNVENTED} {HEATERS}"


def told_what_ifs(
    wanted: WhatIfs, choices: Sequence[Choice], spaces: Sequence[Candidate]
) -> list[str]:
    """The answers, one sentence or a few each: for the best space, and of heaters the caution."""
    lines: list[str] = []
    of_name = {space.name: space for space in spaces}
    if choices and (wanted.door or wanted.fan_m3_h or wanted.litres_a_day):
        lines += _of_space(wanted, choices[0], of_name[choices[0].space])
    if wanted.heater:
        lines.append(heating_said())
    return lines


def _of_space(wanted: WhatIfs, choice: Choice, space: Candidate) -> list[str]:
    changes = what_if(space, wanted.fan_m3_h, wanted.litres_a_day)[0 if wanted.door else 1 :]
    if choice.bears is None or not changes:
        return [f"{named(space.name)}: what that would change cannot be told. {choice.reasons[-1]}"]
    bears = choice.bears
    return [
        f"{named(space.name)} with {change.name}: it bears {so_many(then or bears)} instead of "
        f"{so_many(bears)}. {change.why} {change.caution}"
        for change in changes
        for then in [bunches(space, choice.one_g_h, change.bears)]
    ]
