"""The page's settings: where it listens, and who may open it."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from monitor.service.settings.tables import TomlTable, shown

LOOPBACK = ("localhost", "127.0.0.1", "::1")


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

    @property
    def only_here(self) -> bool:
        """Whether nobody but this machine can reach it."""
        return _is_loopback(self.bind)


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
