"""The forms: what each asks, what was typed, what to mend; the plan, and a sensor's check."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from monitor.edges.page.house import House
from monitor.engine.effects import Snapshot
from monitor.entries import verbs
from monitor.entries.batches import AWAY, BatchState
from monitor.entries.entries import CORRECT, JSON, Entry, RequestError, standing
from monitor.entries.fields import FIELDS
from monitor.entries.verbs import VERBS
from monitor.places.saltcheck import HOW_TO, HOW_TO_BESIDE
from monitor.science.sorption import SALTS, Salt
from monitor.site.quantities import Quantity
from monitor.site.spaces import Use
from monitor.site.time import local
from monitor.site.words import begun, named, when

_WHEN = verbs.Question("When", "empty for now; or 08:30, yesterday 18:00, 2026-07-04 08:30")


@dataclass(frozen=True)
class Asked:
    """One field as the template shows it."""

    name: str
    label: str
    hint: str
    value: str
    required: bool
    mode: str  # text, numeric, decimal or choice
    choices: tuple[tuple[str, str], ...] = ()
    wrong: str | None = None
    more: bool = False


@dataclass(frozen=True)
class Form:
    """A form as the template shows it. hidden: what it sends without asking."""

    title: str
    button: str
    hidden: dict[str, str]
    fields: tuple[Asked, ...]
    wrong: str | None = None


def form(
    verb: str,
    house: House,
    snapshot: Snapshot,
    typed: Mapping[str, str],
    error: RequestError | None = None,
) -> Form:
    """The form of a verb, with what was typed and what is wrong with it."""
    if verb == CORRECT:
        return _correction(house, snapshot, typed, error)
    asked = VERBS[verb]
    must, may = asked.must, asked.may
    hidden = {"verb": verb} | ({"batch": typed.get("batch", "")} if "batch" in must else {})
    names = [name for name in (*must, *may) if name not in hidden]
    title = asked.title + (f": {typed['batch']}" if typed.get("batch") else "")
    fields = _fields([*names, "at"], must, verb, house, snapshot, typed, error)
    return Form(title, asked.button, hidden, fields, begun(error.sentence) if error else None)


def _correction(
    house: House, snapshot: Snapshot, typed: Mapping[str, str], error: RequestError | None
) -> Form:
    root = correctable(snapshot, typed.get("entry", ""))
    must, may = VERBS[root.verb].must, VERBS[root.verb].may
    values = as_typed(root, house, snapshot) | dict(typed)
    names = [*must, *may, "at"]
    fields = _fields(names, must, root.verb, house, snapshot, values, error)
    title = f"Correct entry {root.id}, {VERBS[root.verb].called}"
    hidden = {"verb": CORRECT, "entry": str(root.id)}
    return Form(
        title, VERBS[CORRECT].button, hidden, fields, begun(error.sentence) if error else None
    )


def _fields(
    names: list[str],
    must: tuple[str, ...],
    verb: str,
    house: House,
    snapshot: Snapshot,
    typed: Mapping[str, str],
    error: RequestError | None,
) -> tuple[Asked, ...]:
    fields = []
    for name in names:
        label, hint = _asked(verb, name)
        choices = _choices(name, verb, house, snapshot)
        fields.append(
            Asked(
                name,
                label,
                hint,
                typed.get(name, ""),
                name in must,
                _mode(name, choices),
                choices,
                error.sentence if error is not None and error.field == name else None,
                name in FIELDS and FIELDS[name].more,
            )
        )
    return tuple(fields)


def _mode(name: str, choices: tuple[tuple[str, str], ...]) -> str:
    if choices:
        return "choice"
    return FIELDS[name].keys if name in FIELDS else "text"


def _asked(verb: str, name: str) -> verbs.Question:
    """What stands above a field, and below it."""
    if name not in FIELDS:
        return _WHEN
    field = FIELDS[name]
    return VERBS[verb].asked.get(name, verbs.Question(field.label, field.hint))


def _choices(name: str, verb: str, house: House, snapshot: Snapshot) -> tuple[tuple[str, str], ...]:
    if name == "result":
        return (("snaps", "it snaps"), ("bends", "it bends"))
    if name == "batch":
        return tuple((b.name, b.name) for b in snapshot.history.batches)
    if name == "scale":
        scales = house.site.scales()
        return (("", "none"), *((s, s) for s in scales)) if scales else ()
    if name != "space":
        return ()
    spaces = house.site.spaces.values()
    hanging = [(s.name, s.name) for s in spaces if s.use is Use.HANGING]
    keeping = [
        (s.name, f"{s.name} ({s.use})") for s in spaces if s.use in (Use.STORING, Use.SHOWING)
    ]
    if verb == "hang":
        return tuple(hanging)
    if verb == "takedown":
        return (("", "nowhere that is watched"), *keeping)
    if verb == "move":
        return (*hanging, *keeping, (AWAY, "away: sold, used up or thrown out"))
    return (*hanging, *keeping)


def as_typed(entry: Entry, house: House, snapshot: Snapshot) -> dict[str, str]:
    """A standing entry's own words, as its form shows them."""
    told = {name: _text(value) for name, value in entry.arguments.items()}
    if "batch" in told:
        hung_by = entry.arguments["batch"]
        told["batch"] = next(
            (b.name for b in snapshot.history.batches if b.hung_by == hung_by), told["batch"]
        )
    there = local(entry.at_ms, house.site.timezone)
    return told | {"at": there.strftime("%Y-%m-%d %H:%M")}


