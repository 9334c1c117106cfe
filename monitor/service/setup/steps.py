"""The steps of setting up: what each asks, and what its answer writes.

What is whole is written to a draft beside the settings file, so that each step can be left and
taken up again; the last step makes the draft the settings.
"""

from __future__ import annotations

import os
import re
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from monitor.edges.clock import monotonic_s
from monitor.edges.mqtt import Broker
from monitor.edges.page.access import PassphraseError, keep_hash
from monitor.edges.page.setting_up import Ask, View
from monitor.entries.entries import RequestError
from monitor.intake.guesses import propose
from monitor.intake.proposals import Proposal, quoted, settings_lines
from monitor.service.daemon import broker_of
from monitor.service.settings.files import read_secret
from monitor.service.settings.settings import Settings, read
from monitor.service.settings.spaces import DEFAULT_LIMITS
from monitor.service.settings.tables import SettingsError
from monitor.service.settings.text import place_of
from monitor.service.settings.writing import (
    Add,
    Change,
    Drop,
    Put,
    change,
    give_to_folder,
    mark_of,
    secret_name,
    versions,
)
from monitor.service.setup.questions import (
    NOTICE_ASKS,
    USES,
    Hearing,
    field,
    filled,
    heard_at,
    last_values,
    limits_in_words,
    machine_zone,
    mail_url,
    number_of,
    sensor_ask,
)
from monitor.service.setup.trying import Tries, try_broker, try_url
from monitor.site.quantities import Quantity
from monitor.site.spaces import OUTDOORS, Use
from monitor.site.words import begun, count

STEPS = {
    "place": "The place",
    "broker": "The broker",
    "sensors": "The sensors",
    "spaces": "The spaces",
    "notices": "Where notices go",
    "passphrase": "The passphrase",
}


