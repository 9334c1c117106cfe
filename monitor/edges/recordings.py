"""Recorded messages, and publishing them again: as fast as they came, faster, or at full speed.

A recording is JSON lines, plain or gzip, one message a line:
`{"at": "2026-07-01T06:00:00Z", "topic": "barn/loft/rail", "payload": "21.4"}`, with
`payload_base64` instead of `payload` for bytes that are no text.
"""

from __future__ import annotations

import gzip
import json
import time
import zlib
from base64 import b64decode
from binascii import Error as Base64Error
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from monitor.edges.mqtt import Broker, BrokerError, Guest
from monitor.site.time import epoch_ms_of
from monitor.site.words import shown

GZIP_MAGIC = b"\x1f\x8b"
PACE_PATIENCE_S = 120.0
PROGRESS_EVERY_S = 0.25


class Recorded(NamedTuple):
    """One message of a recording; at_ms: when it was published, UTC epoch ms."""

    at_ms: int
    topic: str
    payload: bytes


class Replayed(NamedTuple):
    """What a replay did: messages sent, how many the broker refused, seconds it took."""

    messages: int
    refused: int
    seconds: float


class RecordingError(Exception):
    """A recording cannot be read; the text is one sentence with file and line."""


def recorded(file: Path) -> Iterator[Recorded]:
    """The messages of a recording, in the file's order; raises RecordingError."""
    number = 0
    try:
        with file.open("rb") as probe:
            packed = probe.read(2) == GZIP_MAGIC
        with gzip.open(file) if packed else file.open("rb") as lines:
            for line in lines:
                number += 1
                if line.strip():
                    yield _message(line)
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError) as error:
        told = f"{error.args[0]!r} is missing" if isinstance(error, KeyError) else str(error)
        raise RecordingError(
            f'{file}:{number}: {shown(told, 200)}; a line like {{"at": "2026-07-01T06:00:00Z", '
            f'"topic": "barn/loft", "payload": "21.4"}} was expected.'
        ) from error
    except (OSError, EOFError, zlib.error) as error:
        raise RecordingError(f"{file} cannot be read ({error}).") from error


def _message(line: bytes) -> Recorded:
    fields = json.loads(line)
    if not isinstance(fields, dict):
        raise ValueError("this is no JSON object")
    for name in ("at", "topic", *({"payload", "payload_base64"} & fields.keys())):
        if not isinstance(fields[name], str):
            raise ValueError(f"{name} is no text")
    at = datetime.fromisoformat(fields["at"])
    at_ms = epoch_ms_of(at if at.tzinfo else at.replace(tzinfo=UTC))
    if "payload_base64" in fields:
        try:
            return Recorded(
                at_ms, fields["topic"], b64decode(fields["payload_base64"], validate=True)
            )
        except Base64Error as error:
            raise ValueError("payload_base64 is no Base64") from error
    return Recorded(at_ms, fields["topic"], fields["payload"].encode())


def replay(
    file: Path,
    broker: Broker,
    speed: float | None,
    *,
    in_flight: int = 100,
    pace: Callable[[], int] | None = None,
    ahead: int = 200,
    progress: Callable[[int, int], None] | None = None,
) -> Replayed:
    """Publish a recording with QoS 1; returns once the broker has confirmed all of it.

    speed      times real time; None: as fast as the broker takes it
    in_flight  messages that may be unconfirmed at a time
    pace       how many of these messages the receiver has handled so far; given, no more
               than `ahead` are sent beyond it: for a broker that loses what piles up
    progress   called now and then with messages sent and the time reached, UTC epoch ms
    raises     BrokerError, RecordingError
    """
    began = time.monotonic()
    told = began
    sent = handled = 0
    first_ms: int | None = None
    with Guest(broker, in_flight=in_flight) as guest:
        for message in recorded(file):
            if first_ms is None:
                first_ms = message.at_ms
            if speed is not None:
                _wait_until(guest, began + (message.at_ms - first_ms) / 1000 / speed)
            if pace is not None and sent - handled >= ahead:
                handled = _wait_for(guest, pace, sent - ahead + 1)
            try:
                guest.publish(message.topic, message.payload)
            except ValueError as error:
                raise RecordingError(
                    f"{file}: {shown(message.topic)} is no topic ({error})."
                ) from error
            sent += 1
            if progress is not None and time.monotonic() - told > PROGRESS_EVERY_S:
                told = time.monotonic()
                progress(sent, message.at_ms)
        guest.settle()
        return Replayed(sent, guest.refused, time.monotonic() - began)


def _wait_until(guest: Guest, due: float) -> None:
    while (left := due - time.monotonic()) > 0:
        guest.turn(min(left, 1.0))


def _wait_for(guest: Guest, pace: Callable[[], int], wanted: int) -> int:
    """How many the receiver has handled, once it has handled so many as are wanted."""
    until = time.monotonic() + PACE_PATIENCE_S
    while (reached := pace()) < wanted:
        if time.monotonic() > until:
            raise BrokerError(
                f"The monitor has stopped at message {reached}; is it running, "
                "and does it hear these topics?"
            )
        guest.turn(0.005)
    return reached
