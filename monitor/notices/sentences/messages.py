"""Messages that do not speak of a spell: the day's line, the digest, troubles, batches.

Each function takes plain values and returns the whole notice. Times are UTC epoch ms.
"""

from __future__ import annotations

from collections.abc import Sequence
from urllib.parse import quote

from monitor.air.musty import SlowDrying
from monitor.air.spells import Spell
from monitor.notices.circumstances import Circumstances
from monitor.notices.rules import Book, Notice, Weight, place_of
from monitor.notices.sentences import spells
from monitor.notices.sentences.spells import Words
from monitor.site.kinds import Kind
from monitor.site.spaces import OUTDOORS
from monitor.site.time import MINUTE_MS
from monitor.site.words import (
    ELECTRICS,
    HEIGHT,
    MOULD,
    chances,
    count,
    day_span,
    degrees,
    humidity,
    lasting,
    listed,
    named,
    shortened,
    spoils_as,
    temperature,
    title,
    two_figures,
    when,
)

# A digest longer than this is not read; the page has the rest.
DIGEST_LINES = 12


def _notice(
    made_ms: int,
    kind: str,
    weight: Weight,
    words: Words,
    space: str | None = None,
    place: str | None = None,
    sensor: str | None = None,
) -> Notice:
    return Notice(
        made_ms=made_ms,
        space=space,
        sensor=sensor,
        kind=kind,
        part="",
        weight=weight,
        title=title(words.title),
        body=words.body,
        place=place_of(space) if place is None else place,
        spell_began=None,
    )


# --- the day's line, the digest, the week ---------------------------------------------------


def all_well(going_on: Sequence[Spell], circumstances: Circumstances, now_ms: int) -> Notice:
    """The daily line. Where all is not well it says what is not; no line by then: go and look."""
    matters = [spell for spell in going_on if spell.kind is not Kind.COLD]
    odd = circumstances.disagreeing
    if not matters and not circumstances.air:
        words = Words(
            f"{circumstances.site.name}: nothing is measured",
            "No sensor has told anything yet, so nobody watches here.",
            to_do="run `drying-room listen`; it shows what the sensors send.",
        )
    elif not matters and not odd:
        words = Words(f"{circumstances.site.name}: all well", _how_each_is(circumstances))
    else:
        troubles = [spells.reminder(spell, circumstances, now_ms).title for spell in matters]
        troubles += [_disagreement(space, sensors) for space, sensors in odd.items()]
        things = count(len(troubles), "thing")
        needs = "needs" if len(troubles) == 1 else "need"
        words = Words(
            f"{circumstances.site.name}: {things} {needs} a look",
            "\n".join([*_first(troubles), _how_each_is(circumstances)]),
            to_do="open the page; each of them says there what helps."
            if matters
            else _SIDE_BY_SIDE,
        )
    return _notice(now_ms, "all-well", Weight.SOON, words)


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


def digest(book: Book, site_name: str, now_ms: int) -> Notice | None:
    """What was only noted since the last digest; None: nothing was."""
    kinds = [told.notice.kind for told in book.told]
    first = len(kinds) - kinds[::-1].index("digest") if "digest" in kinds else 0
    notes = [
        told.notice
        for told in book.told[first:]
        if told.notice.weight is Weight.NOTE and told.seen_ms is None
    ]
    if not notes:
        return None
    words = Words(
        f"{site_name}: {count(len(notes), 'note')} for the record",
        "\n".join(_first([f"{note.title}." for note in notes])),
    )
    return _notice(now_ms, "digest", Weight.SOON, words)


def report_ready(week: str, text: str, now_ms: int) -> Notice:
    """The week's report. text: at most ten lines, from the report itself."""
    words = Words(f"The report for week {week.rsplit('W', 1)[-1].lstrip('0')} is ready", text)
    return _notice(now_ms, "report", Weight.SOON, words, place=f"/report/{quote(week)}")


def trial_message(site_name: str, now_ms: int) -> Notice:
    """What `check --notify` sends."""
    words = Words(
        f"{site_name}: a test message",
        "You asked for it, and it came through. Nothing is wrong.",
    )
    return _notice(now_ms, "test", Weight.SOON, words)


