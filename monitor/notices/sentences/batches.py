"""What was said of a batch, in sentences."""

from __future__ import annotations

from monitor.drying.prospects import KEPT, Prospect
from monitor.entries.batches import Batch, BatchState
from monitor.site.spaces import Site
from monitor.site.time import MINUTE_MS, local_day
from monitor.site.words import chances, count, day, humidity, spoils_as

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
        there = f"it would have had about {said.better_left_pct:.0f} % still to lose by now"
        if said.better_left_pct < NEXT_TO_NOTHING_PCT:
            there = "it would likely be crisp by now"
        lines.append(f"Hung in {said.better_space} instead, {there}.")
    if said.opening in ("some", "much"):
        warmth = f"{said.opening} of the warmth that opens moist heads"
        lines.append(f"By our own reckoning it has had {warmth}.")
    if said.light_share >= LIGHT_WORTH_SAYING:
        share = f"{100 * said.light_share:.0f} %"
        spoils = spoils_as(colour)
        lines.append(
            f"It has had {share} of the light its colour bears before it is seen to {spoils}."
        )
    months = said.months_left if said.state == KEPT else None
    if months is not None and months < MONTHS_WORTH_SAYING:
        lines.append(f"At this light its colour lasts {_months(months)}.")
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
    if said.crisp_p10 is not None and said.crisp_p50 is not None and said.crisp_p90 is not None:
        first, middle, last = (
            _day(minute, site) for minute in (said.crisp_p10, said.crisp_p50, said.crisp_p90)
        )
        if said.crisp_p10 * MINUTE_MS <= said.asked_ms:
            return f"{left} Crisp about {middle}, if it is not yet (9 times in 10 by {last})."
        return f"{left} Crisp about {middle} (8 times in 10 between {first} and {last})."
    if said.state == "cannot_finish":
        needed = said.humidity_needed_pct
        enough = "" if needed is None else f" A humidity of {humidity(needed)} or less would do."
        return f"{left} It cannot finish here: the air is too moist.{enough}"
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
    elif said.humidity_needed_pct is not None:
        needed = humidity(said.humidity_needed_pct)
        told.append(f"A humidity of {needed} or less would make sure.")
    return " ".join(told)


def _day(minute: int, site: Site) -> str:
    return day(local_day(minute * MINUTE_MS, site.timezone))


def _months(months: float) -> str:
    return "less than a month more" if months < 1 else f"about {count(round(months), 'month')} more"
