"""What is on the broker: topics and what they carry, settings ready to paste, and reasons.

Everything heard is a stranger's: control characters never reach the terminal, and what is
remembered is bounded. Only what is shown for looking at is cut, never what has to be copied.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from itertools import groupby

from monitor.edges.mqtt import Broker, Guest
from monitor.intake.documents import parse_json
from monitor.intake.guesses import propose
from monitor.intake.payloads import MOST_BYTES
from monitor.intake.proposals import MOST_ARRIVALS, MOST_FORMS, Reason, TopicHeard, settings_lines
from monitor.site.spaces import Sensor
from monitor.site.words import shown

MOST_TOPICS = 5000
MOST_SHOWN = 12  # reasons of one topic
SHOWN_LETTERS = 100
ALL = ("#",)
COUNT_EVERY_S = 5.0


def listen(
    broker: Broker,
    seconds: float,
    clock: Callable[[], int],
    filters: Sequence[str] = ALL,
    say: Callable[[str], None] = lambda _: None,
    heard: dict[str, TopicHeard] | None = None,
) -> list[TopicHeard]:
    """Listen for so long; topics in alphabetical order, at most MOST_TOPICS.

    heard   takes what is heard, as it comes
    say     takes a line when it begins to listen, and one now and then with the count
    raises  BrokerError
    """
    heard = {} if heard is None else heard
    until = time.monotonic() + seconds
    with Guest(broker, filters, clock=clock) as guest:
        say(f"Listening at {broker.host}, port {broker.port}, for {seconds:.0f} s …")
        counted_at, messages = time.monotonic(), 0
        while (left := until - time.monotonic()) > 0:
            guest.turn(min(left, 0.5))
            for message in guest.take():
                messages += 1
                if message.topic in heard or len(heard) < MOST_TOPICS:
                    one = heard.setdefault(message.topic, TopicHeard(message.topic))
                    note(one, message.payload, message.arrived_ms, message.retained)
            if time.monotonic() - counted_at >= COUNT_EVERY_S:
                counted_at = time.monotonic()
                say(f"{messages} messages under {len(heard)} topics, {left:.0f} s to go …")
    return [heard[topic] for topic in sorted(heard)]


def note(one: TopicHeard, payload: bytes, arrived_ms: int, retained: bool) -> None:
    """Add a message; of those built alike, one is kept."""
    forms = {_form(other) for other in (payload, *one.others)}
    if one.count + one.retained and _form(one.payload) not in forms:
        one.others = [*one.others, one.payload][-MOST_FORMS:]
    one.others = [other for other in one.others if _form(other) != _form(payload)]
    one.payload = payload
    one.count += not retained
    one.retained |= retained
    if not retained:
        one.arrived_ms = [*one.arrived_ms, arrived_ms][-MOST_ARRIVALS:]


def _form(payload: bytes) -> object:
    """What tells messages apart that are built otherwise: their outermost names."""
    try:
        document = parse_json(payload[:MOST_BYTES].decode())
    except (ValueError, RecursionError):
        return None
    return frozenset(document) if isinstance(document, dict) else type(document)


def report(
    heard: Sequence[TopicHeard],
    seconds: float,
    timezone: str = "UTC",
    sensors: Mapping[str, Sensor] | None = None,
) -> str:
    """The whole as text for a terminal: what was heard, why something is left out, settings."""
    if not heard:
        return (
            f"Nothing was heard in {seconds:.0f} s. A sensor that sends every few minutes "
            "needs longer: listen again with more seconds."
        )
    proposals, reasons = propose(heard, timezone, sensors)
    why: dict[str, list[Reason]] = {}
    for reason in reasons:
        why.setdefault(reason.topic, []).append(reason)
    lines: list[str] = []
    for group, members in groupby(heard, key=lambda one: one.topic.rpartition("/")[0]):
        lines += [printable(group) or "(top)"]
        for one in members:
            last = one.payload[:MOST_BYTES].decode(errors="replace")
            lines += [
                f"  {printable(one.topic.rpartition('/')[2])}  {_rate(one, seconds)}",
                f"    last: {shown(last, SHOWN_LETTERS)}",
                *_left_out(why.get(one.topic, [])),
            ]
        lines += [""]
    if proposals:
        lines += ["To take these in, paste what you want into the settings and name the space:", ""]
        lines += ["\n\n".join(map(settings_lines, proposals))]
    return "\n".join(lines).rstrip() + "\n"


def _left_out(reasons: list[Reason]) -> list[str]:
    said = [f"{one.where}: {one.why}" if one.where else one.why for one in reasons[:MOST_SHOWN]]
    more = len(reasons) - MOST_SHOWN
    said += [f"and {more} more"] if more > 0 else []
    return [f"    not proposed: {printable(one)}" for one in said]


def printable(text: str) -> str:
    """Text that is safe for a terminal, whole: control characters are written out."""
    return shown(text, len(text))


def _rate(one: TopicHeard, seconds: float) -> str:
    lying = "a retained one lay there" if one.retained else ""
    if not one.count:
        return f"{lying}, nothing new"
    every = one.every_s or seconds / one.count
    often = "once" if one.count == 1 else f"{one.count} times, every {every:.1f} s"
    return f"{often}, and {lying}" if lying else often
