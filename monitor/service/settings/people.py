"""How people are reached: the addresses and notices, the weekly report, the page."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass, field
from datetime import time
from pathlib import Path
from urllib.parse import urlsplit

from monitor.service.settings.files import read_secret
from monitor.service.settings.tables import TomlTable, read_name, shown

LOOPBACK = ("localhost", "127.0.0.1", "::1")


WEEKDAYS = ["Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"]


@dataclass(frozen=True, slots=True)
class Address:
    """Where notices go. The URL may hold a secret, so it is never printed."""

    name: str
    url_file: Path | None
    inline_url: str | None = field(default=None, repr=False)

    def url(self) -> str:
        """The URL itself; SettingsError if its file cannot be read."""
        return read_secret(self.url_file) if self.url_file is not None else self.inline_url or ""


@dataclass(frozen=True, slots=True)
class Notices:
    """When notices may ring. Times of day are the site's; None: not at all."""

    addresses: tuple[Address, ...]
    night_rest: tuple[time, time] | None
    most_a_day: int
    reminder_every_s: float
    all_well_at: time | None
    digest_at: time


@dataclass(frozen=True, slots=True)
class Report:
    """The weekly report. weekday: 0 is Monday; at: time of day at the site."""

    weekday: int
    at: time
    folder: Path


@dataclass(frozen=True, slots=True)
class Page:
    """The page for the phone. address: what links in notices begin with, without a slash."""

    bind: str
    port: int
    address: str
    passphrase_file: Path | None
    certificate_file: Path | None
    key_file: Path | None
    trusted_hosts: tuple[str, ...]


def read_page(table: TomlTable, passphrase_may_be_missing: bool) -> Page:
    """The table [page]."""
    bind = table.text("bind", "127.0.0.1", "an address of this machine", 'bind = "127.0.0.1"')
    if not _is_address(bind):
        table.refuse("bind", bind, "an address of this machine", 'bind = "127.0.0.1"')
        bind = "127.0.0.1"
    port = table.whole("port", 8642, 1, 65_535, "", 8642)
    certificate = table.file("certificate_file", "page.pem")
    key = table.file("key_file", "page.key", secret=True)
    table.both_or_neither("certificate_file", "key_file")
    passphrase = _read_passphrase_file(table, passphrase_may_be_missing)
    if not _is_loopback(bind) and passphrase is None:
        wrong = f"bind = {shown(bind)} opens the page to the network without a passphrase"
        expected = "passphrase_file was expected"
        write = 'write passphrase_file = "passphrase" and run drying-room passphrase'
        table.problem("bind", wrong, expected, write)
    here = f"[{bind}]" if _is_loopback(bind) and ":" in bind else "127.0.0.1"
    address = _read_page_address(table, f"http{'s' if certificate else ''}://{here}:{port}")
    hosts = table.texts("trusted_hosts", "a list of names", 'trusted_hosts = ["loft.lan"]')
    known = [*LOOPBACK, urlsplit(address).hostname or "", *hosts]
    table.finish()
    return Page(bind, port, address, passphrase, certificate, key, tuple(dict.fromkeys(known)))


def _read_passphrase_file(table: TomlTable, may_be_missing: bool) -> Path | None:
    if not may_be_missing:
        made_by = "run drying-room passphrase"
        return table.file("passphrase_file", "passphrase", secret=True, made_by=made_by)
    named = table.text("passphrase_file", None, "a path", 'passphrase_file = "passphrase"')
    return None if named is None else table.problems.file.parent / Path(named).expanduser()


def _read_page_address(table: TomlTable, default: str) -> str:
    expected, write = "what a browser is to open", f'address = "{default}"'
    address = table.text("address", default, expected, write)
    try:
        parts = urlsplit(address)
        fits = parts.scheme in ("http", "https") and bool(parts.hostname)
    except ValueError:
        fits = False
    if not fits:
        table.refuse("address", address, expected, write)
        return default
    return address.rstrip("/")


def _is_address(text: str) -> bool:
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return text == "localhost"
    return True


def _is_loopback(bind: str) -> bool:
    return bind == "localhost" or ipaddress.ip_address(bind).is_loopback


def read_notices(root: TomlTable) -> Notices:
    """The tables [[address]] and [notices]."""
    addresses: list[Address] = []
    for address in root.tables("address"):
        addresses.append(_read_address(address, [one.name for one in addresses]))
    table = root.table("notices")
    notices = Notices(
        addresses=tuple(addresses),
        night_rest=_read_night_rest(table),
        most_a_day=table.whole("most_a_day", 3, 1, 100, "notices", 3),
        reminder_every_s=table.duration_s("reminder_every", 21_600.0, "10 min", "7 days", "6 h"),
        all_well_at=None
        if table.off("all_well_at")
        else table.daily_at("all_well_at", time(8), "08:00"),
        digest_at=table.daily_at("digest_at", time(18), "18:00"),
    )
    table.finish()
    return notices


def _read_night_rest(table: TomlTable) -> tuple[time, time] | None:
    if table.off("night_rest"):
        return None
    rest = table.table("night_rest")
    begins = rest.clock("from", time(22), "22:00")
    ends = rest.clock("until", time(7), "07:00")
    if begins == ends:
        wrong, expected = "night_rest begins when it ends", "two different times were expected"
        table.problem("night_rest", wrong, expected, "mend one, or write night_rest = false")
    rest.finish()
    return begins, ends


def _read_address(table: TomlTable, taken: list[str]) -> Address:
    name = read_name(table, taken, "phone")
    url_file = table.file("url_file", "phone-url", secret=True)
    url = table.take("url") if "url" in table else None
    if ("url" in table) is ("url_file" in table):
        wrong = "url and url_file are both given" if url else "the address has no url_file"
        expected = "one of them" if url else "a file that holds its URL"
        write = 'write url_file = "phone-url"'
        table.problem("url" if url else None, wrong, f"{expected} was expected", write)
    if url is not None and not (isinstance(url, str) and _is_harmless(url)):
        wrong = "url may hold a secret"  # and so it is not shown here
        expected = "a url to this machine without a password was expected"
        table.problem("url", wrong, expected, "put it in a file and write url_file")
    if "url" not in table:
        table.take("url")
    table.finish()
    return Address(name, url_file, url if isinstance(url, str) else None)


def _is_harmless(url: str) -> bool:
    """A URL that may stand in the settings: to this machine, without a password."""
    try:
        parts = urlsplit(url)
        return parts.hostname in LOOPBACK and parts.password is None
    except ValueError:
        return False


def read_report(table: TomlTable, state: Path) -> Report:
    """The table [report]."""
    folder = table.text("folder", "reports", "a folder", 'folder = "reports"')
    report = Report(
        weekday=WEEKDAYS.index(table.choice("weekday", "Monday", WEEKDAYS)),
        at=table.daily_at("at", time(7), "07:00"),
        folder=state / Path(folder).expanduser(),
    )
    table.finish()
    return report
