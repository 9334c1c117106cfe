"""What would change if: as somebody asks it, and as it is answered."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

from monitor.entries.entries import RequestError
from monitor.places.plan import Candidate, Choice, heating_said, so_many, what_if
from monitor.places.water import WhatIf, bears_range
from monitor.site.words import named

_FORMS = '"door", "fan 60" (m³ an hour), "dehumidifier 10" (litres a day), "bunches 6" or "heater"'
_ASKED = re.compile(r"(door|heater|(fan|dehumidifier|bunches)\s+(\d+(?:\.\d+)?))")


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


def told_what_ifs(
    wanted: WhatIfs, choices: Sequence[Choice], spaces: Sequence[Candidate]
) -> list[str]:
    """The answers, one sentence or a few each: for the best space, and of heaters the caution."""
    lines: list[str] = []
    of_name = {space.name: space for space in spaces}
    if choices and (wanted.door or wanted.fan_m3_h or wanted.litres_a_day):
        best = choices[0]
        lines += _of_space(wanted, best, of_name[best.space])
    if wanted.heater:
        lines.append(heating_said())
    return lines


def _of_space(wanted: WhatIfs, choice: Choice, space: Candidate) -> list[str]:
    changes = what_if(space, wanted.fan_m3_h, wanted.litres_a_day)
    if not wanted.door:
        changes = changes[1:]
    if choice.bears is None or not changes:
        return [f"{named(space.name)}: what that would change cannot be told. {choice.reasons[-1]}"]
    return [_told(choice, space, change) for change in changes]


def _told(choice: Choice, space: Candidate, change: WhatIf) -> str:
    bunches = bunches_with(choice, space, change)
    if bunches is None or choice.bears is None:
        return f"{named(space.name)}: what {change.name} would change cannot be told."
    return (
        f"{named(space.name)} with {change.name}: it bears {so_many(bunches)} instead of "
        f"{so_many(choice.bears)}. {change.why} {change.caution}"
    )


def bunches_with(choice: Choice, space: Candidate, change: WhatIf) -> tuple[int, int, int] | None:
    """Bunches a space bears with a change made: fewest, likeliest, most; None: cannot be told."""
    air, volume, exchange, one_g_h = space.air, space.volume_m3, space.exchange, choice.one_g_h
    if air is None or volume is None or exchange is None or one_g_h is None:
        return None
    taken = bears_range(air, air.indoors[1], volume, exchange)
    low, middle, high = (
        int(max(0.0, bears - now) / one_g_h) for bears, now in zip(change.bears, taken, strict=True)
    )
    return low, middle, high
