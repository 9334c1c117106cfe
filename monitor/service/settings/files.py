"""Files and folders: what comes with the program, where it writes, what is read whole."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import monitor
from monitor.service.settings.tables import SettingsError

PROGRAM = "drying-room"
SERVICE_SETTINGS = Path("/etc/drying-room")
SERVICE_STATE = Path("/var/lib/drying-room")
SERVICE_RUNTIME = Path("/run/drying-room")
LONGEST_FILE, LONGEST_SECRET = 2_000_000, 64_000  # bytes
_PACKAGE = Path(monitor.__file__).parent


def shipped(name: str) -> Path:
    """A file or folder such as "config/flowers.toml", installed or in a checkout.

    Installed, config and sample_readings are in the package; in a checkout beside it.
    """
    for home in (_PACKAGE, _PACKAGE.parent):
        if (home / name).exists():
            return home / name
    raise FileNotFoundError(f"{name} did not come with the program; install it again")


def content_of(path: Path, longest: int) -> bytes:
    """All of a plain file; raises OSError, as of one that never ends or that nobody fills."""
    if path.exists() and not path.is_file():
        raise OSError(errno.EINVAL, "it is no plain file")
    with path.open("rb") as opened:
        content = opened.read(longest + 1)
    if len(content) > longest:
        raise OSError(errno.EFBIG, f"it is longer than {longest // 1000} kB")
    return content


def read_secret(path: Path) -> str:
    """What a secret file holds, without the line's end; SettingsError if it cannot be read."""
    try:
        secret = content_of(path, LONGEST_SECRET).decode("utf-8").strip()
    except UnicodeDecodeError as error:
        wrong = f"{path}: the file is not UTF-8 text; a secret in one line was expected"
        raise SettingsError([f"{wrong}; write it anew"]) from error
    except OSError as error:
        wrong = f"{path}: the file cannot be read ({error.strerror})"
        expected = "a file that this user may read was expected"
        raise SettingsError([f"{wrong}; {expected}; mend its owner or mode"]) from error
    if not secret:
        wrong = f"{path}: the file holds nothing but spaces; a secret in one line was expected"
        raise SettingsError([f"{wrong}; write it anew"])
    return secret


def is_the_services(path: Path) -> bool:
    """Whether these are the service's own settings: whoever asks, its folders are meant."""
    return path.absolute().parent == SERVICE_SETTINGS


def state_folder(path: Path) -> Path:
    """Where what is written goes for a settings file: the service's folder, else the user's."""
    given = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    if given:
        return Path(given)
    if is_the_services(path):
        return SERVICE_STATE
    home = os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state"
    return Path(home) / PROGRAM
