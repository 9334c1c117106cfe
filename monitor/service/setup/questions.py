"""What setting up asks and hears: fields, numbers, sensors in words, an address for mail."""

from __future__ import annotations

import os
import re
import threading
import zoneinfo
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from urllib.parse import quote

from monitor.edges.clock import now_ms
from monitor.edges.listen import listen
from monitor.edges.mqtt import Broker, BrokerError
from monitor.edges.page.forms import Asked
from monitor.edges.page.setting_up import Ask
from monitor.entries.entries import RequestError
from monitor.intake.payloads import Decoder, Message
from monitor.intake.proposals import Proposal, TopicHeard
from monitor.service.settings.spaces import DEFAULT_LIMITS
from monitor.site.quantities import Quantity
from monitor.site.spaces import Site, Use
from monitor.site.words import begun, figure

USES = (("hanging", "drying bunches"), ("storing", "boxes"), ("showing", "a display"))
HEARD_EVERY_S = 3.0


class Hearing:
    """Listens to the broker in a thread, as long as the sensors are asked for."""

    def __init__(self) -> None:
        self._heard: dict[str, TopicHeard] = {}
        self._broker: Broker | None = None
        self._thread: threading.Thread | None = None

    def heard(self, broker: Broker) -> list[TopicHeard]:
        """What was heard up to now; begins to listen."""
        if broker != self._broker:
            self._broker, self._heard = broker, {}
        if self._thread is None or not self._thread.is_alive():
            told = self._heard
            self._thread = threading.Thread(
                target=self._hear, args=(broker, told), daemon=True, name="hearing"
            )
            self._thread.start()
            self._thread.join(HEARD_EVERY_S)
        return [self._heard[topic] for topic in sorted(self._heard)]

    @staticmethod
    def _hear(broker: Broker, told: dict[str, TopicHeard]) -> None:
        with suppress(BrokerError):
            listen(broker, 60.0, now_ms, heard=told)


def machine_zone() -> str:
    """The machine's own time zone."""
    with suppress(OSError):
        found = os.readlink("/etc/localtime").partition("zoneinfo/")[2]
        if found in zoneinfo.available_timezones():
            return found
    return "Europe/London"


def field(
    name: str, label: str, hint: str, value: str = "", *, required: bool = True,
    mode: str = "text", choices: tuple[tuple[str, str], ...] = (),
) -> Asked:  # fmt: skip
    return Asked(name, label, hint, value, required, "choice" if choices else mode, choices)


def filled(ask: Ask, typed: Mapping[str, str], error: RequestError | None) -> Ask:
    """With what was typed, but no secret; only the form that was sent."""
    if any(typed.get(key) != value for key, value in ask.hidden.items()):
        return ask
    fields = tuple(
        replace(
            one,
            value=one.value if one.mode == "secret" else typed.get(one.name, one.value),
            wrong=error.sentence if error is not None and error.field == one.name else None,
        )
        for one in ask.fields
    )
    return replace(ask, fields=fields)


def number_of(typed: Mapping[str, str], key: str) -> float:
    """A number as people write it; RequestError."""
    try:
        told = float(typed.get(key, "").strip().replace(",", ".").replace("−", "-"))
        if abs(told) < 1e6:
            return int(told) if told.is_integer() else told
    except ValueError:
        pass
    raise RequestError("a number was expected here, such as 52.3", key)


def heard_at(one: Proposal) -> str:
    """What tells one proposed sensor from another: its topics."""
    topics = [one.sensor.topic, *(read_as.topic for read_as in one.sensor.reads.values())]
    return " ".join(sorted({topic for topic in topics if topic}))


def last_values(one: Proposal, heard: Sequence[TopicHeard], site: Site) -> dict[Quantity, float]:
    """What a proposed sensor told last."""
    decoder = Decoder({one.sensor.name: one.sensor}, site.timezone)
    values: dict[Quantity, float] = {}
    for topic in heard:
        told = decoder.decode(Message(topic.topic, topic.payload, 0, False))
        values |= {quantity: value for _, quantity, value, _ in told.readings}
    return values


def limits_in_words(use: Use) -> str:
    """What holds for a use where nothing else is said."""
    limits = DEFAULT_LIMITS[use]
    said = [f"too hot above {limits.hot_c:g} °C", f"too damp above {limits.damp_pct:g} %"]
    said += [f"too much light above {limits.sun_lux:g} lux"] if limits.sun_lux else []
    return ", ".join(said)


def mail_url(typed: Mapping[str, str]) -> str:
    """A mail address as Apprise writes it."""
    to, smtp = typed.get("to", "").strip(), typed.get("smtp", "").strip()
    user, at, domain = to.partition("@")
    if not (user and at and domain) or not re.fullmatch(r"[\w.:-]+", smtp):
        raise RequestError("a mail address such as anna@example.org was expected", "to")
    password = quote(typed.get("password", ""), safe="")
    sender = quote(to, safe="")
    return f"mailtos://{sender}:{password}@{domain}?smtp={quote(smtp)}&from={sender}&to={sender}"


def sensor_ask(one: Proposal, values: dict[Quantity, float], site: Site, spaces: list[str]) -> Ask:
    """A sensor that is heard, with what it says now, and what is to be said of it."""
    now = {q: figure(q, value, site, 1) for q, value in values.items()}
    where = spaces[0] if spaces else "loft"
    about = f"{', '.join(now.values()) or 'nothing yet'}: is this the one in the {where}?"
    reads = tuple(
        field(f"reads-{q}", begun(q.row.called or str(q)),
               f"now {now.get(q, 'not told')}", "yes",
               choices=(("yes", "use it"), ("no", "leave it out")))
        for q in one.sensor.reads
    )  # fmt: skip
    fields = (
        field("name", "Call it", "a word or two", one.sensor.name),
        field("space", "It hangs in", "a room's name, or outdoors", one.sensor.space),
        field("use", "That room is for", "asked once for each room", "hanging", choices=USES),
        *reads,
    )
    return Ask(fields, "Take this one", {"which": heard_at(one)}, about)


_MAIL = (
    field("to", "Your mail address", "as anna@example.org"),
    field("smtp", "Its server for sending", "as smtp.example.org; your provider tells it"),
    field("password", "Its password", "best one made for programs", mode="secret"),
)
_EXAMPLES = "ntfys://ntfy.example.org/my-barn, tgram://TOKEN/CHAT, json://192.168.1.7:8080"
_ANY = (
    field("name", "Call it", "as phone", "phone"),
    field("url", "Its address", f"as Apprise writes it: {_EXAMPLES}", mode="secret"),
)
NOTICE_ASKS = (
    Ask(_MAIL, "Try the mail", {"action": "mail"}, "By mail"),
    Ask(_ANY, "Try this address", {"action": "url"}, "By another service"),
    Ask((), "Later", {"action": "later"}, "Without an address nobody is warned."),
)
