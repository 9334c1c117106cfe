"""The daemon's connection to the broker, driven by the thread that decides and commits.

What blocks in paho is looking up the name, connecting and the TLS handshake. So every
attempt is a fresh paho client that a helper thread connects and then hands over whole;
from there on only the owner touches it. Callbacks convert and append, nothing else.
"""

from __future__ import annotations

import logging
import math
import random
import ssl
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import replace
from functools import partial
from selectors import EVENT_READ, EVENT_WRITE, BaseSelector, SelectorKey
from typing import Any

from paho.mqtt.client import Client, MQTTMessage, MQTTMessageInfo, topic_matches_sub
from paho.mqtt.enums import MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from monitor.edges.mqtt import connection
from monitor.edges.mqtt.connection import V5, V311, Broker, Dialler, Incoming, LinkState, why

log = logging.getLogger(__name__)

# Held for an owner who takes nothing more; the rest waits at the broker.
MOST_UNTAKEN = 1000
# Messages read before the owner gets its turn again: some 3 ms.
READS_AT_A_TIME = 500
# A broker answers a subscription at once.
SUBSCRIBED_WITHIN_S = 10.0
# A connection that held this long was a good one: the waits start small again.
STEADY_S = 30.0
UNSTEADY_TRIES = 3


class Link:
    """The daemon's connection, serviced by one thread under that thread's own selector.

    timed_filters    subscribed with QoS 1: the broker keeps their messages while we are away
    untimed_filters  QoS 0 and nothing retained: nothing old is ever taken for new
    selector         the owner's; keys of the link carry the link as their data
    clock            returns now, UTC epoch ms
    monotonic        returns seconds that only grow

    Nothing is acknowledged until `acknowledge` is called, and then in order of receipt.
    """

    def __init__(
        self,
        broker: Broker,
        timed_filters: Iterable[str],
        untimed_filters: Iterable[str],
        selector: BaseSelector,
        clock: Callable[[], int],
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self.broker = broker
        self.inbox: deque[Incoming] = deque()
        self._timed = sorted(set(timed_filters))
        self._untimed = sorted(set(untimed_filters) - set(self._timed))
        self._selector = selector
        self._clock = clock
        self._monotonic = monotonic
        self._newest = V5 if broker.mqtt5 else V311
        self._protocol = self._newest
        self._client: Client | None = None
        self._serial = 0
        self._pending: deque[tuple[int, int]] = deque()  # (serial, mid) of this connection
        self._sent: dict[str, MQTTMessageInfo] = {}  # over this connection, by topic
        self._dialler = Dialler(selector, self)
        self._closed = False
        self._tries = 0
        self._retry_at = 0.0
        self._greeting_until = 0.0
        self._connected_at = 0.0
        self._misc_at = 0.0
        self._more_to_read = False
        self._bound = connection.PacketBound(broker.where)
        self._subscribed_until = math.inf
        self._trouble: Exception | None = None
        self._callback_error: Exception | None = None
        self.state = LinkState(False, clock(), f"Trying the broker at {broker.where}.")

    def start(self) -> None:
        """Begin to connect; returns at once."""
        self._dial()

    def service(self, ready: Sequence[tuple[SelectorKey, int]] = ()) -> None:
        """Do what the sockets in `ready` (as `select` gave them) and the time ask for."""
        readable = self._more_to_read
        for key, events in ready:
            if key.data is not self:
                continue
            if key.fileobj is self._dialler.bell:
                self._take_over()
            elif self._client is not None:
                readable |= bool(events & EVENT_READ)
                if events & EVENT_WRITE:
                    self._drive(self._client.loop_write)
        # Where the owner takes nothing more, what has no window of its own waits at the broker.
        if readable and self._client is not None and len(self.inbox) < MOST_UNTAKEN:
            self._drive(partial(self._read, self._client))
        self._keep_time()

    def timeout_s(self) -> float:
        """How long the owner may sleep at most [s] before `service` is due."""
        if self.inbox or self._more_to_read:
            return 0.0
        if self._dialler.busy:
            return 1.0  # the bell wakes the selector
        due = self._retry_at if self._client is None else self._misc_at
        return min(max(due - self._monotonic(), 0.0), 60.0)

    def take(self) -> Iterator[Incoming]:
        """What was received, in order of receipt; what is not asked for stays."""
        while self.inbox:
            yield self.inbox.popleft()

    @property
    def unacknowledged(self) -> int:
        """Messages of this connection that the broker still holds for us."""
        return len(self._pending)

    @property
    def window(self) -> int:
        """The most messages the broker sends ahead; commit at half of it or it falls silent."""
        return self.broker.receive_maximum if self._protocol == V5 else connection.WINDOW_311

    def acknowledge(self, serial: int) -> None:
        """Tell the broker that all up to and including `serial` are kept: after the commit.

        What came over an earlier connection is passed over: the broker sends it again.
        """
        if self._client is None or not self._pending:
            return
        while self._pending and self._pending[0][0] <= serial:
            self._client.ack(self._pending.popleft()[1], 1)
        self._drive(self._client.loop_write)

    def drop(self) -> None:
        """After a failed commit: forget what is not committed and have it sent again."""
        self.inbox = deque(m for m in self.inbox if m.qos == 0)  # those come only once
        if self._client is not None:
            self._hang_up()
            self._fail("What could not be stored is asked for again.", lasting=False)

    def publish(self, topic: str, payload: bytes, retain: bool = False) -> bool:
        """Send something of ours, QoS 1; False if it cannot go out now (it is not kept).

        Nor does it while what was last sent on this topic waits to be confirmed: behind a backlog
        the broker confirms late, and what waits would be old before it went.
        """
        if self._client is None or not self.state.connected:
            return False
        before = self._sent.get(topic)
        if before is not None and not before.is_published():
            return False
        sent = self._client.publish(topic, payload, 1, retain)
        if sent.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            return False
        self._sent[topic] = sent
        return True

    def close(self, timeout_s: float = 2.0) -> None:
        """Say good-bye, send what is queued within timeout_s, and let go. Safe to repeat."""
        if self._closed:
            return
        self._closed = True
        if self._client is not None:
            if self.state.connected:
                self._client.publish(connection.STATE_TOPIC, connection.AWAY, 0, retain=True)
            self._hang_up(self._monotonic() + timeout_s)
        self._dialler.close()
        self.state = LinkState(False, self._clock(), "The connection to the broker is closed.")

    def _dial(self) -> None:
        self._dialler.dial(partial(connection.connected, self.broker, self._protocol))

    def _take_over(self) -> None:
        """The helper is done: its client is ours from here on, or its error."""
        result = self._dialler.result()
        if result is None:
            return
        if isinstance(result, Exception):
            self._fail(why(result, self.broker), lasting=isinstance(result, connection.LASTING))
            return
        sock = result.socket()
        if sock is None:
            self._not_greeted(connection.NoAnswerError())
            return
        self._client = result
        self._sent.clear()
        self._greeting_until = self._monotonic() + connection.GREETING_TIMEOUT_S
        self._misc_at = self._monotonic() + 1.0
        self._bound = connection.PacketBound(self.broker.where)
        self._subscribed_until = math.inf
        self._trouble = None
        self._selector.register(sock, EVENT_READ, data=self)
        result.on_socket_register_write = self._waits_for(EVENT_READ | EVENT_WRITE)
        result.on_socket_unregister_write = self._waits_for(EVENT_READ)
        result.on_socket_close = self._socket_closes
        result.on_connect = self._guarded(self._on_connect)
        result.on_disconnect = self._guarded(self._on_disconnect)
        result.on_subscribe = self._guarded(self._on_subscribe)
        result.on_message = self._guarded(self._on_message)
        if result.want_write():
            self._waits_for(EVENT_READ | EVENT_WRITE)(result, None, sock)

    def _fail(self, sentence: str, *, lasting: bool) -> None:
        """Not connected: say why, and set when to try again."""
        now = self._monotonic()
        if self.state.connected and now - self._connected_at > STEADY_S:
            self._tries = 0
        since = self._clock() if self.state.connected else self.state.since_ms
        if sentence != self.state.sentence:
            log.warning("%s", sentence)
        self.state = LinkState(False, since, sentence)
        shortest, longest = (15.0, 300.0) if lasting else (0.5, 60.0)
        wait = min(shortest * 2**self._tries, longest)
        self._tries = min(self._tries + 1, 16)
        self._try_again(self._newest, now + wait * random.uniform(0.5, 1.0))  # noqa: S311  no secret in it

    def _try_again(self, protocol: MQTTProtocolVersion, at: float) -> None:
        self._client = None
        self._pending.clear()
        self._more_to_read = False
        self._protocol = protocol
        self._retry_at = at

    def _not_greeted(self, error: connection.NoAnswerError | connection.RefusedError) -> None:
        """No welcome. An old broker says no to MQTT 5 or just closes: greet it the old way."""
        old = (
            isinstance(error, connection.NoAnswerError)
            or error.code == connection.UNSUPPORTED_PROTOCOL
        )
        if old and self._protocol == V5:
            self._try_again(V311, self._monotonic())
        else:
            self._fail(why(error, self.broker), lasting=isinstance(error, connection.LASTING))

    def _hang_up(self, deadline: float = 0.0) -> None:
        """Leave in an orderly way, waiting for a slow socket no longer than the deadline."""
        client = self._client
        self._client = None
        if client is None:
            return
        connection.say_goodbye(client, lambda: self._monotonic() < deadline)
        sock = client.socket()
        if sock is not None:
            self._socket_closes(client, None, sock)
            client.on_socket_close = client.on_socket_unregister_write = None
            sock.close()

    def _drive(self, step: Callable[[], object]) -> None:
        """One step of paho's; what it cannot read is the broker's fault and ends the call."""
        try:
            step()
        except Exception as error:
            if self._callback_error is not None:
                raise  # ours: the owner must hear of it
            if not isinstance(error, connection.BrokerError):
                log.exception("the broker sent what cannot be read as MQTT")
            self._hang_up()
            self._fail(why(error, self.broker), lasting=True)
            return
        if self._client is not None and self._client.socket() is None:
            self._ended()

    def _read(self, client: Client) -> None:
        """Read until the socket is empty or the owner's turn has come."""
        self._more_to_read = False
        full = len(self.inbox) + READS_AT_A_TIME
        # One call reads as many packets as messages of our own are unconfirmed.
        while len(self.inbox) < full:
            before = len(self.inbox)
            client.loop_read()
            sock = client.socket()
            if sock is None:
                return
            self._bound.look(sock, len(self.inbox) > before)
            # Decrypted bytes inside the TLS layer do not wake a selector.
            self._more_to_read = isinstance(sock, ssl.SSLSocket) and sock.pending() > 0
            if len(self.inbox) == before and not self._more_to_read:
                return

    def _keep_time(self) -> None:
        now = self._monotonic()
        if self._client is None:
            if not self._dialler.busy and not self._closed and now >= self._retry_at:
                self._dial()
        elif now >= self._misc_at:
            self._misc_at = now + 1.0
            if now >= self._subscribed_until:
                self._subscribed_until = math.inf
                self._say_deaf(
                    "it has not answered our subscription: nothing comes from it; look at its log"
                )
            if not self.state.connected and now >= self._greeting_until:
                self._hang_up()
                self._not_greeted(connection.NoAnswerError())
            else:
                self._drive(self._client.loop_misc)

    def _ended(self) -> None:
        """paho has closed the socket: find the sentence for it."""
        if isinstance(self._trouble, connection.RefusedError):
            self._not_greeted(self._trouble)
        elif not self.state.connected:
            self._not_greeted(connection.NoAnswerError())
        else:
            at = self.broker.where
            sentence = f"The connection to the broker at {at} was lost: {self._trouble}."
            if self._tries >= UNSTEADY_TRIES:
                sentence += " It never lasts; does another program use our client_id?"
            self._fail(sentence, lasting=False)

    # Callbacks: paho calls them inside loop_read, loop_write and loop_misc

    def _guarded(self, callback: Callable[..., None]) -> Callable[..., None]:
        def call(*args: Any) -> None:
            try:
                callback(*args)
            except Exception as error:
                self._callback_error = error
                raise

        return call

    def _on_connect(
        self, client: Client, _: object, flags: Any, reason: ReasonCode, __: object
    ) -> None:
        if reason.is_failure:
            self._trouble = connection.RefusedError(reason.value, str(reason))
            return
        self._connected_at = self._monotonic()
        spoken = "5" if self._protocol == V5 else "3.1.1"
        self.state = LinkState(
            True,
            self._clock(),
            f"Connected to the broker at {self.broker.where}, MQTT {spoken}.",
            spoken,
            bool(flags.session_present),
        )
        log.info("%s", self.state.sentence)
        connection.subscribe(client, self._protocol, self._timed, self._untimed)
        if self._timed or self._untimed:
            self._subscribed_until = self._monotonic() + SUBSCRIBED_WITHIN_S
        client.publish(connection.STATE_TOPIC, connection.HERE, 1, retain=True)

    def _on_disconnect(
        self, _: Client, __: object, ___: object, reason: ReasonCode, ____: object
    ) -> None:
        if self._trouble is None:
            self._trouble = Exception(
                connection.LOST_BECAUSE.get(reason.value, str(reason).lower())
            )

    def _on_subscribe(
        self, _: Client, __: object, ___: int, reasons: list[ReasonCode], ____: object
    ) -> None:
        self._subscribed_until = math.inf
        filters = [*self._timed, *self._untimed]
        refused = [f for f, r in zip(filters, reasons, strict=False) if r.is_failure]
        if refused:
            self._say_deaf(
                f"it does not let us hear {', '.join(refused)}; look at the broker's own list of "
                "who may read what"
            )

    def _say_deaf(self, why_deaf: str) -> None:
        sentence = f"Connected to the broker at {self.broker.where}, but {why_deaf}."
        log.warning("%s", sentence)
        self.state = replace(self.state, sentence=sentence)

    def _on_message(self, _: Client, __: object, message: MQTTMessage) -> None:
        self._serial += 1
        if message.qos:
            self._pending.append((self._serial, message.mid))
        arrived = connection.incoming(message, self._clock(), self._serial)
        # Nothing retained is taken that only a filter without a promise lets in.
        if not arrived.retained or any(topic_matches_sub(f, arrived.topic) for f in self._timed):
            self.inbox.append(arrived)

    def _waits_for(self, events: int) -> Callable[[Client, Any, Any], None]:
        def change(_: Client, __: Any, sock: Any) -> None:
            self._selector.modify(sock, events, data=self)

        return change

    def _socket_closes(self, _: Client, __: object, sock: Any) -> None:
        with suppress(KeyError):
            self._selector.unregister(sock)
