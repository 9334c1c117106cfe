"""The health round: everything looked at once, each line fine or what to do."""

from __future__ import annotations

import os
import platform
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import Any

from monitor import __version__
from monitor.air.sensor import held_ms
from monitor.edges import clock
from monitor.edges.mqtt import BrokerError, Guest
from monitor.edges.sender import Courier, check_addresses
from monitor.edges.socket import SocketError, ask
from monitor.notices.sentences import upkeep
from monitor.service.daemon import broker_of
from monitor.service.desk import iso
from monitor.service.settings.settings import Settings, read, socket_file
from monitor.service.settings.tables import SettingsError
from monitor.site.quantities import Flag, Quantity, Reading
from monitor.site.spaces import Sensor
from monitor.site.time import DAY_MS, MINUTE_MS
from monitor.site.words import count, lasting, listed, when
from monitor.store.backup import ALLOWED_MS
from monitor.store.connection import (
    SQLITE_VERSION,
    VERSION,
    StoreError,
    StoreRefusedError,
    as_owner,
    backups,
    journal_of,
    made_ms,
)
from monitor.store.exports import flag_text
from monitor.store.journal import read as read_journal
from monitor.store.queries import NoticeSent, Reader
from monitor.store.readings import SensorCount

WEEK_MS = 7 * DAY_MS
# Our own choices: from where on a line wants something done.
LEAST_FREE_BYTES = 500_000_000
BACKUP_LATE_MS = 2 * DAY_MS
DOUBTED_SHARE = 0.01
LOW_BATTERY_PCT = 20.0
# Where a broker tells its version, and how long it is listened for [s].
_BROKER_VERSION = "$SYS/broker/version"
BROKER_VERSION_S = 1.0

# Not a fault of the sensor or expected of it: said, but nothing is to be done.
_HARMLESS = Flag.CLAMPED | Flag.TOO_OLD | Flag.OUT_OF_SERVICE
_DO_ABOUT: dict[Flag, str] = {
    Flag.RANGE: "look at the sensor and at its unit in the settings",
    Flag.STEP: "see that the sensor hangs still and its cable is tight",
    Flag.STUCK: "take its battery out and in again; if it stays, replace the sensor",
    Flag.FEED: "look at what passes the readings on: it repeats itself",
    Flag.IN_THE_SUN: "hang it where no sun reaches it",
    Flag.DISAGREES: "hang the sensors of this space side by side for a day and compare",
    Flag.TIME_OF_ARRIVAL: "set the sensor's clock",
}


@dataclass(frozen=True, slots=True)
class Line:
    """One thing looked at. to_do: what to do about it; "": it is fine."""

    about: str
    said: str
    to_do: str = ""


@dataclass(frozen=True, slots=True)
class _Stored:
    """What the store tells of the last day and week."""

    heard: dict[str, SensorCount]
    last: dict[tuple[str, Quantity], Reading]
    unread: dict[str | None, tuple[int, str]]
    newest_ms: int | None
    notices: list[NoticeSent]
    once_only: int  # entries that the journal beside the store lacks


def look(path: Path, now_ms: int) -> list[Line]:
    """Look at everything that these settings name, whether the monitor runs or not."""
    lines = [_clock_itself(now_ms)]
    try:
        settings, problems = read(path)
        wrong = problems.all()
    except SettingsError as error:
        wrong = error.problems
    if wrong:
        lines += [Line("settings", problem, "mend this line of the settings") for problem in wrong]
        return [*lines, versions()]
    sensors = len(settings.site.sensors)
    lines.append(Line("settings", f"{path}: {count(sensors, 'sensor')}, nothing wrong"))
    running = _ask_monitor(settings)
    lines += _monitor(settings, running)
    lines.append(_broker(settings, running))
    if settings.mqtt.embedded:
        lines.append(_EMBEDDED)
    lines += _store(settings, running, now_ms)
    lines.append(_disk(settings.store.file))
    lines += _backups(settings, now_ms)
    lines += _addresses(settings)
    return [*lines, versions(_broker_version(settings))]


