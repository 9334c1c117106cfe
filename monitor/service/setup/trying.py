"""Trying a broker or an address for who sets up: no probe of the network, and bounded in number."""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Callable
from contextlib import suppress
from urllib.parse import parse_qsl, urlsplit

from monitor.edges.beside import BesideError, ask
from monitor.edges.delivery import DELIVERY, Letter
from monitor.edges.mqtt import Broker, BrokerError, Guest
from monitor.entries.entries import RequestError
from monitor.site.words import count

# Our own choice: a person mistypes thrice, a scan needs thousands.
MOST_TRIES, WITHIN_S = 10, 3600.0
_BROKER_PORTS = (1883, 8883)  # registered at IANA for MQTT, plain and with TLS
_LOWEST_PORT = 1024  # below it other services have their ports (RFC 6335, 6)
# Apprise's schemes that act on this machine itself and reach no phone.
LOCAL_SCHEMES = frozenset(
    ("dbus", "gio", "glib", "gnome", "kde", "macosx", "qt", "syslog", "windows", "file", "exec")
)
_FILE_KEYS = ("attach", "template", "pem", "cert", "file", "path")


class Tries:
    """At most so many an hour, whoever tries. monotonic: seconds that only grow."""

    def __init__(self, monotonic: Callable[[], float]) -> None:
        self._monotonic, self._at = monotonic, list[float]()

    def take(self) -> None:
        """Count one; RequestError where it is one too many."""
        now = self._monotonic()
        self._at = [at for at in self._at if now - at < WITHIN_S]
        if len(self._at) >= MOST_TRIES:
            minutes = int((self._at[0] + WITHIN_S - now) // 60) + 1
            raise RequestError(f"that is enough tries for now; wait {count(minutes, 'minute')}")
        self._at.append(now)

    def left(self) -> str:
        """How many more there are, in words."""
        return f"{count(MOST_TRIES - len(self._at), 'more try', 'more tries')} this hour"


def check_place(host: str, port: int) -> None:
    """Refuse what cannot be a broker's place, before anything is sent there; RequestError."""
    if not host or len(host) > 253 or not all(c.isalnum() or c in ".-:_" for c in host):
        raise RequestError("write the broker's name or address alone, as 192.168.1.20", "host")
    if port not in _BROKER_PORTS and not _LOWEST_PORT <= port <= 65_535:
        raise RequestError("a broker listens at 1883, at 8883 or above 1023", "port")
    found = [host]
    with suppress(OSError, UnicodeError):
        found += [str(one[4][0]) for one in socket.getaddrinfo(host, port)]
    for one in found:
        try:
            address = ipaddress.ip_address(one.split("%")[0])
        except ValueError:
            continue  # a name, whose addresses are looked at too
        if address.is_multicast or address.is_link_local or address.is_unspecified:
            raise RequestError("no broker can be at that address; look at it again", "host")


def try_broker(broker: Broker, tries: Tries) -> str:
    """Greet it; a sentence that it is there. RequestError says no more than a person needs."""
    check_place(broker.host, broker.port)
    tries.take()
    try:
        with Guest(broker):
            return f"the broker at {broker.where} let us in"
    except BrokerError as error:
        if "password" in str(error):
            why = "the broker is there, but does not take this name and password"
        else:
            why = f"no broker answers at {broker.where}; look at its address and port"
        raise RequestError(f"{why}; {tries.left()}") from error


def check_url(url: str) -> None:
    """Refuse an address that acts on this machine or names a file of it; RequestError."""
    try:
        parts = urlsplit(url.strip())
        keys = [key.lower() for key, _ in parse_qsl(parts.query)]
    except ValueError:
        raise RequestError("that is no address; look at an example", "url") from None
    if not parts.scheme or "://" not in url or not url.isprintable():
        raise RequestError("an address begins with a word and ://", "url")
    if parts.scheme.lower() in LOCAL_SCHEMES:
        raise RequestError(f"{parts.scheme}:// stays on this machine; it reaches no phone", "url")
    if any(part in key for key in keys for part in _FILE_KEYS):
        raise RequestError("an address that names a file is not taken here", "url")


def try_url(url: str, site: str, tries: Tries) -> None:
    """Send a test message; RequestError, with none of the address in it."""
    check_url(url)
    tries.take()
    letter = Letter(url, f"{site}: a test", "This is where notices will come.")
    try:
        delivered = ask(DELIVERY, letter).delivered
    except BesideError:
        delivered = False
    if not delivered:
        raise RequestError(
            f"the message was not taken; look at each letter of the address; {tries.left()}", "url"
        )
