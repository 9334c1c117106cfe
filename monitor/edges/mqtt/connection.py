"""How the broker is reached, and in one plain sentence why it is not."""

from __future__ import annotations

import socket
import ssl
from dataclasses import dataclass, field
from pathlib import Path

from monitor.site.time import DAY_S


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
