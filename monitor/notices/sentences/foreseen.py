"""What is foreseen, in sentences: of batches, of a space's coming hours, and of airing.

Times are UTC epoch, in the unit that their names end on; chances are 0 to 1.
"""

from __future__ import annotations

from collections.abc import Sequence
from urllib.parse import quote

from monitor.ahead.airing import Airing, Doors
from monitor.ahead.airing_hours import AiringHours
from monitor.drying.prospects import KEPT, SLOW_HUMIDITY_PCT, Prospect
from monitor.entries.batches import Batch, BatchState
from monitor.notices.notice import Circumstances, Notice, Part, Weight, body, place_of
from monitor.notices.sentences.spells import before_it
from monitor.site.kinds import Kind
from monitor.site.spaces import Site
from monitor.site.time import MINUTE_MS, local, local_day
from monitor.site.words import (
    ELECTRICS,
    HEIGHT,
    MOULD,
    chances,
    count,
    day,
    day_span,
    degrees,
    figure,
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
    when_minute,
)

LIGHT_WORTH_SAYING = 0.05
LOSS_WORTH_SAYING_PCT = 0.5
MONTHS_WORTH_SAYING = 36
MAY_BE_CRISP, LIKELY = 0.4, 0.65
NEXT_TO_NOTHING_PCT = 0.5
ANEW = "being worked out anew"


def sentences(said: Prospect, site: Site, colour: str | None = None) -> list[str]:
    """How dry it is and when it will be crisp; what heat and light did to it and its colour."""
    lines = [_dryness(said, site), _water(said)]
    if said.better_space is not None and said.better_left_pct is not None:
        left = f"it would have had about {said.better_left_pct:.0f} % still to lose by now"
        crisp = said.better_left_pct < NEXT_TO_NOTHING_PCT
        there = "it would likely be crisp by now" if crisp else left
        lines.append(f"Hung in {said.better_space} instead, {there}.")
    if said.opening in ("some", "much"):
        warmth = f"{said.opening} of the warmth that opens moist heads"
        lines.append(f"By our own reckoning it has had {warmth}.")
    if said.light_share >= LIGHT_WORTH_SAYING:
        share = f"{100 * said.light_share:.0f} %"
        bears = f"of the light its colour bears before it is seen to {spoils_as(colour)}"
        lines.append(f"It has had {share} {bears}.")
    months = said.months_left if said.state == KEPT else None
    if months is not None and months < MONTHS_WORTH_SAYING:
        lines.append(f"At this light its colour lasts {_months(months)} more.")
    return lines


def why_nothing(batch: Batch, doubted: bool, air_known: bool) -> str | None:
    """Why nothing is said of a batch of which nothing is; None: it is done with.

    doubted    more became known since something was said
    air_known  something is known of the air it is in now
    """
    if doubted:
        return f"How dry it is is {ANEW}, for more has become known of it."
    if batch.state is not BatchState.HANGING:
        return None
    if air_known:
        return "How dry it is will be said from the next full hour on."
    return "Nothing is known yet of the air it hangs in, so nothing of how dry it is."


def tag(said: Prospect, site: Site) -> str:
    """The same as short as a tag on the rail: `40 % to lose, crisp about Tue 14 Jul`."""
    if said.state == "crisp":
        return f"{'likely' if said.p_crisp >= LIKELY else 'may be'} crisp: bend a stem"
    left = f"{said.still_to_lose_pct:.0f} % to lose"
    if said.state == "expected" and said.crisp_p50 is not None:
        return f"{left}, crisp about {_day(said.crisp_p50, site)}"
    if said.state == "cannot_finish":
        return f"{left}, cannot finish here"
    return "kept" if said.state == KEPT else left


def _dryness(said: Prospect, site: Site) -> str:
    left = f"About {said.still_to_lose_pct:.0f} % of its water is still to lose."
    dry = chances(said.p_crisp)
    if said.state == KEPT:
        return f"The chances that it is dry are {dry}."
    if said.state == "crisp":
        so = "is likely" if said.p_crisp >= LIKELY else "may be"
        test = "Bend a thick stem: if it snaps, take it down."
        return f"It {so} crisp: the chances are {dry}. {test}"
    p10, p50, p90 = said.crisp_p10, said.crisp_p50, said.crisp_p90
    if p10 is not None and p50 is not None and p90 is not None:
        first, middle, last = (_day(minute, site) for minute in (p10, p50, p90))
        if p10 * MINUTE_MS <= said.asked_ms:
            return f"{left} Crisp about {middle}, if it is not yet (9 times in 10 by {last})."
        return f"{left} Crisp about {middle} (8 times in 10 between {first} and {last})."
    if said.state == "cannot_finish":
        needed = said.humidity_needed_pct
        return f"{left} It cannot finish here: the air is too moist.{_would_do(needed)}"
    return f"{left} {_no_promise(said, site)}"


