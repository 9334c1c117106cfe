"""What was heard on the broker, and sensors proposed for it: as settings to paste."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from statistics import median
from typing import NamedTuple

from monitor.intake.vocabulary import GENERIC, words_of
from monitor.site.quantities import Quantity
from monitor.site.spaces import OUTDOORS, Sensor
from monitor.site.time import DAY_S

MOST_ARRIVALS, MOST_FORMS = 60, 4
USUAL_EVERY_S = 60.0
NAME_LETTERS = 40


@dataclass(slots=True)
class TopicHeard:
    """One topic. count: messages heard, without the retained one that was lying there.

    payload      of the latest message
    others       payloads of messages that were built otherwise, one of each form
    arrived_ms   when the latest few came [UTC epoch ms]
    """

    topic: str
    payload: bytes = b""
    count: int = 0
    retained: bool = False
    others: list[bytes] = field(default_factory=list)
    arrived_ms: list[int] = field(default_factory=list)

    @property
    def every_s(self) -> float | None:
        """How often it comes [s]; None: too little was heard to tell."""
        pairs = zip(self.arrived_ms, self.arrived_ms[1:], strict=False)
        gaps = [(later - earlier) / 1000 for earlier, later in pairs]
        return min(max(median(gaps), 1.0), float(DAY_S)) if gaps else None


class Proposal(NamedTuple):
    """A sensor that seems to be there. Its space is "" where the person has to say it.

    unsure    quantities whose unit is told by nothing but the value
    learnt    whether `every` was heard, and not assumed
    """

    sensor: Sensor
    unsure: frozenset[Quantity] = frozenset()
    learnt: bool = False


class Reason(NamedTuple):
    """Why something that was heard is in no proposal.

    where   the topic, and the pointer in its messages; "": all of them
    """

    topic: str
    where: str
    why: str


def named(proposals: Iterable[Proposal], taken: Iterable[str]) -> list[Proposal]:
    """The proposals, each with a name that no other has."""
    used = {name.casefold() for name in taken}
    result = []
    for proposal in proposals:
        name, number = proposal.sensor.name, 2
        while name.casefold() in used:
            name, number = f"{proposal.sensor.name}-{number}", number + 1
        used.add(name.casefold())
        result.append(proposal._replace(sensor=replace(proposal.sensor, name=name)))
    return result


def sensor_name(levels: Sequence[str]) -> str:
    """A name from where it stands: its last two telling parts, letters and digits only."""
    telling = [level for level in levels if not set(words_of(level)) <= GENERIC]
    parts = [re.sub(r"[^\w]+", "-", level).strip("-_") for level in telling[-2:]]
    name = unicodedata.normalize("NFC", "-".join(part for part in parts if part))
    return name[:NAME_LETTERS].strip("-_") or "sensor"


def settings_lines(proposal: Proposal) -> str:
    """A proposal as settings, ready to paste."""
    sensor = proposal.sensor
    space = sensor.space or "…"
    lines = ["[[sensor]]", f"name = {quoted(sensor.name)}", f"space = {quoted(space)}"]
    if space != OUTDOORS:
        lines[-1] += '                 # the space it hangs in, or "outdoors"'
    if sensor.topic is not None:
        lines += [f"topic = {quoted(sensor.topic)}"]
    told = "as heard just now" if proposal.learnt else "a guess: too little was heard to tell"
    lines += [f'every = "{sensor.every_s:.0f} s"              # {told}']
    if sensor.time is not None:
        at, unit = quoted(sensor.time.pointer), sensor.time.unit
        lines += [f'time = {{ at = {at}, unit = "{unit}" }}']
    if sensor.on_arrival:
        lines += ['time = "arrival"             # its records do not say when they were measured']
    for quantity in sensor.reads:
        guess = "   # a guess: look at the unit" if quantity in proposal.unsure else ""
        lines += [reads_line(sensor, quantity) + guess]
    return "\n".join(lines)


def reads_line(sensor: Sensor, quantity: Quantity) -> str:
    """How one quantity is read, as a line of settings."""
    how = sensor.reads[quantity]
    parts = [f"topic = {quoted(how.topic)}"] if how.topic is not None else []
    parts += [f"at = {quoted(how.pointer)}"] if how.pointer is not None else []
    parts += [f"senml = {quoted(how.senml_name)}"] if how.senml_name is not None else []
    parts += [f'unit = "{how.unit}"']
    parts += [f"scale = {how.scale:g}"] if how.scale != 1.0 else []
    parts += ["total = true"] if how.total else []
    return f"reads.{quantity} = {{ {', '.join(parts)} }}"


def quoted(text: str) -> str:
    """A TOML basic string; what is not printable is escaped as TOML asks."""
    inside = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08X}" for c in inside) + '"'