def words(lines: Sequence[Line]) -> str:
    """The lines for people; what wants something done is marked and said at the end again."""
    width = max(len(line.about) for line in lines)
    told = []
    for line in lines:
        mark = "to do" if line.to_do else "fine "
        told.append(f"{mark}  {line.about:<{width}}  {line.said}")
        if line.to_do:
            told.append(f"{'':<{width + 9}}→ {line.to_do}")
    left = sum(bool(line.to_do) for line in lines)
    told.append("All is well." if not left else f"{count(left, 'thing')} to do.".capitalize())
    return "\n".join(told)


def notify(settings: Settings, now_ms: int) -> list[Line]:
    """Send a test message to every address, and tell what each service answered."""
    notice = upkeep.trial_message(settings.site.name, now_ms)
    lines = []
    with Courier() as courier:
        for address in settings.notices.addresses:
            receipt = courier.deliver(address.url(), notice.title, notice.body)
            to_do = "" if receipt.delivered else "mend the address, or ask the service"
            lines.append(Line(f"test to {address.name}", receipt.reason, to_do))
    return lines or [_NO_ADDRESS]


def versions(broker: str = "") -> Line:
    """What is installed. broker: what the broker calls itself."""
    libraries = ("paho-mqtt", "apscheduler", "apprise", "numpy", "psychrolib")
    named = ", ".join(f"{name} {metadata.version(name)}" for name in libraries)
    return Line(
        "versions",
        f"drying-room {__version__}, store {VERSION}, Python {platform.python_version()}, "
        f"SQLite {SQLITE_VERSION}, {named}" + (f", {broker}" if broker else ""),
    )


def _broker_version(settings: Settings) -> str:
    """What the broker calls itself, e.g. `mosquitto version 2.0.11`; "": it does not say."""
    try:
        with Guest(broker_of(settings), [_BROKER_VERSION]) as guest:
            until = clock.monotonic_s() + BROKER_VERSION_S
            while clock.monotonic_s() < until:
                guest.turn(0.1)
                for message in guest.take():
                    told = message.payload[:60].decode("utf-8", "replace")
                    return "".join(letter for letter in told if letter.isprintable())
    except (BrokerError, SettingsError):
        pass  # the broker has a line of its own
    return ""


_EMBEDDED = Line(
    "broker",
    "the settings say embedded = true, a small broker for trying out only: it keeps nothing",
    "install mosquitto and take embedded out of the settings",
)
_NO_ADDRESS = Line(
    "addresses", "no address is named, so nobody is told anything", "write an [[address]]"
)


def _clock_itself(now_ms: int) -> Line:
    if now_ms < clock.NOT_BEFORE_MS:
        return Line(
            "clock",
            "this machine's clock is years behind: it has not learned the time",
            "see that the machine reaches its network, so that it can set its clock",
        )
    kept = _KEPT_RIGHT[clock.kept_right()]
    return Line("clock", f"{iso(now_ms)} by this machine{kept}")


_KEPT_RIGHT = {
    True: "; a time service keeps it right",
    False: "; no time service keeps it right yet, so compare it with a watch",
    None: "",
}


def _ask_monitor(settings: Settings) -> dict[str, Any] | str:
    """What the running monitor says of itself, or why it says nothing."""
    try:
        return ask(socket_file(settings), {"show": "health"}, timeout=10)
    except SocketError as error:
        return str(error)


def _monitor(settings: Settings, running: dict[str, Any] | str) -> Iterator[Line]:
    if isinstance(running, str):
        yield Line("monitor", running, "start it, or look at its log: journalctl -u drying-room")
        return
    yield Line("monitor", f"it runs, and has taken {running['messages']:,} messages")
    if running["store"] is not None:
        yield Line("store", f"writing fails: {running['store']}", "see the disk's line below")


