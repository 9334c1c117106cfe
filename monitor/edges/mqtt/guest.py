"""A command's short visit to the broker; it may wait, the daemon's link may not."""

from __future__ import annotations

import random
import time
from collections import deque
from collections.abc import Callable, Sequence
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from monitor.edges.mqtt.connection import (
    GREETING_TIMEOUT_S,
    UNSUPPORTED_PROTOCOL,
    V5,
    V311,
    WINDOW_311,
    Broker,
    BrokerError,
    Incoming,
    NoAnswerError,
    RefusedError,
    connect,
    incoming,
    new_client,
    why,
)


class Guest:
    """A command's short visit: connects at once or raises BrokerError, waits where it must.

    filters      what it wants to hear, with what is retained
    in_flight    own messages that may be unconfirmed at a time, at most what the broker allows
    patience_s   how long a lost broker is waited for [s]

    The broker keeps nothing of it afterwards. `protocol` is the MQTT version spoken.
    """

    def __init__(
        self,
        broker: Broker,
        filters: Sequence[str] = (),
        in_flight: int = 100,
        patience_s: float = 30.0,
        clock: Callable[[], int] = lambda: 0,
    ) -> None:
        self.broker = broker
        self.inbox: deque[Incoming] = deque()
        self.sent = 0
        self.confirmed = 0
        self.refused = 0
        self._filters = filters
        self._clock = clock
        self._patience_s = patience_s
        self._in_flight = in_flight
        self._answer: ReasonCode | None = None
        self._lost_at: float | None = None
        self.protocol = "5"
        self._client: Any = self._greet(V5) if broker.mqtt5 else None
        if self._client is None:
            self.protocol = "3.1.1"
            self._client = self._greet(V311)
        if self._client is None:
            raise BrokerError(why(RefusedError(UNSUPPORTED_PROTOCOL, "MQTT"), broker))

    def publish(self, topic: str, payload: bytes, retain: bool = False) -> None:
        """Send with QoS 1, waiting while too many are unconfirmed."""
        while self.unconfirmed >= self._in_flight:
            self.turn(0.1)
        self.sent += 1
        self._client.publish(topic, payload, 1, retain)

    @property
    def unconfirmed(self) -> int:
        """Messages sent of which the broker has not yet said that it has them."""
        return self.sent - self.confirmed

    def settle(self) -> None:
        """Wait until the broker has confirmed everything."""
        while self.unconfirmed:
            self.turn(0.1)

    def turn(self, seconds: float) -> None:
        """Read and write for at most so long; a lost broker is waited for."""
        if self._client.loop(seconds) != MQTTErrorCode.MQTT_ERR_SUCCESS:
            self._come_back()

    def take(self) -> list[Incoming]:
        """What was heard since the last call."""
        messages = list(self.inbox)
        self.inbox.clear()
        return messages

    def close(self) -> None:
        """Leave; safe to repeat."""
        self._client.disconnect()

    def __enter__(self) -> Guest:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _greet(self, protocol: MQTTProtocolVersion) -> Any:
        name = f"drying-room-guest-{random.randrange(16**8):08x}"  # noqa: S311  only a name
        self._answer = None
        try:
            client = new_client(self.broker, protocol, name, keep_session=False)
            client.on_connect = self._on_connect
            client.on_message = self._on_message
            client.on_publish = self._on_publish
            client.max_inflight_messages_set(self._in_flight)
            connect(client, self.broker, keep_session=False)
        except Exception as error:
            raise BrokerError(why(error, self.broker)) from error
        until = time.monotonic() + GREETING_TIMEOUT_S
        while self._answer is None and client.socket() is not None and time.monotonic() < until:
            client.loop(0.1)
        answer: ReasonCode | None = self._answer
        if answer is None and protocol == V311:
            raise BrokerError(why(NoAnswerError(), self.broker))
        if answer is None or answer.value == UNSUPPORTED_PROTOCOL:
            return None
        if answer.is_failure:
            raise BrokerError(why(RefusedError(answer.value, str(answer)), self.broker))
        if protocol == V311:
            self._in_flight = min(self._in_flight, WINDOW_311)
        return client

    def _come_back(self) -> None:
        """Reconnect; paho sends again what was not confirmed."""
        if self._lost_at is None:
            self._lost_at = time.monotonic()
        trouble: Exception = NoAnswerError()
        while time.monotonic() < self._lost_at + self._patience_s:
            time.sleep(0.2)
            try:
                self._client.reconnect()
                return
            except OSError as error:
                trouble = error
        raise BrokerError(why(trouble, self.broker)) from trouble

    def _on_connect(
        self, client: Client, _: object, __: object, reason: ReasonCode, properties: Any
    ) -> None:
        self._answer = reason
        if not reason.is_failure:
            self._lost_at = None
            allowed = getattr(properties, "ReceiveMaximum", 65535)
            self._in_flight = min(self._in_flight, allowed)
            if self._filters:
                client.subscribe([(f, 0) for f in self._filters])

    def _on_message(self, _: Client, __: object, message: MQTTMessage) -> None:
        self.inbox.append(incoming(message, self._clock(), 0))

    def _on_publish(self, _: Client, __: object, ___: int, reason: ReasonCode, ____: Any) -> None:
        self.confirmed += 1
        self.refused += reason.is_failure
