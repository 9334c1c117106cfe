"""The fold: one minute of everything, from the state before it.

Every flag, minute of air and spell comes from stepping one immutable `State` through the minutes
in order. The state is kept at every full hour; when readings come late, the engine goes back to
the state kept before them and folds again, so the outcome is a function of the set of readings
and never of the order in which they came.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from monitor.air import still
from monitor.air.minute import MinuteOfAir, Musty, SensorMinute, minute_of_air
from monitor.air.neighbours import Spaces, Together
from monitor.air.sensor import (
    MOIST,
    Faults,
    Flags,
    Follower,
    Following,
    Presence,
    Records,
    SensorState,
    faults_going_on,
    heard_both,
    held,
    step_faults,
)
from monitor.air.spells import (
    INSIDE,
    DailyMean,
    Limit,
    Spell,
    Watch,
    limit_once_crisp,
    limits_of,
    measured,
    spell_of,
    step,
)
from monitor.entries.entries import Calibration, Service
from monitor.entries.logbook import CrispSpan, crisp_in
from monitor.science.moist_air import standard_pressure
from monitor.site.kinds import Kind
from monitor.site.quantities import Flag, Quantity
from monitor.site.spaces import OUTDOORS, Site, Space


class SpaceState(NamedTuple):
    """What is remembered of a space: a watch a limit, its last day's humidity, its mould."""

    watches: Mapping[Kind, Watch] = {}
    humidity: DailyMean = DailyMean()
    musty: Musty = Musty()


class State(NamedTuple):
    """Everything that is remembered between minutes; `minute` is the next one to fold."""

    minute: int
    sensors: Mapping[str, SensorState] = {}
    spaces: Mapping[str, SpaceState] = {}
    faults: Faults = Faults({}, {})
    feed: still.Feed = still.NO_FEED
    together: Together = Together()


class Folded(NamedTuple):
    """What one minute gave, or some.

    flags  where they differ from those stored
    air    one a space of which anything is known
    ended  spells that ended
    hours  the states at the full hours that are over
    """

    state: State
    flags: Flags
    air: list[MinuteOfAir]
    ended: list[Spell]
    hours: list[State]


class Rooms(NamedTuple):
    """What one minute meant for the spaces; see `Folded` and `State`."""

    air: list[MinuteOfAir]
    spaces: Mapping[str, SpaceState]
    faults: Faults
    ended: list[Spell]


