"""What is coming, and what airing would do, in words. Times are UTC epoch, as named."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.ahead.airing import Airing, AiringHours, Verb
from monitor.notices.circumstances import Circumstances
from monitor.notices.rules import Notice, Part, Weight, place_of
from monitor.notices.sentences.measures import before_it
from monitor.notices.sentences.spells import Words
from monitor.site.kinds import Kind
from monitor.site.spaces import Site
from monitor.site.time import MINUTE_MS, local
from monitor.site.words import chances, degrees, humidity, listed, named, title, when_minute

_TITLES = {
    Kind.HOT: "likely above {limit} from {begins}",
    Kind.DAMP: "likely damp from {begins}",
    Kind.DEWY: "dew likely from {begins}",
}
_EXPECTED = {
    Kind.HOT: "The air will likely pass {limit} at about {begins}{ends}",
    Kind.DAMP: "The humidity will likely pass {limit} at about {begins}{ends}",
    Kind.DEWY: "Water may settle on the coldest surface from about {begins}{ends}",
}
_STAY = {
    Kind.HOT: "and stay above it until about",
    Kind.DAMP: "and stay above it until about",
    Kind.DEWY: "until about",
}
_CHANGES = {
    Kind.HOT: "A cloudier day would keep it cooler.",
    Kind.DAMP: "Drier air outside would keep it down.",
    Kind.DEWY: "A cloudier or windier night would keep it off.",
}
_NOT_SO = {
    Kind.HOT: ("not so hot after all", "pass {limit} at about {begins}"),
    Kind.DAMP: ("not so damp after all", "pass {limit} at about {begins}"),
    Kind.DEWY: ("no dew after all", "bring dew from about {begins}"),
}


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
    site = circumstances.site
    words = {"limit": _limit(space, kind, circumstances), "begins": _about(begins, now_ms, site)}
    words["ends"] = "" if ends is None else f" {_STAY[kind]} {_about(ends, now_ms, site)}"
    until = [hours for hours in best if hours.begins < begins]
    to_do = before_it(kind, circumstances.use(space), _hours(until[:1], now_ms, site))
    return _notice(
        space,
        kind,
        Part.COMING,
        Words(
            f"{named(space)}: {_TITLES[kind].format(**words)}",
            f"{_EXPECTED[kind].format(**words)}: {in_ten(probability)}. {_CHANGES[kind]}",
            _hangs_here(space, circumstances),
            *to_do,
        ),
        now_ms,
    )


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
    state, was = _NOT_SO[kind]
    words = {
        "limit": _limit(space, kind, circumstances),
        "begins": _about(begins, now_ms, circumstances.site),
    }
    return _notice(
        space,
        kind,
        Part.NOT_COMING,
        Words(
            f"{named(space)}: {state}",
            f"It was likely to {was.format(**words)}. It has not so far; that it "
            f"still does, {in_ten(probability)}. Nothing to do.",
        ),
        now_ms,
    )


def in_ten(probability: float) -> str:
    """A chance, as part of a sentence."""
    return f"the chances are {chances(probability)}"


def _notice(space: str, kind: Kind, part: Part, words: Words, now_ms: int) -> Notice:
    return Notice(
        made_ms=now_ms,
        space=space,
        sensor=None,
        kind=kind.value,
        part=part.value,
        weight=Weight.SOON,
        title=title(words.title),
        body=words.body,
        place=place_of(space),
        spell_began=None,
    )


def _limit(space: str, kind: Kind, circumstances: Circumstances) -> str:
    limits = circumstances.limits(space)
    if kind is Kind.HOT and limits.hot_c is not None:
        return degrees(limits.hot_c, circumstances.site)
    return "its limit" if limits.damp_pct is None else humidity(limits.damp_pct)


def _about(minute: int, now_ms: int, site: Site) -> str:
    """A moment to the half hour, for no more is known of it."""
    said = when_minute(30 * round(minute / 30), now_ms, site.timezone)
    moved = said.startswith(("tomorrow ", "yesterday "))
    return " ".join(reversed(said.split())) if moved else said


def _hangs_here(space: str, circumstances: Circumstances) -> str:
    batches = circumstances.at_risk.get(space, ())
    return f"In this air: {listed(batches)}." if batches else ""


# --- airing ---------------------------------------------------------------------------------

_VERBS = {
    Verb.OPEN: "Open up",
    Verb.CLOSE: "Keep doors and windows shut",
    Verb.LEAVE: "Leave doors and windows as they are",
}


def airing_sentence(airing: Airing) -> str:
    """The advice and its reason, in one sentence.

    >>> from monitor.ahead.airing import Airing, Verb
    >>> airing_sentence(Airing(Verb.OPEN, 0, 0, 0, 0, 0, 1, 0, None, 0.9, "it is drier", "rain"))
    'Open up: it is drier.'
    """
    return f"{_VERBS[airing.verb]}: {airing.why}."


def airing_told(airing: Airing, site: Site) -> list[str]:
    """What, why, what the air would become, how sure, and what would change it."""
    becomes = (
        f"After a thorough airing the air here would have {degrees(airing.becomes_c, site)} and "
        f"{humidity(airing.becomes_pct)}{_heat(airing, site)}."
    )
    sure = f"That the air outside carries less water: {in_ten(airing.sure)}."
    return [
        airing_sentence(airing),
        becomes,
        sure,
        f"What would change this: {airing.changes}.",
    ]


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
    if not best:
        return ""
    spans = " and ".join(_span(hours, now_ms, site) for hours in sorted(best))
    return f"The best hours to air in the coming day: {spans} ({in_ten(best[0].sure)})."


def _hours(best: Sequence[AiringHours], now_ms: int, site: Site) -> str:
    return _span(best[0], now_ms, site) if best else ""


def _span(hours: AiringHours, now_ms: int, site: Site) -> str:
    begins, ends = (when_minute(m, now_ms, site.timezone) for m in (hours.begins, hours.ends))
    same = local(hours.begins * MINUTE_MS, site.timezone).date()
    if local(hours.ends * MINUTE_MS, site.timezone).date() == same:
        ends = ends.rsplit(" ", 1)[-1]
    return f"{begins} to {ends}"