def _water(said: Prospect) -> str:
    """How much water it holds, and how fast that goes."""
    holds = f"It holds about {said.moisture_pct_db:.0f} g of water to every 100 g that is dry."
    if said.stalled:
        return f"It hardly dries any more. {holds}"
    if said.state in (KEPT, "crisp") or said.loses_pct_a_day < LOSS_WORTH_SAYING_PCT:
        return holds
    return f"In the next day about {said.loses_pct_a_day:.0f} % will go. {holds}"


def _no_promise(said: Prospect, site: Site) -> str:
    """Why no day is promised, what chances it has, and what would mend it."""
    if said.p_finishes is None:
        return "No day can be promised yet."
    here = chances(said.p_finishes)
    told = [f"No day can be promised: the chances that it gets dry here are {here}."]
    if said.if_dry_p50 is not None and said.if_dry_p50 * MINUTE_MS > said.asked_ms:
        told.append(f"If it does, about {_day(said.if_dry_p50, site)}.")
    if said.p_crisp >= MAY_BE_CRISP:
        told.append("It may be crisp already: bend a stem, only that tells.")
    elif (needed := said.humidity_needed_pct) is not None:
        told.append(f"A humidity of {humidity(needed)} or less would make sure.")
    return " ".join(told)


def _would_do(humidity_pct: float | None) -> str:
    needed = "" if humidity_pct is None else humidity(humidity_pct)
    return needed and f" A humidity of {needed} or less would do."


def _day(minute: int, site: Site) -> str:
    return day(local_day(minute * MINUTE_MS, site.timezone))


# --- what is said of a batch, once each -----------------------------------------------------


def crisp_soon(
    batch: str, space: str, first_ms: int, last_ms: int, timezone: str, now_ms: int
) -> Notice:
    """A batch will soon be dry. first_ms, last_ms: the days between which 8 in 10 would fall."""
    what = f"Expected {day_span(first_ms, last_ms, timezone)} (8 times in 10)."
    to_do = "have boxes and paper ready, and bend a stem on the first of these days."
    return _of_batch("crisp-soon", batch, space, "will soon be crisp", now_ms, what, to_do)


def try_snap(batch: str, space: str, probability: float, now_ms: int) -> Notice:
    """A batch is probably dry. probability: that it is crisp now."""
    what = f"By the air it has hung in, {in_ten(probability)} that it is dry."
    to_do = "bend a thick stem: if it snaps, take the batch down; tell me either way."
    return _of_batch("try-snap", batch, space, "may be crisp", now_ms, what, to_do)


def stalled(
    batch: str, space: str, still_to_lose_pct: float, since_ms: int, timezone: str, now_ms: int
) -> Notice:
    """A batch has all but stopped drying. still_to_lose_pct: 100 fresh, 0 crisp."""
    left = f"About {still_to_lose_pct:.0f} % of its water is still to lose"
    what = f"{left}, and hardly any has gone since {when(since_ms, now_ms, timezone)}."
    to_do = "move it to a drier space, its bunches a hand apart."
    return _of_batch("stalled", batch, space, "has stopped drying", now_ms, what, to_do, HEIGHT)


def drying_too_slowly(
    batch: str, space: str, still_to_lose_pct: float, hung_h: float, damp_h: float, now_ms: int
) -> Notice:
    """A batch risks going mouldy for its slowness; by a rule of our own."""
    what = (
        f"After {lasting(60 * hung_h)} about {still_to_lose_pct:.0f} % of its water is still to "
        f"lose, and for {lasting(60 * damp_h)} its air was over {SLOW_HUMIDITY_PCT:.0f} %. "
        "Moist for so long, a bunch can go mouldy inside. That is our own rule of thumb, no "
        "standard. What would change this: drier air, or a weighing that shows more has gone."
    )
    to_do = (
        "split the bunches, hang them a hand apart where air moves, and look inside the thickest."
    )
    return _of_batch("drying-slowly", batch, space, "dries too slowly", now_ms, what, to_do, MOULD)


