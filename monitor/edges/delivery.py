"""Delivery through Apprise, in a process beside: what became of a letter, in fixed words.

Apprise and what it loads would stay in the monitor's memory for good; a process gives it back.
Apprise says only yes or no. So this process listens to what the standard library's HTTP client
prints when asked to, and to the failures that Apprise logs.

An address is a secret. It comes by the pipe, and no receipt ever holds any of it: reasons are made
of the fixed words below and the number that the service answered with.
"""

from __future__ import annotations

import contextlib
import http.client
import io
import logging
import os
import smtplib
import ssl
import sys
import threading
from ast import literal_eval
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from pathlib import Path

from monitor.edges.beside import Command, resident_mb

TIMEOUT_S = 20.0
START_S = 60.0  # loading Apprise takes a small computer some seconds
CONNECT_TIMEOUT_S = 10.0
# An answer that brings more than this is not heard to its end [MB].
LONGEST_ANSWER_MB = 48
# Refused for a reason that will not go away by asking again. A 4xx that tells when to come back
# is no refusal, nor are these: too slow, too early, too many.
COME_BACK_STATUS = frozenset({408, 421, 425, 429})
BROKEN_OFF = "the answer broke off or made no sense"


@dataclass(frozen=True)
class Letter:
    """What is to be delivered.

    body      None: nothing is; it is only asked whether this is an address at all
    enclosed  a file that goes along by mail; ours is all that other services get
    urgency   failure, warning, info or success: a service may show or ring them differently
    """

    url: str
    title: str = ""
    body: str | None = None
    timeout_s: float = TIMEOUT_S
    enclosed: Path | None = None
    urgency: str = "info"


@dataclass(frozen=True)
class Receipt:
    """What became of one letter.

    reason      fixed words and the service's number
    permanent   asking again will not help
    answered    it was refused by the service itself, not by the way there
    unfinished  the service may still be speaking: the process must not be used again
    """

    delivered: bool
    reason: str
    permanent: bool = False
    retry_after_s: float | None = None
    answered: bool = False
    unfinished: bool = False


DELIVERY = Command(f"{__name__}:Postman", Letter, Receipt, TIMEOUT_S + START_S, memory_mb=250)


@dataclass
class Conversation:
    """What a service let us hear in one delivery; the last word counts.

    status       HTTP status, or SMTP reply code
    retry_after  and `date`: its headers, as they came
    trouble      what went wrong instead of an answer, in fixed words
    """

    status: int | None = None
    by_mail: bool = False
    retry_after: str | None = None
    date: str | None = None
    trouble: str | None = None

    def printed(self, line: str) -> None:
        """Take a line that the HTTP client printed: what was sent, a reply, a header."""
        kind, _, rest = line.partition(": ")
        if kind == "send":
            self.status = self.retry_after = self.date = self.trouble = None
        elif kind == "reply":
            status = str(literal_eval(rest)).split(None, 2)[1:2]
            self.status = int(status[0]) if status and status[0].isdecimal() else None
        elif kind == "header":
            name, _, value = rest.partition(": ")
            if name.lower() == "retry-after":
                self.retry_after = value
            elif name.lower() == "date":
                self.date = value

    def failed(self, error: BaseException) -> None:
        """Take a failure that ended it."""
        causes = list(_causes(error))
        self.by_mail |= any(isinstance(cause, smtplib.SMTPException) for cause in causes)
        refused = [code for cause in causes for code in _smtp_codes(cause)]
        if refused:
            self.status = min(refused)
        elif not self.taken:
            self.trouble = _trouble(causes) or self.trouble

    @property
    def taken(self) -> bool:
        """Whether the service has said so: a 2xx, whatever else it says."""
        return self.status is not None and 200 <= self.status < 300 and self.trouble is None

    def receipt(self, delivered: bool, unfinished: bool = False) -> Receipt:
        """What became of it."""
        if delivered or self.taken:
            reason = f"the service took it{_number(self.status)}"
            return Receipt(True, reason, unfinished=unfinished)
        if self.trouble is not None:
            return Receipt(False, self.trouble, unfinished=unfinished)
        retry_after_s = seconds_to_wait(self.retry_after, self.date)
        permanent = self._permanent() and retry_after_s is None
        if self.status is None:
            reason = "the service did not take it, and did not say why"
        elif permanent:
            reason = f"the service refused it{_number(self.status)}"
        elif self.status == 429 or retry_after_s is not None:
            reason = f"the service asks to come back later{_number(self.status)}"
        else:
            reason = f"the service could not take it{_number(self.status)}"
        answered = self.status is not None
        return Receipt(False, reason, permanent, retry_after_s, answered, unfinished)

    def _permanent(self) -> bool:
        if self.status is None:
            return False
        if self.by_mail:  # RFC 5321, 4.2.1: 5yz is permanent, 4yz is not
            return self.status >= 500
        return 400 <= self.status < 500 and self.status not in COME_BACK_STATUS


def _number(status: int | None) -> str:
    return "" if status is None else f" ({status})"


def _causes(error: BaseException) -> Iterator[BaseException]:
    """A failure and all that led to it, as the libraries wrapped it."""
    waiting, seen = [error], set[int]()
    while waiting:
        cause = waiting.pop()
        if id(cause) not in seen:
            seen.add(id(cause))
            yield cause
            inside = (cause.__cause__, cause.__context__, getattr(cause, "reason", None))
            waiting += [c for c in (*inside, *cause.args) if isinstance(c, BaseException)]


