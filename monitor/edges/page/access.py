"""Who may open the page: passphrase, sign-ins, tokens, and patience with wrong tries."""

from __future__ import annotations

import asyncio
import hmac
import logging
import os
import secrets
from base64 import b64decode, b64encode
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from hashlib import scrypt, sha256
from pathlib import Path
from typing import NamedTuple

import msgspec
from itsdangerous import BadSignature, URLSafeTimedSerializer

from monitor.site.time import DAY_S

log = logging.getLogger(__name__)

SIGNED_IN_S = 30 * DAY_S
FORM_S = 12 * 3600
SHORTEST_PASSPHRASE = 10
LONGEST_PASSPHRASE = 200
_COST, _BLOCK, _LANES = 2**15, 8, 1  # scrypt's N, r, p: some 100 ms and 32 MB (RFC 7914)
_MEMORY = 64 * 1024 * 1024
MOST_SIGNED_IN = 40
SEEN_WRITTEN_EVERY_MS = 300_000
MOST_TRYING = 4  # of all addresses at once: some half a second's hashing
_FREE_TRIES = 3
_LONGEST_WAIT_S = 300.0
_MOST_REMEMBERED = 1000


class PassphraseError(ValueError):
    """Why a passphrase, or the file that keeps it, will not do; one sentence."""


def hashed(passphrase: str, salt: bytes | None = None) -> str:
    """What is kept of a passphrase: `scrypt:N:r:p:salt:hash`; raises PassphraseError."""
    if not SHORTEST_PASSPHRASE <= len(passphrase) <= LONGEST_PASSPHRASE:
        raise PassphraseError(
            f"the passphrase has {len(passphrase)} letters; {SHORTEST_PASSPHRASE} to "
            f"{LONGEST_PASSPHRASE} were expected; four words of your own make a good one"
        )
    salt = secrets.token_bytes(16) if salt is None else salt
    key = _key(passphrase, salt, _COST, _BLOCK, _LANES)
    words = (str(_COST), str(_BLOCK), str(_LANES), _text(salt), _text(key))
    return ":".join(("scrypt", *words))