def _text(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def checked(typed: Mapping[str, str], house: House, snapshot: Snapshot) -> dict[str, str]:
    """What is to be parsed: nothing that must be there is missing, nothing unchanged is repeated.

    raises  RequestError in the page's own words
    """
    verb = typed.get("verb", "")
    if verb != CORRECT:
        for name in VERBS[verb].must if verb in VERBS else ():
            if not typed.get(name, "").strip():
                raise RequestError(_missing(verb, name), name)
        return dict(typed)
    root = correctable(snapshot, typed.get("entry", ""))
    before = as_typed(root, house, snapshot)
    changed = {
        name: text
        for name, text in typed.items()
        if (name not in before and text.strip())
        or (name in before and text.strip() != before[name])
    }
    if not changed.keys() - {"verb", "entry"}:
        raise RequestError("nothing was changed; change what is wrong, then press again", None)
    return changed | {"verb": verb, "entry": str(root.id)}


def correctable(snapshot: Snapshot, number: str) -> Entry:
    """The entry of that number as it stands; raises RequestError."""
    root = next((e for e in standing(snapshot.entries) if str(e.id) == number), None)
    if root is None:
        raise RequestError("this entry can no longer be corrected; go back to the entries", None)
    return root


def _missing(verb: str, name: str) -> str:
    label, hint = _asked(verb, name)
    choose = FIELDS[name].choose
    what = f"choose one under “{label}”" if choose else f"“{label}” is still empty"
    example = "" if choose else f"; write {hint or FIELDS[name].example}"
    return f"{what}{example}"


def again(snapshot: Snapshot) -> list[tuple[str, dict[str, str]]]:
    """The last things that were hung, to hang the same again: what they were, and their fields."""
    seen: dict[str, dict[str, str]] = {}
    for batch in reversed(snapshot.history.batches):
        words = f"{batch.flower} {batch.colour or ''}".strip()
        told = {"flower": batch.flower, "bunches": str(batch.bunches)}
        if batch.colour:
            told["colour"] = batch.colour
        if batch.stems_per_bunch:
            told["stems_per_bunch"] = str(batch.stems_per_bunch)
        seen.setdefault(words, told)
    return list(seen.items())[:3]


def has_form(verb: str) -> bool:
    """Whether the page has a form of its own for it."""
    return verb in VERBS and bool(VERBS[verb].title)


def actions(state: str) -> list[tuple[str, str]]:
    """What can be done with a batch in this state: verb and its title."""
    hangs = state == BatchState.HANGING
    offered = [v for v in VERBS.values() if v.title and "batch" in v.must]
    return [(v.name, v.title) for v in offered if hangs or not v.hanging]


# -- where a harvest should hang ---------------------------------------------------------------

_WHAT_IFS = {"fan": "fan", "dehumidifier": "dehumidifier", "fewer": "bunches"}


@dataclass(frozen=True)
class ChoiceShown:
    """A space where they could hang, and why."""

    space: str
    title: str
    reasons: str
    sure: str
    possible: bool


@dataclass(frozen=True)
class AnswerShown:
    """Where a harvest should hang."""

    title: str
    flower: str
    bunches: int
    choices: list[ChoiceShown]
    what_if: list[str]


@dataclass(frozen=True)
class PlanShown:
    """The form with what was typed, and the answer once something was asked."""

    typed: Mapping[str, str]
    flowers: list[str]
    answer: AnswerShown | None = None
    wrong: str | None = None
    field: str | None = None


def plan_view(house: House, typed: Mapping[str, str]) -> PlanShown:
    """The form with what was typed, and the answer once something was asked."""
    told = PlanShown(typed, flowers(house))
    if not typed.get("flower", "").strip() and not typed.get("bunches", "").strip():
        return told
    try:
        return replace(told, answer=_shown(house.plan(_plan_asked(typed))))
    except RequestError as error:
        return replace(told, wrong=begun(error.sentence), field=error.field)


def flowers(house: House) -> list[str]:
    """The flowers of the book, to choose from."""
    return sorted(set(house.book.words().values()))


def _plan_asked(typed: Mapping[str, str]) -> dict[str, JSON]:
    what_if: list[JSON] = [word for word in ("door", "heater") if typed.get(word)]
    for name, word in _WHAT_IFS.items():
        if typed.get(name, "").strip():
            what_if.append(f"{word} {typed[name].strip()}")
    return {
        "flower": typed.get("flower", "").strip(),
        "bunches": typed.get("bunches", "").strip(),
        "fresh_mass_g": typed.get("fresh_mass_g", "").strip(),
        "what_if": what_if,
    }


def _shown(answer: Mapping[str, Any]) -> AnswerShown:
    return AnswerShown(
        title=answer["lines"][0].rstrip(":"),
        flower=answer["flower"],
        bunches=answer["bunches"],
        choices=[
            ChoiceShown(
                space=choice["space"],
                title=named(choice["space"], 60),
                reasons=" ".join(choice["reasons"]),
                sure=f"{choice['sure']} {choice['changes']}",
                possible=choice["days"] is not None,
            )
            for choice in answer["choices"]
        ],
        what_if=answer["what_if"],
    )


# -- a sensor against wet salt, or beside another ----------------------------------------------

CHECK_VERBS = ("aside", "back", "calibrate")


def can_be_checked(house: House, name: str) -> bool:
    """Whether a sensor tells what a check needs."""
    sensor = house.site.sensors.get(name)
    return sensor is not None and {Quantity.TEMPERATURE, Quantity.HUMIDITY} <= sensor.reads.keys()


@dataclass(frozen=True)
class CheckShown:
    """How the check of a sensor stands; what comes after offset holds while one is under way."""

    name: str
    title: str
    under_way: bool
    salts: list[tuple[str, str]]
    others: list[str]
    how: str
    how_beside: str
    offset: str | None = None
    since: str = ""
    against: str = ""
    says: str = ""
    settled: bool = False
    change: Mapping[str, float] | None = None


def check_view(house: House, snapshot: Snapshot, name: str) -> CheckShown:
    """How the check stands, and what can be done next; raises RequestError where it cannot be."""
    told = house.check(name)
    others = [s for s in house.site.sensors if s != name and can_be_checked(house, s)]
    shown = CheckShown(
        name=name,
        title=named(name, 60),
        under_way=told["under_way"],
        salts=[(word, salt.value) for word, salt in SALTS.items()],
        others=others,
        how=HOW_TO.format(salt=Salt.TABLE.value),
        how_beside=HOW_TO_BESIDE,
    )
    if not told["under_way"]:
        return shown
    against = told["beside"] or SALTS[told["salt"]].value
    return replace(
        shown,
        how=told["how"],
        since=when(told["since_ms"], snapshot.now_ms, house.site.timezone),
        against=against,
        says=told["says"],
        settled=told["settled"],
        offset=f"{told['offset_pct']:+.1f} %" if told["worth_it"] else None,
        change=told["calibrate"],
    )
