"""The one way to the broker; nothing else imports paho-mqtt.

`Link` is the daemon's: it never blocks its thread and acknowledges only when told.
`Guest` is a command's: it comes, does one thing and goes.
"""

from monitor.edges.mqtt.connection import (
    AWAY,
    HERE,
    STATE_TOPIC,
    Broker,
    BrokerError,
    Incoming,
    LinkState,
)
from monitor.edges.mqtt.guest import Guest
from monitor.edges.mqtt.link import Link

__all__ = [
    "AWAY",
    "HERE",
    "STATE_TOPIC",
    "Broker",
    "BrokerError",
    "Guest",
    "Incoming",
    "Link",
    "LinkState",
]
