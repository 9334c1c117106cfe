"""What the monitor says of itself and of the day: the daily line, the digest, its troubles.

Each function takes plain values and returns the whole notice. Times are UTC epoch ms.
"""

from __future__ import annotations

from collections.abc import Sequence
from urllib.parse import quote

from monitor.air.spells import Spell
from monitor.notices.notice import Circumstances, Notice, NoticeRow, Weight, body
from monitor.notices.sentences.spells import first_line
from monitor.site.spaces import OUTDOORS
from monitor.site.time import MINUTE_MS
from monitor.site.words import (
    count,
    degrees,
    humidity,
    lasting,
    listed,
    named,
    shortened,
    title,
    when,
)

# A digest longer than this is not read; the page has the rest.
DIGEST_LINES = 12


def _own(
    now_ms: int, kind: str, weight: Weight, line: str, what: str, to_do: str = "",
    place: str = "/health",
) -> Notice:  # fmt: skip
    text = body(what, to_do=to_do)
    return Notice(now_ms, None, None, kind, "", weight, title(line), text, place)


# --- the day's line, the digest, the week ---------------------------------------------------


def all_well(going_on: Sequence[Spell], circumstances: Circumstances, now_ms: int) -> Notice:
    """The daily line. Where all is not well it says what is not; no line by then: go and look."""
    matters = [spell for spell in going_on if spell.kind.row.weight != Weight.NOTE]
    odd, to_do = circumstances.disagreeing, ""
    if not matters and not circumstances.air:
        line, what = (
            "nothing is measured",
            "No sensor has told anything yet, so nobody watches here.",
        )
        to_do = "run `drying-room listen`; it shows what the sensors send."
    elif not matters and not odd:
        line, what = "all well", _how_each_is(circumstances)
    else:
        troubles = [first_line(spell, circumstances, "still ") for spell in matters]
        troubles += [_disagreement(space, sensors) for space, sensors in odd.items()]
        needs = "needs" if len(troubles) == 1 else "need"
        line = f"{count(len(troubles), 'thing')} {needs} a look"
        what = "\n".join([*_first(troubles), _how_each_is(circumstances)])
        on_the_page = "open the page; each of them says there what helps."
        to_do = on_the_page if matters else _SIDE_BY_SIDE
    line = f"{circumstances.site.name}: {line}"
    return _own(now_ms, "all-well", Weight.SOON, line, what, to_do, "/")


_SIDE_BY_SIDE = (
    "hang the sensors of that space side by side for a day; they should tell the same. "
    "Replace the one that does not, or check it with `drying-room saltcheck`."
)


def _disagreement(space: str, sensors: Sequence[str]) -> str:
    told = listed([shortened(sensor) for sensor in sensors], 4)
    if len(sensors) == 1:
        return f"{named(space)}: the sensor {told} disagrees with the others about the humidity."
    return f"{named(space)}: the sensors {told} disagree about the humidity."


def _how_each_is(circumstances: Circumstances) -> str:
    lines = [
        _how_it_is(space, circumstances)
        for space in sorted(circumstances.site.spaces)
        if space != OUTDOORS
    ]
    return "\n".join(_first(lines)) if lines else "No space is set up yet."


def _how_it_is(space: str, circumstances: Circumstances) -> str:
    air = circumstances.air.get(space)
    parts: list[str] = []
    if air is not None and air.temperature_c is not None:
        parts.append(degrees(air.temperature_c, circumstances.site))
    if air is not None and air.relative_humidity_pct is not None:
        parts.append(f"humidity {humidity(air.relative_humidity_pct)}")
    batches = circumstances.at_risk.get(space, ())
    parts.append(count(len(batches), "batch", "batches") if batches else "")
    told = ", ".join(part for part in parts if part)
    return f"{named(space)}: {told or 'nothing measured'}."


def _first(lines: Sequence[str]) -> list[str]:
    if len(lines) <= DIGEST_LINES:
        return list(lines)
    return [*lines[: DIGEST_LINES - 1], f"And {len(lines) - DIGEST_LINES + 1} more on the page."]


