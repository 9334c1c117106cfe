"""The adviser in simulated rooms whose truth is known: airing, sun, air changes.

    python -m tests.benchmarks.bench_adviser [--quick] [--seeds N]

Airing: the same weeks with the window never opened and with the advice followed every hour.
Sun: minutes of beam against a ray test, the windows told of with a tape measure's errors.
Air changes: each day's answer from up to four days of readings, against the mean of the last two.
"""

from __future__ import annotations

import argparse
import math
from itertools import pairwise
from statistics import mean, median
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.ahead.airing import AdviceKept, Doors, advise
from monitor.ahead.lesson import by_following
from monitor.air.minute import MinuteOfAir
from monitor.places.sun import Position, chance_of_sun, direct_minutes
from monitor.science import moist_air
from monitor.site.spaces import Window
from tests.benchmarks.room_simulator import (
    PRESSURE_PA,
    ROOMS,
    STEP_MIN,
    AllKnowing,
    Pane,
    Room,
    Run,
    Weather,
    ray_passes,
    saturation_pa,
    simulate,
    weather,
)
from tests.benchmarks.table import Row, show

Array = NDArray[np.float64]

A_DAY = 1440 // STEP_MIN
AN_HOUR = 60 // STEP_MIN
WEEKS = (125, 185, 255)  # first days of the year; 150 and 230 were used while building
DAYS = 28
TIGHT_PER_H = 0.5
RISE_G_KG = 0.3
DRY = 0.6  # kg water per kg dry: where the two ways are timed


# --- airing -----------------------------------------------------------------------------------


def minute_of_air(t: float, rh: float) -> MinuteOfAir:
    made = moist_air.state(t, rh, PRESSURE_PA)
    return MinuteOfAir(
        0, "", t, rh, None, made.dew_point_c, made.vpd_kpa, made.humidity_ratio_g_kg,
        made.absolute_humidity_g_m3, None, 1,
    )  # fmt: skip


class Follower:
    """Somebody who does what is advised."""

    def __init__(self) -> None:
        self.standing = AdviceKept()
        self.verbs: list[Doors] = []

    def __call__(
        self, minute: int, indoors: tuple[float, float], outdoors: tuple[float, float]
    ) -> bool:
        airs = minute_of_air(*indoors), minute_of_air(*outdoors)
        told, self.standing = advise(self.standing, *airs, PRESSURE_PA)
        assert told is not None
        self.verbs.append(told.verb)
        return told.verb is Doors.OPEN


def knowing(minute: int, indoors: tuple[float, float], outdoors: tuple[float, float]) -> bool:
    """Somebody who opens whenever the vapour pressure indoors is the higher, trap or no trap."""
    inside, outside = (moist_air.vapour_pressure(*air) for air in (indoors, outdoors))
    return inside > outside


def pulling(minute: int, indoors: tuple[float, float], outdoors: tuple[float, float]) -> bool:
    """Somebody who opens whenever the room would pull harder by what is measured, doubt or not."""
    now = moist_air.vapour_pressure_deficit(*indoors)
    mixed_c = outdoors[0] + 0.22 * (indoors[0] - outdoors[0])
    full = moist_air.saturation_vapour_pressure_liquid(mixed_c)
    return (full - moist_air.vapour_pressure(*outdoors)) / 1000 > now


class Hours(NamedTuple):
    """The hours in which a window stood open: all; those over which the room took up more than
    0.3 g/kg; and those after which it held that much more than had it been shut for the hour."""

    opened: int = 0
    rose: int = 0
    by_airing: int = 0

    def __add__(self, more: Hours) -> Hours:  # type: ignore[override]
        return Hours(*(a + b for a, b in zip(self, more, strict=True)))

    @property
    def said(self) -> str:
        """Both readings of a rise, as shares of the hours opened."""
        rose, by_airing = (100 * n / max(self.opened, 1) for n in self[1:])
        return f"{rose:.1f} %, {by_airing:.1f} %"


def opened_hours(run: Run) -> Hours:
    hour = np.flatnonzero(run.opened[::AN_HOUR])
    hour = hour[(hour + 1) * AN_HOUR < run.opened.size]
    before, after = hour * AN_HOUR, (hour + 1) * AN_HOUR
    # Found at each step's end, so the hour's last step is the one before the next hour.
    more = run.ratio_g_kg[after - 1] - run.had_it_been_shut_g_kg[before]
    rose = run.ratio_g_kg[after] - run.ratio_g_kg[before]
    return Hours(hour.size, int((rose > RISE_G_KG).sum()), int((more > RISE_G_KG).sum()))


