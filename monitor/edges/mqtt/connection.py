"""How the broker is reached: where it is, connecting to it, and in a sentence why it is not.

Everything here that blocks is called by a command, or by the link's helper thread.
"""

from __future__ import annotations

import socket
import ssl
import struct
import termios
import time
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from fcntl import ioctl
from pathlib import Path
from selectors import EVENT_READ, BaseSelector
from socket import socketpair
from threading import Thread
from typing import Any, NamedTuple

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.site.time import DAY_S

V5, V311 = MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311

# MQTT 3.1.1 lets a client say nothing about this; 20 is what brokers commonly allow.
WINDOW_311 = 20
# Larger than any sensor's payload; MQTT 5 brokers keep larger ones from us.
LARGEST_PACKET = 256 * 1024
# More read without the end of a message is no packet that we take; TLS adds a little [bytes].
MOST_READ = LARGEST_PACKET + 64 * 1024
HELD_BY_SYSTEM = 64 * 1024  # bytes received and not yet read
CONNECT_TIMEOUT_S = 5.0
GREETING_TIMEOUT_S = 5.0


class BrokerError(Exception):
    """A command cannot do its work at the broker; the text is one sentence for a person."""


class ClosedOnFailure(ssl.SSLSocket):
    """A TLS socket that does not stay open after a failed handshake; paho leaves it so."""

    def do_handshake(self, block: bool = False) -> None:
        """As the standard library's."""
        try:
            super().do_handshake(block)
        except OSError:
            self.close()
            raise


@dataclass(frozen=True, slots=True)
class Broker:
    """Where the broker is, and who we are to it.

    client_id           our name at the broker: it keeps the session under it
    ca_file             certificate of who signed the broker's; given: TLS, always verified
    client_*_file       our own certificate and its key, where the broker asks for one
    receive_maximum     messages the broker may send ahead of our acknowledgement, 2 to 65535
    session_expiry_s    how long the broker keeps our session while we are away [s]
    keepalive_s         silence after which the connection is tested [s]
    mqtt5               False: known to speak only 3.1.1, which else takes a while to find out
    """

    host: str
    port: int = 1883
    client_id: str = "drying-room"
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    ca_file: Path | None = None
    client_certificate_file: Path | None = None
    client_key_file: Path | None = None
    receive_maximum: int = 2000
    session_expiry_s: int = 7 * DAY_S
    keepalive_s: int = 60
    mqtt5: bool = True

    @property
    def where(self) -> str:
        """Host and port, as a sentence names them."""
        return f"{self.host}:{self.port}"

    def tls(self) -> ssl.SSLContext | None:
        """The TLS settings, or None for a plain connection; raises OSError, BrokerError."""
        if self.ca_file is None:
            return None
        try:
            context = ssl.create_default_context(cafile=str(self.ca_file))
        except ssl.SSLError as error:
            raise BrokerError(
                f"{self.ca_file} holds no certificate ({error.reason}); look at ca_file "
                "under [mqtt]."
            ) from error
        context.sslsocket_class = ClosedOnFailure
        if self.client_certificate_file is not None:
            key = self.client_key_file or self.client_certificate_file
            try:
                context.load_cert_chain(str(self.client_certificate_file), str(key))
            except ssl.SSLError as error:
                raise BrokerError(
                    f"{self.client_certificate_file} and {key} are no certificate with its key "
                    f"({error.reason}); look at client_certificate_file under [mqtt]."
                ) from error
        return context


def bytes_read(sock: Any) -> int:
    """What was read from a TCP socket since it was made [bytes]; 0 where the system cannot say."""
    try:
        info = sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, 192)
        (unread,) = struct.unpack("i", ioctl(sock.fileno(), termios.FIONREAD, b"\0\0\0\0"))
        (received,) = struct.unpack_from("Q", info, 128)  # tcpi_bytes_received, linux/tcp.h
    except (OSError, struct.error, AttributeError):
        return 0
    return int(received) - int(unread)


class PacketBound:
    """Holds what is read of one packet to what we said we take.

    paho reads a packet of any length into memory; brokers of MQTT 5 are told, others cannot be.
    """

    def __init__(self, where: str) -> None:
        self._where = where
        self._ended_at = 0  # bytes read when the last message had ended

    def look(self, sock: Any, ended: bool) -> None:
        """After a read, `ended`: by it a message ended; raises BrokerError."""
        read = bytes_read(sock)
        if ended:
            self._ended_at = read
        elif read - self._ended_at > MOST_READ:
            raise BrokerError(
                f"The broker at {self._where} sends a message of more than "
                f"{LARGEST_PACKET // 1024} kB, which no sensor needs; who publishes it?"
            )


class RefusedError(Exception):
    """The broker answered our greeting with a no; `code` is the MQTT 5 reason code."""

    def __init__(self, code: int, words: str) -> None:
        super().__init__(words)
        self.code = code


class NoAnswerError(Exception):
    """The broker took the connection and then closed it, or said nothing."""


UNSUPPORTED_PROTOCOL = 0x84

# MQTT 5 reason codes with which a connection ends.
LOST_BECAUSE = {
    0x80: "the other side closed it",
    0x8B: "the broker is being stopped",
    0x8D: "the broker gave no sign of life",
    0x8E: "another program uses our client_id",
}

_REFUSALS = {
    UNSUPPORTED_PROTOCOL: "does not speak MQTT 5 or 3.1.1",
    0x85: "does not accept our name; change client_id under [mqtt]",
    0x86: "does not accept our user or password; look at user and password_file under [mqtt]",
    0x87: "does not let us in; look at user and password_file under [mqtt], "
    "and at the broker's own list of who may enter",
    0x88: "says it is not ready; look at the broker's own log",
    0x89: "says it is too busy",
    0x8A: "has banned us; look at the broker's own settings",
}

