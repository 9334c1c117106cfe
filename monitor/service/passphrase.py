"""Setting the page's passphrase: asked twice, kept as a hash that only its owner reads."""

from __future__ import annotations

import os
import sys
from getpass import getpass
from pathlib import Path

from monitor.edges.page.access import PassphraseError, hashed


def ask_twice() -> str:
    """The new passphrase, typed twice unseen, or one line of what is piped in.

    raises  PassphraseError
    """
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\n")
    first = getpass("New passphrase: ")
    if getpass("Once more: ") != first:
        raise PassphraseError("the two were not the same; run it again")
    return first


def keep(passphrase: str, file: Path) -> None:
    """Write the hash, whole or not at all, mode 0600; raises PassphraseError, OSError."""
    kept = hashed(passphrase)
    new = file.with_name(f".{file.name}.new")
    with open(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as out:
        os.fchmod(out.fileno(), 0o600)
        out.write(kept + "\n")
        out.flush()
        os.fsync(out.fileno())
    new.replace(file)
