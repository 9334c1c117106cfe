"""Who may open the page: passphrase, signed cookies, tokens, and patience with wrong tries."""

from __future__ import annotations

import hmac
import secrets
import threading
from base64 import b64decode, b64encode
from collections.abc import Callable
from dataclasses import dataclass
from hashlib import scrypt, sha256
from pathlib import Path

from itsdangerous import BadSignature, URLSafeTimedSerializer

from monitor.site.time import DAY_S

SIGNED_IN_S = 30 * DAY_S
FORM_S = 12 * 3600
SHORTEST_PASSPHRASE = 10
LONGEST_PASSPHRASE = 200
_COST, _BLOCK, _LANES = 2**15, 8, 1  # scrypt's N, r, p: some 100 ms and 32 MB (RFC 7914)
_MEMORY = 64 * 1024 * 1024
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


@dataclass
class _Tries:
    wrong: int = 0
    free_at_s: float = 0.0


class Door:
    """Lets in who knows the passphrase, and knows them again by their cookie.

    passphrase_file  None: everybody who reaches the page is let in
    monotonic        seconds that only grow
    """

    def __init__(self, passphrase_file: Path | None, monotonic: Callable[[], float]) -> None:
        self._kept = None if passphrase_file is None else _read(passphrase_file)
        # A cookie outlives a restart, and not a change of the passphrase.
        secret = secrets.token_bytes(32) if self._kept is None else sha256(self._kept.encode())
        key = secret if isinstance(secret, bytes) else secret.digest()
        self._cookies = URLSafeTimedSerializer(key, "signed in")
        self._tokens = URLSafeTimedSerializer(key, "form")
        self._monotonic = monotonic
        self._tries: dict[str, _Tries] = {}
        self._one_at_a_time = threading.Lock()
        self.wrong = 0

    @property
    def open(self) -> bool:
        """Whether no passphrase is asked for."""
        return self._kept is None

    def visitor(self, cookie: str | None) -> str | None:
        """Who a cookie was given to; None: nobody we know."""
        told = _loaded(self._cookies, cookie, SIGNED_IN_S)
        return told if isinstance(told, str) else None

    def cookie(self) -> tuple[str, str]:
        """A new visitor and the cookie by which we know them."""
        visitor = secrets.token_urlsafe(12)
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
        tries = self._tries.get(whence)
        return 0.0 if tries is None else max(0.0, tries.free_at_s - self._monotonic())

    def try_passphrase(self, whence: str, passphrase: str) -> bool:
        """Whether it is right; a wrong one makes the next try wait. Call it when wait_s is 0."""
        with self._one_at_a_time:  # so many tries at once cost no more than one
            if self._kept is not None and matches(passphrase, self._kept):
                self._tries.pop(whence, None)
                return True
            if len(self._tries) >= _MOST_REMEMBERED:
                self._tries.pop(next(iter(self._tries)))
            tries = self._tries.setdefault(whence, _Tries())
            tries.wrong += 1
            self.wrong += 1
            wait_s = 2.0 ** (tries.wrong - _FREE_TRIES) if tries.wrong >= _FREE_TRIES else 0.0
            tries.free_at_s = self._monotonic() + min(wait_s, _LONGEST_WAIT_S)
            return False


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
