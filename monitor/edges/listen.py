"""What is on the broker: topics in groups, what they seem to carry, settings ready to paste.

Everything heard is a stranger's: control characters never reach the terminal, and what is
remembered is bounded.
"""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby, islice

from monitor.edges.mqtt import Broker, Guest
from monitor.site.quantities import Guess, guess, guess_time, words_of

MOST_TOPICS = 5000
MOST_NUMBERS_A_TOPIC = 40
DEEPEST = 20
SHOWN_LETTERS = 100
ALL = ("#",)


@dataclass(slots=True)
class TopicHeard:
    """One topic. count: messages heard, without the retained one that was lying there."""

    topic: str
    payload: bytes = b""
    count: int = 0
    retained: bool = False


@dataclass(frozen=True, slots=True)
class PayloadForm:
    """How a payload is built, in words, and what is understood of it."""

    words: str
    reads: tuple[tuple[Guess, str], ...] = ()  # with where: 'at = "/t"', 'senml = "t"' or ""
    time: str | None = None  # the settings' value for `time`


def listen(
    broker: Broker, seconds: float, clock: Callable[[], int], filters: Sequence[str] = ALL
) -> list[TopicHeard]:
    """Listen for so long; topics in alphabetical order, at most MOST_TOPICS.

    raises  BrokerError
    """
    heard: dict[str, TopicHeard] = {}
    until = time.monotonic() + seconds
    with Guest(broker, filters, clock=clock) as guest:
        while (left := until - time.monotonic()) > 0:
            guest.turn(min(left, 0.5))
            for message in guest.take():
                if message.topic not in heard and len(heard) >= MOST_TOPICS:
                    continue
                one = heard.setdefault(message.topic, TopicHeard(message.topic))
                one.payload = message.payload
                one.count += not message.retained
                one.retained |= message.retained
    return [heard[topic] for topic in sorted(heard)]


def form_of(topic: str, payload: bytes) -> PayloadForm:
    """What the payload seems to be: a bare number, JSON, SenML (RFC 8428), or none of these."""
    try:
        text = payload.decode()
        document = json.loads(text)
    except (UnicodeDecodeError, ValueError, RecursionError):
        return PayloadForm("no number, no JSON: nothing we can read")
    if _is_number(document):
        found = guess(words_of(topic.rsplit("/", 1)[-1]), document, text)
        return PayloadForm("a bare number", ((found, ""),) if found else ())
    if _is_senml(document):
        return _senml_form(document)
    if isinstance(document, dict | list):
        return _json_form(document)
    return PayloadForm("JSON, but neither a number nor named values")


def report(heard: Sequence[TopicHeard], seconds: float) -> str:
    """The whole as text for a terminal: groups, then settings to paste."""
    if not heard:
        return (
            f"Nothing was heard in {seconds:.0f} s. A sensor that sends every few minutes "
            "needs longer: listen again with more seconds."
        )
    lines: list[str] = []
    for group, members in groupby(heard, key=lambda one: one.topic.rpartition("/")[0]):
        lines += [plain(group) or "(top)"]
        for one in members:
            form = form_of(one.topic, one.payload)
            lines += [
                f"  {plain(one.topic.rpartition('/')[2])}  {_rate(one, seconds)}, {form.words}",
                f"    last: {plain(one.payload.decode(errors='replace'))}",
            ]
        lines += [""]
    blocks = [block for one in heard if (block := settings_lines(one, seconds))]
    if blocks:
        lines += ["To take these in, paste what you want into the settings and name the space:", ""]
        lines += ["\n\n".join(blocks)]
    return "\n".join(lines).rstrip() + "\n"


