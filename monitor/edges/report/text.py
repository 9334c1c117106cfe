"""The week in at most ten lines, for the phone."""

from __future__ import annotations

from datetime import timedelta

from monitor.edges.report.gather import SensorWeek, SiteWeek
from monitor.edges.report.numbers import SpaceWeek, days_over_dose
from monitor.edges.report.outcomes import Promise, held
from monitor.entries.entries import Calibration, Service
from monitor.site import words
from monitor.site.kinds import Kind
from monitor.site.quantities import Quantity
from monitor.site.spaces import OUTDOORS, Site
from monitor.site.time import MINUTE_MS, local, local_day

MOST_LINES = 10
_MOST_SPACES = 3
# Less than this is in the tables only.
_GAP_WORTH_SAYING_MIN = 30
_PAST_WORTH_SAYING_MIN = 15
# Both weeks must be known this well before their sums are compared.
_COMPARABLE_SHARE = 0.9
# A difference smaller than this is no difference: sensors do not agree any better.
_SAME_SHARE = 0.05

PULL_EXPLAINED = (
    "Drying pull: how hard the air drew water from the flowers, hour by hour, added up."
)
MEANS_EXPLAINED = (
    "Told from ten-minute means, for single minutes are not kept that long: peaks were sharper."
)


def phone_text(week: SiteWeek, change: str = "") -> str:
    """The report in at most ten lines; the first fits a lock screen.

    change  the one thing to change next week
    """
    lines = [title(week), headline(week), *filter(None, [change])]
    if week.known_h:
        indoors = [s for s in week.spaces if s.space.name != OUTDOORS and s.air_known_h]
        told = indoors if len(indoors) <= _MOST_SPACES else indoors[: _MOST_SPACES - 1]
        lines += [space_line(week, space) for space in told]
        if len(told) < len(indoors):
            more = words.count(len(indoors) - len(told), "more space")
            lines.append(f"{words.named(more)} in the full report.")
    lines += list(
        filter(None, (missing_line(week), means_line(week), sensor_line(week), notice_line(week)))
    )
    if any("rying pull" in line for line in lines):
        lines.append(PULL_EXPLAINED)
    return "\n".join(lines[:MOST_LINES])


def title(week: SiteWeek) -> str:
    """The site, the week and its days."""
    first, last = week.week.monday, week.week.monday + timedelta(days=6)
    so_far = "" if week.over else ", so far"
    return words.title(
        f"Week {week.week.number} at {words.named(week.site.name, 16)}: "
        f"{words.day(first)} to {words.day(last)}{so_far}"
    )


def headline(week: SiteWeek) -> str:
    """The week in one sentence."""
    if not week.known_h:
        return (
            "Nothing is known of this week: no readings came. Look whether the sensors have power "
            "and the broker runs."
        )
    worst = [passed for space in week.spaces if (passed := _worst(space))]
    if worst:
        sentences = [sentence for _, _, sentence in sorted(worst)[:2]]
        return f"{words.named(words.listed(sentences), 200)}."
    first = all(space.added for space in week.spaces if space.air_known_h)
    whole = first or all(_well_known(space) for space in week.spaces)
    return f"{'The first week here' if first else 'A quiet week'}: no limit was passed for long" + (
        "." if whole else ", as far as is known."
    )


def space_line(week: SiteWeek, space: SpaceWeek) -> str:
    """A space's air, how hard it dried, and what passed its limits."""
    parts = [f"{words.named(space.space.name)}: {_range(week.site, space)}"]
    if space.drying_load_kpa_h is not None:
        parts.append(f"drying pull {words.two_figures(space.drying_load_kpa_h):,g} kPa·h")
        before = week.before.get(space.space.name) if week.over else None
        compared = compared_with(space, before)
        if compared:
            parts[-1] += f", {compared} the week before"
    passed = [
        f"{limit.kind.row.too} for {words.lasting(60 * limit.past_h)}"
        for limit in space.limits
        if 60 * limit.past_h >= _PAST_WORTH_SAYING_MIN
    ]
    if days := days_over_dose(space):
        passed.append(f"too much light on {words.count(days, 'day')}")
    if passed:
        parts.append(words.listed(passed))
    if space.added:
        parts.append(f"first heard {at(space.begin, week.site)}")
    return "; ".join(parts) + "."