# --- troubles of the monitor itself ---------------------------------------------------------


def broker_missing(since_ms: int, timezone: str, now_ms: int) -> Notice:
    """The broker does not answer, so no reading can come."""
    words = Words(
        "Readings: the broker does not answer",
        f"It has not answered since {when(since_ms, now_ms, timezone)}. The broker passes on what "
        "the sensors send; until it is back, nobody watches the rooms.",
        to_do="see that the broker's machine has power and network, and that it is running.",
    )
    return _notice(now_ms, "broker", Weight.NOW, words, place="/health")


def broker_back(since_ms: int, timezone: str, now_ms: int) -> Notice:
    """The broker answers again."""
    words = Words(
        "Readings: the broker answers again",
        f"It had been gone since {when(since_ms, now_ms, timezone)}. "
        "Sensors that carry their own time send what was missed.",
    )
    return _notice(now_ms, "broker", Weight.SOON, words, place="/health")


def disk_full(now_ms: int) -> Notice:
    """The disk has no room left, so nothing can be kept, not even this notice."""
    words = Words(
        "Monitor: the disk is full",
        f"Nothing new can be kept. {_WAITS_AT_THE_BROKER}",
        to_do="make room on the monitor's disk; it goes on by itself.",
    )
    return _notice(now_ms, "store", Weight.NOW, words, place="/health")


def store_failing(reason: str, now_ms: int) -> Notice:
    """The disk cannot be written, so nothing can be kept, not even this notice."""
    words = Words(
        "Monitor: the disk cannot be written",
        f"Nothing new can be kept: {reason}. {_WAITS_AT_THE_BROKER}",
        to_do="start the monitor's machine again. If this comes back, its card or disk is worn: "
        "put in a new one and bring back a backup.",
    )
    return _notice(now_ms, "store", Weight.NOW, words, place="/health")


def store_damaged(now_ms: int) -> Notice:
    """What the store holds can no longer be read, so nothing can be kept, not even this notice."""
    words = Words(
        "Monitor: the store is damaged",
        "What it keeps cannot be read any more, so nothing new can be kept either. "
        + _WAITS_AT_THE_BROKER,
        to_do="stop the monitor, bring back a backup with `drying-room restore`, and start it "
        "again. A card that does this is worn: put in a new one.",
    )
    return _notice(now_ms, "store", Weight.NOW, words, place="/health")


_WAITS_AT_THE_BROKER = (
    "Readings wait at the broker and are not lost yet, but until it is mended nobody watches the "
    "rooms."
)


def store_trouble(reason: str, now_ms: int) -> Notice:
    """Once the store can be written again: it could not be. reason: a few plain words."""
    words = Words(
        "Monitor: readings could not be kept for a while",
        f"Writing to the disk failed: {reason}. What waited at the broker is kept now.",
        to_do="run `drying-room check` on the monitor's machine; it names what to mend.",
    )
    return _notice(now_ms, "store", Weight.NOW, words, place="/health")


def clock_not_known(now_ms: int) -> Notice:
    """The machine has not learned the time since it started."""
    words = Words(
        "Monitor: the time is not known yet",
        "The machine has started without the right time. Readings that carry their own time go "
        "on; the others wait.",
        to_do="see that the machine reaches its network, so that it can set its clock.",
    )
    return _notice(now_ms, "clock", Weight.NOW, words, place="/health")


def clock_set(leap_ms: int, now_ms: int) -> Notice:
    """The machine's clock was set to what nobody vouches for. leap_ms: forward above 0."""
    way = "forward" if leap_ms > 0 else "back"
    words = Words(
        f"Monitor: the clock was put {way} by {lasting(abs(leap_ms) / MINUTE_MS)}",
        "The monitor goes on by the time it had.",
        to_do="if the new time is right, restart the monitor; if not, set the clock right.",
    )
    return _notice(now_ms, "clock", Weight.SOON, words, place="/health")


