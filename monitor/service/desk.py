"""The desk: requests of the commands and the page, and the answers, in plain values and words."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Future
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from monitor.ahead.airing_hours import AiringHours
from monitor.ahead.grid import STEP_MIN
from monitor.ahead.look import HORIZONS_H, Coming
from monitor.air.spells import Spell
from monitor.drying.prospects import Prospect
from monitor.edges.beside import BesideError, ask
from monitor.edges.socket import Message
from monitor.engine.effects import Snapshot
from monitor.entries import requests
from monitor.entries.batches import described, hanging_in, kept_in
from monitor.entries.entries import JSON, Entry, RequestError
from monitor.entries.logbook import Entered, history_lines
from monitor.notices.sentences.foreseen import (
    airing_sentence,
    best_hours_told,
    sentences,
    why_nothing,
)
from monitor.service import saltcheck
from monitor.service.planner import PLAN, order_from
from monitor.service.settings.settings import Settings
from monitor.service.worker import Enter, Worker
from monitor.site.spaces import OUTDOORS, Site, Use
from monitor.site.time import MINUTE_MS, epoch_ms_of, utc
from monitor.site.words import degrees, humidity, light, listed, named, two_figures, when_minute
from monitor.store.connection import StoreError
from monitor.store.queries import Reader


class Desk:
    """Answers requests: entries through the worker, questions from its snapshot."""

    def __init__(self, worker: Worker, settings: Settings, flowers: Mapping[str, str]) -> None:
        self._worker = worker
        site = settings.site
        self._site, self._store = site, settings.store.file
        self._settings_file, self._flowers = settings.file.absolute(), flowers
        zone = ZoneInfo(site.timezone)
        self._shows: dict[str, Callable[[Snapshot], Message]] = {
            "health": lambda s: _health(worker, s),
            "now": lambda s: now_told(s, site, self._rain(s.now_ms)),
            "batches": lambda s: batches_told(s, site),
            "history": lambda s: {
                "history": history_plain(s.entries),
                "lines": list(history_lines(s.entries, s.history, zone)),
            },
        }

    def _rain(self, now_ms: int) -> float | None:
        """What fell since midnight, as far as it is kept [mm]; None: not known."""
        try:
            with Reader(self._store) as reader:
                return reader.rain_today(self._site, now_ms)
        except StoreError:
            return None

    def submit(self, request: Message, answer: Future[Message]) -> None:
        """Take a request of the socket; the answer comes when it is there."""
        try:
            if "enter" in request:
                event = Enter(requests.from_json(request))
                event.answer.add_done_callback(lambda done: answer.set_result(_told(done)))
                self._worker.post(event)
            else:
                answer.set_result(self._answer(request))
        except RequestError as refused:
            answer.set_result(_refusal(refused))
        except (BesideError, StoreError) as error:
            answer.set_result({"error": str(error)})

    def _answer(self, request: Message) -> Message:
        snapshot = self._worker.snapshot
        if "saltcheck" in request:
            return saltcheck.look(self._store, self._site, snapshot, str(request["saltcheck"]))
        if "plan" in request:
            given = request["plan"] if isinstance(request["plan"], dict) else {}
            order = order_from(given, self._settings_file, self._site, snapshot, self._flowers)
            return ask(PLAN, order)
        show = self._shows.get(str(request.get("show")))
        if show is None:
            asked = ", ".join(self._shows)
            return {"error": f"this cannot be asked; what can be shown is {asked}"}
        return {"now_ms": snapshot.now_ms, **show(snapshot)}


def _health(worker: Worker, snapshot: Snapshot) -> Message:
    link = worker.link
    return {
        "connected": link is not None and link.state.connected,
        "broker": "no broker" if link is None else link.state.sentence,
        "messages": worker.handled,
        "ended": worker.ended,
        "session_kept": None if link is None else link.state.session_kept,
        "store": worker.trouble,
        "time_known": worker.time_known,
        "heard_ms": {name: sensor.last_ms for name, sensor in snapshot.sensors.items()},
    }


def _told(done: Future[Entered]) -> Message:
    refused = done.exception()
    if isinstance(refused, RequestError):
        return _refusal(refused)
    entered = done.result()
    return {
        "entry": entered.entry.id,
        "said": entered.said,
        "batch": entered.batch,
        "upset": list(entered.upset),
    }


def _refusal(refused: RequestError) -> Message:
    return {"error": refused.sentence, "field": refused.field}


Plain = dict[str, JSON]


def iso(epoch_ms: int) -> str:
    """A moment as ISO 8601 in UTC, to the second."""
    return utc(epoch_ms).strftime("%Y-%m-%dT%H:%M:%SZ")


def now_told(snapshot: Snapshot, site: Site, rain_mm: float | None) -> Plain:
    """How every space stands, as plain values and in lines of words.

    rain_mm  what fell since midnight [mm]; None: not known
    """
    plain = now_plain(snapshot, site) | {"rain_since_midnight_mm": rain_mm}
    return plain | {"lines": now_words(plain, site, snapshot.now_ms)}


def batches_told(snapshot: Snapshot, site: Site) -> Plain:
    """How every batch stands, as plain values and in lines of words."""
    plain = batches_plain(snapshot, site)
    return {"batches": plain, "lines": batches_words(plain, site, snapshot.now_ms)}


def now_plain(snapshot: Snapshot, site: Site) -> Plain:
    """The air, spells and bunches of every space now."""
    return {
        "at": iso(snapshot.now_ms) if snapshot.now_ms else None,
        "spaces": [_space_plain(name, snapshot, site) for name in _in_order(site)],
        "faults": [_spell_plain(s) for s in snapshot.going_on if s.space is None],
    }


def _in_order(site: Site) -> list[str]:
    indoors = [name for name in site.spaces if name != OUTDOORS]
    has_outdoors = any(s.space == OUTDOORS for s in site.sensors.values())
    return indoors + ([OUTDOORS] if has_outdoors else [])


def _space_plain(name: str, snapshot: Snapshot, site: Site) -> Plain:
    air = snapshot.air.get(name)
    batches = snapshot.history.batches
    there = hanging_in(batches, name, snapshot.now_ms) + kept_in(batches, name, snapshot.now_ms)
    return {
        "space": name,
        "use": site.spaces[name].use.value,
        "temperature_c": air.temperature_c if air else None,
        "relative_humidity_pct": air.relative_humidity_pct if air else None,
        "dew_point_c": air.dew_point_c if air else None,
        "vpd_kpa": air.vpd_kpa if air else None,
        "illuminance_lx": air.illuminance_lx if air else None,
        "spells": [_spell_plain(s) for s in snapshot.going_on if s.space == name],
        "airing": _airing_plain(snapshot.coming.get(name)),
        "ahead": _ahead_plain(snapshot.coming.get(name)),
        "batches": [described(b) for b in there],
    }


def _airing_plain(coming: Coming | None) -> JSON:
    """This hour's advice on airing; None: cannot be told."""
    if coming is None or coming.airing is None:
        return None
    airing = coming.airing
    return {
        "advice": airing.verb.value,
        "words": airing_sentence(airing),
        "becomes_c": airing.becomes_c,
        "becomes_pct": airing.becomes_pct,
        "heat_k": airing.heat_k,
        "sure": airing.sure,
        "changes": airing.changes,
        "best": [
            {"begins": iso(h.begins * MINUTE_MS), "ends": iso(h.ends * MINUTE_MS), "sure": h.sure}
            for h in coming.best
        ],
    }