def keep_hash(passphrase: str, file: Path) -> None:
    """Write the hash, whole or not at all, mode 0600; raises PassphraseError, OSError."""
    kept = hashed(passphrase)
    new = file.with_name(f".{file.name}.new")
    with open(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as out:
        os.fchmod(out.fileno(), 0o600)
        out.write(kept + "\n")
        out.flush()
        os.fsync(out.fileno())
    new.replace(file)


def matches(passphrase: str, kept: str) -> bool:
    """Whether a passphrase is the one of which this was kept; raises PassphraseError."""
    try:
        kind, cost, block, lanes, salt, key = kept.split(":")
        if kind != "scrypt" or int(cost) > 2**17 or int(block) > 16 or int(lanes) > 4:
            raise ValueError
        made = _key(
            passphrase[:LONGEST_PASSPHRASE], b64decode(salt), int(cost), int(block), int(lanes)
        )
        return hmac.compare_digest(made, b64decode(key))
    except ValueError as error:
        raise PassphraseError(
            "the passphrase file does not hold what drying-room passphrase writes; run it again"
        ) from error


def _key(passphrase: str, salt: bytes, cost: int, block: int, lanes: int) -> bytes:
    return scrypt(
        passphrase.encode(), salt=salt, n=cost, r=block, p=lanes, maxmem=_MEMORY, dklen=32
    )


def _text(data: bytes) -> str:
    return b64encode(data).decode()


class SignIn(NamedTuple):
    """One who is signed in: number, from when to when they were seen, and with what device."""

    visitor: str
    number: int
    since_ms: int
    seen_ms: int
    device: str


class KeptSignIns(NamedTuple):
    """What the file holds. passphrase: a trace of the one by which they signed in."""

    passphrase: str
    signed_in: list[SignIn]


class SignIns:
    """Who is signed in, kept in a file of the page's own, so that a restart ends nobody's.

    file    None: nobody signs in here
    now_ms  [UTC epoch ms]
    """

    def __init__(self, file: Path | None, now_ms: Callable[[], int]) -> None:
        self._file, self._now_ms = file, now_ms
        self._written_ms = 0
        self._kept = KeptSignIns("", [])
        self._of: dict[str, SignIn] = {}
        if file is not None and file.exists():
            try:
                self._kept = msgspec.json.decode(file.read_bytes(), type=KeptSignIns)
            except (OSError, msgspec.MsgspecError) as error:
                log.warning("%s cannot be read (%s); everybody signs in anew.", file, error)
        self._of = {one.visitor: one for one in self._kept.signed_in}

    def belong_to(self, passphrase: str) -> None:
        """Those who signed in by another passphrase are signed in no more."""
        if passphrase != self._kept.passphrase:
            self._kept = KeptSignIns(passphrase, [])
            self._of.clear()
            self._write()

    def __iter__(self) -> Iterator[SignIn]:
        """Those who were here last come first."""
        return iter(sorted(self._of.values(), key=lambda one: -one.seen_ms))

    def begin(self, visitor: str, agent: str) -> None:
        """Somebody signs in; the one who was away longest makes room."""
        while len(self._of) >= MOST_SIGNED_IN:
            del self._of[min(self._of.values(), key=lambda one: one.seen_ms).visitor]
        now_ms = self._now_ms()
        number = max((one.number for one in self._of.values()), default=0) + 1
        self._of[visitor] = SignIn(visitor, number, now_ms, now_ms, device_of(agent))
        self._write()

    def knows(self, visitor: str) -> bool:
        """Whether they are still signed in; they were seen now."""
        one = self._of.get(visitor)
        if one is None:
            return False
        now_ms = self._now_ms()
        self._of[visitor] = one._replace(seen_ms=now_ms)
        if abs(now_ms - self._written_ms) > SEEN_WRITTEN_EVERY_MS:
            self._write()
        return True

    def end(self, visitor: str) -> None:
        """They are signed in no more."""
        if self._of.pop(visitor, None) is not None:
            self._write()

    def _write(self) -> None:
        self._written_ms = self._now_ms()
        if self._file is None:
            return
        new = self._file.with_name(f"{self._file.name}.new")
        try:
            with open(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as out:
                out.write(
                    msgspec.json.encode(self._kept._replace(signed_in=list(self._of.values())))
                )
            new.replace(self._file)
        except OSError as error:
            log.warning("Who is signed in cannot be kept in %s: %s", self._file, error)


def device_of(agent: str) -> str:
    """A device in words, from what its browser says of itself.

    >>> device_of("Mozilla/5.0 (Android 14; Mobile; rv:128.0) Gecko/128.0 Firefox/128.0")
    'Firefox on Android'
    """
    browser = next((name for mark, name in _BROWSERS if mark in agent), "a browser")
    system = next((name for mark, name in _SYSTEMS if mark in agent), None)
    return browser if system is None else f"{browser} on {system}"


# The first that fits: many call themselves by the names of others too.
_BROWSERS = (
    *(("Firefox/", "Firefox"), ("FxiOS/", "Firefox"), ("Edg", "Edge"), ("OPR/", "Opera")),
    *(("Chrom", "Chrome"), ("CriOS/", "Chrome"), ("Safari/", "Safari")),
)
_SYSTEMS = (
    *(("iPhone", "an iPhone"), ("iPad", "an iPad"), ("Android", "Android")),
    *(("Windows", "Windows"), ("Macintosh", "a Mac"), ("CrOS", "a Chromebook"), ("Linux", "Linux")),
)


@dataclass
class _Tries:
    wrong: int = 0
    free_at_s: float = 0.0


class Door:
    """Lets in who knows the passphrase, and knows them again by their cookie.

    All of it is asked from the one thread that takes requests in; only the slow hash has another.

    passphrase_file  None: everybody who reaches the page is let in
    monotonic        seconds that only grow
    """

    def __init__(
        self, passphrase_file: Path | None, signed_in: SignIns, monotonic: Callable[[], float]
    ) -> None:
        self._file, self.signed_in, self._monotonic = passphrase_file, signed_in, monotonic
        self._tries: dict[str, _Tries] = {}
        self._trying: set[str] = set()
        self._hashing = ThreadPoolExecutor(1, "passphrase")
        self._kept: str | None = None
        self._seen: tuple[int, ...] = ()
        self.wrong = 0
        self._take_key(secrets.token_bytes(32))
        self._look()

    def _take_key(self, key: bytes) -> None:
        self._cookies = URLSafeTimedSerializer(key, "signed in")
        self._tokens = URLSafeTimedSerializer(key, "form")

    def _look(self) -> None:
        """A new passphrase ends all sign-ins at once; raises PassphraseError."""
        if self._file is None or (seen := _state(self._file)) == self._seen:
            return
        self._kept = _read(self._file)
        self._seen = seen
        # A cookie outlives a restart, and not a change of the passphrase.
        key = sha256(self._kept.encode()).digest()
        self._take_key(key)
        self.signed_in.belong_to(sha256(key).hexdigest())

    @property
    def open(self) -> bool:
        """Whether no passphrase is asked for."""
        return self._file is None

    def visitor(self, cookie: str | None) -> str | None:
        """Who a cookie was given to; None: nobody we know. Raises PassphraseError."""
        self._look()
        told = _loaded(self._cookies, cookie, SIGNED_IN_S)
        if not isinstance(told, str):
            return None
        return told if self.open or self.signed_in.knows(told) else None

    def cookie(self, agent: str) -> tuple[str, str]:
        """A new visitor and the cookie by which we know them."""
        visitor = secrets.token_urlsafe(12)
        if not self.open:
            self.signed_in.begin(visitor, agent)
        return visitor, str(self._cookies.dumps(visitor))

    def token(self, visitor: str) -> str:
        """What a form carries so that nobody else can send it in the visitor's name."""
        return str(self._tokens.dumps([visitor, secrets.token_urlsafe(9)]))

    def form_number(self, visitor: str, token: str) -> str | None:
        """The one number of this visitor's form; None: it is not theirs, or too old."""
        told = _loaded(self._tokens, token, FORM_S)
        if not isinstance(told, list) or len(told) != 2 or told[0] != visitor:
            return None
        return str(told[1])

    def wait_s(self, whence: str) -> float:
        """How long this address must wait before its next try [s]."""
        if whence in self._trying or len(self._trying) >= MOST_TRYING:
            return 1.0
        tries = self._tries.get(whence)
        return 0.0 if tries is None else max(0.0, tries.free_at_s - self._monotonic())

    async def try_passphrase(self, whence: str, passphrase: str) -> bool:
        """Whether it is right; a wrong one makes the next try wait. Call it when wait_s is 0.

        whence  an address, or its neighbourhood: it has one try at a time
        """
        self._look()
        self._trying.add(whence)
        try:
            loop = asyncio.get_running_loop()
            kept = self._kept or ""
            right = await loop.run_in_executor(self._hashing, matches, passphrase, kept)
        finally:
            self._trying.discard(whence)
        if right:
            self._tries.pop(whence, None)
            return kept == self._kept
        if len(self._tries) >= _MOST_REMEMBERED:
            self._tries.pop(next(iter(self._tries)))
        tries = self._tries.setdefault(whence, _Tries())
        tries.wrong += 1
        self.wrong += 1
        wait_s = 2.0 ** (tries.wrong - _FREE_TRIES) if tries.wrong >= _FREE_TRIES else 0.0
        tries.free_at_s = self._monotonic() + min(wait_s, _LONGEST_WAIT_S)
        return False


def _state(file: Path) -> tuple[int, ...]:
    try:
        told = file.stat()
    except OSError:
        return ()
    return told.st_ino, told.st_mtime_ns, told.st_size


def _loaded(serializer: URLSafeTimedSerializer, text: str | None, age_s: int) -> object | None:
    try:
        return None if not text else serializer.loads(text, max_age=age_s)
    except BadSignature:
        return None


def _read(file: Path) -> str:
    try:
        return file.read_text("ascii").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise PassphraseError(
            f"{file}: the passphrase cannot be read ({error}); run drying-room passphrase"
        ) from error