def day_dry(run: Run) -> float:
    dry = np.flatnonzero(run.moisture <= DRY)
    return float(dry[0] / A_DAY) if dry.size else float(DAYS)


def vpd(run: Run) -> Array:
    full = np.array([moist_air.saturation_vapour_pressure_liquid(t) for t in run.temperature_c])
    return (1 - run.humidity_pct / 100) * full / 1000


def airing(rooms: tuple[Room, ...], weeks: tuple[int, ...]) -> list[Row]:
    days: dict[str, list[float]] = {}
    hours: dict[str, Hours] = {}
    tight: list[float] = []
    flaps: list[int] = []
    shut_hours = shut_rises = airings = lowered = 0
    for room in rooms:
        out = weather(room.climate)
        for first in weeks:
            shut = simulate(room, out, first, DAYS, lambda *_: False)
            follower = Follower()
            run = simulate(room, out, first, DAYS, follower)
            if day_dry(shut) >= DAYS and day_dry(run) >= DAYS:
                continue
            runs = {
                "shut": shut,
                "followed": run,
                "vapour": simulate(room, out, first, DAYS, knowing),
                "pull": simulate(room, out, first, DAYS, pulling),
                "all-knowing": simulate(room, out, first, DAYS, AllKnowing()),
                "all-knowing, no rise": simulate(room, out, first, DAYS, AllKnowing(0.25)),
            }
            for name, one in runs.items():
                days.setdefault(name, []).append(day_dry(one))
                hours[name] = hours.get(name, Hours()) + opened_hours(one)
            hour = np.arange(0, shut.ratio_g_kg.size - AN_HOUR, AN_HOUR)
            shut_hours += hour.size
            rose = shut.ratio_g_kg[hour + AN_HOUR] - shut.ratio_g_kg[hour]
            shut_rises += int((rose > RISE_G_KG).sum())
            if room.leak_per_h < TIGHT_PER_H:
                tight.append(1 - day_dry(run) / day_dry(shut))
            for day in range(DAYS):
                verbs = follower.verbs[24 * day : 24 * day + 25]
                flaps.append(sum(a is not b for a, b in pairwise(verbs)))
            pull, pull_shut = vpd(run), vpd(shut)
            edges = np.flatnonzero(np.diff(np.r_[0, run.opened.astype(int), 0]))
            for a, b in zip(edges[::2], edges[1::2], strict=True):
                airings += 1
                was = pull[max(0, a - 1)]
                lowered += int(pull[a:b].mean() < min(was, pull_shut[a:b].mean()))
    sooner = [1 - a / b for a, b in zip(days["followed"], days["shut"], strict=True)]
    size = f"{len(sooner)} seasons"

    def against(name: str, what: str) -> Row:
        ours, peer = sum(days["followed"]), sum(days[name])
        best = 100 * (1 - peer / sum(days["shut"]))
        return Row(
            f"… against {what}", size, f"{mean(days['followed']):.1f} days",
            f"{mean(days[name]):.1f} days, {best:.0f} % sooner; rises {hours[name].said}",
            ours / peer,
        )  # fmt: skip

    total = sum(days["followed"]) / sum(days["shut"])
    rose, by_airing = hours["followed"].said.split(", ")
    return [
        Row("airing followed: batch dry sooner", size, f"{100 * (1 - total):.0f} %",
            f"never opened, {mean(days['shut']):.1f} days", total, "at least 15 %"),
        against("vapour", "opening whenever vapour pressure is higher indoors"),
        against("pull", "opening whenever the room would pull harder, doubt or not"),
        against("all-knowing", "one who knows the room's equations and the hour's weather"),
        against("all-knowing, no rise", "the same, shut where the room would rise"),
        Row("… in rooms with under 0.5 air changes an hour", f"{len(tight)} seasons",
            f"{100 * mean(tight):.0f} %"),
        Row("… in the median season", size, f"{100 * median(sooner):.0f} %"),
        Row("… in the worst season", size, f"{100 * min(sooner):.0f} %"),
        Row("advised hours over which the room's water rose by over 0.3 g/kg",
            f"{hours['followed'].opened} h", rose,
            f"all hours never opened: {100 * shut_rises / max(shut_hours, 1):.1f} %", None,
            "at most 2 %, if the weather counts"),
        Row("… after which it held so much more than the same room shut for the hour",
            f"{hours['followed'].opened} h", by_airing, "", None,
            "at most 2 %, if only airing counts"),
        Row("airings over which the room pulled less", f"{airings}",
            f"{100 * lowered / max(airings, 1):.1f} %", goal="none"),
        Row("changes of advice a day, median", f"{len(flaps)} days", f"{median(flaps):.1f}",
            goal="under 2"),
    ]  # fmt: skip