# Numbers of OpenSSL's certificate verification (openssl-verification-options(1), X509_V_ERR_*).
_CERTIFICATE_TROUBLES = {
    9: "is not valid yet; is this machine's clock right?",
    10: "has expired; make a new one",
    18: "was signed by itself, and is not the one in ca_file",
    19: "was signed by someone who is not in ca_file",
    20: "was signed by someone who is not in ca_file",
    62: "is made out to another host; write its name as host under [mqtt]",
    64: "is made out to another address; write its name as host under [mqtt]",
}

# Nothing that mends itself within seconds: there is no sense in asking again soon.
LASTING = (RefusedError, BrokerError, ssl.SSLError, PermissionError, FileNotFoundError)


def why(error: Exception, broker: Broker) -> str:
    """One sentence: why there is no connection, and what to look at."""
    at = broker.where
    match error:
        case RefusedError(code=code):
            words = _REFUSALS.get(code, f"refused the connection ({error})")
            return f"The broker at {at} {words}."
        case NoAnswerError() | ConnectionResetError() | ssl.SSLEOFError():
            secure = "does it want a client certificate, or no TLS at all"
            hint = secure if broker.ca_file else "does it want TLS"
            return f"The broker at {at} gave no answer to our greeting; {hint}?"
        case BrokerError():
            return str(error)
        case ssl.SSLCertVerificationError(verify_code=code):
            words = _CERTIFICATE_TROUBLES.get(code, f"cannot be trusted ({error.verify_message})")
            return f"The certificate of the broker at {at} {words}."
        case ssl.SSLError():
            return f"No TLS with the broker at {at} ({error.reason or error}); is the port right?"
        case socket.gaierror():
            return f"There is no host called {broker.host!r}; look at host under [mqtt]."
        case ConnectionRefusedError():
            return f"No broker listens at {at}; is it running, and is the port right?"
        case TimeoutError():
            return f"Nothing answers at {at}; is the machine on, and on this network?"
        case OSError(filename=name) if name or isinstance(error, FileNotFoundError):
            file = name or "a file named under [mqtt]"
            return f"{file} cannot be read ({error.strerror}); look at the files under [mqtt]."
        case OSError():
            return f"The broker at {at} cannot be reached ({error.strerror or error})."
        case _:
            return f"The connection to the broker at {at} failed ({error!r})."


STATE_TOPIC = "drying-room/state"
HERE, AWAY = "here", "away"


@dataclass(frozen=True, slots=True)
class LinkState:
    """How the connection is. since_ms: connected or trying since then, UTC epoch ms.

    session_kept  whether the broker still knew us; if not, what it held for us is gone
    """

    connected: bool
    since_ms: int
    sentence: str
    protocol: str | None = None
    session_kept: bool | None = None


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


def connected(broker: Broker, protocol: MQTTProtocolVersion) -> Client:
    """A client that keeps its session, and whose going is said in its place: blocks."""
    client = new_client(broker, protocol, broker.client_id, keep_session=True)
    client.will_set(STATE_TOPIC, AWAY, qos=1, retain=True)
    connect(client, broker, keep_session=True)
    sock = client.socket()
    if isinstance(sock, socket.socket):
        # paho reads a hundred times what the system holds before we can look at it.
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, HELD_BY_SYSTEM)
    return client


def say_goodbye(client: Client, patient: Callable[[], bool]) -> None:
    """Leave in an orderly way, waiting for a slow socket as long as we are patient."""
    client.on_disconnect = client.on_message = None
    with suppress(OSError, ValueError):
        client.disconnect()
        client.loop_write()
        while client.socket() is not None and patient():
            time.sleep(0.01)
            client.loop_write()


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


class Dialler:
    """One attempt at a time; a finished one rings a bell in the owner's selector.

    owner  put as data on the bell's key, so that the owner knows it
    """

    def __init__(self, selector: BaseSelector, owner: object) -> None:
        self.busy = False
        self.bell, self._push = socketpair()
        self.bell.setblocking(False)
        self._selector = selector
        selector.register(self.bell, EVENT_READ, data=owner)
        self._results: deque[Client | Exception] = deque()
        self._closed = False

    def dial(self, connected_client: Callable[[], Client]) -> None:
        """Start an attempt: connected_client runs in the helper and may block and raise."""
        self.busy = True
        Thread(target=self._run, args=(connected_client,), name="dial", daemon=True).start()

    def result(self) -> Client | Exception | None:
        """What the attempt came to, once the bell has rung; None while it is under way."""
        with suppress(BlockingIOError):
            self.bell.recv(64)
        if not self._results:
            return None
        self.busy = False
        return self._results.popleft()

    def close(self) -> None:
        """Let go; an attempt still under way hangs up by itself when it is through."""
        self._closed = True
        self._discard()
        with suppress(KeyError):
            self._selector.unregister(self.bell)
        self.bell.close()
        self._push.close()

    def _run(self, connected_client: Callable[[], Client]) -> None:
        try:
            self._results.append(connected_client())
        except Exception as error:
            self._results.append(error)
        with suppress(OSError):
            self._push.send(b"!")
        if self._closed:
            self._discard()

    def _discard(self) -> None:
        with suppress(IndexError):
            late = self._results.popleft()
            if isinstance(late, Client):
                late.disconnect()