def settings_lines(heard: TopicHeard, seconds: float) -> str:
    """Settings for one topic, ready to paste; empty where nothing is understood."""
    form = form_of(heard.topic, heard.payload)
    if not form.reads:
        return ""
    lines = [
        "[[sensor]]",
        f"name = {_quoted(_sensor_name(heard.topic))}",
        'space = "…"                 # the space it hangs in, or "outdoors"',
        f"topic = {_quoted(heard.topic)}",
    ]
    if heard.count > 1:
        lines += [f'every = "{max(round(seconds / heard.count), 1)} s"        # as heard just now']
    else:
        lines += ['every = "60 s"              # a guess: too little was heard to tell']
    if form.time is not None:
        lines += [f"time = {form.time}"]
    for found, where in form.reads:
        at = f"{where}, " if where else ""
        unit = "" if where.startswith("senml") else f'unit = "{found.unit}"'
        inside = f"{at}{unit}".rstrip(", ")
        lines += [f"reads.{found.quantity} = {{ {inside} }}{'   # a guess' * found.unsure}"]
    return "\n".join(lines)


def plain(text: str) -> str:
    """Text that is safe and short enough for a terminal: control characters shown as \\xNN."""
    shown = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
    return shown if len(shown) <= SHOWN_LETTERS else shown[: SHOWN_LETTERS - 1] + "…"


def _rate(one: TopicHeard, seconds: float) -> str:
    lying = "a retained one lay there" if one.retained else ""
    if not one.count:
        return f"{lying}, nothing new"
    often = "once" if one.count == 1 else f"{one.count} times, every {seconds / one.count:.1f} s"
    return f"{often}, and {lying}" if lying else often


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _is_senml(document: object) -> bool:
    return (
        isinstance(document, list)
        and bool(document)
        and all(isinstance(r, dict) and ({"n", "bn"} & r.keys()) for r in document)
    )


def _senml_form(records: list[dict[str, object]]) -> PayloadForm:
    base, names = "", []
    reads = []
    for record in records[:MOST_NUMBERS_A_TOPIC]:
        base = str(record.get("bn", base))
        name = base + str(record.get("n", ""))
        names.append(name)
        value = record.get("v")
        if _is_number(value):
            found = guess(words_of(str(record.get("n", name))), value, "")
            if found is not None:
                reads.append((found, f"senml = {_quoted(name)}"))
    return PayloadForm(f"SenML with {plain(', '.join(names))}", _once_each(reads))


def _json_form(document: object) -> PayloadForm:
    leaves = list(islice(_leaves(document, ""), MOST_NUMBERS_A_TOPIC))
    reads, when = [], None
    for pointer, value in leaves:
        words = words_of(pointer.rsplit("/", 1)[-1])
        unit = guess_time(words, value)
        if unit is not None and when is None:
            when = f'{{ at = {_quoted(pointer)}, unit = "{unit}" }}'
        elif unit is None and _is_number(value):
            found = guess(words, value, str(value))
            if found is not None:
                reads.append((found, f"at = {_quoted(pointer)}"))
    known = ", ".join(pointer for pointer, value in leaves if not isinstance(value, dict | list))
    return PayloadForm(
        f"JSON with {plain(known)}" if known else "empty JSON", _once_each(reads), when
    )


def _once_each(reads: list[tuple[Guess, str]]) -> tuple[tuple[Guess, str], ...]:
    """One reading a quantity: the first that fits."""
    first: dict[str, tuple[Guess, str]] = {}
    for found, where in reads:
        first.setdefault(found.quantity, (found, where))
    return tuple(first.values())


def _leaves(value: object, pointer: str) -> Iterator[tuple[str, object]]:
    """Every value that holds no others, with its RFC 6901 pointer."""
    if pointer.count("/") > DEEPEST:
        return
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _leaves(inner, f"{pointer}/{key.replace('~', '~0').replace('/', '~1')}")
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from _leaves(inner, f"{pointer}/{index}")
    else:
        yield pointer, value


def _quoted(text: str) -> str:
    """A TOML basic string; what is not printable is escaped as TOML asks."""
    inside = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08X}" for c in inside) + '"'


def _sensor_name(topic: str) -> str:
    """The last two parts of the topic, joined by a hyphen, letters and digits only."""
    parts = [re.sub(r"[^\w]+", "-", part).strip("-_") for part in topic.split("/")[-2:]]
    return "-".join(part for part in parts if part) or "sensor"
