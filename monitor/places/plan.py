"""Where today's harvest should hang, and how much a space bears: a short ranking with reasons."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from monitor.ahead.lesson import Exchange
from monitor.drying.crisp_day import LIKELY, when_crisp
from monitor.drying.ensemble import begin
from monitor.drying.hours import HORIZON_DAYS, HourlyAir, like_recent_days, usual_day
from monitor.drying.members import Hung, Prior
from monitor.places.water import (
    SpaceAir,
    bears_range,
    given_off_g_h,
    given_off_till_crisp_g_h,
    humidity_with,
)
from monitor.science import moist_air
from monitor.site.flowers import Flower
from monitor.site.words import chances, count, listed, named, two_figures

# (temperature [°C], humidity [%]) of the mean air → days to crisp as (p10, p50, p90); None: never.
DaysToCrisp = Callable[[float, float], tuple[float, float, float] | None]

# What a risk is worth in the ranking, as a share of the days: our own choice.
HOT_WEIGHS, SUN_WEIGHS, DAMP_WEIGHS = 1.0, 0.5, 1.0
# Chances below this are not worth a word; a beam shorter than this does little [min a day].
WORTH_A_WORD = 0.2
LITTLE_SUN_MIN = 15.0


@dataclass(frozen=True)
class Candidate:
    """A space the harvest could hang in; None: not known.

    air               mean of the coming day; None: nothing measured
    damp_pct, hot_c   its limits
    hot_chance        probability that its hot limit is passed in the coming day [-]
    sun_min           minutes of direct sun on the rail a day [min]
    volume_m3, exchange  what the room is, and how often its air changes
    hangs             batches there, in words
    """

    name: str
    air: SpaceAir | None
    damp_pct: float | None = None
    hot_c: float | None = None
    hot_chance: float | None = None
    sun_min: float | None = None
    volume_m3: float | None = None
    exchange: Exchange | None = None
    hangs: tuple[str, ...] = ()

    @property
    def room(self) -> tuple[SpaceAir, float, Exchange] | None:
        """Its air, volume and exchange; None: one of them is not known."""
        air, volume_m3, exchange = self.air, self.volume_m3, self.exchange
        if air is None or volume_m3 is None or exchange is None:
            return None
        return air, volume_m3, exchange


@dataclass(frozen=True)
class Harvest:
    """What was cut today.

    fresh_g      weight of one bunch when cut [g]; None: not weighed
    water_share  of it [-], from the book of flowers
    """

    flower: str
    bunches: int
    fresh_g: float | None
    water_share: float


class Choice(NamedTuple):
    """One space of the ranking, the best first.

    days     p10, p50, p90 to crisp; None: cannot finish there, or nothing is measured
    bears    bunches before its humidity stays above its limit: fewest, likeliest, most; None:
             cannot be told
    rank_by  days, made longer by the risks; infinite where it cannot finish
    reasons  sentences: the expected days, the risks, the effect on what hangs there, how many
    sure     how sure this is, one sentence
    changes  what would change it, one sentence
    one_g_h  water that one bunch gives off there on its first day [g/h]; None: cannot be told
    """

    space: str
    days: tuple[float, float, float] | None
    bears: tuple[int, int, int] | None
    rank_by: float
    reasons: tuple[str, ...]
    sure: str
    changes: str
    one_g_h: float | None = None


def ranking(
    harvest: Harvest, candidates: Sequence[Candidate], days_to_crisp: DaysToCrisp
) -> list[Choice]:
    """The spaces for this harvest, the best first."""
    measured = {space.name for space in candidates if space.air is not None}
    choices = [_choice(harvest, candidate, days_to_crisp) for candidate in candidates]
    return sorted(
        choices,
        key=lambda one: (one.rank_by, one.space not in measured, one.bears is None, one.space),
    )


def _choice(harvest: Harvest, space: Candidate, days_to_crisp: DaysToCrisp) -> Choice:
    if space.air is None:
        return _unmeasured(space)
    now = days_to_crisp(*space.air.indoors)
    # The first day's water makes the room damp; that of all days makes the drying slower.
    loaded_pct = meanwhile_pct = one_g_h = None
    if now is not None and harvest.fresh_g is not None:
        fresh_g, share = harvest.fresh_g * harvest.bunches, harvest.water_share
        loaded_pct = _loaded(space, given_off_g_h(fresh_g, share, now[1]))
        meanwhile_pct = _loaded(space, given_off_till_crisp_g_h(fresh_g, share, now[1]))
        one_g_h = given_off_g_h(harvest.fresh_g, share, now[1])
    days = now if meanwhile_pct is None else days_to_crisp(space.air.indoors[0], meanwhile_pct)
    bears = bunches(space, one_g_h)
    if days is None:
        return Choice(
            space.name, None, bears, float("inf"),
            (
                f"At {_pct(meanwhile_pct or space.air.indoors[1])} it cannot get crisp here.",
                *_effect(space, loaded_pct),
                *([] if now is None else [_how_many(harvest, space, bears)]),
            ),
            "How sure: fair, from the last days' air and the book of flowers.",
            "Drier air there would change that, or fewer bunches at once.",
            one_g_h,
        )  # fmt: skip
    damp = loaded_pct is not None and space.damp_pct is not None and loaded_pct > space.damp_pct
    weight = 1.0 + HOT_WEIGHS * (space.hot_chance or 0.0)
    weight += SUN_WEIGHS * float((space.sun_min or 0.0) > LITTLE_SUN_MIN)
    weight += DAMP_WEIGHS * float(damp)
    reasons = (
        f"Expected crisp in {_days(days)} (8 times in 10).",
        *_risks(space, loaded_pct if damp else None),
        *_effect(space, loaded_pct),
        _how_many(harvest, space, bears),
    )
    return Choice(
        space.name, days, bears, days[1] * weight, reasons, _sure(space), _changes(space), one_g_h
    )


def _unmeasured(space: Candidate) -> Choice:
    return Choice(
        space.name, None, None, float("inf"),
        ("Its air is not measured, so nothing can be told of it.",),
        "How sure: not at all.", "A sensor in it would tell.",
    )  # fmt: skip


def _loaded(space: Candidate, load_g_h: float) -> float | None:
    """Mean humidity with so much more water given to it [%]; None: cannot be told."""
    if space.room is None:
        return None
    air, volume_m3, exchange = space.room
    return humidity_with(air, load_g_h, volume_m3, exchange.per_h)


def bunches(
    space: Candidate, one_g_h: float | None, bears_g_h: tuple[float, float, float] | None = None
) -> tuple[int, int, int] | None:
    """Bunches a space bears beside what hangs there: fewest, likeliest, most.

    The air as measured already holds the water of what hangs there, so only what is left up to the
    limit counts.

    one_g_h    water that one gives off [g/h]
    bears_g_h  water the space bears, with a change made [g/h]; None: as it is
    returns    None: cannot be told
    """
    if space.room is None or space.damp_pct is None or one_g_h is None:
        return None
    at_limit = bears_g_h or bears_range(space.damp_pct, *space.room)
    taken = bears_range(space.room[0].indoors[1], *space.room)
    low, middle, high = (
        int(max(0.0, a - b) / one_g_h) for a, b in zip(at_limit, taken, strict=True)
    )
    return low, middle, high


def days_to_crisp(flower: Flower, stems: int | None, now_minute: int, prior: Prior) -> DaysToCrisp:
    """The days a harvest of this flower takes, as a function of a space's mean air.

    now_minute  [UTC epoch minutes]; it only fixes what is drawn
    returns     (temperature [°C], humidity [%]) → days as (p10, p50, p90), at most HORIZON_DAYS;
                None where it is likelier than not that it never gets crisp in such air
    """
    fresh = begin(Hung(f"harvest of {flower.key}", now_minute, flower, stems), prior)
    hours = np.arange(fresh.hour - 24, fresh.hour, dtype=np.int64)

    def days(temperature_c: float, humidity_pct: float) -> tuple[float, float, float] | None:
        day = HourlyAir(
            hours,
            np.full(24, temperature_c),
            np.full(24, min(humidity_pct, 98.0)),
            np.ones(24),
        )
        took = (
            when_crisp(fresh, like_recent_days(fresh.hung, usual_day(day, fresh.hour))) - fresh.hour
        ) / 24
        if np.isfinite(took).mean() < LIKELY:
            return None
        took = np.where(np.isfinite(took), took, HORIZON_DAYS)
        low, middle, high = np.quantile(took, (0.1, 0.5, 0.9), axis=0)
        return float(low), float(middle), float(high)

    return days


def told(harvest: Harvest, choices: Sequence[Choice]) -> list[str]:
    """The ranking in lines, as the command prints it."""
    lines = [f"{count(harvest.bunches, 'bunch', 'bunches').capitalize()} of {harvest.flower}:"]
    for place, choice in enumerate(choices, 1):
        lines.append(f"{place}. {named(choice.space)}. {' '.join(choice.reasons)}")
        lines.append(f"   {choice.sure} {choice.changes}")
    return lines


def _risks(space: Candidate, damp_pct: float | None) -> list[str]:
    told = []
    if space.hot_chance is not None and space.hot_chance >= WORTH_A_WORD:
        told.append(f"It gets hot: {chances(space.hot_chance)} within the day.")
    if damp_pct is not None:
        told.append(f"It gets damp: about {_pct(damp_pct)} in the first days.")
    if space.sun_min is None:
        told.append("Whether the sun reaches the rail cannot be told: its windows are not known.")
    elif space.sun_min > LITTLE_SUN_MIN:
        told.append(f"The sun is on the rail for {space.sun_min:.0f} min a day and fades colours.")
    return told


def _effect(space: Candidate, loaded_pct: float | None) -> list[str]:
    if not space.hangs or space.air is None:
        return []
    if loaded_pct is None:
        return [f"What it does to {listed(space.hangs)} there cannot be told."]
    now = moist_air.vapour_pressure_deficit(*space.air.indoors)
    then = moist_air.vapour_pressure_deficit(space.air.indoors[0], loaded_pct)
    slower = 0.0 if now <= 0 else 100 * (1 - then / now)
    if slower < 5:
        return [f"{named(listed(space.hangs), 60)} there would hardly notice."]
    return [
        f"The humidity goes from {_pct(space.air.indoors[1])} to {_pct(loaded_pct)} at first, and "
        f"{listed(space.hangs)} there dries about {slower:.0f} % slower."
    ]


def _how_many(harvest: Harvest, space: Candidate, bears: tuple[int, int, int] | None) -> str:
    if bears is None:
        missing = [
            word
            for word, value in (
                ("its volume", space.volume_m3),
                ("how often its air changes", space.exchange),
                ("the weight of a bunch", harvest.fresh_g),
                ("a damp limit", space.damp_pct),
            )
            if value is None
        ]
        return f"How many it bears cannot be told: {listed(missing)} is not known."
    if harvest.bunches > bears[2]:
        return (
            f"It bears {so_many(bears)} before its humidity stays above "
            f"{_pct(space.damp_pct or 0)}: hang fewer."
        )
    return f"It bears {so_many(bears)}."


def so_many(bears: tuple[int, int, int]) -> str:
    """Fewest, likeliest and most bunches in words, no surer than they are known."""
    low, middle, high = (f"{two_figures(bunches):,.0f}" for bunches in bears)
    return f"about {middle} of these ({low} to {high})"


def _sure(space: Candidate) -> str:
    if space.exchange is None:
        return "How sure: fair for the days, from the last days' air; not weighed for the load."
    return "How sure: fair; the air change is known to a factor of about 1.5."


def _changes(space: Candidate) -> str:
    if space.volume_m3 is None:
        return "With its volume in the settings more could be told."
    return "Other weather would change that, or a weighing that shows another pace."


def _days(days: tuple[float, float, float]) -> str:
    first, last = round(days[0]), round(days[2])
    more = " or more" if last >= HORIZON_DAYS else ""
    span = f"{first}" if first == last else f"{first} to {last}"
    return f"{span} days{more}"


def _pct(value: float) -> str:
    return f"{value:.0f} %"