@dataclass
class Setup:
    """Setting up one settings file.

    file   where the settings will be
    own    how a phone would open the page: scheme, host and port
    """

    file: Path
    own: tuple[str, str, int] = ("http", "127.0.0.1", 8642)
    monotonic: Callable[[], float] = monotonic_s

    def __post_init__(self) -> None:
        self.draft = self.file.with_name(f"{self.file.stem}.begun{self.file.suffix}")
        self._hearing, self._tries = Hearing(), Tries(self.monotonic)
        self._confirmed: set[str] = set()
        self._pending: tuple[str, str] | None = None
        self._one = threading.Lock()
        self._steps = {
            "place": (self._place_asks, self._take_place),
            "broker": (self._broker_asks, self._take_broker),
            "sensors": (self._sensors_asks, self._take_sensors),
            "spaces": (self._spaces_asks, self._take_spaces),
            "notices": (self._notices_asks, self._take_notices),
            "passphrase": (self._passphrase_asks, self._take_passphrase),
        }

    @property
    def finished(self) -> bool:
        """Whether the settings are there."""
        return self.file.exists()

    def mark(self) -> str:
        """What tells this state of the draft from any other."""
        return mark_of(self.draft)

    def settings(self) -> Settings | None:
        """What is written so far; None: nothing."""
        return read(self.draft, passphrase_may_be_missing=True)[0] if self.draft.exists() else None

    def done(self, step: str) -> bool:
        """Whether a step is whole."""
        have = self.settings()
        if have is None:
            return False
        text = self.draft.read_text("utf-8")
        return {
            "place": bool(have.site.name),
            "broker": "[mqtt]" in text,
            "sensors": bool(have.site.sensors),
            "spaces": "spaces" in self._confirmed,
            "notices": bool(have.notices.addresses) or "notices" in self._confirmed,
            "passphrase": self.finished,
        }[step]

    def next(self) -> str:
        """The first step that is not whole."""
        return next((step for step in STEPS if not self.done(step)), "passphrase")

    def view(self, step: str, typed: Mapping[str, str], error: RequestError | None) -> View:
        """What a step shows: with what was typed, and what is wrong with it."""
        lead, asks = self._steps[step][0]()
        told = [filled(ask, typed, error) for ask in asks]
        wrong = begun(error.sentence) if error else None
        return View(step, STEPS[step], lead, told, wrong, hears=step == "sensors")

    def take(self, step: str, typed: Mapping[str, str], mark: str | None = None) -> list[str]:
        """Take a step's answer; what was done, in sentences. RequestError says what to mend."""
        with self._one:  # two at once: the second finds what the first wrote
            if mark is not None and mark != self.mark():
                raise RequestError("somebody else went on meanwhile; look at it as it stands now")
            try:
                told = self._steps[step][1](typed)
            except SettingsError as error:
                plain = re.sub(r"^\S+:\d+: ", "", error.problems[0])
                raise RequestError(plain) from error
            return told

    # -- the place ----------------------------------------------------------------------------

    def _place_asks(self) -> tuple[list[str], list[Ask]]:
        have = self.settings()
        zone = have.site.timezone if have else machine_zone()
        north, east = place_of(zone) or (51.5, 0.0)
        if have:
            north, east = have.site.latitude, have.site.longitude
        fields = (
            field("name", "What do you call the place?", "on the page and in notices",
                   have.site.name if have else ""),
            field("timezone", "Time zone", "of the clock on your wall, as Europe/London", zone),
            field("latitude", "Degrees north", "for the sun; these are your zone's own town",
                   f"{north:.2f}", mode="decimal"),
            field("longitude", "Degrees east", "west is negative, as -2.10", f"{east:.2f}"),
        )  # fmt: skip
        return ["Where do your flowers hang?"], [Ask(fields, "That is the place")]

    def _take_place(self, typed: Mapping[str, str]) -> list[str]:
        values = {
            "name": typed.get("name", "").strip(),
            "latitude": number_of(typed, "latitude"),
            "longitude": number_of(typed, "longitude"),
            "timezone": typed.get("timezone", "").strip(),
        }
        remarks = {"latitude": "degrees north", "longitude": "degrees east; west is negative"}
        return self._write(
            [Put(("site", key), value, remarks.get(key, "")) for key, value in values.items()],
            {},
            "site",
        )

    # -- the broker ---------------------------------------------------------------------------

    def _broker_asks(self) -> tuple[list[str], list[Ask]]:
        have = self.settings()
        mqtt = have.mqtt if have else None
        kept = "kept in a file of its own" + (
            "; empty: as it was" if mqtt and mqtt.password_file else ""
        )
        fields = (
            field("host", "Its address", "127.0.0.1 is this machine",
                   mqtt.host if mqtt else "127.0.0.1"),
            field("port", "Its port", "most listen at 1883",
                   str(mqtt.port if mqtt else 1883), mode="numeric"),
            field("user", "The name to sign in with", "if it asks for one",
                   (mqtt.user or "") if mqtt else "", required=False),
            field("password", "And its password", kept,
                   mode="secret", required=False),
        )  # fmt: skip
        lead = ["The broker is the post office of your sensors. It is tried at once."]
        return lead, [Ask(fields, "Try it")]

    def _take_broker(self, typed: Mapping[str, str]) -> list[str]:
        host, user = typed.get("host", "").strip(), typed.get("user", "").strip()
        port = int(number_of(typed, "port"))
        password = typed.get("password", "")
        have = self.settings()
        known = have.mqtt if have else None
        same = known is not None and (known.host, known.port, known.user) == (host, port, user)
        if known is not None and known.password_file and not same and user and not password:
            raise RequestError(
                "this is another broker or name; type its password again", "password"
            )
        file = known.password_file if known is not None and same else None
        secret = password or (read_secret(file) if file else None)
        said = try_broker(Broker(host, port, f"drying-room-setup-{os.getpid()}", user or None,
                                 secret or None), self._tries)  # fmt: skip
        changes: list[Change] = [Put(("mqtt", "host"), host), Put(("mqtt", "port"), port)]
        secrets = {}
        if user:
            changes.append(Put(("mqtt", "user"), user))
        if known is not None and not user:
            kept = {"user": known.user, "password_file": known.password_file}
            changes += [Drop(("mqtt", key)) for key, value in kept.items() if value]
        if user and password:
            name = secret_name(self.draft, "mqtt-password")
            changes.append(Put(("mqtt", "password_file"), name))
            secrets[name] = password
        return [said, *self._write(changes, secrets, "mqtt")]

    # -- the sensors --------------------------------------------------------------------------

    def _proposed(self) -> list[tuple[Proposal, dict[Quantity, float]]]:
        have = self.settings()
        if have is None or not self.done("broker"):
            return []
        broker = replace(broker_of(have), client_id=f"drying-room-hears-{os.getpid()}")
        heard = self._hearing.heard(broker)
        found = propose(heard, have.site.timezone, have.site.sensors)
        return [(one, last_values(one, heard, have.site)) for one in found[0]]

    def _sensors_asks(self) -> tuple[list[str], list[Ask]]:
        have = self.settings()
        if have is None or not self.done("broker"):
            return ["First the broker: go back a step."], []
        taken = list(have.site.sensors)
        spaces = [s for s in have.site.spaces if s != OUTDOORS]
        lead = [f"Taken so far: {', '.join(taken)}."] if taken else []
        asks = [sensor_ask(one, values, have.site, spaces) for one, values in self._proposed()]
        lead.append(
            "These are heard just now. Warm one in your hand, and see which it is."
            if asks
            else "Nothing new is heard yet. A sensor may speak only every few minutes."
        )
        return lead, asks

    def _take_sensors(self, typed: Mapping[str, str]) -> list[str]:
        have = self.settings()
        found = next((p for p, _ in self._proposed() if heard_at(p) == typed.get("which")), None)
        if found is None or have is None:
            raise RequestError("that sensor is not heard any more; look again")
        reads = {q: r for q, r in found.sensor.reads.items() if typed.get(f"reads-{q}") != "no"}
        name, space = (typed.get(key, "").strip() for key in ("name", "space"))
        if not reads or not space:
            raise RequestError("name the room, and take at least one of its values", "space")
        changes: list[Change] = []
        if space not in have.site.spaces:
            use = typed.get("use", "hanging")
            changes.append(Add(f"[[space]]\nname = {quoted(space)}\nuse = {quoted(use)}"))
        sensor = replace(found.sensor, name=name, space=space, reads=reads)
        changes.append(Add(settings_lines(found._replace(sensor=sensor))))
        return self._write(changes, {}, "space", "sensor")

    # -- the spaces ---------------------------------------------------------------------------

    def _spaces_asks(self) -> tuple[list[str], list[Ask]]:
        have = self.settings()
        spaces = [s for s in have.site.spaces.values() if s.name != OUTDOORS] if have else []
        if not spaces:
            return ["First a sensor: a room comes with it."], []
        lead = [
            f"{words[:1].upper()}{words[1:]}: {limits_in_words(Use(use))}." for use, words in USES
        ]
        lead.append("Volume and windows can wait.")
        fields = []
        for number, space in enumerate(spaces):
            hot = space.limits.hot_c
            fields += [
                field(f"use-{number}", space.name, "what it is for", str(space.use.value),
                       choices=USES),
                field(f"hot-{number}", "Too hot above (°C)", "empty: as its use says",
                       "" if hot in (None, DEFAULT_LIMITS[space.use].hot_c) else f"{hot:g}",
                       mode="decimal", required=False),
            ]  # fmt: skip
        return lead, [Ask(tuple(fields), "So it is")]

    def _take_spaces(self, typed: Mapping[str, str]) -> list[str]:
        have = self.settings()
        spaces = [s for s in have.site.spaces.values() if s.name != OUTDOORS] if have else []
        changes: list[Change] = []
        for number, space in enumerate(spaces):
            use = typed.get(f"use-{number}", "")
            if use != space.use.value:
                changes.append(Put(("space", space.name, "use"), use))
            if typed.get(f"hot-{number}", "").strip():
                hot = number_of(typed, f"hot-{number}")
                changes.append(Put(("space", space.name, "limits", "hot_c"), hot))
        said = self._write(changes, {}, "space")
        self._confirmed.add("spaces")
        return said

    # -- the notices --------------------------------------------------------------------------

    def _notices_asks(self) -> tuple[list[str], list[Ask]]:
        if self._pending is not None:
            lead = ["A message is on its way. Look at your phone."]
            arrived = (Ask((), "It arrived", {"action": "arrived"}),)
            return lead, [*arrived, Ask((), "It did not", {"action": "forget"})]
        return ["Where shall a warning reach you? It is tried at once."], list(NOTICE_ASKS)

    def _take_notices(self, typed: Mapping[str, str]) -> list[str]:
        action, pending = typed.get("action"), self._pending
        if action == "later":
            self._confirmed.add("notices")
            return ["nobody is warned yet"]
        if action == "forget":
            self._pending = None
            return ["nothing was kept; try it again"]
        if action == "arrived" and pending is not None:
            name, url = pending
            file = secret_name(self.draft, f"{name}-url")
            lines = f"[[address]]\nname = {quoted(name)}\nurl_file = {quoted(file)}"
            said = self._write([Add(lines)], {file: url}, "address")
            self._pending = None
            return said
        have = self.settings()
        name, url = ("mail", mail_url(typed)) if action == "mail" else (
            typed.get("name", "").strip(), typed.get("url", "").strip())  # fmt: skip
        try_url(url, have.site.name if have else "Drying room", self._tries)
        self._pending = name, url
        return []

    # -- the passphrase -----------------------------------------------------------------------

    def _passphrase_asks(self) -> tuple[list[str], list[Ask]]:
        missing = [STEPS[step] for step in list(STEPS)[:-1] if not self.done(step)]
        if missing:
            return [f"Still to do before this: {', '.join(missing)}."], []
        fields = (
            field("passphrase", "Passphrase", "four words of your own make a good one",
                   mode="secret"),
            field("again", "Once more", "the same again", mode="secret"),
            field("open", "Who may open the page", "with the passphrase", "house",
                   choices=(("house", "every phone in the house"), ("here", "this machine only"))),
        )  # fmt: skip
        return ["It opens the page. Then the monitor starts."], [Ask(fields, "Start the monitor")]

    def _take_passphrase(self, typed: Mapping[str, str]) -> list[str]:
        if any(not self.done(step) for step in list(STEPS)[:-1]):
            raise RequestError("the steps before this are not whole yet")
        if typed.get("passphrase") != typed.get("again"):
            raise RequestError("the two were not the same; type both again", "again")
        kept = self.draft.with_name("passphrase")
        try:
            keep_hash(typed.get("passphrase", ""), kept)
        except PassphraseError as error:
            raise RequestError(str(error), "passphrase") from error
        give_to_folder(kept, kept.parent, 0o600)
        scheme, host, port = self.own
        changes: list[Change] = [Put(("page", "passphrase_file"), "passphrase")]
        if port != 8642:
            changes.append(Put(("page", "port"), port))
        if typed.get("open") == "house":
            changes.append(Put(("page", "bind"), "0.0.0.0", "open to the house network"))  # noqa: S104 - as was chosen
            address = f"{scheme}://{host}:{port}"
            changes.append(Put(("page", "address"), address, "links in notices begin with it"))
        if scheme == "https":
            changes.append(Put(("page", "certificate_file"), "page.pem"))
            changes.append(Put(("page", "key_file"), "page.key"))
        self._write(changes, {})
        os.link(self.draft, self.file)  # never over a file that came meanwhile
        for one in (self.draft, *versions(self.draft)):
            one.unlink(missing_ok=True)
        with suppress(OSError):
            (self.file.parent / "before").rmdir()
        return ["all is set"]

    def _write(
        self, changes: Sequence[Change], secrets: Mapping[str, str], *tables: str
    ) -> list[str]:
        lines = change(self.draft, changes, secrets, tables)
        new = sum(line.new for line in lines)
        return (
            [f"kept: {count(new, 'new line')} in {self.draft.name}"] if new else ["nothing changed"]
        )