def _ahead_plain(coming: Coming | None) -> JSON:
    """The coming day at a few hours, each as one in ten, the middle, nine in ten."""
    if coming is None or coming.outlook is None:
        return []
    warm, humid = coming.outlook.temperature_c, coming.outlook.relative_humidity_pct
    return [
        {
            "at": iso(int(coming.outlook.minute[step]) * MINUTE_MS),
            "temperature_c": [float(band[step]) for band in warm],
            "relative_humidity_pct": [float(band[step]) for band in humid],
        }
        for step in (hours * 60 // STEP_MIN - 1 for hours in HORIZONS_H)
    ]


def _spell_plain(spell: Spell) -> Plain:
    return {
        "kind": spell.kind.value,
        "sensor": spell.sensor,
        "began": iso(spell.began * MINUTE_MS),
        "worst": spell.worst,
    }


def now_words(plain: Plain, site: Site, now_ms: int) -> list[JSON]:
    """The same in words, a few lines a space."""
    spaces: Any = plain["spaces"]
    faults: Any = plain["faults"]
    lines: list[JSON] = [line for s in spaces for line in _space_words(s, site, now_ms)]
    lines += [f"All sensors: {_spell_words(fault, site, now_ms)}." for fault in faults]
    if plain["rain_since_midnight_mm"] is not None:
        lines.append(f"Rain since midnight: {plain['rain_since_midnight_mm']:.1f} mm.")
    return lines


def _space_words(space: Any, site: Site, now_ms: int) -> list[str]:
    use = "" if space["use"] == Use.OUTDOORS else f" ({space['use']})"
    lines = [f"{named(space['space'])}{use}: {_air_words(space, site)}"]
    for spell in space["spells"]:
        lines.append(f"  {_spell_words(spell, site, now_ms)}.")
    if space["airing"] is not None:
        lines.append(f"  {space['airing']['words']}")
        best = [
            AiringHours(_minute_of(h["begins"]), _minute_of(h["ends"]), h["sure"], 0.0)
            for h in space["airing"]["best"]
        ]
        lines += [f"  {told}" for told in [best_hours_told(best, now_ms, site)] if told]
    if space["batches"]:
        verb = "here hang" if space["use"] == Use.HANGING else "here are"
        lines.append(f"  {verb} {listed(space['batches'])}.")
    return lines


def _air_words(space: Any, site: Site) -> str:
    parts = []
    if space["temperature_c"] is not None:
        parts.append(degrees(space["temperature_c"], site))
    if space["relative_humidity_pct"] is not None:
        parts.append(f"humidity {humidity(space['relative_humidity_pct'])}")
    if space["vpd_kpa"] is not None:
        parts.append(f"pull on the water {two_figures(space['vpd_kpa'])} kPa")
    if space["dew_point_c"] is not None:
        parts.append(f"dew settles on anything below {degrees(space['dew_point_c'], site)}")
    if space["illuminance_lx"] is not None:
        parts.append(light(space["illuminance_lx"]))
    return ", ".join(parts) + "." if parts else "nothing heard yet."


def _spell_words(spell: Any, site: Site, now_ms: int) -> str:
    began = _minute_of(spell["began"])
    whose = f"sensor {spell['sensor']} " if spell["sensor"] else ""
    return f"{whose}{spell['kind']} since {when_minute(began, now_ms, site.timezone)}"


def batches_plain(snapshot: Snapshot, site: Site) -> list[JSON]:
    """The batches, newest first, with what was last said of each."""
    return [
        {
            "batch": b.name,
            "what": described(b),
            "space": b.space,
            "state": b.state.value,
            "hung": iso(b.hung_ms),
            "taken_down": None if b.taken_down_ms is None else iso(b.taken_down_ms),
            "prospect": _prospect_plain(snapshot.prospects.get(b.hung_by), site, b.colour),
            "why_nothing": None
            if b.hung_by in snapshot.prospects
            else why_nothing(b, b.hung_by in snapshot.doubted, b.space in snapshot.air),
        }
        for b in reversed(snapshot.history.batches)
    ]


def _prospect_plain(said: Prospect | None, site: Site, colour: str | None) -> JSON:
    if said is None:
        return None

    def when(minute: int | None) -> str | None:
        return None if minute is None else iso(minute * MINUTE_MS)

    return {
        "asked_at": iso(said.asked_ms),
        "words": list(sentences(said, site, colour)),
        "state": said.state,
        "still_to_lose_pct": said.still_to_lose_pct,
        "moisture_pct_db": said.moisture_pct_db,
        "loses_pct_a_day": said.loses_pct_a_day,
        "stalled": said.stalled,
        "crisp_probability": said.p_crisp,
        "crisp_p10": when(said.crisp_p10),
        "crisp_p50": when(said.crisp_p50),
        "crisp_p90": when(said.crisp_p90),
        "humidity_needed_pct": said.humidity_needed_pct,
        "opening": said.opening,
        "light_share": said.light_share,
        "months_left": said.months_left,
        "finishes_probability": said.p_finishes,
        "if_dry_p50": when(said.if_dry_p50),
        "better_space": said.better_space,
        "better_left_pct": said.better_left_pct,
    }


def batches_words(plain: Sequence[Any], site: Site, now_ms: int) -> list[JSON]:
    """The same in words, a few lines a batch."""
    if not plain:
        return [
            'Nothing was hung yet. Begin with: drying-room hang statice --space "…" --bunches 6'
        ]
    lines: list[JSON] = []
    for batch in plain:
        hung = _minute_of(batch["hung"])
        where = f" in {batch['space']}" if batch["space"] else ""
        lines.append(
            f"{batch['batch']}: {batch['what']}, {batch['state']}{where},"
            f" hung {when_minute(hung, now_ms, site.timezone)}"
        )
        if batch["prospect"] is not None:
            lines += [f"  {line}" for line in batch["prospect"]["words"]]
        elif batch["why_nothing"] is not None:
            lines.append(f"  {batch['why_nothing']}")
    return lines


def _minute_of(moment: str) -> int:
    return epoch_ms_of(datetime.fromisoformat(moment)) // MINUTE_MS


def history_plain(entries: Iterable[Entry]) -> list[JSON]:
    """Everything entered, by number."""
    return [
        {
            "entry": e.id,
            "made": iso(e.made_ms),
            "at": iso(e.at_ms),
            "verb": e.verb,
            "arguments": dict(e.arguments),
            "changes": e.changes,
        }
        for e in entries
    ]
