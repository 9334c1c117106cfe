"""Settings: one TOML file in, and either all of them or every problem at once.

config/drying-room.toml shows every key. Paths of files that the settings name start at the folder
of the settings file; what the program writes goes to its state folder unless told otherwise.
"""

from __future__ import annotations

import os
import re
import tomllib
import zoneinfo
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from monitor.service.settings.files import (
    LONGEST_FILE,
    PROGRAM,
    SERVICE_RUNTIME,
    content_of,
    is_the_services,
    shipped,
    state_folder,
)
from monitor.service.settings.people import (
    Notices,
    Page,
    Report,
    read_notices,
    read_page,
    read_report,
)
from monitor.service.settings.sensors import read_forecasts, read_sensors
from monitor.service.settings.spaces import read_spaces
from monitor.service.settings.tables import (
    NAME_LETTERS,
    Problems,
    SettingsError,
    TomlTable,
    one_of,
    shown,
)
from monitor.service.settings.text import mended, zones_near
from monitor.site.flowers import Book, BookError, read_book
from monitor.site.spaces import ForecastFrom, Sensor, Site, Space

SITE_NAME = f"a name of up to {NAME_LETTERS} letters"


@dataclass(frozen=True, slots=True)
class Mqtt:
    """The broker. session_kept_s: how long it keeps messages while the daemon is away [s]."""

    host: str
    port: int
    user: str | None
    password_file: Path | None
    tls: bool
    ca_file: Path | None
    client_cert_file: Path | None
    client_key_file: Path | None
    client_id: str
    keepalive_s: int
    session_kept_s: int
    embedded: bool


@dataclass(frozen=True, slots=True)
class Store:
    """Where everything is kept, and for how long."""

    file: Path
    raw_days: int
    minutes_days: int
    commit_every_s: float
    backup_folder: Path
    second_backup_folder: Path | None
    backups_kept: int


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything the settings file says. flowers: the tables [flower.NAME] as they stand."""

    file: Path
    site: Site
    mqtt: Mqtt
    store: Store
    notices: Notices
    report: Report
    page: Page
    flowers: dict[str, dict[str, object]]


def load(path: Path, *, passphrase_may_be_missing: bool = False) -> Settings:
    """The settings of a file; SettingsError with every problem.

    passphrase_may_be_missing   for the command that makes the passphrase file
    """
    settings, problems = read(path, passphrase_may_be_missing=passphrase_may_be_missing)
    if problems.all():
        raise SettingsError(problems.all())
    return settings


def read(path: Path, *, passphrase_may_be_missing: bool = False) -> tuple[Settings, Problems]:
    """As load, but with the problems beside the settings; where there are any, don't use these."""
    text = _text(path)
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError([_syntax(path, text, str(error))]) from error
    except (RecursionError, ValueError) as error:  # thousands of brackets, or of digits
        wrong = "something in it is nested too deep, or a number is too long, to be settings"
        raise SettingsError(
            [f"{path}: {wrong}; copy the file that came with the program"]
        ) from error
    problems = Problems(path, text)
    root = TomlTable(problems, values)
    spaces = read_spaces(root)
    sensors = read_sensors(root, spaces)
    state = state_folder(path)
    store = _read_store(root.table("store"), state)
    site = _read_site(root, spaces, sensors, store.raw_days, read_forecasts(root, sensors.values()))
    settings = Settings(
        file=path,
        site=site,
        mqtt=_read_mqtt(root.table("mqtt")),
        store=store,
        notices=read_notices(root),
        report=read_report(root.table("report"), state),
        page=read_page(root.table("page"), passphrase_may_be_missing),
        flowers=_read_flowers(root),
    )
    root.finish()
    return settings, problems


def socket_file(settings: Settings) -> Path:
    """Where the commands reach the monitor: the service's runtime folder, else beside the store."""
    given = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
    if given:
        folder = Path(given)
    elif is_the_services(settings.file):
        folder = SERVICE_RUNTIME
    else:
        folder = settings.store.file.parent
    return folder / f"{settings.store.file.stem}.sock"


def _text(path: Path) -> str:
    example = "config/drying-room.toml shows how"
    try:
        data = content_of(path, LONGEST_FILE)
    except FileNotFoundError as error:
        wrong = f"there is no file {path}; a settings file was expected"
        raise SettingsError([f"{wrong}; make one ({example}) or mend --config"]) from error
    except OSError as error:
        wrong = f"{path}: the file cannot be read ({error.strerror})"
        expected = "a settings file was expected"
        raise SettingsError([f"{wrong}; {expected}; mend its mode or --config"]) from error
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        wrong = f"{path}:{line}: the file is not UTF-8 text here; UTF-8 was expected"
        raise SettingsError([f"{wrong}; save it as UTF-8"]) from error


def _syntax(path: Path, text: str, told: str) -> str:
    """A TOML error with its line."""
    found = re.search(r" \(at (?:line (\d+), column \d+|end of document)\)$", told)
    last = text.count("\n", 0, len(text.rstrip("\n"))) + 1
    line = int(found[1]) if found and found[1] else last
    what = told[: found.start()] if found else told
    wrong = f"{path}:{line}: this is not TOML ({what}); key = value was expected"
    meant = mended(text.splitlines()[line - 1]) if line <= last else None
    return f"{wrong}; write {meant}" if meant else f"{wrong}; mend the line or the one before"