def digest(rows: Sequence[NoticeRow], site_name: str, now_ms: int) -> Notice | None:
    """What was only noted since the last digest, of rows oldest first; None: nothing was."""
    kinds = [row.notice.kind for row in rows]
    first = len(kinds) - kinds[::-1].index("digest") if "digest" in kinds else 0
    notes = [
        row.notice
        for row in rows[first:]
        if row.notice.weight is Weight.NOTE and row.seen_ms is None
    ]
    line = f"{site_name}: {count(len(notes), 'note')} for the record"
    of: dict[tuple[object, ...], list[Notice]] = {}
    for n in notes:
        of.setdefault((n.kind, n.space, n.sensor) if n.spell_began else (n.title,), []).append(n)
    what = "\n".join(_first([_last_of(same) for same in of.values()]))
    return _own(now_ms, "digest", Weight.SOON, line, what, place="/") if notes else None


def _last_of(same: Sequence[Notice]) -> str:
    """The newest of notes about the same thing, in a line."""
    earlier = f"; {count(len(same) - 1, 'earlier note')} of the same" if len(same) > 1 else ""
    return f"{same[-1].title}{earlier}."


def report_ready(week: str, text: str, now_ms: int) -> Notice:
    """The week's report. text: at most ten lines, from the report itself."""
    line = f"The report for week {week.rsplit('W', 1)[-1].lstrip('0')} is ready"
    return _own(now_ms, "report", Weight.SOON, line, text, place=f"/report/{quote(week)}")


def trial_message(site_name: str, now_ms: int) -> Notice:
    """What `check --notify` sends."""
    what = "You asked for it, and it came through. Nothing is wrong."
    return _own(now_ms, "test", Weight.SOON, f"{site_name}: a test message", what, place="/")


# --- troubles of the monitor itself ---------------------------------------------------------


def broker_missing(since_ms: int, timezone: str, now_ms: int) -> Notice:
    """The broker does not answer, so no reading can come."""
    return _own(
        now_ms,
        "broker",
        Weight.NOW,
        "Readings: the broker does not answer",
        f"It has not answered since {when(since_ms, now_ms, timezone)}. The broker passes on what "
        "the sensors send; until it is back, nobody watches the rooms.",
        "see that the broker's machine has power and network, and that it is running.",
    )


def broker_back(since_ms: int, timezone: str, now_ms: int) -> Notice:
    """The broker answers again."""
    return _own(
        now_ms,
        "broker",
        Weight.SOON,
        "Readings: the broker answers again",
        f"It had been gone since {when(since_ms, now_ms, timezone)}. "
        "Sensors that carry their own time send what was missed.",
    )


def disk_full(now_ms: int) -> Notice:
    """The disk has no room left, so nothing can be kept, not even this notice."""
    return _own(
        now_ms,
        "store",
        Weight.NOW,
        "Monitor: the disk is full",
        f"Nothing new can be kept. {_WAITS_AT_THE_BROKER}",
        "make room on the monitor's disk; it goes on by itself.",
    )


def store_failing(reason: str, now_ms: int) -> Notice:
    """The disk cannot be written, so nothing can be kept, not even this notice."""
    return _own(
        now_ms,
        "store",
        Weight.NOW,
        "Monitor: the disk cannot be written",
        f"Nothing new can be kept: {reason}. {_WAITS_AT_THE_BROKER}",
        "start the monitor's machine again. If this comes back, its card or disk is worn: "
        "put in a new one and bring back a backup.",
    )


def store_damaged(now_ms: int) -> Notice:
    """What the store holds can no longer be read, so nothing can be kept, not even this notice."""
    return _own(
        now_ms,
        "store",
        Weight.NOW,
        "Monitor: the store is damaged",
        "What it keeps cannot be read any more, so nothing new can be kept either. "
        + _WAITS_AT_THE_BROKER,
        "stop the monitor, bring back a backup with `drying-room restore`, and start it "
        "again. A card that does this is worn: put in a new one.",
    )


_WAITS_AT_THE_BROKER = (
    "Readings wait at the broker and are not lost yet, but until it is mended nobody watches the "
    "rooms."
)