def compared_with(space: SpaceWeek, before: SpaceWeek | None) -> str:
    """Its drying pull against the week before: `a fifth more than` …; "" if not comparable."""
    if before is None or not _well_known(space) or not _well_known(before):
        return ""
    now, then = space.drying_load_kpa_h, before.drying_load_kpa_h
    if now is None or not then or before.added:
        return ""
    share = (now / space.air_known_h) / (then / before.air_known_h) - 1
    if abs(share) < _SAME_SHARE:
        return "much the same as"
    if share >= 1:
        return f"{words.two_figures(share + 1):g} times that of"
    return f"{abs(share):.0%} {'more' if share > 0 else 'less'} than".replace("%", " %")


def missing_line(week: SiteWeek) -> str:
    """What is not known, and the longest gap's own time; "" where nothing is missing."""
    missing = []
    for space in week.spaces if week.known_h else ():
        gaps = space.air_gaps
        minutes = sum(end - begin for begin, end in gaps)
        if minutes >= _GAP_WORTH_SAYING_MIN:
            longest = max(gaps, key=lambda gap: gap[1] - gap[0])
            when = ("longest " if len(gaps) > 1 else "") + between(*longest, week.site)
            missing.append(f"{space.space.name} {words.lasting(minutes)} ({when})")
    return f"Not known: {words.listed(missing, 3)}." if missing else ""


def means_line(week: SiteWeek) -> str:
    """Said of a week that is told from ten-minute means; "" of any other."""
    return MEANS_EXPLAINED if week.means else ""


def sensor_line(week: SiteWeek) -> str:
    """Sensors that fell silent or stuck; "" if all were well."""
    whole_h = (week.end - week.begin) / 60
    ill = [told for s in week.sensors if week.known_h and (told := _ill(s, whole_h))]
    feed = [
        f"all at once ({s.spell.kind} {words.lasting(60 * s.hours)})"
        for s in week.faults
        if s.spell.sensor is None
    ]
    return f"Sensors: {words.listed(feed + ill, 4)}." if feed or ill else ""


def notice_line(week: SiteWeek) -> str:
    """Notices that were made, and whether any did not arrive; "" for none."""
    notices = week.notices
    if not notices.made:
        return ""
    seen = words.count(notices.seen, "of them", "of them") if notices.seen else "none of them"
    line = f"{words.named(words.count(notices.made, 'notice'))}, {seen} marked as seen"
    if notices.failed:
        line += f", {notices.failed} did not reach the phone"
    return f"{line}."


def at(minute: int, site: Site) -> str:
    """A moment by the site's clock: `Tue 14 Jul, 14:10`."""
    there = local(minute * MINUTE_MS, site.timezone)
    return f"{words.day(there.date())}, {there:%H:%M}"


def at_clock(minute_of_day: int) -> str:
    """A time of day: `14:30`."""
    return f"{minute_of_day // 60:02d}:{minute_of_day % 60:02d}"


def between(begin: int, end: int, site: Site) -> str:
    """A span by the site's clock: `Tue 14 Jul, 14:10 to 15:30`."""
    first, last = at(begin, site), at(end, site)
    day = f"{first.split(', ')[0]}, "
    return f"{first} to {last.removeprefix(day)}"


def _worst(space: SpaceWeek) -> tuple[int, float, str] | None:
    """What mattered most here: its rank, hours or days (negative, to sort), and the sentence."""
    if space.space.name == OUTDOORS:
        return None
    kind = min((s.spell.kind for s in space.spells), key=lambda k: k.row.rank, default=None)
    if kind is None:
        days = days_over_dose(space)
        sentence = f"{space.space.name} took in too much light on {words.count(days, 'day')}"
        return (len(Kind), -days, sentence) if days else None
    # The time past the limit, as the space's own line has it; mould has no such limit.
    hours = next(
        (limit.past_h for limit in space.limits if limit.kind is kind),
        sum(s.hours for s in space.spells if s.spell.kind is kind),
    )
    sentence = f"{space.space.name} was {kind.row.too} for {words.lasting(60 * hours)}"
    return kind.row.rank, -hours, sentence