class Fold:
    """The step from one minute to the next, for one site as its settings are now.

    crisp       when and where something crisp hung: limits that wait for it hold then

    followers   each sensor with what people said of it; barometers: those that tell the pressure
    neighbours  the sensors of each space
    """

    def __init__(
        self,
        site: Site,
        calibrations: Sequence[Calibration],
        services: Sequence[Service] = (),
        crisp: Iterable[CrispSpan] = (),
    ) -> None:
        self._site = site
        self._crisp = tuple(crisp)
        self._once_crisp = {name: limit_once_crisp(space) for name, space in site.spaces.items()}
        self.followers = {
            name: Follower(
                sensor,
                [c for c in calibrations if c.sensor == name],
                [s for s in services if s.sensor == name],
            )
            for name, sensor in site.sensors.items()
        }
        self.barometers = {
            name: f for name, f in self.followers.items() if Quantity.PRESSURE in f.sensor.reads
        }
        self._pressure_pa = standard_pressure(site.elevation_m)
        self._limits = {name: limits_of(space) for name, space in site.spaces.items()}
        self._sensors_of = {name: site.sensors_of(name) for name in site.spaces}
        self.neighbours = Spaces(site)
        # Outdoors first: surfaces known by their factor need its temperature.
        self._spaces: list[Space] = sorted(site.spaces.values(), key=lambda s: s.name != OUTDOORS)

    def fit(self, state: State) -> State:
        """The same state for these settings: new sensors and spaces start unknown."""
        sensors = self._site.sensors
        return State(
            state.minute,
            {n: state.sensors.get(n) or SensorState(since=state.minute) for n in sensors},
            {n: state.spaces.get(n) or SpaceState() for n in self._site.spaces},
            state.faults._replace(
                silent={n: w for n, w in state.faults.silent.items() if n in sensors},
                stuck={n: w for n, w in state.faults.stuck.items() if n in sensors},
            ),
            state.feed,
            self.neighbours.fit(state.together),
        )

    def step(self, state: State, records: Records, following: Following) -> Folded:
        """Fold the state's next minute."""
        minute = state.minute
        flags: Flags = {}
        sensors: dict[str, SensorState] = {}
        told: dict[str, SensorMinute] = {}
        for name, follower in self.followers.items():
            sensors[name], told[name] = follower.minute(
                state.sensors[name], state.feed, minute, records.get(name, {}), following, flags
            )
        together = self._hold_together(state, sensors, told, records, flags)
        pressures = {
            name: held(f.sensor, sensors[name], minute, Quantity.PRESSURE)
            for name, f in self.barometers.items()
        }
        feed = still.watch(state.feed, [s.track.pulse for s in sensors.values()], minute)
        heard = {n: self.followers[n].heard(s, minute) for n, s in sensors.items()}
        rooms = self.rooms((state.spaces, state.faults), minute, told, pressures, heard, feed.since)
        new = State(minute + 1, sensors, rooms.spaces, rooms.faults, feed, together)
        return Folded(new, flags, rooms.air, rooms.ended, at_full_hour(new))

    def rooms(
        self,
        before: tuple[Mapping[str, SpaceState], Faults],
        minute: int,
        told: Mapping[str, SensorMinute],
        pressures: Mapping[str, float | None],
        heard: Mapping[str, Presence],
        feed_frozen: int | None,
    ) -> Rooms:
        """What a minute means for the spaces, once it is known what each sensor says of it.

        before       the spaces and faults after the minute before
        pressures    what each barometer holds [Pa]
        feed_frozen  minute since which the whole feed repeats itself; None: it moves
        """
        spaces_before, faults_before = before
        air = self._air(minute, told, self._pressure(pressures))
        spaces, ended = self._watch(spaces_before, minute, air)
        watched, over = step_faults(self._site, faults_before, minute, heard, feed_frozen)
        return Rooms(list(air.values()), spaces, watched, ended + over)

    def going_on(self, state: State) -> list[Spell]:
        """The spells that are declared and not over."""
        found = [
            spell_of(watch, kind, name)
            for name, space in state.spaces.items()
            for kind, watch in space.watches.items()
        ]
        return [s for s in found if s is not None] + faults_going_on(self._site, state.faults)

    def disagreeing(self, state: State) -> dict[str, tuple[str, ...]]:
        """Of each space in which sensors disagree, those to doubt."""
        return self.neighbours.disagreeing(state.together)

    def _hold_together(
        self,
        state: State,
        sensors: Mapping[str, SensorState],
        told: dict[str, SensorMinute],
        records: Records,
        flags: Flags,
    ) -> Together:
        """Hold the sensors of each space against each other; mark those to doubt."""
        minute = state.minute
        changed = [n for n, f in self.followers.items() if f.change_from(minute) == minute]
        before = state.together.without(changed) if changed else state.together
        together, doubts = self.neighbours.step(
            before, minute, told, lambda name: heard_both(sensors[name], minute)
        )
        doubt(doubts, told, records, flags)
        return together

    def _pressure(self, told: Mapping[str, float | None]) -> float:
        """Air pressure of the site [Pa]: a sensor's, else what its elevation gives."""
        return next((pa for pa in told.values() if pa is not None), self._pressure_pa)

    def _air(
        self, minute: int, told: Mapping[str, SensorMinute], pressure_pa: float
    ) -> dict[str, MinuteOfAir]:
        air: dict[str, MinuteOfAir] = {}
        for space in self._spaces:
            outdoors = air.get(OUTDOORS)
            of_space = minute_of_air(
                space,
                minute,
                [told[s.name] for s in self._sensors_of[space.name]],
                pressure_pa,
                outdoors.temperature_c if outdoors else None,
            )
            if of_space is not None:
                air[space.name] = of_space
        return air

    def _watch(
        self, before: Mapping[str, SpaceState], minute: int, air: Mapping[str, MinuteOfAir]
    ) -> tuple[dict[str, SpaceState], list[Spell]]:
        spaces: dict[str, SpaceState] = {}
        ended: list[Spell] = []
        for name, space in self._site.spaces.items():
            of_space = air.get(name)
            of_before = before[name]
            humidity = of_before.humidity
            if space.limits.damp_is_daily_mean:
                value = of_space.relative_humidity_pct if of_space else None
                humidity = humidity.with_minute(minute, value)
            musty = of_before.musty
            if space.limits.musty_index is not None:
                musty = musty.with_minute(minute, of_space)
            watches: dict[Kind, Watch] = {}
            for limit in self._limits_at(name, minute, of_before):
                watches[limit.kind], over = step(
                    of_before.watches.get(limit.kind, INSIDE),
                    limit,
                    name,
                    minute,
                    measured(limit.kind, space, of_space, humidity, musty),
                )
                if over is not None:
                    ended.append(over)
            spaces[name] = SpaceState(watches, humidity, musty)
        return spaces, ended

    def _limits_at(self, space: str, minute: int, before: SpaceState) -> tuple[Limit, ...]:
        """The limits that hold in this minute, and one that no longer does while its spell ends."""
        limits, once_crisp = self._limits[space], self._once_crisp[space]
        if once_crisp is None:
            return limits
        if crisp_in(self._crisp, space, minute):
            return (*limits, once_crisp)
        if before.watches.get(once_crisp.kind, INSIDE) is INSIDE:
            return limits
        return (*limits, once_crisp._replace(value=-once_crisp.deadband))


def through(
    fold: Fold, state: State, end: int, records: Mapping[int, Records], following: Following
) -> Folded:
    """Fold minute by minute from the state's next one up to `end`.

    records  of these minutes, where there are any
    """
    whole = Folded(state, {}, [], [], [])
    while whole.state.minute < end:
        one = fold.step(whole.state, records.get(whole.state.minute, {}), following)
        whole.flags.update(one.flags)
        whole.air.extend(one.air)
        whole.ended.extend(one.ended)
        whole.hours.extend(one.hours)
        whole = whole._replace(state=one.state)
    return whole


def at_full_hour(state: State) -> list[State]:
    """The state, if a full hour is over with it."""
    return [state] if state.minute % 60 == 0 else []


def doubt(
    doubts: Mapping[str, Flag], told: dict[str, SensorMinute], records: Records, flags: Flags
) -> None:
    """Mark what is to be doubted of a minute, for sensors were held against each other."""
    for name, doubt in doubts.items():
        if doubt & Flag.IN_THE_SUN:
            told[name] = told[name]._replace(in_the_sun=True)
        for time_ms, record in records.get(name, {}).items():
            for quantity in MOIST:
                if quantity not in record or record[quantity][1] & Flag.TOO_OLD:
                    continue
                stored = record[quantity][1]
                key = (time_ms, name, quantity)
                flags[key] = flags.get(key, stored) | doubt
                if flags[key] == stored:
                    del flags[key]
