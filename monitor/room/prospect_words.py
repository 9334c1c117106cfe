"""What was said of a batch, in sentences."""

from __future__ import annotations

from monitor.room.prospects import KEPT, Prospect
from monitor.room.readings import MINUTE_MS
from monitor.room.spaces import Site
from monitor.room.words import chances, count, day, humidity, local_day, spoils_as

LIGHT_WORTH_SAYING = 0.05
MONTHS_WORTH_SAYING = 36
MAY_BE_CRISP = 0.4


def sentences(said: Prospect, site: Site, colour: str | None = None) -> list[str]:
    """How dry it is and when it will be crisp; what heat and light did to it and its colour."""
    lines = [_dryness(said, site)]
    if said.better_space is not None and said.better_left_pct is not None:
        lines.append(
            f"Hung in {said.better_space} instead, it would have had about "
            f"{said.better_left_pct:.0f} % still to lose by now."
        )
    if said.opening in ("some", "much"):
        lines.append(f"It has had {said.opening} of the warmth that opens moist heads.")
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


def tag(said: Prospect, site: Site) -> str:
    """The same as short as a tag on the rail: `40 % to lose, crisp about Tue 14 Jul`."""
    if said.state == "crisp":
        return "likely crisp: bend a stem"
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
        return f"It is likely crisp ({dry}). Bend a thick stem: if it snaps, take it down."
    if said.crisp_p10 is not None and said.crisp_p50 is not None and said.crisp_p90 is not None:
        first, middle, last = (
            _day(minute, site) for minute in (said.crisp_p10, said.crisp_p50, said.crisp_p90)
        )
        return f"{left} Crisp about {middle} (8 times in 10 between {first} and {last})."
    if said.state == "cannot_finish":
        needed = said.humidity_needed_pct
        enough = "" if needed is None else f" {humidity(needed)} or less would do."
        return f"{left} It cannot finish here: the air is too moist.{enough}"
    return f"{left} {_no_promise(said, site)}"


def _no_promise(said: Prospect, site: Site) -> str:
    """Why no day is promised, what chances it has, and what would mend it."""
    if said.p_finishes is None:
        return "No day can be promised yet."
    told = [f"No day can be promised: the chances that it gets dry here are {_in_ten(said)}."]
    if said.if_dry_p50 is not None and said.if_dry_p50 * MINUTE_MS > said.asked_ms:
        told.append(f"If it does, about {_day(said.if_dry_p50, site)}.")
    if said.p_crisp >= MAY_BE_CRISP:
        told.append("It may be crisp already: bend a stem, only that tells.")
    elif said.humidity_needed_pct is not None:
        told.append(f"{humidity(said.humidity_needed_pct)} or less would make sure.")
    return " ".join(told)


def _in_ten(said: Prospect) -> str:
    return chances(said.p_finishes or 0.0)


def _day(minute: int, site: Site) -> str:
    return day(local_day(minute * MINUTE_MS, site.timezone))


def _months(months: float) -> str:
    return "less than a month more" if months < 1 else f"about {count(round(months), 'month')} more"