def cannot_finish(
    batch: str, space: str, humidity_pct: float, would_do_pct: float | None, now_ms: int
) -> Notice:
    """A batch can never get dry in its air. would_do_pct: the humidity that would do, if known."""
    what = (
        f"At the humidity here ({humidity(humidity_pct)} lately) it stays too moist to take "
        f"down, however long it hangs.{_would_do(would_do_pct)}"
    )
    to_do = "move it to a drier space, or run a dehumidifier here."
    line = "cannot finish here"
    return _of_batch("cannot-finish", batch, space, line, now_ms, what, to_do, ELECTRICS)


def opening_in_heat(
    batch: str, space: str, temperature_c: float, threshold_c: float, site_unit: str, now_ms: int
) -> Notice:
    """Moist heads open in the heat. threshold_c: from where this flower opens."""
    here, from_there = (temperature(t, site_unit) for t in (temperature_c, threshold_c))
    moist = f"It is {here} here, and its heads are still moist"
    what = f"{moist}: above {from_there} they go on opening."
    to_do = "move it to the coolest dark space you have until evening."
    told = _of_batch("opening", batch, space, "is opening in the heat", now_ms, what, to_do, HEIGHT)
    return told._replace(weight=Weight.NOW)


def light_share(
    batch: str, space: str, spoils: str, share_pct: float, months_left: float | None, now_ms: int
) -> Notice:
    """A batch has had much of the light its colour bears: what that does, and its share so far."""
    what = (
        f"About {two_figures(share_pct):.0f} % of the light its colour bears before one sees it "
        f"{spoils}."
    )
    if months_left is not None:
        what += f" Good colour is left for {_months(months_left)} at this light."
    to_do = "move it somewhere darker."
    return _of_batch("light-share", batch, space, "has had much light", now_ms, what, to_do)


def taken_down_moist(batch: str, space: str, probability_dry: float, now_ms: int) -> Notice:
    """A batch was taken down that was probably not dry."""
    down = f"It was taken down, and {in_ten(probability_dry)} that it was dry."
    what = f"{down} Boxed up moist, it can go mouldy within days."
    to_do = "hang it up again until a thick stem snaps."
    told = _of_batch("taken-down-moist", batch, space, "was likely not dry", now_ms, what, to_do)
    return told._replace(weight=Weight.NOW)


def _of_batch(
    kind: str, batch: str, space: str, line: str, now_ms: int, what: str, to_do: str,
    caution: str = "",
) -> Notice:  # fmt: skip
    first_line = title(f"{named(space, 14)}: {shortened(batch)} {line}")
    text, place = body(what, "", to_do, caution), f"/batch/{quote(batch, safe='')}"
    return Notice(now_ms, space, None, kind, "", Weight.SOON, first_line, text, place)


# --- what is coming in a space --------------------------------------------------------------


def coming(
    space: str,
    kind: Kind,
    probability: float,
    begins: int,
    ends: int | None,
    best: Sequence[AiringHours],
    circumstances: Circumstances,
    now_ms: int,
) -> Notice:
    """A limit will likely be passed in the coming hours.

    begins, ends  about when [UTC epoch minutes]; ends None: not within the day
    best          the best hours to air until then, the best first
    """
    row, site = kind.row.coming, circumstances.site
    assert row is not None, kind  # noqa: S101 - no other kind is foretold
    words = _limit_and_hour(space, kind, begins, circumstances, now_ms)
    until = "" if ends is None else f" {row.stay} {_about(ends, now_ms, site)}"
    expected = row.expected.format(**words, ends=until)
    first = [_span(hours, now_ms, site) for hours in best if hours.begins < begins][:1]
    batches = circumstances.at_risk.get(space, ())
    text = body(
        f"{expected}: {in_ten(probability)}. {row.changes}",
        f"In this air: {listed(batches)}." if batches else "",
        *before_it(kind, circumstances.use(space), "".join(first)),
    )
    return _of_hours(space, kind, Part.COMING, row.title.format(**words), text, now_ms)