def _read_site(
    root: TomlTable,
    spaces: dict[str, Space],
    sensors: dict[str, Sensor],
    raw_days: int,
    forecasts: tuple[ForecastFrom, ...],
) -> Site:
    table = root.table("site")
    for key, expected, write in (
        ("name", SITE_NAME, 'name = "Home"'),
        ("latitude", "degrees north", "latitude = 51.5"),
        ("longitude", "degrees east", "longitude = -0.1"),
        ("timezone", "a time zone", 'timezone = "Europe/London"'),
    ):
        table.required(key, expected, f"in [site] write {write}")
    latitude = table.number("latitude", 0.0, -90, 90, "degrees north", 51.5)
    longitude = table.number("longitude", 0.0, -180, 180, "degrees east", -0.1)
    site = Site(
        name=table.text("name", "", SITE_NAME, 'name = "Home"', NAME_LETTERS),
        latitude=latitude,
        longitude=longitude,
        elevation_m=table.number("elevation_m", 0.0, -430, 6000, "metres", 120),
        timezone=_read_timezone(table, latitude, longitude),
        temperature_unit=table.choice("temperature_unit", "°C", ["°C", "°F"]),
        spaces=spaces,
        sensors=sensors,
        raw_days=raw_days,
        forecasts=forecasts,
    )
    table.finish()
    return site


def _read_timezone(table: TomlTable, latitude: float, longitude: float) -> str:
    expected, write = "a time zone of the IANA list", 'timezone = "Europe/London"'
    name = table.text("timezone", "UTC", expected, write)
    try:
        zoneinfo.ZoneInfo(name)
    except (ValueError, OSError, zoneinfo.ZoneInfoNotFoundError):
        places = [zone for zone in zoneinfo.available_timezones() if "/" in zone]
        alike = get_close_matches(name, places, 1, cutoff=0.8)
        near = alike or zones_near(latitude, longitude)
        if not alike:
            expected += f", such as {one_of(near)},"
        table.refuse("timezone", name, expected, f'timezone = "{near[0]}"')
        return "UTC"
    return name


def _read_mqtt(table: TomlTable) -> Mqtt:
    ca_file = table.file("ca_file", "broker-ca.pem")
    mqtt = Mqtt(
        host=table.text("host", "127.0.0.1", "the broker's name or address", 'host = "127.0.0.1"'),
        port=table.whole("port", 8883 if ca_file else 1883, 1, 65_535, "", 1883),
        user=table.text("user", None, "the broker's user name", 'user = "drying-room"'),
        password_file=table.file("password_file", "mqtt-password", secret=True),
        tls=table.yes("tls", ca_file is not None),
        ca_file=ca_file,
        client_cert_file=table.file("client_cert_file", "client.pem"),
        client_key_file=table.file("client_key_file", "client.key", secret=True),
        client_id=table.text("client_id", PROGRAM, "a name for the broker", 'client_id = "loft"'),
        keepalive_s=round(table.duration_s("keepalive", 60.0, "5 s", "1 h", "60 s")),
        session_kept_s=round(
            table.duration_s("session_kept", 604_800.0, "1 h", "100 days", "7 days")
        ),
        embedded=table.yes("embedded", False),
    )
    if mqtt.password_file is not None and mqtt.user is None:
        wrong, expected = "password_file is given without user", "both were expected"
        table.problem("password_file", wrong, expected, 'write user = "drying-room"')
    table.both_or_neither("client_cert_file", "client_key_file")
    if not mqtt.tls and (mqtt.ca_file or mqtt.client_cert_file):
        wrong = "certificates are given while tls is off"
        key = "tls" if "tls" in table else "client_cert_file"
        table.problem(key, wrong, "tls was expected", "write tls = true")
    table.finish()
    return mqtt


def _read_store(table: TomlTable, state: Path) -> Store:
    def place(key: str, default: str | None) -> Path | None:
        found = table.text(key, default, "a path", f'{key} = "{default or "/mnt/stick/backups"}"')
        return None if found is None else state / Path(found).expanduser()

    store = Store(
        file=place("file", "drying-room.sqlite") or state,
        raw_days=table.whole("raw_days", 200, 2, 36_500, "days", 200),
        minutes_days=table.whole("minutes_days", 800, 2, 36_500, "days", 800),
        commit_every_s=table.duration_s("commit_every", 90.0, "1 s", "10 min", "90 s"),
        backup_folder=place("backup_folder", "backups") or state,
        second_backup_folder=place("second_backup_folder", None),
        backups_kept=table.whole("backups_kept", 14, 1, 1000, "backups", 14),
    )
    if store.minutes_days < store.raw_days:
        wrong = f"minutes_days is {store.minutes_days} and raw_days is {store.raw_days}"
        key = "minutes_days" if "minutes_days" in table else "raw_days"
        table.problem(key, wrong, "minutes were expected to be kept longer", "mend one of the two")
    table.finish()
    return store


def _read_flowers(root: TomlTable) -> dict[str, dict[str, object]]:
    """The tables [flower.NAME], to be read by who knows flowers."""
    flowers = root.take("flower")
    if not isinstance(flowers, dict):
        return {}
    for name, table in flowers.items():
        if not isinstance(table, dict):
            wrong = f"flower.{name} is {shown(table)}"
            root.problems.add(
                ("flower", name), wrong, "a table was expected", f"write [flower.{name}]"
            )
    return {name: table for name, table in flowers.items() if isinstance(table, dict)}


def shipped_book(own: dict[str, dict[str, object]] | None = None) -> Book:
    """What is known of each flower, with one's own laid over it; raises BookError."""
    return read_book(shipped("config/flowers.toml").read_text("utf-8"), own)


def book_of(settings: Settings) -> Book:
    """What is known of each flower, with the settings' own laid over it.

    raises SettingsError where the settings' own flowers are wrong
    """
    try:
        return shipped_book(settings.flowers)
    except BookError as error:
        where = [f"{settings.file}: {problem}" for problem in error.problems]
        raise SettingsError(where) from error
