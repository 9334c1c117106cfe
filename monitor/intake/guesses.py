"""What sensors seem to send: topics and payloads in, proposals out, or a reason for each part.

Words tell the quantity and where it is measured, the value is the judge of unit and scale. A value
that fits nothing is left out, with the reason: a proposal that does not work is worse than none.
What is heard is a stranger's, so the work for each payload is bounded.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import islice
from typing import NamedTuple
from zoneinfo import ZoneInfo

from monitor.intake.documents import SenmlError, pointer, resolve
from monitor.intake.meaning import (
    LONGEST,
    NO_NAME,
    Found,
    Leaf,
    Steps,
    TimeFound,
    quantity_of,
    tells_what,
    time_in,
    understood,
    unit_of,
)
from monitor.intake.numbers import MOST, Spelt, written
from monitor.intake.payloads import MOST_BYTES, Message, parsed
from monitor.intake.proposals import (
    USUAL_EVERY_S,
    Proposal,
    Reason,
    TopicHeard,
    named,
    reads_line,
    sensor_name,
)
from monitor.intake.unreadable import UnreadableError, foreign
from monitor.intake.vocabulary import (
    CALLED,
    words_of,
)
from monitor.site.quantities import Quantity
from monitor.site.spaces import OUTDOORS, ReadAs, Sensor

MOST_LEAVES, DEEPEST = 200, 20
_OURS = ("drying-room", "$SYS")


class Guesses(NamedTuple):
    """What was made of all that was heard."""

    proposals: list[Proposal]
    reasons: list[Reason]


def propose(
    heard: Sequence[TopicHeard], timezone: str = "UTC", sensors: Mapping[str, Sensor] | None = None
) -> Guesses:
    """Sensors for what was heard, except what the sensors of the settings read already."""
    known, zone = sensors or {}, ZoneInfo(timezone)
    reasons: list[Reason] = []
    groups: dict[object, list[Found]] = {}
    for one in heard:
        for key, members in _of_topic(one, zone, known, reasons):
            groups.setdefault(key, []).extend(members)
    every = {one.topic: one.every_s for one in heard}
    made = [_proposal(_agreed(members), every, reasons) for members in groups.values()]
    return Guesses(named([one for one in made if one.sensor.reads], known), reasons)


def _proposal(
    members: list[Found], every: Mapping[str, float | None], reasons: list[Reason]
) -> Proposal:
    """One sensor; of what says the same twice, the surer is read."""
    reads: dict[Quantity, ReadAs] = {}
    kept: list[Found] = []
    for one in sorted(members, key=lambda m: (m.unsure, m.how.unit != m.quantity.row.unit)):
        if one.quantity in reads:
            why = f"it is the {one.quantity} a second time, perhaps in another unit"
            reasons.append(Reason(one.topic, pointer(*one.steps), why))
            continue
        reads[one.quantity] = one.how
        kept.append(one)
    topics = list(dict.fromkeys(one.topic for one in kept))
    if len(topics) > 1:
        reads = {one.quantity: _with_topic(one) for one in kept}
    first = kept[0]
    gaps = [gap for topic in topics if (gap := every[topic]) is not None]
    outdoors = any(quantity.row.outdoors for quantity in reads)
    in_order = {quantity: reads[quantity] for quantity in Quantity if quantity in reads}
    sensor = Sensor(
        sensor_name(first.place),
        OUTDOORS if outdoors else "",
        topics[0] if len(topics) == 1 else None,
        round(max(gaps)) if gaps else USUAL_EVERY_S,
        in_order,
        first.time,
        first.on_arrival,
    )
    return Proposal(sensor, frozenset(one.quantity for one in kept if one.unsure), bool(gaps))


def _with_topic(one: Found) -> ReadAs:
    how = one.how
    return ReadAs(how.unit, how.pointer, how.senml_name, one.topic, how.total, how.scale)


# -- one topic: its messages, the sensors in them ------------------------------------------------


def _of_topic(
    one: TopicHeard, zone: ZoneInfo, known: Mapping[str, Sensor], reasons: list[Reason]
) -> Iterator[tuple[object, list[Found]]]:
    """The sensors of a topic, each with a key that those of other topics may share."""
    topic = one.topic
    if topic.split("/")[0] in _OURS:
        return
    readers = [s for s in known.values() if topic in _topics(s)]
    if len(topic) > LONGEST or not topic.isprintable() or {"+", "#"} & set(topic):
        reasons.append(Reason(topic, "", "its topic is too long or holds unprintable signs"))
        return
    found: dict[object, Found] = {}
    told: list[Reason] = []
    for payload in (one.payload, *one.others):
        arrived_ms = one.arrived_ms[-1] if one.arrived_ms else 0
        for member in _of_payload(topic, payload, arrived_ms, zone, told):
            found.setdefault((member.steps, member.quantity), member)
    reasons += dict.fromkeys(told)  # messages built otherwise share most of it
    if readers:
        _known_already(topic, list(found.values()), readers, reasons)
        return
    for members in _apart(list(found.values())):
        first, alone = members[0], len({m.place for m in members}) == 1
        shared = first.by_topic and alone
        key = (first.place, first.time, first.how.pointer is None) if shared else (topic, first)
        yield key, members


def _topics(sensor: Sensor) -> set[str | None]:
    return {how.topic or sensor.topic for how in sensor.reads.values()}


def _known_already(
    topic: str, found: list[Found], readers: list[Sensor], reasons: list[Reason]
) -> None:
    """What a sensor of the settings reads is said to be, the rest as a line to add to it."""
    for one in found:
        for sensor in readers:
            how = sensor.reads.get(one.quantity)
            if how is not None and (how.pointer, how.senml_name) == (
                one.how.pointer,
                one.how.senml_name,
            ):
                why = f"it is read already, as the {one.quantity} of {sensor.name}"
                break
        else:
            sensor = readers[0]
            line = reads_line(
                Sensor(sensor.name, "", None, 60.0, {one.quantity: _with_topic(one)}), one.quantity
            )
            why = f"{sensor.name} reads this topic; to read this too, add to it: {line}"
            if one.quantity in sensor.reads:
                why = f"{sensor.name} reads this topic, and its {one.quantity} from another place"
        reasons.append(Reason(topic, pointer(*one.steps), why))


def _apart(found: list[Found]) -> Iterator[list[Found]]:
    """The values of one topic, sensor by sensor: those in one place are one sensor's."""
    quantities = [one.quantity for one in found]
    double = {quantity for quantity in quantities if quantities.count(quantity) > 1}
    places: dict[Steps, list[Found]] = {}
    for one in found:
        places.setdefault(one.place, []).append(one)
    if not double or len(places) == 1:
        if found:
            yield found
        return
    main = [p for p, members in places.items() if any(m.quantity in double for m in members)]
    for place, members in places.items():
        if place not in main:  # a battery beside two probes: it goes to the nearest
            nearest = max(main, key=lambda other: (_shared(place, other), -len(other)))
            places[nearest] = places[nearest] + members
    for place in main:
        yield [one._replace(place=place) for one in places[place]]


