"""Changing a person's settings file: only what is asked, with the file before kept beside it.

The file stays its person's: comments, order and the rest stand as they stood. A change is first
made and read beside the file, by the same eyes as `check`; only then does it take its place. What
was there before goes into a folder of its own. A secret has a file of its own, and none is ever
written over: the file before still names what it named.
"""

from __future__ import annotations

import difflib
import fcntl
import os
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any, NamedTuple

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, InlineTable, Whitespace

from monitor.service.settings.files import LONGEST_FILE, content_of
from monitor.service.settings.settings import read
from monitor.service.settings.tables import SettingsError, shown
from monitor.service.settings.text import KeyPath

BEGINS = """\
# Settings of the drying-room monitor. config/drying-room.toml explains every key there is.
"""
KEPT = "before"  # the folder beside the file that holds the files before it
MOST_KEPT = 50
SETTINGS_MODE, SECRET_MODE = 0o640, 0o600
_SECRET_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,59}")


@dataclass(frozen=True, slots=True)
class Put:
    """A key gets a value; tables on its way that are not there are made.

    path    keys; behind a table of which there may be many, its name:
            ("space", "loft", "limits", "hot_c")
    remark  why, behind the value, where the key is new
    """

    path: KeyPath
    value: Any
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Drop:
    """A key, or a table with all that is in it, is taken away."""

    path: KeyPath


@dataclass(frozen=True, slots=True)
class Add:
    """Lines of TOML at the end of the file: one table or more, as a person would write them."""

    lines: str


Change = Put | Drop | Add


class LineChanged(NamedTuple):
    """A line that is new, or is no more."""

    new: bool
    text: str


def mark_of(file: Path) -> str:
    """What tells this state of the file from any other; "" where there is no file."""
    with suppress(FileNotFoundError):
        return sha256(content_of(file, LONGEST_FILE)).hexdigest()[:16]
    return ""


def change(
    file: Path,
    changes: Sequence[Change],
    secrets: Mapping[str, str] | None = None,
    tables: Sequence[str] = (),
) -> list[LineChanged]:
    """Change the settings file, whole or not at all; the lines that changed.

    secrets  by the name of its new file (`secret_name`): what it holds, in one line
    tables   only these must be without a fault, as while setting up; (): the whole file
    raises   SettingsError with the sentences of `check`, OSError
    """
    with _alone(file):
        before = _text_of(file)
        after = changed(before or BEGINS, changes, file)
        kept: list[Path] = []
        try:
            for name, secret in (secrets or {}).items():
                kept.append(write_secret(file.parent, name, secret))
            return _written(file, before, after, tables)
        except BaseException:
            for one in kept:
                one.unlink(missing_ok=True)
            raise


def versions(file: Path) -> list[Path]:
    """The files before it that are kept, the newest first."""
    return sorted((file.parent / KEPT).glob(f"{file.stem}-*{file.suffix}"), reverse=True)


def take_back(file: Path) -> list[LineChanged]:
    """Put the file before the last change back; this is a change too.

    raises  as `change`; FileNotFoundError where nothing is kept
    """
    with _alone(file):
        found = versions(file)
        if not found:
            raise FileNotFoundError(f"no earlier file is kept beside {file}")
        return _written(file, _text_of(file), _text_of(found[0]) or "", ())


def changed(text: str, changes: Sequence[Change], file: Path = Path("drying-room.toml")) -> str:
    """The text of a settings file with these changes, and none besides; SettingsError.

    >>> print(changed('[site]\\nname = "Barn" # ours\\n', [Put(("site", "name"), "Loft")]), end="")
    [site]
    name = "Loft" # ours
    """
    for one in changes:
        expected = tomllib.loads(text)
        if isinstance(one, Add):
            text = f"{text.rstrip()}\n\n{one.lines.strip()}\n"
            _parsed(text, file)
            continue
        document = _parsed(text, file)
        for whole in (document, expected):
            _apply(whole, one, file)
        text = re.sub(r"\n{3,}", "\n\n", tomlkit.dumps(document).rstrip() + "\n")
        if tomllib.loads(text) != expected:
            what = f"{file}: {dotted(one.path)} cannot be changed without touching more"
            raise SettingsError([f"{what}; a plainer line was expected; change it by hand"])
    return text


def _between(before: str, after: str) -> list[LineChanged]:
    """The lines that changed, in their order."""
    told = difflib.ndiff(before.split("\n"), after.split("\n"))
    return [LineChanged(line[0] == "+", line[2:]) for line in told if line[0] in "+-"]


def secret_name(file: Path, wanted: str) -> str:
    """A file name for a secret beside the settings, not yet taken: letters, digits and dashes.

    >>> secret_name(Path("/nowhere/drying-room.toml"), "../Loft Phone url")
    'loft-phone-url'
    """
    plain = re.sub(r"[^a-z0-9]+", "-", wanted.casefold()).strip("-")[:40] or "secret"
    names = (plain if n == 1 else f"{plain}-{n}" for n in range(1, 10_000))
    return next(name for name in names if not file.with_name(name).exists())


