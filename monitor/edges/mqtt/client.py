"""Building, connecting and subscribing one paho client: what link and guest have in common."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.edges.mqtt.connection import Broker

V5, V311 = MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311

# MQTT 3.1.1 lets a client say nothing about this; 20 is what brokers commonly allow.
WINDOW_311 = 20
# Larger than any sensor's payload; MQTT 5 brokers keep larger ones from us.
LARGEST_PACKET = 256 * 1024
CONNECT_TIMEOUT_S = 5.0
GREETING_TIMEOUT_S = 5.0


class Incoming(NamedTuple):
    """One message. arrived_ms: UTC epoch ms; serial: running number, to acknowledge by."""

    topic: str
    payload: bytes
    arrived_ms: int
    retained: bool
    qos: int
    serial: int


def incoming(message: MQTTMessage, arrived_ms: int, serial: int) -> Incoming:
    try:
        topic = message.topic
    except UnicodeDecodeError:
        topic = "\N{REPLACEMENT CHARACTER}"  # no settings can name it: counted as unknown
    return Incoming(topic, bytes(message.payload), arrived_ms, message.retain, message.qos, serial)


def new_client(
    broker: Broker, protocol: MQTTProtocolVersion, client_id: str, *, keep_session: bool
) -> Client:
    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        clean_session=None if protocol == V5 else not keep_session,
        protocol=protocol,
        reconnect_on_failure=False,  # else paho itself reconnects, and blocks
        manual_ack=True,
    )
    client.connect_timeout = CONNECT_TIMEOUT_S
    if broker.user is not None:
        client.username_pw_set(broker.user, broker.password)
    context = broker.tls()
    if context is not None:
        client.tls_set_context(context)
    return client


def connect(client: Client, broker: Broker, *, keep_session: bool) -> None:
    """Look up, connect, shake hands, send the greeting: blocks."""
    if client.protocol != V5:
        client.connect(broker.host, broker.port, broker.keepalive_s)
        return
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho leaves it so
    properties.ReceiveMaximum = broker.receive_maximum
    properties.MaximumPacketSize = LARGEST_PACKET
    if keep_session:
        properties.SessionExpiryInterval = broker.session_expiry_s
    client.connect(
        broker.host,
        broker.port,
        broker.keepalive_s,
        clean_start=not keep_session,
        properties=properties,
    )


def subscribe(
    client: Client, protocol: MQTTProtocolVersion, timed: Sequence[str], untimed: Sequence[str]
) -> None:
    """QoS 1 at most: of QoS 2 the broker would forget its copy before our commit."""
    if not timed and not untimed:
        return
    if protocol == V5:
        new = SubscribeOptions.RETAIN_SEND_IF_NEW_SUB
        never = SubscribeOptions.RETAIN_DO_NOT_SEND
        client.subscribe(
            [(f, SubscribeOptions(qos=1, noLocal=True, retainHandling=new)) for f in timed]
            + [(f, SubscribeOptions(qos=0, noLocal=True, retainHandling=never)) for f in untimed]
        )
    else:
        client.subscribe([(f, 1) for f in timed] + [(f, 0) for f in untimed])