def _smtp_codes(cause: BaseException) -> list[int]:
    if isinstance(cause, smtplib.SMTPRecipientsRefused):
        return [code for code, _ in cause.recipients.values()]
    if isinstance(cause, smtplib.SMTPResponseException) and cause.smtp_code >= 400:
        return [cause.smtp_code]
    return []


def _trouble(causes: list[BaseException]) -> str | None:
    for kinds, words in (
        (ssl.SSLError, "its certificate is not trusted"),
        (TimeoutError, "no answer in time"),
        ((http.client.HTTPException, smtplib.SMTPServerDisconnected, UnicodeError), BROKEN_OFF),
        (ConnectionResetError, BROKEN_OFF),
        (smtplib.SMTPException, None),
        (OSError, "no connection"),
    ):
        if any(isinstance(cause, kinds) for cause in causes):
            return words
    return None


def seconds_to_wait(retry_after: str | None, date: str | None) -> float | None:
    """The service's Retry-After [s]: a number, or a date less the answer's own Date.

    None: it did not say, or not in a way that can be read. RFC 9110, 10.2.3.

    >>> seconds_to_wait("120", None)
    120.0
    >>> seconds_to_wait("Tue, 14 Jul 2026 12:05:00 GMT", "Tue, 14 Jul 2026 12:00:00 GMT")
    300.0
    """
    if retry_after is None:
        return None
    digits = retry_after.strip()
    if digits.isascii() and digits.isdecimal():
        return float(digits[:12])
    back, now = _http_date(retry_after), _http_date(date)
    return None if back is None or now is None else max(0.0, (back - now).total_seconds())


def _http_date(text: str | None) -> datetime | None:
    try:
        told = parsedate_to_datetime(text) if text is not None else None
    except (ValueError, TypeError, OverflowError):
        return None
    return None if told is None else told.replace(tzinfo=UTC)  # always GMT, RFC 9110, 5.6.7


# -- the process ---------------------------------------------------------------------------------


class _Printed(io.TextIOBase):
    """Standard output, as the HTTP client prints to it."""

    def __init__(self, postman: Postman) -> None:
        self._postman = postman
        self._line = ""

    def write(self, text: str) -> int:
        *lines, self._line = (self._line + text).split("\n")
        for line in lines:
            # What cannot be read is no reason to break off a delivery.
            with contextlib.suppress(ValueError, SyntaxError):
                self._postman.conversation.printed(line)
        return len(text)


class _Logged(logging.Handler):
    """Apprise's log: it is written where a failure has just been caught."""

    def __init__(self, postman: Postman) -> None:
        super().__init__()
        self._postman = postman

    def emit(self, record: logging.LogRecord) -> None:
        error = sys.exc_info()[1]
        if error is not None:
            self._postman.conversation.failed(error)


class Postman:
    """Delivers through Apprise, a fresh object for each letter: a used one waits between."""

    def __init__(self) -> None:
        import apprise

        self._apprise = apprise
        self._asset = apprise.AppriseAsset(
            app_id="drying-room", app_desc="Drying-room monitor", app_url="", html_notify_map={}
        )
        self.conversation = Conversation()
        http.client.HTTPConnection.debuglevel = 1
        sys.stdout = _Printed(self)
        log = logging.getLogger("apprise")
        log.setLevel(logging.DEBUG)
        log.addHandler(_Logged(self))
        log.propagate = False

    def __call__(self, letter: Letter) -> Receipt:
        """Hand over one letter; any answer but success is undelivered."""
        self.conversation = Conversation()
        try:
            return self._delivered(letter)
        except Exception:  # whatever it says may hold the address
            return Receipt(False, "Apprise failed over it", unfinished=True)

    def _delivered(self, letter: Letter) -> Receipt:
        conversation = self.conversation
        service = self._apprise.Apprise.instantiate(letter.url, asset=self._asset)
        if service is None:
            return Receipt(False, "its address is not one that can be used", permanent=True)
        if letter.body is None:
            return Receipt(False, "nothing was to be delivered")
        # Too short a patience doubles messages: the service may take one, and answer late.
        service.socket_connect_timeout = CONNECT_TIMEOUT_S
        service.socket_read_timeout = letter.timeout_s
        box = self._apprise.Apprise(asset=self._asset)
        box.add(service)
        said: list[bool] = []
        sending = threading.Thread(target=lambda: said.append(self._sent(box, letter)), daemon=True)
        held_mb = resident_mb(os.getpid())
        sending.start()
        while sending.is_alive() and resident_mb(os.getpid()) < held_mb + LONGEST_ANSWER_MB:
            sending.join(0.05)
        endless = sending.is_alive()
        if endless and conversation.status is None:
            conversation.trouble = BROKEN_OFF
        late = conversation.trouble == "no answer in time"
        return conversation.receipt(said == [True], endless or late)

    def _sent(self, box: object, letter: Letter) -> bool:
        by_mail = letter.url.lower().startswith(("mailto:", "mailtos:"))
        enclosed = letter.enclosed
        result = box.notify(  # type: ignore[attr-defined]
            title=letter.title,
            body=letter.body,
            notify_type=letter.urgency,
            body_format=self._apprise.NotifyFormat.TEXT,
            timeout=letter.timeout_s,
            attach=str(enclosed) if by_mail and enclosed and enclosed.is_file() else None,
        )
        late = self._apprise.AppriseResultStatus.TIMEOUT
        if not result and any(service.status is late for service in result):
            self.conversation.failed(TimeoutError())
        return bool(result)