def write_secret(folder: Path, name: str, secret: str) -> Path:
    """A new file for its owner alone that holds one line; raises OSError where there is one."""
    if not _SECRET_NAME.fullmatch(name):
        raise OSError(f"{shown(name)} is no name for a file of a secret")
    file = folder / name
    descriptor = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, SECRET_MODE)
    with open(descriptor, "w", encoding="utf-8") as out:
        give_to_folder(descriptor, folder, SECRET_MODE)
        out.write(secret.strip() + "\n")
        out.flush()
        os.fsync(descriptor)
    return file


def dotted(path: KeyPath) -> str:
    """A path in words: space.loft.limits.hot_c."""
    return ".".join(map(str, path))


# -- the text ------------------------------------------------------------------------------------


def _parsed(text: str, file: Path) -> tomlkit.TOMLDocument:
    try:
        tomllib.loads(text)
        return tomlkit.parse(text)
    except (TOMLKitError, ValueError, RecursionError) as error:
        wrong = f"{file}: this would be no TOML ({error})"
        raise SettingsError(
            [f"{wrong}; key = value was expected; mend the file by hand"]
        ) from error


def _apply(whole: Any, one: Put | Drop, file: Path) -> None:
    """Make one change in what tomlkit or tomllib gives: dictionaries and lists, both."""
    table, written = whole, isinstance(whole, tomlkit.TOMLDocument)
    for depth, part in enumerate(one.path[:-1]):
        if not isinstance(table, list):
            if part not in table:
                if isinstance(one, Drop):
                    raise _missing(file, one.path)
                inline = depth > 0
                table[part] = (
                    {} if not written else tomlkit.inline_table() if inline else tomlkit.table()
                )
            table = table[part]
        else:
            table = table[_place(table, part, file, one.path)]
    last: Any = one.path[-1]
    if isinstance(table, list):
        last = _place(table, last, file, one.path)
    if isinstance(one, Drop):
        if not isinstance(table, list) and last not in table:
            raise _missing(file, one.path)
        del table[last]
    elif not written:
        table[last] = one.value
    else:
        _put(table, last, one)


def _put(table: Any, key: Any, one: Put) -> None:
    """Set a key of tomlkit's; a new one stands behind the last one, before the empty line."""
    if isinstance(table, AoT) or key in table:
        table[key] = one.value
        return
    value = tomlkit.item(one.value)
    if one.remark and not isinstance(table, InlineTable):
        value.comment(one.remark)
    body = table.value.body if hasattr(table.value, "body") else []
    trailing = []
    while body and body[-1][0] is None and isinstance(body[-1][1], Whitespace):
        trailing.append(body.pop())
    table[key] = value
    body.extend(reversed(trailing))


def _place(tables: list[Any], name: str | int, file: Path, path: KeyPath) -> int:
    found = next((n for n, table in enumerate(tables) if table.get("name") == name), None)
    if found is None:
        raise _missing(file, path)
    return found


def _missing(file: Path, path: KeyPath) -> SettingsError:
    wrong = f"{file}: there is no {dotted(path)} in it"
    return SettingsError([f"{wrong}; a line that is there was expected; look at the file anew"])


# -- the files -----------------------------------------------------------------------------------


@contextmanager
def _alone(file: Path) -> Iterator[None]:
    """One change at a time, of whatever process."""
    descriptor = os.open(file.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


def _text_of(file: Path) -> str | None:
    try:
        return content_of(file, LONGEST_FILE).decode("utf-8-sig")
    except FileNotFoundError:
        return None
    except UnicodeDecodeError as error:
        wrong = f"{file}: the file is not UTF-8 text; UTF-8 was expected; save it as UTF-8"
        raise SettingsError([wrong]) from error


def _written(
    file: Path, before: str | None, after: str, tables: Sequence[str]
) -> list[LineChanged]:
    lines = _between(before or "", after)
    if not lines:
        return []
    mode = SETTINGS_MODE if before is None else file.stat().st_mode & 0o777
    new = file.with_name(f".{file.stem}.new{file.suffix}")
    try:
        _write(new, after, mode)
        _, problems = read(new)
        if found := problems.all(*tables):
            raise SettingsError([one.replace(str(new), str(file)) for one in found])
        if before is not None:
            _keep(file, before, mode)
        new.replace(file)
    finally:
        new.unlink(missing_ok=True)
    _sync(file.parent)
    return lines


def _keep(file: Path, before: str, mode: int) -> None:
    """Keep the file before, with a number that grows; the oldest go."""
    folder = file.parent / KEPT
    if not folder.exists():
        folder.mkdir(0o750)
        give_to_folder(folder, file.parent, 0o750)
    found = versions(file)
    number = int(found[0].stem.rpartition("-")[2]) + 1 if found else 1
    _write(folder / f"{file.stem}-{number:06d}{file.suffix}", before, mode)
    for one in found[MOST_KEPT - 1 :]:
        one.unlink(missing_ok=True)


def _write(file: Path, text: str, mode: int) -> None:
    """Write a file whole, and see it on the disk."""
    flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW
    with open(os.open(file, flags, 0o600), "w", encoding="utf-8") as out:
        give_to_folder(out.fileno(), file.parent, mode)
        out.write(text)
        out.flush()
        os.fsync(out.fileno())


def give_to_folder(what: int | Path, folder: Path, mode: int) -> None:
    """Give it the folder's owner where root writes, for the service must read it; and its mode."""
    os.chmod(what, mode)
    if os.geteuid() == 0:
        told = folder.stat()
        os.chown(what, told.st_uid, told.st_gid)


def _sync(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
