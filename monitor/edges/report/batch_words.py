"""The week of each batch in words and a picture."""

from __future__ import annotations

import math
from typing import NamedTuple

from markupsafe import Markup

from monitor.drying.prospects import Prospect
from monitor.edges.charts import ChartLevel, Mark, fan_chart
from monitor.edges.report.batches import BatchWeek, Elsewhere
from monitor.edges.report.gather import SiteWeek
from monitor.edges.report.outcomes import LOST, Taken, losses_said
from monitor.edges.report.text import at
from monitor.entries.batches import Batch, described
from monitor.notices.sentences.foreseen import sentences
from monitor.site import words
from monitor.site.spaces import Site
from monitor.site.time import DAY_MIN, MINUTE_MS, local_day

# A difference of less than this is none that a grower would notice [d].
_SAME_DAY = 0.5
_GAP_SHOWN_MIN = 360
_LONG_COLOUR_MONTHS = 36


class HangingBatch(NamedTuple):
    """A batch that hung in the week, in words and a picture."""

    name: str
    what: str
    space: str
    hung: str
    weighed: str
    told: list[str]
    picture: Markup


class TakenBatch(NamedTuple):
    """A batch that was taken down, in words: outcome against conditions."""

    name: str
    what: str
    space: str
    when: str
    hung: str
    heads: str
    met: str
    losses: list[str]


class KeptBatch(NamedTuple):
    """A batch that is stored or shown, in words."""

    name: str
    what: str
    space: str
    moisture: str
    dry: str
    light: str
    colour: str


def hanging(week: SiteWeek, one: BatchWeek) -> HangingBatch:
    """A batch that hung in the week."""
    batch = one.batch
    weighed = [w for w in batch.weighings if w.at_ms < week.end * MINUTE_MS]
    told = [*promised(week, one), *harm_met(one)]
    if one.would_have is not None:
        told.append(would_have(one.would_have, week.site))
    if one.move is not None and one.move.sooner_d[1] >= _SAME_DAY:
        told.append(moved(one.move, week.site))
    return HangingBatch(
        name=batch.name,
        what=words.named(described(batch), 80),
        space=one.space,
        hung=f"{at(batch.hung_ms // MINUTE_MS, week.site)}, "
        f"{words.lasting(one.now - batch.hung_ms / MINUTE_MS)}",
        weighed=f"{weighed[-1].grams:,.0f} g" if weighed else "–",
        told=told,
        picture=Markup(picture(week, one)),  # noqa: S704 (our own drawing, escaped)
    )


