"""Sensors that stand still, and quiet rooms that only look like it.

No data set of labelled stuck sensors in closed rooms is known to us; here rooms are simulated:
a first-order lag behind an outdoor day of ±6 K and weather of ±4 K, materials that buffer the
humidity, sensor noise, and the rounding of common sensor types. The real cases are in
tests/published/test_metobs_stations.py.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import NamedTuple

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.air.quality import Track, judge, stuck_since
from monitor.air.still import NO_FEED, Feed, Pulse, beat, patience_ms, watch
from monitor.site.quantities import Flag, Quantity
from monitor.site.time import HOUR_MS, MINUTE_MS

T, H, P = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.PRESSURE
HOUR = 60
DAY = 24 * HOUR
START = 29_000_000  # a minute in 2025

Says = Callable[[int], dict[Quantity, float] | None]


class Sensors(NamedTuple):
    """What came of going through some sensors minute by minute."""

    tracks: dict[str, Track]
    feed: Feed
    stuck: dict[str, list[tuple[int, int, int | None]]]  # began, declared, moved again
    frozen: list[tuple[int, int, int | None]]
    flagged: dict[str, dict[Flag, list[int]]]


def go_through(says: dict[str, Says], minutes: int, every: int = 1) -> Sensors:
    """Minute 0 to `minutes`; a sensor says nothing in a minute where `says` gives None."""
    tracks = dict.fromkeys(says, Track())
    feed = NO_FEED
    seen = Sensors(
        tracks, feed, {n: [] for n in says}, [], {n: {Flag.STUCK: [], Flag.FEED: []} for n in says}
    )
    for minute in range(minutes):
        for name, say in says.items():
            values = say(minute) if minute % every == 0 else None
            if values is None:
                continue
            time_ms = (START + minute) * MINUTE_MS
            flags, tracks[name] = judge(tracks[name], time_ms, values, None, feed)
            for kind, when in seen.flagged[name].items():
                if any(kind in flag for flag in flags.values()):
                    when.append(minute)
            _note(seen.stuck[name], stuck_since(tracks[name], START + minute), minute)
        feed = watch(feed, [t.pulse for t in tracks.values()], START + minute)
        _note(seen.frozen, feed.since, minute)
    return seen._replace(feed=feed)


def _note(spells: list[tuple[int, int, int | None]], since: int | None, minute: int) -> None:
    if spells and spells[-1][2] is None and since != spells[-1][0] + START:
        spells[-1] = (*spells[-1][:2], minute)
    if since is not None and not (spells and spells[-1][2] is None):
        spells.append((since - START, minute, None))


def lively(seed: int, step_k: float = 0.1, step_pct: float = 1.0) -> Says:
    """Noise of 0.2 K and 1 % on a day: never the same for long."""
    rng = np.random.default_rng(seed)
    noise = rng.normal(0, 1, (40 * DAY, 2))

    def say(minute: int) -> dict[Quantity, float]:
        day = 3 * math.sin(2 * math.pi * minute / DAY)
        t = 20 + day + 0.2 * noise[minute, 0]
        h = 60 - 3 * day + noise[minute, 1]
        return {T: _told(t, step_k), H: _told(h, step_pct)}

    return say


def _told(value: float, step: float) -> float:
    return round(round(value / step) * step, 4)


def frozen(say: Says, spans: Iterable[tuple[int, int]]) -> Says:
    """The same sensor, repeating itself from the first minute of each span to its last."""
    spans = list(spans)

    def still(minute: int) -> dict[Quantity, float] | None:
        for first, last in spans:
            if first <= minute <= last:
                return say(first)
        return say(minute)

    return still


def only(quantity: Quantity, say: Says) -> Says:
    def alone(minute: int) -> dict[Quantity, float] | None:
        values = say(minute)
        return None if values is None else {quantity: values[quantity]}

    return alone


# --- quiet rooms ------------------------------------------------------------------------------


def quiet_room(
    seed: int, days: int, lag_h: float, noise_k: float, noise_pct: float, doors_a_day: float = 0
) -> tuple[np.ndarray, np.ndarray]:
    """Temperature [°C] and humidity [%] every 5 min, as the sensor would tell it unrounded."""
    rng = np.random.default_rng(seed)
    n = days * 288
    hours = np.arange(n) / 12
    outdoors = 15 + 6 * np.sin(2 * np.pi * (hours - 9) / 24) + _wander(rng, n, 60, 4)
    air = _lagged(outdoors, lag_h)
    humidity = 60 + _lagged(_wander(rng, n, 96, 6), 1.5 * lag_h) - (air - 15)
    opened = np.zeros(n)
    for _ in range(rng.poisson(doors_a_day * days)):
        at = int(rng.integers(0, n))
        after = np.arange(n - at)[:24]
        opened[at : at + 24] += rng.normal() * np.exp(-after / 5)
    return (
        air + opened + rng.normal(0, noise_k, n),
        humidity - 3 * opened + rng.normal(0, noise_pct, n),
    )


def _wander(rng: np.random.Generator, n: int, hours: float, spread: float) -> np.ndarray:
    keep = math.exp(-1 / 12 / hours)
    pushes = rng.normal(0, spread * math.sqrt(1 - keep**2), n)
    values = np.empty(n)
    value = 0.0
    for i, push in enumerate(pushes):
        value = keep * value + push
        values[i] = value
    return values


def _lagged(driver: np.ndarray, lag_h: float) -> np.ndarray:
    share = 1 - math.exp(-1 / 12 / lag_h)
    values = np.empty(len(driver))
    value = float(driver[:288].mean())
    for i, push in enumerate(driver):
        value += share * (push - value)
        values[i] = value
    return values


def first_alarm(temperature: np.ndarray, humidity: np.ndarray) -> tuple[int | None, Pulse]:
    pulse = Pulse()
    for i, (t, h) in enumerate(zip(temperature.tolist(), humidity.tolist(), strict=True)):
        pulse = beat(pulse, (START + 5 * i) * MINUTE_MS, t, h, None, NO_FEED)
        if pulse.stuck:
            return i, pulse
    return None, pulse


def rounded(values: np.ndarray, step: float) -> np.ndarray:
    return np.round(np.round(values / step) * step, 4)


@pytest.mark.parametrize("lag_h", [6, 24, 72, 240])
@pytest.mark.parametrize(
    ("noise_k", "noise_pct", "step_k", "step_pct"),
    [
        (0.005, 0.05, 0.1, 1.0),  # averaged in the sensor, told coarsely: the stillest
        (0.02, 0.2, 0.1, 1.0),
        (0.02, 0.1, 0.1, 0.1),
        (0.02, 0.1, 0.01, 0.01),
    ],
)
def test_a_quiet_closed_room_is_not_a_stuck_sensor(
    lag_h: float, noise_k: float, noise_pct: float, step_k: float, step_pct: float
) -> None:
    for seed in range(4):
        t, h = quiet_room(seed, 12, lag_h, noise_k, noise_pct, doors_a_day=seed % 3)
        alarm, _ = first_alarm(rounded(t, step_k), rounded(h, step_pct))
        assert alarm is None, (seed, alarm)


def test_the_simulated_rooms_are_quiet_enough_to_mean_something() -> None:
    """The stillest of them do hold still for more than the six hours."""
    longest = 0
    for seed in range(4):
        t, h = quiet_room(seed, 12, 240, 0.005, 0.05)
        moved = np.flatnonzero((np.diff(rounded(t, 0.1)) != 0) | (np.diff(rounded(h, 1)) != 0))
        longest = max(longest, int(np.diff(moved).max()) * 5)
    assert longest > 6 * HOUR


def test_thirty_hours_of_the_same_values_in_a_new_sensors_quiet_room() -> None:
    seen = go_through({"cellar": lambda _: {T: 21.3, H: 55.0}}, 30 * HOUR)
    assert seen.stuck["cellar"] == []
    assert seen.flagged["cellar"][Flag.STUCK] == []


def test_thirty_still_hours_in_a_room_that_has_been_still_for_ten_before() -> None:
    """Known to hold still for ten hours at a time, it is given four times that."""

    def say(minute: int) -> dict[Quantity, float]:
        steps = minute // (10 * HOUR) if minute < 4 * DAY else 9
        return {T: round(21.3 + 0.1 * (steps % 2), 1), H: 55.0 + steps % 3}

    seen = go_through({"cellar": say}, 4 * DAY + 30 * HOUR, every=5)
    assert seen.stuck["cellar"] == []


def test_the_longer_it_held_still_before_the_longer_it_is_given() -> None:
    waits = []
    for lag_h in (6, 24, 240):
        t, h = quiet_room(1, 12, lag_h, 0.005, 0.05)
        _, pulse = first_alarm(rounded(t, 0.1), rounded(h, 1))
        waits.append(patience_ms(pulse) or 0)
    assert 6 * HOUR_MS <= waits[0] < waits[1] < waits[2] <= 96 * HOUR_MS


# --- stuck sensors ----------------------------------------------------------------------------


@pytest.mark.parametrize(("step_k", "step_pct"), [(0.1, 1.0), (0.01, 0.01), (0.5, 1.0)])
@pytest.mark.parametrize("every", [1, 5, 15])
def test_a_sensor_that_always_moved_and_now_repeats_itself_is_stuck_after_six_hours(
    step_k: float, step_pct: float, every: int
) -> None:
    stops, goes = 4 * DAY, 4 * DAY + 20 * HOUR
    say = frozen(lively(1, step_k, step_pct), [(stops, goes)])
    seen = go_through({"loft": say}, goes + DAY, every)
    ((began, declared, moved),) = seen.stuck["loft"]
    assert stops - 2 * every <= began <= stops
    assert declared == began + 6 * HOUR - every
    assert moved is not None
    assert goes < moved <= goes + 2 * every
    # Flagged from the minute it is declared, not before, and not after it moves again.
    assert seen.flagged["loft"][Flag.STUCK] == list(range(declared, moved, every))
    assert seen.frozen == []


def test_a_sensor_new_for_half_a_day_that_always_jittered_is_found_too() -> None:
    say = frozen(lively(2, 0.01, 0.01), [(12 * HOUR, 20 * HOUR)])
    seen = go_through({"loft": say}, 21 * HOUR)
    assert seen.stuck["loft"] == [(12 * HOUR, 18 * HOUR - 1, 20 * HOUR + 1)]


def test_a_new_sensor_that_never_moves_is_stuck_after_two_days() -> None:
    seen = go_through({"loft": lambda _: {T: 21.37, H: 55.12}}, 3 * DAY)
    assert seen.stuck["loft"] == [(0, 2 * DAY - 1, None)]


def test_a_new_sensor_whose_pressure_stands_still_too_is_stuck_after_six_hours() -> None:
    """The pressure of the air, told to 10 Pa, does not stand still for six hours."""
    seen = go_through({"loft": lambda _: {T: 21.3, H: 55.0, P: 100_930.0}}, 8 * HOUR)
    assert seen.stuck["loft"] == [(0, 6 * HOUR - 1, None)]
    seen = go_through({"loft": lambda _: {T: 21.3, H: 55.0, P: 100_900.0}}, 30 * HOUR)
    assert seen.stuck["loft"] == [], "told to whole hectopascals it may"


def test_a_pressure_that_moves_does_not_hide_stuck_temperature_and_humidity() -> None:
    still = frozen(lively(3), [(4 * DAY, 5 * DAY)])
    seen = go_through(
        {"loft": lambda m: {**(still(m) or {}), P: 100_000.0 + m % 997}}, 5 * DAY, every=5
    )
    ((began, declared, moved),) = seen.stuck["loft"]
    assert (began, declared, moved) == (4 * DAY, 4 * DAY + 6 * HOUR - 5, None)


@pytest.mark.parametrize(
    ("quantity", "hours"), [(Quantity.TEMPERATURE, 12), (Quantity.HUMIDITY, 24)]
)
def test_one_quantity_alone_is_given_longer(quantity: Quantity, hours: int) -> None:
    say = only(quantity, frozen(lively(4), [(4 * DAY, 7 * DAY)]))
    seen = go_through({"loft": say}, 6 * DAY, every=5)
    ((began, declared, moved),) = seen.stuck["loft"]
    assert 4 * DAY - 15 <= began <= 4 * DAY
    assert declared == began + hours * HOUR - 5
    assert moved is None


def test_humidity_flat_at_the_top_is_fog_and_not_a_fault() -> None:
    dry = only(H, lively(5))

    def fog(minute: int) -> dict[Quantity, float] | None:
        return {H: 97.0} if minute >= 4 * DAY else dry(minute)

    assert go_through({"shed": fog}, 9 * DAY, every=5).stuck["shed"] == []


def test_in_fog_a_still_temperature_beside_it_is_given_twelve_hours() -> None:
    dry = lively(6)

    def fog(minute: int) -> dict[Quantity, float] | None:
        return {T: 8.2, H: 100.0} if minute >= 4 * DAY else dry(minute)

    seen = go_through({"shed": fog}, 6 * DAY, every=5)
    assert [s[:2] for s in seen.stuck["shed"]] == [(4 * DAY, 4 * DAY + 12 * HOUR - 5)]


def test_silence_is_not_stillness() -> None:
    """Heard for four hours, silent for eight, heard with the same values: nobody knows."""
    say = frozen(lively(7), [(4 * DAY, 5 * DAY)])
    quiet = range(4 * DAY + 4 * HOUR, 4 * DAY + 12 * HOUR)
    seen = go_through({"loft": lambda m: None if m in quiet else say(m)}, 5 * DAY)
    assert [s[:2] for s in seen.stuck["loft"]] == [(quiet.stop, quiet.stop + 6 * HOUR - 1)]


def test_a_stuck_sensor_that_falls_silent_is_silent_in_the_end() -> None:
    track = go_through({"loft": frozen(lively(8), [(DAY, 2 * DAY)])}, 2 * DAY).tracks["loft"]
    last = START + 2 * DAY - 1
    assert stuck_since(track, last + 6 * HOUR) == START + DAY
    assert stuck_since(track, last + 6 * HOUR + 1) is None


def test_a_stuck_sensor_that_comes_back_unchanged_is_still_stuck() -> None:
    say = frozen(lively(8), [(4 * DAY, 5 * DAY)])
    quiet = range(4 * DAY + 8 * HOUR, 4 * DAY + 11 * HOUR)
    seen = go_through({"loft": lambda m: None if m in quiet else say(m)}, 5 * DAY)
    assert [s[0::2] for s in seen.stuck["loft"]] == [(4 * DAY, None)]


def test_a_sensor_with_two_topics_is_judged_on_both() -> None:
    """Temperature and humidity in records of their own, two seconds apart."""
    say = frozen(lively(9), [(3 * DAY, 4 * DAY)])
    track = Track()
    declared = None
    for minute in range(0, 3 * DAY + 8 * HOUR):
        values = say(minute) or {}
        for quantity, late_ms in ((T, 0), (H, 2_000)):
            time_ms = (START + minute) * MINUTE_MS + late_ms
            _, track = judge(track, time_ms, {quantity: values[quantity]}, None)
        if declared is None and stuck_since(track, START + minute) is not None:
            declared = minute
    assert declared is not None
    assert abs(declared - (3 * DAY + 6 * HOUR)) <= 3
    assert abs((stuck_since(track, START + minute) or 0) - START - 3 * DAY) <= 2


# --- the whole feed ---------------------------------------------------------------------------


def test_a_frozen_feed_is_one_fault_since_its_last_sensor_stopped() -> None:
    stops = {"loft": 3 * DAY - 20, "attic": 3 * DAY - 3, "outdoors": 3 * DAY}
    goes = 3 * DAY + 15 * HOUR
    says = {n: frozen(lively(i), [(at, goes)]) for i, (n, at) in enumerate(stops.items(), 10)}
    seen = go_through(says, 4 * DAY)
    ((began, declared, moved),) = seen.frozen
    assert 3 * DAY - 1 <= began <= 3 * DAY
    assert declared == began + 6 * HOUR - 1
    assert moved is not None
    assert goes < moved <= goes + 2
    for name in says:
        assert seen.stuck[name] == []
        assert seen.flagged[name][Flag.STUCK] == []
        assert seen.flagged[name][Flag.FEED][0] == declared + 1
        assert seen.flagged[name][Flag.FEED][-1] <= moved


def test_a_sensor_still_frozen_when_the_feed_moves_again_is_stuck_since_its_own_last_move() -> None:
    stop, goes = 3 * DAY, 3 * DAY + 8 * HOUR
    says = {n: frozen(lively(i), [(stop, goes)]) for i, n in enumerate(("loft", "attic"), 20)}
    says["shed"] = frozen(lively(22), [(stop - 30, goes + 20 * HOUR)])
    seen = go_through(says, 5 * DAY)
    ((_, _, moved),) = seen.frozen
    assert moved is not None
    assert seen.stuck["loft"] == seen.stuck["attic"] == []
    ((began, declared, ended),) = seen.stuck["shed"]
    assert stop - 32 <= began <= stop - 30
    assert moved + HOUR <= declared <= moved + HOUR + 1
    assert ended == goes + 20 * HOUR + 1


def test_a_sensor_stuck_before_the_feed_froze_stays_its_own() -> None:
    stop, goes = 3 * DAY, 3 * DAY + 10 * HOUR
    says = {n: frozen(lively(i), [(stop, goes)]) for i, n in enumerate(("loft", "attic"), 30)}
    says["shed"] = frozen(lively(32), [(stop - 3 * HOUR, goes + 2 * HOUR)])
    seen = go_through(says, 4 * DAY)
    assert len(seen.frozen) == 1
    assert seen.stuck["loft"] == seen.stuck["attic"] == []
    ((began, declared, ended),) = seen.stuck["shed"]
    assert began == stop - 3 * HOUR
    assert declared == began + 6 * HOUR - 1
    assert ended == goes + 2 * HOUR + 1
    assert seen.flagged["shed"][Flag.FEED] == []


def test_the_feeds_stillness_is_not_counted_as_the_sensors_own_past() -> None:
    """Even where a sensor leaves it by its smallest step, as quiet air does."""
    stop, goes = 3 * DAY, 3 * DAY + 9 * HOUR

    def gently(say: Says) -> Says:
        held = say(stop)

        def then(minute: int) -> dict[Quantity, float] | None:
            if minute == goes + 1 and held is not None:
                return {T: round(held[T] + 0.1, 1), H: held[H]}
            return say(minute)

        return frozen(then, [(stop, goes)])

    says = {n: gently(lively(i)) for i, n in enumerate(("loft", "attic"), 33)}
    seen = go_through(says, goes + 2 * HOUR)
    assert len(seen.frozen) == 1
    for track in seen.tracks.values():
        assert track.pulse.longest_ms < HOUR_MS


def test_all_that_a_frozen_sensor_says_is_flagged_but_not_a_lamp_meter_of_its_own() -> None:
    stop = 3 * DAY
    dark = Quantity.ILLUMINANCE
    air = [frozen(lively(i), [(stop, 4 * DAY)]) for i in (35, 36)]
    tracks = dict.fromkeys(("loft", "attic", "window"), Track())
    feed, flags = NO_FEED, {}
    for minute in range(0, stop + 7 * HOUR, 5):
        says = {"loft": {**(air[0](minute) or {}), dark: 900.0}, "attic": air[1](minute) or {}}
        for name, values in {**says, "window": {dark: float(minute % 50)}}.items():
            time_ms = (START + minute) * MINUTE_MS
            flags[name], tracks[name] = judge(tracks[name], time_ms, values, None, feed)
        for each in range(minute, minute + 5):
            feed = watch(feed, [t.pulse for t in tracks.values()], START + each)
    assert flags["loft"] == dict.fromkeys((T, H, dark), Flag.FEED)
    assert flags["attic"] == dict.fromkeys((T, H), Flag.FEED)
    assert flags["window"] == {}


def test_one_neighbour_that_moves_disproves_a_frozen_feed() -> None:
    stop = 3 * DAY
    says = {
        "loft": frozen(lively(40), [(stop, stop + DAY)]),
        "attic": frozen(lively(41), [(stop, stop + DAY)]),
        "outdoors": lively(42),
    }
    seen = go_through(says, 4 * DAY)
    assert seen.frozen == []
    assert len(seen.stuck["loft"]) == len(seen.stuck["attic"]) == 1
    assert seen.stuck["outdoors"] == []


def test_a_stuck_sensor_beside_a_quiet_room_is_not_a_frozen_feed() -> None:
    """The quiet room's stillness tells nothing; the stuck sensor's does."""

    def cellar(minute: int) -> dict[Quantity, float]:
        return {T: 12.0 + 0.1 * (minute // (9 * HOUR) % 2), H: 70.0}

    stop = 4 * DAY
    seen = go_through({"loft": frozen(lively(43), [(stop, 6 * DAY)]), "cellar": cellar}, 5 * DAY)
    assert seen.frozen == []
    assert seen.stuck["cellar"] == []
    assert [s[:2] for s in seen.stuck["loft"]] == [(stop, stop + 6 * HOUR - 1)]


def test_a_short_stillness_of_everything_is_no_fault() -> None:
    stop = 3 * DAY
    says = {
        n: frozen(lively(i), [(stop - 15 * k, stop + 5 * HOUR + 40)])
        for k, (i, n) in enumerate([(50, "loft"), (51, "attic"), (52, "outdoors")])
    }
    seen = go_through(says, 4 * DAY)
    assert seen.frozen == []
    assert not any(seen.stuck.values())


def test_a_feed_that_falls_silent_is_silent_and_not_frozen() -> None:
    stop, silent = 3 * DAY, 3 * DAY + 7 * HOUR

    def quiet(say: Says) -> Says:
        return lambda minute: None if minute >= silent else say(minute)

    says = {n: quiet(frozen(lively(i), [(stop, silent)])) for i, n in ((60, "loft"), (61, "attic"))}
    seen = go_through(says, 4 * DAY)
    ((began, _, ended),) = seen.frozen
    assert began == stop
    assert ended is not None
    assert silent < ended <= silent + 15


# --- it is a fold ------------------------------------------------------------------------------

MOVES = [(0.0, 0)] * 30 + [(0.1, 0), (-0.1, 1), (0.0, -1), (2.0, 0), (-3.0, 5)]
steps = st.lists(st.tuples(st.integers(1, 60), st.sampled_from(MOVES)), max_size=80)
KNOWN = go_through({"loft": lively(70)}, 2 * DAY, every=5).tracks["loft"]


@given(steps, st.integers(0, 80))
def test_a_stuck_run_began_with_its_first_record_and_ends_with_any_change(
    changes: list[tuple[int, tuple[float, int]]], at: int
) -> None:
    """Whatever comes, and across JSON: stuck means unchanged since `began`, for six hours."""
    track, minute, t, h = KNOWN, START + 2 * DAY, 20.0, 50.0
    began = None
    for i, (wait, (dt, dh)) in enumerate(changes):
        minute += wait
        t, h = round(t + dt, 1), h + dh
        if began is None or dt or dh:
            began = minute
        _, track = judge(track, minute * MINUTE_MS, {T: t, H: h}, None)
        since = stuck_since(track, minute)
        assert since in (None, began)
        if since is not None:
            assert minute - began >= 6 * HOUR - 15
        elif minute - began >= 6 * HOUR:
            assert patience_ms(track.pulse) != 6 * HOUR_MS
        if i == at:
            track = msgspec.json.decode(msgspec.json.encode(track), type=Track)


@given(st.integers(1, 15))
def test_six_still_hours_of_a_known_lively_sensor_are_stuck_at_any_pace(every: int) -> None:
    track, began = KNOWN, START + 2 * DAY
    for minute in range(began, began + 6 * HOUR + every, every):
        assert stuck_since(track, minute) is None
        _, track = judge(track, minute * MINUTE_MS, {T: 20.0, H: 50.0}, None)
        if minute - began + every >= 6 * HOUR:
            break
    assert stuck_since(track, minute) == began