def store_trouble(reason: str, now_ms: int) -> Notice:
    """Once the store can be written again: it could not be. reason: a few plain words."""
    return _own(
        now_ms,
        "store",
        Weight.NOW,
        "Monitor: readings could not be kept for a while",
        f"Writing to the disk failed: {reason}. What waited at the broker is kept now.",
        "run `drying-room check` on the monitor's machine; it names what to mend.",
    )


def clock_not_known(now_ms: int) -> Notice:
    """The machine has not learned the time since it started."""
    return _own(
        now_ms,
        "clock",
        Weight.NOW,
        "Monitor: the time is not known yet",
        "The machine has started without the right time. Readings that carry their own time go "
        "on; the others wait.",
        "see that the machine reaches its network, so that it can set its clock.",
    )


def clock_set(leap_ms: int, now_ms: int) -> Notice:
    """The machine's clock was set to what nobody vouches for. leap_ms: forward above 0."""
    way = "forward" if leap_ms > 0 else "back"
    return _own(
        now_ms,
        "clock",
        Weight.SOON,
        f"Monitor: the clock was put {way} by {lasting(abs(leap_ms) / MINUTE_MS)}",
        "The monitor goes on by the time it had.",
        "if the new time is right, restart the monitor; if not, set the clock right.",
    )


def job_missed(job: str, due_ms: int, timezone: str, now_ms: int) -> Notice:
    """A job of the timetable did not start in time. job: `the nightly backup`."""
    return _own(
        now_ms,
        "job-missed",
        Weight.NOTE,
        f"Monitor: {job} was missed",
        f"It was due at {when(due_ms, now_ms, timezone)}, and the machine was off or busy then.",
        "nothing, unless this comes again; then let the machine run through that hour.",
    )


def job_failed(job: str, reason: str, now_ms: int) -> Notice:
    """A job of the timetable did not succeed. reason: a few plain words."""
    return _own(
        now_ms,
        "job-failed",
        Weight.SOON,
        f"Monitor: {job} failed",
        f"The reason given: {reason}. It will be tried again at its next hour.",
        "run `drying-room check` on the monitor's machine; it names what to mend.",
    )


def payloads_unread(
    sensor: str, space: str, payloads: int, since_ms: int, reason: str, timezone: str, now_ms: int
) -> Notice:
    """A sensor sends, but what it sends cannot be read."""
    told = _own(
        now_ms,
        "unread",
        Weight.SOON,
        f"{named(space, 16)}: sensor {shortened(sensor)} cannot be read",
        f"{_unread(payloads, since_ms, timezone, now_ms)}: {reason}.",
        "run `drying-room listen`, and put the lines it offers into the settings.",
    )
    return told._replace(space=space, sensor=sensor)


def sensors_unread(
    sensors: Sequence[str], payloads: int, since_ms: int, reason: str, timezone: str, now_ms: int
) -> Notice:
    """Several sensors send what cannot be read. sensors: the one that sends most of it first."""
    told = listed([shortened(sensor) for sensor in sensors], 4)
    return _own(
        now_ms,
        "unread",
        Weight.SOON,
        f"Monitor: {count(len(sensors), 'sensor')} cannot be read",
        f"{_unread(payloads, since_ms, timezone, now_ms)}, of {told}. Of the first: {reason}.",
        "look whether the receiver that passes them on, or one device that speaks for all, "
        "has gone wrong; `drying-room listen` shows what comes.",
    )


def _unread(payloads: int, since_ms: int, timezone: str, now_ms: int) -> str:
    messages = count(payloads, "message").capitalize()
    return f"{messages} since {when(since_ms, now_ms, timezone)} could not be read"


def flooded(sensor: str, now_ms: int) -> Notice:
    """Far more readings come than sensors should send."""
    return _own(
        now_ms,
        "flooded",
        Weight.SOON,
        "Monitor: sensors send far too much",
        f"Thousands of readings come each minute, the most from {shortened(sensor)}. All are kept "
        "and the other sensors are heard, but the store grows fast.",
        "look at how often it is set to send; once a minute is plenty. If it cannot be set, "
        "take its power away.",
    )