def job_missed(job: str, due_ms: int, timezone: str, now_ms: int) -> Notice:
    """A job of the timetable did not start in time. job: `the nightly backup`."""
    words = Words(
        f"Monitor: {job} was missed",
        f"It was due at {when(due_ms, now_ms, timezone)}, and the machine was off or busy then.",
        to_do="nothing, unless this comes again; then let the machine run through that hour.",
    )
    return _notice(now_ms, "job-missed", Weight.NOTE, words, place="/health")


def job_failed(job: str, reason: str, now_ms: int) -> Notice:
    """A job of the timetable did not succeed. reason: a few plain words."""
    words = Words(
        f"Monitor: {job} failed",
        f"The reason given: {reason}. It will be tried again at its next hour.",
        to_do="run `drying-room check` on the monitor's machine; it names what to mend.",
    )
    return _notice(now_ms, "job-failed", Weight.SOON, words, place="/health")


def payloads_unread(
    sensor: str, space: str, payloads: int, since_ms: int, reason: str, timezone: str, now_ms: int
) -> Notice:
    """A sensor sends, but what it sends cannot be read."""
    words = Words(
        f"{named(space, 16)}: sensor {shortened(sensor)} cannot be read",
        f"{count(payloads, 'message').capitalize()} since {when(since_ms, now_ms, timezone)} could "
        f"not be read: {reason}.",
        to_do="run `drying-room listen`, and put the lines it offers into the settings.",
    )
    return _notice(now_ms, "unread", Weight.SOON, words, space, "/health", sensor)


def sensors_unread(
    sensors: Sequence[str], payloads: int, since_ms: int, reason: str, timezone: str, now_ms: int
) -> Notice:
    """Several sensors send what cannot be read. sensors: the one that sends most of it first."""
    told = listed([shortened(sensor) for sensor in sensors], 4)
    words = Words(
        f"Monitor: {count(len(sensors), 'sensor')} cannot be read",
        f"{count(payloads, 'message').capitalize()} since {when(since_ms, now_ms, timezone)} could "
        f"not be read, of {told}. Of the first: {reason}.",
        to_do="look whether the receiver that passes them on, or one device that speaks for all, "
        "has gone wrong; `drying-room listen` shows what comes.",
    )
    return _notice(now_ms, "unread", Weight.SOON, words, place="/health")


def flooded(sensor: str, now_ms: int) -> Notice:
    """Far more readings come than sensors should send."""
    words = Words(
        "Monitor: sensors send far too much",
        f"Thousands of readings come each minute, the most from {shortened(sensor)}. All are kept "
        "and the other sensors are heard, but the store grows fast.",
        to_do="look at how often it is set to send; once a minute is plenty. If it cannot be set, "
        "take its power away.",
    )
    return _notice(now_ms, "flooded", Weight.SOON, words, place="/health")


# --- batches --------------------------------------------------------------------------------


def _batch_place(batch: str) -> str:
    return f"/batch/{quote(batch, safe='')}"


def _batch_title(batch: str, space: str, what: str) -> str:
    return f"{named(space, 14)}: {shortened(batch)} {what}"


def crisp_soon(
    batch: str, space: str, first_ms: int, last_ms: int, timezone: str, now_ms: int
) -> Notice:
    """A batch will soon be dry. first_ms, last_ms: the days between which 8 in 10 would fall."""
    words = Words(
        _batch_title(batch, space, "will soon be crisp"),
        f"Expected {day_span(first_ms, last_ms, timezone)} (8 times in 10).",
        to_do="have boxes and paper ready, and bend a stem on the first of these days.",
    )
    return _notice(now_ms, "crisp-soon", Weight.SOON, words, space, _batch_place(batch))


def try_snap(batch: str, space: str, probability: float, now_ms: int) -> Notice:
    """A batch is probably dry. probability: that it is crisp now, 0 to 1."""
    words = Words(
        _batch_title(batch, space, "may be crisp"),
        f"By the air it has hung in, {_in_ten(probability)} that it is dry.",
        to_do="bend a thick stem: if it snaps, take the batch down; tell me either way.",
    )
    return _notice(now_ms, "try-snap", Weight.SOON, words, space, _batch_place(batch))


def _in_ten(probability: float) -> str:
    """A chance, as part of a sentence."""
    return f"the chances are {chances(probability)}"