# --- sun --------------------------------------------------------------------------------------


class Case(NamedTuple):
    """A window as built, and how a person measures it."""

    facing_deg: float
    tilt_deg: float
    width_m: float
    height_m: float
    lower_edge_m: float
    distance_m: float
    right_m: float


CASES = (
    Case(258, 90, 0.43, 0.6, 0.55, 1.2, 0.02),
    Case(180, 90, 1.0, 1.2, -0.2, 2.0, 0.5),
    Case(100, 90, 0.8, 1.0, 0.0, 1.5, -0.3),
    Case(225, 40, 0.8, 1.2, 0.8, 0.9, 0.0),
    Case(170, 35, 0.6, 1.0, 1.2, 1.0, 0.4),
)


def pane_of(case: Case) -> Pane:
    """The pane in space, from its measures by trigonometry of its own."""
    g, b = math.radians(case.facing_deg), math.radians(case.tilt_deg)
    ahead = np.array([math.sin(g), math.cos(g), 0.0])
    right = np.array([math.cos(g), -math.sin(g), 0.0])
    up_slope = -math.cos(b) * ahead + math.sin(b) * np.array([0.0, 0.0, 1.0])
    corner = (
        case.distance_m * ahead
        + (case.right_m - case.width_m / 2) * right
        + np.array([0.0, 0.0, case.lower_edge_m])
    )
    along, up = case.width_m * right, case.height_m * up_slope
    return Pane(*((float(v[0]), float(v[1]), float(v[2])) for v in (corner, along, up)))


def measured(case: Case, rng: np.random.Generator) -> Window:
    """A compass good to 2°, a tape good to 2 cm."""
    facing = case.facing_deg + rng.normal(0, 2)
    cm = rng.normal(0, 0.02, 5)
    return Window(
        "window", facing, case.width_m + cm[0], case.height_m + cm[1], case.lower_edge_m + cm[2],
        case.distance_m + cm[3], case.right_m + cm[4], case.tilt_deg,
    )  # fmt: skip