def picture(week: SiteWeek, one: BatchWeek) -> str:
    """Its course until now, what is expected, and its weighings; "" where nothing is known."""
    course = one.course
    if course is None or len(course.minutes) < 2:
        return ""
    hung = max(one.batch.hung_ms // MINUTE_MS, int(course.minutes[0]))
    foreseen = one.foreseen
    gaps = [
        Mark(first, until, "not known", "gap")
        for space in week.spaces
        if space.space.name == one.space
        for first, until in space.air_gaps
        if until - first >= _GAP_SHOWN_MIN and first < one.now
    ]
    return fan_chart(
        title=f"{words.named(one.batch.name)}, still to lose",
        unit="%",
        minutes=course.minutes,
        p10=course.p10,
        p50=course.p50,
        p90=course.p90,
        timezone=week.site.timezone,
        now=one.now,
        points=one.weighed,
        levels=[ChartLevel(0.0, "crisp", "dry")],
        marks=[Mark(max(week.begin, hung), one.now, "this week", "pull"), *gaps],
        foreseen=None if foreseen is None else (foreseen.minutes, foreseen.p50),
        height=110,
    )


# -- what was promised -----------------------------------------------------------------------------


def promised(week: SiteWeek, one: BatchWeek) -> list[str]:
    """Where it was to be by now, and where it is; the day named then, and the day named now."""
    if one.said is None:
        return ["Nothing is known of its dryness: its air was not measured."]
    told = sentences(one.said, week.site)[:1] if one.now == week.end else []
    if one.foreseen is not None and one.course is not None:
        low, middle, high = (max(0.0, float(v[-1])) for v in one.foreseen[1:])
        span = f"{low:.0f} to {high:.0f} %"
        now = _left_now(one)
        told.append(
            f"As it looked when the week began, {middle:.0f} % would be left by now "
            f"(8 times in 10: {span}); it is {now:.0f} %."
        )
    moved_by = _day_moved(week, one, one.promised, one.said)
    return [*told, moved_by] if moved_by else told


def _left_now(one: BatchWeek) -> float:
    """Still to lose now [%], the middle."""
    course = one.course
    assert course is not None  # noqa: S101 (asked only where there is one)
    past = course.minutes <= one.now
    return max(0.0, float(course.p50[past][-1]))


def _day_moved(week: SiteWeek, one: BatchWeek, then: Prospect | None, now: Prospect) -> str:
    """What became of the day that was named a week ago."""
    if then is None or then.asked_ms == now.asked_ms:
        return ""
    if then.crisp_p50 is None or then.state != "expected":
        was = {
            "cannot_finish": "it could not finish here",
            "crisp": "it was likely crisp",
        }.get(then.state, "no day could be named yet")
        return f"When the week began {was}."
    named = words.day(local_day(then.crisp_p50 * MINUTE_MS, week.site.timezone))
    told = f"When the week began {named} was named"
    if one.now < week.end:
        return f"{told}; it came down {at(one.now, week.site)}."
    if now.state == "expected" and now.crisp_p50 is not None:
        later = (now.crisp_p50 - then.crisp_p50) / DAY_MIN
        if abs(later) < _SAME_DAY:
            return f"{told}, as it still is."
        return f"{told}; it is {_days(later)} {'later' if later > 0 else 'sooner'} now."
    return f"{told}; no day can be named now." if now.state == "cannot_finish" else f"{told}."


# -- the harm it met -------------------------------------------------------------------------------


def harm_met(one: BatchWeek) -> list[str]:
    """Warmth that opens its heads, damp, light, slow drying; nothing said of none."""
    harm, flower, told = one.harm, one.flower, []
    if harm.opening_h and harm.opening:
        told.append(
            f"It hung {words.lasting(60 * harm.opening_h)} this week in air that opens its heads "
            f"(above {flower.opening_above_c:.0f} °C): {harm.opening} so far."
        )
    if harm.damp_h:
        told.append(f"It hung {words.lasting(60 * harm.damp_h)} in air too damp.")
    if harm.light_share >= 0.01:
        told.append(
            f"It has had {100 * harm.light_share:.0f} % of the light its colour bears, "
            f"{100 * harm.light_share_week:.1f} % this week."
        )
    if harm.slow_h:
        told.append(
            f"It lost hardly anything for {words.lasting(60 * harm.slow_h)}, though still wet."
        )
    return told


# -- other places ----------------------------------------------------------------------------------


def would_have(place: Elsewhere, site: Site) -> str:
    """`In the spare room it would have been crisp four days sooner (8 times in 10: …).`"""
    low, middle, high = place.sooner_d
    there = f"In the air of {words.shortened(place.space)} it would have been crisp"
    if middle == math.inf:
        return f"{there} {_crisp(place, site)}; where it hangs it cannot finish."
    if middle == -math.inf:
        return f"In the air of {words.shortened(place.space)} it would never have been crisp."
    if abs(middle) < _SAME_DAY:
        return f"{there} at much the same time ({_span(low, high)})."
    return f"{there} {_days(middle)} {_way(middle)} ({_span(low, high)})."


def moved(place: Elsewhere, site: Site, opening: str = "") -> str:
    """`Moved to the spare room now, it would be crisp two days sooner (8 times in 10: …).`"""
    low, middle, high = place.sooner_d
    there = f"{opening or f'Moved to {words.shortened(place.space)} now,'} it would be crisp"
    if middle == math.inf:
        return f"{there} {_crisp(place, site)}; where it hangs it cannot finish."
    return f"{there} {_days(middle)} {_way(middle)} ({_span(low, high)})."


def _crisp(place: Elsewhere, site: Site) -> str:
    if place.crisp is None:
        return "in the end"
    return f"about {words.day(local_day(place.crisp * MINUTE_MS, site.timezone))}"


def _way(sooner_d: float) -> str:
    return "sooner" if sooner_d > 0 else "later"


def _span(low: float, high: float) -> str:
    """`8 times in 10: from half a day sooner to three days sooner`."""
    if abs(low) < _SAME_DAY and abs(high) < _SAME_DAY:
        return "8 times in 10: within half a day"
    return f"8 times in 10: from {_edge(low)} to {_edge(high)}"


def _edge(sooner_d: float) -> str:
    """One end of a span: `two days later`, `the same day`, `never done there`."""
    if math.isinf(sooner_d):
        return "done there and never where it hangs" if sooner_d > 0 else "never done there"
    return "the same day" if abs(sooner_d) < 0.25 else f"{_days(sooner_d)} {_way(sooner_d)}"


def _days(days: float) -> str:
    """`half a day`, `two days`."""
    days = abs(days)
    return "half a day" if days < 0.75 else words.count(round(days), "day")


# -- taken down, kept ------------------------------------------------------------------------------


def taken_down(week: SiteWeek, one: Taken) -> TakenBatch:
    """A batch that was taken down: outcome against conditions."""
    batch, met = one.batch, one.met
    down_ms = batch.taken_down_ms or batch.hung_ms
    conditions = []
    if met is not None and met.load_kpa_h is not None:
        conditions.append(f"drying pull {words.two_figures(met.load_kpa_h):,g} kPa·h")
        if met.damp_h:
            conditions.append(f"{words.lasting(60 * met.damp_h)} too damp")
        if met.warm_h:
            conditions.append(f"{words.lasting(60 * met.warm_h)} in air that opens its heads")
        conditions.append(f"a chance of {round(10 * met.p_crisp)} in 10 that it was dry")
    return TakenBatch(
        name=batch.name,
        what=words.named(described(batch), 80),
        space=one.space,
        when=at(down_ms // MINUTE_MS, week.site),
        hung=words.lasting((down_ms - batch.hung_ms) / MINUTE_MS),
        heads=heads(one),
        met=words.listed(conditions, 6),
        losses=[words.named(line, 200) for line in losses_said(one)],
    )


def heads(one: Taken) -> str:
    """`70 good and 2 lost to mould`."""
    outcome = one.outcome
    said = [f"{outcome.good} good"] if outcome.good is not None else []
    said += [
        f"{n} lost to {called}" for what, called in LOST.items() if (n := getattr(outcome, what))
    ]
    return words.listed(said, 6) if said else "not counted"


def kept(site: Site, batch: Batch, said: Prospect) -> KeptBatch:
    """A batch that is stored or shown: its moisture, its light, the months its colour lasts."""
    months = said.months_left
    if months is None:
        colour = "as long as it stays dark"
    elif months > _LONG_COLOUR_MONTHS:
        colour = "years"
    elif months < 1:
        colour = "less than a month"
    else:
        colour = f"about {words.count(round(months), 'month')}"
    return KeptBatch(
        name=batch.name,
        what=words.named(described(batch), 80),
        space=batch.space_at(said.asked_ms) or "",
        moisture=f"{said.moisture_pct_db:.0f} %",
        dry=f"{round(10 * said.p_crisp)} in 10",
        light=f"{100 * said.light_share:.0f} %",
        colour=colour,
    )