def _broker(settings: Settings, running: dict[str, Any] | str) -> Line:
    if not isinstance(running, str):
        said = str(running["broker"])
        if not running["connected"]:
            return Line("broker", said, "see that the broker runs and that [mqtt] names it rightly")
        lost = running["session_kept"] is False
        return Line("broker", said + (" It did not know us from before." if lost else ""))
    try:
        with Guest(broker_of(settings)) as guest:
            return Line("broker", f"{guest.broker.where} answers, MQTT {guest.protocol}")
    except (BrokerError, SettingsError) as error:
        return Line("broker", str(error), "see that the broker runs and that [mqtt] is right")


def _store(settings: Settings, running: dict[str, Any] | str, now_ms: int) -> Iterator[Line]:
    file = settings.store.file
    try:
        stored = _read_store(file, now_ms)
    except StoreRefusedError as error:
        yield Line("store", str(error), "do as it says before you start the monitor")
        return
    except (StoreError, OSError) as error:
        yield Line("store", str(error), "start the monitor once, or look at the file's rights")
        return
    size = file.stat().st_size / 1e6
    yield Line("store", f"{file}, {size:,.0f} MB")
    if stored.once_only:
        told = f"{count(stored.once_only, 'entry', 'entries')} not kept a second time"
        to_do = "see that the monitor may write there, then start it again"
        yield Line("entries", f"{told} in {journal_of(file)}", to_do)
    newest = stored.newest_ms
    if newest is not None and newest > now_ms + ALLOWED_MS:
        yield Line(
            "rows",
            f"the newest reading is dated {lasting((newest - now_ms) / MINUTE_MS)} in the future: "
            "a clock was wrong when it came",
            "if this machine's clock is right now: stop the monitor, run "
            "`drying-room check --mend`, start it again",
        )
    heard = {} if isinstance(running, str) else running["heard_ms"]
    for sensor in settings.site.sensors.values():
        yield _sensor(settings, sensor, stored, heard.get(sensor.name), now_ms)
    for forecast in settings.site.forecasts:
        if forecast.name in stored.unread:
            number, reason = stored.unread[forecast.name]
            told = f"{count(number, 'message')} not read in a day, the last because {reason}"
            yield Line(f"forecast {forecast.name}", told, _LISTEN)
    for topic_only in [stored.unread[None]] if None in stored.unread else []:
        yield Line("payloads", f"{topic_only[0]} not read; the last: {topic_only[1]}", _LISTEN)
    yield _last_notice(settings, stored.notices, now_ms)


_LISTEN = "see what comes with `drying-room listen`, and mend the sensor's settings"


def _read_store(file: Path, now_ms: int) -> _Stored:
    with Reader(file) as reader:
        unread: dict[str | None, tuple[int, str]] = {}
        for one in reader.unread(now_ms - DAY_MS):
            before = unread.get(one.sensor)
            unread[one.sensor] = (1, one.reason) if before is None else (before[0] + 1, before[1])
        last = reader.last_readings(now_ms - WEEK_MS)
        return _Stored(
            reader.heard(now_ms - DAY_MS, now_ms + 1),
            last,
            unread,
            max((reading.time_ms for reading in last.values()), default=None),
            list(reader.notices(now_ms - WEEK_MS)),
            len(read_journal(journal_of(file)).missing_from(reader.entries())),
        )


def _sensor(
    settings: Settings, sensor: Sensor, stored: _Stored, heard_ms: int | None, now_ms: int
) -> Line:
    about = f"sensor {sensor.name}"
    times = [r.time_ms for (name, _), r in stored.last.items() if name == sensor.name]
    times += [] if heard_ms is None else [heard_ms]
    if not times:
        return Line(about, "not heard in the last week", _LISTEN)
    last_ms = max(times)
    said = [f"last heard {when(last_ms, now_ms, settings.site.timezone)}"]
    to_do = []
    patience_ms = held_ms(sensor.every_s) + round(1000 * settings.store.commit_every_s)
    if now_ms - last_ms > patience_ms:
        said[0] += f", {lasting((now_ms - last_ms) / MINUTE_MS)} ago"
        to_do.append("see that it has power and reaches its radio")
    for told, do in (_doubts(sensor, stored), _unread(sensor, stored), _battery(sensor, stored)):
        said += [told] if told else []
        to_do += [do] if do else []
    return Line(about, "; ".join(said), "; ".join(to_do))