def _range(site: Site, space: SpaceWeek) -> str:
    told = []
    if space.coldest and space.warmest:
        coldest, warmest = (words.degrees(e.value, site) for e in (space.coldest, space.warmest))
        told.append(_from_to(coldest, warmest))
    if space.driest and space.dampest:
        driest, dampest = (words.humidity(e.value) for e in (space.driest, space.dampest))
        told.append(f"humidity {_from_to(driest, dampest)}")
    return ", ".join(told)


def _from_to(low: str, high: str) -> str:
    """`14 to 33 °C`; `14 °C` where the two are said alike."""
    return high if low == high else f"{low.rsplit(' ', 1)[0]} to {high}"


def _well_known(space: SpaceWeek) -> bool:
    return space.air_known_h >= _COMPARABLE_SHARE * space.hours


def _ill(week: SensorWeek, whole_h: float) -> str:
    told = [
        f"{ill} {'all week' if hours >= whole_h else words.lasting(60 * hours)}"
        for ill, hours in (("silent", week.silent_h), ("stuck", week.stuck_h))
        if hours
    ]
    return f"{week.sensor.name} ({', '.join(told)})" if told else ""


# With fewer the share that held says nothing.
ENOUGH_PROMISES = 5


def promises_kept(week: SiteWeek) -> list[str]:
    """What was promised of the batches taken down this week, and how the year's promises held."""
    down = {one.batch.hung_by for one in week.taken_down}
    told = [
        _promise(promise, week.site) for promise in week.promises if promise.batch.hung_by in down
    ]
    counts, fewest = held(week.promises)
    if counts:
        caution = " These are too few to judge by." if fewest < ENOUGH_PROMISES else ""
        told.append(
            f"This year's days named came within the span said, {words.listed(counts)}; "
            f"8 of 10 should.{caution}"
        )
    return told


def _promise(promise: Promise, site: Site) -> str:
    def day(minute: int) -> str:
        return words.day(local_day(minute * MINUTE_MS, site.timezone))

    return (
        f"{promise.batch.name}: {words.count(promise.lead_days, 'day')} before, {day(promise.p50)} "
        f"was named ({day(promise.p10)} to {day(promise.p90)}); it was {day(promise.crisp)} "
        f"({promise.by}){'' if promise.held else ', outside the span'}."
    )


def sensors_changed(week: SiteWeek) -> list[str]:
    """What was done to sensors this week, in order of time."""
    return [
        f"{change.sensor}, {at(change.from_ms // MINUTE_MS, week.site)}: {_change(change)}."
        for change in week.changed
    ]


def _change(change: Calibration | Service) -> str:
    if isinstance(change, Service):
        return "out of service from here on" if change.out else "back in service"
    corrected = "" if change.quantity is None else f"its {change.quantity.value} is corrected"
    if change.swapped:
        told = "another sensor hangs there from here on, and is judged by its own past"
        return f"{told}; {corrected}" if corrected else told
    return f"{corrected} from here on"


def machine_told(week: SiteWeek) -> str:
    """Disk, backup and batteries in a few sentences."""
    machine = week.machine
    told = [
        f"The store takes {machine.store_bytes / 1e6:,.0f} MB; "
        f"{machine.free_bytes / 1e9:,.1f} GB are free."
    ]
    if machine.backups and machine.backed_up_ms is None:
        told.append("There is no backup yet.")
    elif machine.backed_up_ms is not None:
        made = at(machine.backed_up_ms // MINUTE_MS, week.site)
        told.append(f"Last backup: {made}, {words.count(machine.backups_kept, 'backup')} kept.")
    if machine.batteries:
        said = [
            f"{name} {value:g} {week.site.sensors[name].unit(Quantity.BATTERY)}"
            for name, value in machine.batteries.items()
            if name in week.site.sensors
        ]
        told.append(f"Batteries: {words.listed(said, 40)}.")
    return " ".join(told)