def stalled(
    batch: str, space: str, still_to_lose_pct: float, since_ms: int, timezone: str, now_ms: int
) -> Notice:
    """A batch has all but stopped drying. still_to_lose_pct: 100 fresh, 0 crisp."""
    words = Words(
        _batch_title(batch, space, "has stopped drying"),
        f"About {still_to_lose_pct:.0f} % of its water is still to lose, and hardly any has gone "
        f"since {when(since_ms, now_ms, timezone)}.",
        to_do="move it to a drier space, its bunches a hand apart.",
        caution=HEIGHT,
    )
    return _notice(now_ms, "stalled", Weight.SOON, words, space, _batch_place(batch))


def drying_too_slowly(batch: str, space: str, slow: SlowDrying, now_ms: int) -> Notice:
    """A batch risks going mouldy for its slowness; by a rule of our own."""
    words = Words(
        _batch_title(batch, space, "dries too slowly"),
        f"{slow.why} Moist for so long, a bunch can go mouldy inside. That is our own rule of "
        f"thumb, no standard. What would change this: {slow.changes}",
        to_do=slow.to_do,
        caution=MOULD,
    )
    return _notice(now_ms, "drying-slowly", Weight.SOON, words, space, _batch_place(batch))


def cannot_finish(
    batch: str, space: str, humidity_pct: float, would_do_pct: float | None, now_ms: int
) -> Notice:
    """A batch can never get dry in its air. would_do_pct: the humidity that would do, if known."""
    enough = ""
    if would_do_pct is not None:
        enough = f" A humidity of {humidity(would_do_pct)} or less would do."
    words = Words(
        _batch_title(batch, space, "cannot finish here"),
        f"At the humidity here ({humidity(humidity_pct)} lately) it stays too moist to take "
        f"down, however long it hangs.{enough}",
        to_do="move it to a drier space, or run a dehumidifier here.",
        caution=ELECTRICS,
    )
    return _notice(now_ms, "cannot-finish", Weight.SOON, words, space, _batch_place(batch))


def opening_in_heat(
    batch: str, space: str, temperature_c: float, threshold_c: float, site_unit: str, now_ms: int
) -> Notice:
    """Moist heads open in the heat. threshold_c: from where this flower opens."""
    here, from_there = (temperature(t, site_unit) for t in (temperature_c, threshold_c))
    words = Words(
        _batch_title(batch, space, "is opening in the heat"),
        f"It is {here} here, and its heads are still moist: above {from_there} they go on opening.",
        to_do="move it to the coolest dark space you have until evening.",
        caution=HEIGHT,
    )
    return _notice(now_ms, "opening", Weight.NOW, words, space, _batch_place(batch))


def light_share(
    batch: str,
    space: str,
    colour: str | None,
    share_pct: float,
    months_left: float | None,
    now_ms: int,
) -> Notice:
    """A batch has had much of the light its colour bears. share_pct: of that light, so far."""
    left = "" if months_left is None else f" {_months(months_left)} at this light."
    words = Words(
        _batch_title(batch, space, "has had much light"),
        f"About {two_figures(share_pct):.0f} % of the light its colour bears before one sees it "
        f"{spoils_as(colour)}.{left}",
        to_do="move it somewhere darker.",
    )
    return _notice(now_ms, "light-share", Weight.SOON, words, space, _batch_place(batch))


def _months(months: float) -> str:
    if months < 1:
        return "Good colour is left for less than a month"
    return f"Good colour is left for about {count(round(months), 'month')}"


def taken_down_moist(batch: str, space: str, probability_dry: float, now_ms: int) -> Notice:
    """A batch was taken down that was probably not dry. probability_dry: 0 to 1."""
    words = Words(
        _batch_title(batch, space, "was likely not dry"),
        f"It was taken down, and {_in_ten(probability_dry)} that it was dry. "
        "Boxed up moist, it can go mouldy within days.",
        to_do="hang it up again until a thick stem snaps.",
    )
    return _notice(now_ms, "taken-down-moist", Weight.NOW, words, space, _batch_place(batch))