def _shared(one: Steps, other: Steps) -> int:
    """How many steps two ways have in common."""
    pairs = enumerate(zip(one, other, strict=False))
    return next((n for n, (mine, its) in pairs if mine != its), min(len(one), len(other)))


def _agreed(found: list[Found]) -> list[Found]:
    """Who sends humidity in tenths sends temperature so: 85 beside 612 is 8.5 °C."""
    scales = {m.how.scale for m in found if m.quantity is Quantity.HUMIDITY}
    scale = scales.pop() if len(scales) == 1 else 1.0
    return [
        m._replace(how=ReadAs("°C", m.how.pointer, m.how.senml_name, None, False, scale))
        if scale in (0.1, 0.01)
        and m.quantity is Quantity.TEMPERATURE
        and m.judged
        and m.value.is_integer()
        and -45 <= m.value * scale <= 55
        else m
        for m in found
    ]


def _of_payload(
    topic: str, payload: bytes, arrived_ms: int, zone: ZoneInfo, reasons: list[Reason]
) -> Iterator[Found]:
    levels = tuple(topic.split("/"))
    try:
        document = parsed(Message(topic, payload, arrived_ms, False))
    except UnreadableError as problem:
        text = payload[:MOST_BYTES].decode("utf-8", "replace")
        if written(text) is None or len(payload) > MOST_BYTES:
            reasons.append(Reason(topic, "", foreign(payload) or str(problem)))
            return
        document = text
    if isinstance(document, list) and any(isinstance(r, dict) and "n" in r for r in document):
        yield from _of_senml(topic, levels, document, reasons)
        return
    leaves = list(islice(_leaves(document, (), {}, frozenset()), MOST_LEAVES + 1))
    if len(leaves) > MOST_LEAVES:
        why = f"of its values only the first {MOST_LEAVES} were looked at"
        reasons.append(Reason(topic, "", why))
    times = [time_in(leaf, arrived_ms, zone) for leaf in leaves[:MOST_LEAVES]]
    best = min((time.rank for time in times if isinstance(time, TimeFound)), default=None)
    clocks = [time for time in times if isinstance(time, TimeFound) and time.rank == best]
    for leaf, time in zip(leaves, times, strict=False):
        one = time or understood(topic, levels, leaf)
        if isinstance(one, Found) and leaf.steps and clocks:
            near = max(clocks, key=lambda clock: (_shared(clock.steps, leaf.steps), -clock.rank[2]))
            yield one._replace(time=near.at)
        elif isinstance(one, Found):
            yield one
        elif one not in clocks:
            why = one if isinstance(one, str) else "another time of the message is likelier"
            reasons.append(Reason(topic, pointer(*leaf.steps), why))