def _doubts(sensor: Sensor, stored: _Stored) -> tuple[str, str]:
    heard = stored.heard.get(sensor.name)
    if heard is None:
        return "", ""
    told, to_do = [], []
    for flag, readings in heard.doubts.items():
        told.append(f"{flag_text(flag)} {readings}")
        if not flag & _HARMLESS and readings > DOUBTED_SHARE * heard.readings:
            to_do.append(_DO_ABOUT[flag])
    doubted = f"doubted of {heard.readings} in a day: {listed(told)}" if told else ""
    return doubted, "; ".join(to_do)


def _unread(sensor: Sensor, stored: _Stored) -> tuple[str, str]:
    if sensor.name not in stored.unread:
        return "", ""
    number, reason = stored.unread[sensor.name]
    return f"{count(number, 'payload')} not read in a day, the last because {reason}", _LISTEN


def _battery(sensor: Sensor, stored: _Stored) -> tuple[str, str]:
    last = stored.last.get((sensor.name, Quantity.BATTERY))
    if last is None:
        return "", ""
    unit = sensor.unit(Quantity.BATTERY)
    low = unit == "%" and last.value < LOW_BATTERY_PCT
    return f"battery {last.value:g} {unit}", "change its battery" if low else ""


def _last_notice(settings: Settings, notices: Sequence[NoticeSent], now_ms: int) -> Line:
    sent = [one for one in notices if one.address is not None]
    if not sent:
        return Line("last notice", "none in the last week")
    last = sent[-1]
    made = when(last.notice.made_ms, now_ms, settings.site.timezone)
    said = f"“{last.notice.title}”, {made}, to {last.address}: "
    if last.sent_ms is not None:
        return Line("last notice", said + "delivered")
    if last.failure is None:
        return Line("last notice", said + "on its way")
    tries = count(last.tries, "try", "tries")
    return Line(
        "last notice",
        f"{said}not delivered after {tries}: {last.failure}",
        "send a test with `drying-room check --notify`",
    )


def _disk(file: Path) -> Line:
    folder = next(place for place in (file.parent, *file.parents) if place.exists())
    free = shutil.disk_usage(folder).free
    size = file.stat().st_size if file.exists() else 0
    said = f"{free / 1e9:,.1f} GB free at {folder}"
    short = free < max(LEAST_FREE_BYTES, 2 * size)
    return Line("disk", said, "make room: a backup needs as much again as the store" * short)


def _backups(settings: Settings, now_ms: int) -> Iterator[Line]:
    store = settings.store
    for about, folder in (("backup", store.backup_folder), ("copy", store.second_backup_folder)):
        if folder is None:
            continue
        if folder.exists() and not os.access(folder, os.R_OK | os.X_OK):
            yield Line(about, f"{folder}: only its owner may look into it", as_owner(folder))
            continue
        found = backups(store.file, folder)
        made = made_ms(store.file, found[-1]) if found else None
        if made is None:
            yield Line(about, f"none yet in {folder}", "make one: drying-room backup")
            continue
        late = now_ms - made > BACKUP_LATE_MS
        said = f"the last {when(made, now_ms, settings.site.timezone)}, {len(found)} in {folder}"
        hint = "is the stick plugged in? " if about == "copy" else ""
        yield Line(about, said, f"{hint}make one now: drying-room backup" * late)


def _addresses(settings: Settings) -> Iterator[Line]:
    addresses = settings.notices.addresses
    if not addresses:
        yield _NO_ADDRESS
        return
    try:
        problems = check_addresses({address.name: address.url() for address in addresses})
    except SettingsError as error:
        yield Line("addresses", str(error), "mend the address's file")
        return
    for problem in problems:
        yield Line("addresses", problem, "mend the address")
    if not problems:
        yield Line("addresses", f"{listed([a.name for a in addresses])}: Apprise knows how")