def not_coming(
    space: str,
    kind: Kind,
    probability: float,
    begins: int,
    circumstances: Circumstances,
    now_ms: int,
) -> Notice:
    """What was foretold does not come.

    probability  that it still does within hours
    begins       about when it was to begin [UTC epoch minutes]
    """
    row = kind.row.coming
    assert row is not None, kind  # noqa: S101 - no other kind is foretold
    was = row.was.format(**_limit_and_hour(space, kind, begins, circumstances, now_ms))
    text = (
        f"{was}. It has not come so far; that it still does, {in_ten(probability)}. Nothing to do."
    )
    return _of_hours(space, kind, Part.NOT_COMING, row.not_so, text, now_ms)


def _of_hours(space: str, kind: Kind, part: Part, line: str, text: str, now_ms: int) -> Notice:
    first_line = title(f"{named(space)}: {line}")
    return Notice(
        now_ms, space, None, kind.value, part.value, Weight.SOON, first_line, text, place_of(space)
    )


def _limit_and_hour(
    space: str, kind: Kind, begins: int, circumstances: Circumstances, now_ms: int
) -> dict[str, str]:
    row, site = kind.row, circumstances.site
    limit, told = getattr(circumstances.limits(space), row.limit), "its limit"
    if limit is not None and row.quantity is not None:
        told = figure(row.quantity, limit, site)
    return {"limit": told, "begins": _about(begins, now_ms, site)}


def _months(months: float) -> str:
    return "less than a month" if months < 1 else f"about {count(round(months), 'month')}"


def in_ten(probability: float) -> str:
    """A chance, as part of a sentence."""
    return f"the chances are {chances(probability)}"


def _about(minute: int, now_ms: int, site: Site) -> str:
    """A moment to the half hour, for no more is known of it."""
    said = when_minute(30 * round(minute / 30), now_ms, site.timezone)
    moved = said.startswith(("tomorrow ", "yesterday "))
    return " ".join(reversed(said.split())) if moved else said


# --- airing ---------------------------------------------------------------------------------

_VERBS = {
    Doors.OPEN: "Open up",
    Doors.CLOSE: "Keep doors and windows shut",
    Doors.LEAVE: "Leave doors and windows as they are",
}


def airing_sentence(airing: Airing) -> str:
    """The advice and its reason, in one sentence.

    >>> from monitor.ahead.airing import Airing, Doors
    >>> airing_sentence(Airing(Doors.OPEN, 0, 0, 0, 0, 0, 1, 0, None, 0.9, "it is drier", "rain"))
    'Open up: it is drier.'
    """
    return f"{_VERBS[airing.verb]}: {airing.why}."


def airing_told(airing: Airing, site: Site) -> list[str]:
    """What, why, what the air would become, how sure, and what would change it."""
    air = f"{degrees(airing.becomes_c, site)} and {humidity(airing.becomes_pct)}"
    becomes = f"After a thorough airing the air here would have {air}{_heat(airing, site)}."
    sure = f"That the air outside carries less water: {in_ten(airing.sure)}."
    return [airing_sentence(airing), becomes, sure, f"What would change this: {airing.changes}."]


def _heat(airing: Airing, site: Site) -> str:
    per_k, unit = (1.8, "°F") if site.temperature_unit == "°F" else (1.0, "°C")
    change = round(airing.heat_k * per_k)
    if change == 0:
        return ", as warm as now"
    way = "gaining" if change > 0 else "losing"
    told = f", {way} {abs(change)} {unit}"
    if airing.heat_kj is None:
        return told
    return f"{told}; one change of the air carries {abs(airing.heat_kj) / 3600:.2f} kWh"


def best_hours_told(best: Sequence[AiringHours], now_ms: int, site: Site) -> str:
    """When airing pays in the coming day; "": it never does."""
    spans = " and ".join(_span(hours, now_ms, site) for hours in sorted(best))
    told = "The best hours to air in the coming day"
    return f"{told}: {spans} ({in_ten(best[0].sure)})." if best else ""


def _span(hours: AiringHours, now_ms: int, site: Site) -> str:
    begins, ends = (when_minute(m, now_ms, site.timezone) for m in (hours.begins, hours.ends))
    same = local(hours.begins * MINUTE_MS, site.timezone).date()
    if local(hours.ends * MINUTE_MS, site.timezone).date() == same:
        ends = ends.rsplit(" ", 1)[-1]
    return f"{begins} to {ends}"