def _leaves(
    value: object, steps: Steps, near: Mapping[str, str], keys: frozenset[str]
) -> Iterator[Leaf]:
    """Every value that holds no others."""
    if len(steps) < DEEPEST and isinstance(value, dict) and value:
        texts = {key: text for key, text in value.items() if isinstance(text, str)}
        texts = dict(islice(texts.items(), 20))
        for key, inner in value.items():
            yield from _leaves(inner, (*steps, key), texts, frozenset(islice(value, 40)))
    elif len(steps) < DEEPEST and isinstance(value, list) and value:
        for index, inner in enumerate(value):
            yield from _leaves(inner, (*steps, str(index)), near, keys)
    else:
        yield Leaf(steps, value, near, keys)


# -- SenML --------------------------------------------------------------------------------------


def _of_senml(
    topic: str, levels: Steps, document: list[object], reasons: list[Reason]
) -> Iterator[Found]:
    try:
        records = resolve(document)
    except SenmlError as problem:
        reasons.append(Reason(topic, "", str(problem)))
        return
    relative = any(abs(record.time_s) < 2.0**28 for record in records)
    for record in records[:MOST_LEAVES]:
        value, words = record.fields.get("v"), words_of(record.name)
        if isinstance(value, bool) or not isinstance(value, int | float) or not record.name:
            reasons.append(Reason(topic, record.name, "the record has no number in v, or no name"))
            continue
        units = record.unit or ""
        quantity = quantity_of(words)
        if units and (quantity is None or units not in quantity.row.senml):
            quantity = next((q for q in CALLED if units in q.row.senml and q in _BY_SENML), None)
        if quantity is None or not abs(value) <= MOST or len(record.name) > LONGEST:
            reasons.append(Reason(topic, record.name, NO_NAME))
            continue
        number = float(value) + record.base_value
        unit = Spelt(quantity.row.senml[units]) if units else None
        fitted = unit_of(quantity, number, words, unit, False)
        if fitted is None or fitted[0].scale != 1.0:
            why = f"no unit of {quantity} makes sense of {number:g}"
            reasons.append(Reason(topic, record.name, why))
            continue
        steps = record.name.replace("/", ":").replace(".", ":").split(":")
        parts = ["-".join(w for w in words_of(p) if not tells_what(w, quantity)) for p in steps]
        place = (*levels, *filter(None, parts))
        how, unsure = ReadAs(fitted[0].unit, None, record.name), fitted[2] and not units
        one = Found(topic, (record.name,), quantity, how, number, place, unsure=unsure)
        yield one._replace(on_arrival=relative)


# A unit alone tells these.
_BY_SENML = (Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.ILLUMINANCE, Quantity.SIGNAL)