def rays(case: Case, out: Weather, place: Position, minute: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Where pvlib's sun is seen from the rail through the pane."""
    import pandas as pd
    import pvlib

    times = pd.to_datetime(minute * 60, unit="s", utc=True)
    sun = pvlib.solarposition.get_solarposition(times, place.latitude, place.longitude)
    height = np.radians(sun["apparent_elevation"].to_numpy())
    azimuth = np.radians(sun["azimuth"].to_numpy())
    pane, rail = pane_of(case), np.zeros(3)
    found = np.zeros(minute.size, dtype=bool)
    for i in np.flatnonzero(height > 0):
        to_sun = np.array(
            [
                math.cos(height[i]) * math.sin(azimuth[i]),
                math.cos(height[i]) * math.cos(azimuth[i]),
                math.sin(height[i]),
            ]
        )
        found[i] = ray_passes(pane, rail, to_sun)
    return found


def by_local_hour(out: Weather) -> Array:
    """What is thought of the sun in each hour of the year, from the air outdoors alone."""
    full = np.array([saturation_pa(t) for t in out.temperature_c])
    humidity = 100 * np.minimum(out.vapour_pa / full, 1.0)
    return chance_of_sun(out.temperature_c.reshape(-1, 24), humidity.reshape(-1, 24)).ravel()


def sun(cases: tuple[Case, ...], every_days: int, climate: str = "Greensboro") -> Array:
    """Hits, truth and told: with a light sensor; without by the air outdoors; by geometry alone
    against the rays under a clear sky; the same against what the clouds let through; and by one
    who knew each hour's mean beam. Shape (5, 3)."""
    found = np.zeros((5, 3))
    out = weather(climate)
    chance = by_local_hour(out)
    place = Position(out.latitude, out.longitude, "UTC")
    begin = 27_874_080  # 2023-01-01 00:00 UTC
    rng = np.random.default_rng(5)
    for case in cases:
        window = measured(case, rng)
        for day in range(100, 280, every_days):
            minute = begin + day * 1440 + np.arange(0, 1440, 2, dtype=np.int64)
            hour = ((minute - begin) / 60 + out.utc_offset_h).astype(int) % 8760
            beam = out.dni[hour] * np.clip(1 + 0.3 * rng.normal(size=minute.size), 0, 2)
            ray = rays(case, out, place, minute)
            shone = ray & (beam > 120)  # sunshine as the WMO counts it
            diffuse = 110 * np.clip(out.ghi[hour] - 0.5 * beam, 0, None) * 0.03
            lux = diffuse * np.exp(0.2 * rng.normal(size=minute.size)) + 5
            lux = lux + np.where(ray, 95 * beam * 0.6, 0.0)
            seen = direct_minutes([window], place, minute, lux)
            likely = direct_minutes([window], place, minute, None, chance[hour])
            clear = direct_minutes([window], place, minute, None)
            knew = direct_minutes(
                [window], place, minute, None, np.where(out.dni[hour] > 120, 1, 0)
            )
            for row, (told, truth) in enumerate(
                ((seen, shone), (likely, shone), (clear, ray), (clear, shone), (knew, shone))
            ):
                found[row] += [(told & truth).sum(), truth.sum(), told.sum()]
    return found


def sun_rows(cases: tuple[Case, ...], every_days: int) -> list[Row]:
    size = f"{len(cases)} windows, {len(range(100, 280, every_days))} days"

    def pair(hits: Array) -> str:
        recall, precision = (f"{hits[0] / n:.3f}" if n else "none" for n in hits[1:3])
        return f"{recall}, {precision}"

    seen, likely, clear, clouded, knew = sun(cases, every_days)
    rows = [
        Row("sun on the rail with a light sensor: recall, precision", size, pair(seen),
            goal="0.95, 0.9"),
        Row("… without, by windows and the air outdoors", size, pair(likely),
            f"knowing each hour's sun: {pair(knew)}", goal="0.9, 0.8"),
        Row("… by windows alone, as under a clear sky", size, pair(clouded)),
        Row("… by windows alone, against the rays of a clear sky", size, pair(clear)),
    ]  # fmt: skip
    for climate in ("Miami", "Sand Point"):
        _, likely, _, clouded, knew = sun(cases, 2 * every_days, climate)
        rows.append(
            Row(f"… by the air outdoors at {climate}, where it was fitted", "half the days",
                pair(likely), f"knowing each hour's sun: {pair(knew)}; clear sky: {pair(clouded)}")
        )  # fmt: skip
    return rows


# --- air changes ------------------------------------------------------------------------------


def exchange(rooms: tuple[Room, ...], weeks: tuple[int, ...]) -> list[Row]:
    days = dared = right = within = 0
    for room in rooms:
        out = weather(room.climate)
        for first in weeks:
            run = simulate(room, out, first, 14, lambda *_: False)
            told = run.measured.reshape(-1, 2, 4).mean(axis=1)
            true = run.changes_per_h.reshape(-1, 2).mean(axis=1)
            minute = run.minute[::2]
            indoors, outdoors = (
                np.array([moist_air.state(t, rh, PRESSURE_PA).humidity_ratio_g_kg for t, rh in two])
                for two in (told[:, :2], told[:, 2:])
            )
            for day in range(2, 15):
                part = slice(max(0, day - 4) * 144, day * 144)
                found = by_following(
                    minute[part], told[part, 0], indoors[part], outdoors[part], PRESSURE_PA
                )
                days += 1
                if found is None:
                    continue
                truth = float(true[(day - 2) * 144 : day * 144].mean())
                dared += 1
                right += max(truth / found.per_h, found.per_h / truth) <= 1.5
                within += found.low <= truth <= found.high
    return [
        Row("air changes an hour within a factor 1.5", f"{days} days",
            f"{100 * right / max(dared, 1):.0f} %", goal="80 %"),
        Row("… days with an answer", f"{days} days", f"{100 * dared / days:.0f} %", goal="50 %"),
        Row("… truth within the range told (8 in 10 meant)", f"{dared} days",
            f"{100 * within / max(dared, 1):.0f} %"),
    ]  # fmt: skip


def main(quick: bool, seeds: int = 0) -> list[Row]:
    """All rows. seeds: added to the rooms' own, for sensors and days nobody has looked at."""
    rooms, weeks = (ROOMS[:2], WEEKS[:1]) if quick else (ROOMS, WEEKS)
    rooms = tuple(room._replace(seed=room.seed + seeds) for room in rooms)
    cases, every = (CASES[:2], 45) if quick else (CASES, 6)
    return [*airing(rooms, weeks), *sun_rows(cases, every), *exchange(rooms, weeks)]


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--seeds", type=int, default=0, help="another draw of sensors and noise")
    given = parser.parse_args()
    show(main(given.quick, given.seeds))
