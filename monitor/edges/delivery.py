"""A process of its own that hands messages to Apprise, and ends.

Apprise and what it loads would stay in the daemon's memory for good; a process gives it back.
Apprise also answers only yes or no, so this process listens beneath it: to every answer that comes
through requests, and to every refusal that comes through smtplib. That is patched in this process
alone, where nothing else runs.

One line of JSON in, one line out, until the input ends:

    {"url": "...", "title": "...", "body": "...", "timeout_s": 20}   deliver it; by mail, a file
                                                                     "enclosed" goes along
    {"url": "..."}                                                   only say whether it is one

An address is a secret. It comes by the pipe, and no answer ever holds any of it: reasons are made
of the fixed words below and the number that the service answered with.
"""

from __future__ import annotations

import ctypes
import json
import os
import signal
import sys
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any

# Refused for a reason that will not go away by asking again. A 4xx that tells when to come back
# is no refusal, nor are these: too slow, too early, too many.
COME_BACK_STATUS = frozenset({408, 421, 425, 429})
CONNECT_TIMEOUT_S = 10.0
BROKEN_OFF = "the answer broke off or made no sense"


@dataclass
class Heard:
    """What a service let us hear in one delivery.

    status         HTTP status, or SMTP reply code
    retry_after_s  when it said to come back [s from its answer]
    trouble        what went wrong instead of an answer, in fixed words
    """

    status: int | None = None
    by_mail: bool = False
    retry_after_s: float | None = None
    trouble: str | None = None

    def answer(self, delivered: bool) -> Answer:
        """The answer to give to the sender."""
        if delivered:
            return Answer(True, f"the service took it{_number(self.status)}")
        if self.trouble is not None:
            return Answer(False, self.trouble)
        return Answer(
            delivered=False,
            reason=self._reason(),
            permanent=self._permanent(),
            retry_after_s=self.retry_after_s,
            answered=self.status is not None,
        )

    def _permanent(self) -> bool:
        if self.status is None or self.retry_after_s is not None:
            return False
        if self.by_mail:  # RFC 5321, 4.2.1: 5yz is permanent, 4yz is not
            return self.status >= 500
        return 400 <= self.status < 500 and self.status not in COME_BACK_STATUS

    def _reason(self) -> str:
        if self.status is None:
            return "the service did not take it, and did not say why"
        if self._permanent():
            return f"the service refused it{_number(self.status)}"
        if self.status == 429 or self.retry_after_s is not None:
            return f"the service asks to come back later{_number(self.status)}"
        return f"the service could not take it{_number(self.status)}"


@dataclass(frozen=True)
class Answer:
    """What became of one message.

    reason     fixed words and the service's number
    permanent  asking again will not help
    answered   it was refused by the service itself, not by the way there
    """

    delivered: bool
    reason: str
    permanent: bool = False
    retry_after_s: float | None = None
    answered: bool = False


def _number(status: int | None) -> str:
    return "" if status is None else f" ({status})"


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
    if retry_after.strip().isdecimal():
        return float(retry_after)
    back, now = _http_date(retry_after), _http_date(date)
    return None if back is None or now is None else max(0.0, (back - now).total_seconds())


def _http_date(text: str | None) -> datetime | None:
    try:
        told = parsedate_to_datetime(text) if text is not None else None
    except ValueError:
        return None
    return None if told is None else told.replace(tzinfo=UTC)  # always GMT, RFC 9110, 5.6.7


# --- listening beneath Apprise --------------------------------------------------------------


def listen_to_http(heard: Callable[[], Heard]) -> None:
    """Note every answer and every failure of requests in this process."""
    from requests import exceptions
    from requests.adapters import HTTPAdapter
    from urllib3.exceptions import ProtocolError

    send = HTTPAdapter.send

    def listening(self: Any, *args: Any, **kwargs: Any) -> Any:
        note = heard()
        try:
            response = send(self, *args, **kwargs)
        except exceptions.Timeout:
            note.trouble = "no answer in time"
            raise
        except exceptions.SSLError:
            note.trouble = "its certificate is not trusted"
            raise
        except exceptions.ConnectionError as failure:
            garbled = bool(failure.args) and isinstance(failure.args[0], ProtocolError)
            note.trouble = BROKEN_OFF if garbled else "no connection"
            raise
        note.trouble, note.status = None, response.status_code
        headers = response.headers
        note.retry_after_s = seconds_to_wait(headers.get("Retry-After"), headers.get("Date"))
        return response

    HTTPAdapter.send = listening  # type: ignore[method-assign]


def listen_to_mail(heard: Callable[[], Heard]) -> None:
    """Note every refusal and every failure of smtplib in this process."""
    import smtplib  # the daemon, which imports this file too, has no use for it

    def listened(method: Callable[..., Any]) -> Callable[..., Any]:
        def listening(self: Any, *args: Any, **kwargs: Any) -> Any:
            note = heard()
            note.by_mail = True
            try:
                return method(self, *args, **kwargs)
            except smtplib.SMTPRecipientsRefused as refused:
                note.status = min(code for code, _ in refused.recipients.values())
                raise
            except smtplib.SMTPResponseException as refused:
                note.status = refused.smtp_code if refused.smtp_code >= 400 else None
                raise
            except smtplib.SMTPServerDisconnected as lost:
                late = isinstance(lost.__context__, TimeoutError)
                note.trouble = "no answer in time" if late else BROKEN_OFF
                raise
            except smtplib.SMTPException:
                raise
            except UnicodeError:
                note.trouble = BROKEN_OFF
                raise
            except TimeoutError:
                note.trouble = "no answer in time"
                raise
            except OSError:
                note.trouble = "no connection"
                raise

        return listening

    for name in ("__init__", "login", "sendmail"):
        setattr(smtplib.SMTP, name, listened(getattr(smtplib.SMTP, name)))


# --- the process ----------------------------------------------------------------------------


class Postman:
    """Delivers through Apprise, a fresh object for each message: a used one waits between."""

    def __init__(self) -> None:
        import apprise

        self._apprise = apprise
        self._asset = apprise.AppriseAsset(
            app_id="drying-room", app_desc="Drying-room monitor", app_url="", html_notify_map={}
        )
        self._heard = Heard()
        listen_to_http(lambda: self._heard)
        listen_to_mail(lambda: self._heard)

    def knows(self, url: str) -> bool:
        """Whether this is an address at all."""
        return self._apprise.Apprise.instantiate(url, asset=self._asset) is not None

    def deliver(
        self, url: str, title: str, body: str, timeout_s: float, enclosed: str = ""
    ) -> Answer:
        """Hand over one message; any answer but success is undelivered.

        A file goes along by mail alone: other services would keep it with strangers.
        """
        self._heard = heard = Heard()
        service = self._apprise.Apprise.instantiate(url, asset=self._asset)
        if service is None:
            return Answer(False, "its address is not one that can be used", permanent=True)
        # Too short a patience doubles messages: the service may take one, and answer late.
        service.socket_connect_timeout = CONNECT_TIMEOUT_S
        service.socket_read_timeout = timeout_s
        box = self._apprise.Apprise(asset=self._asset)
        box.add(service)
        by_mail = url.lower().startswith(("mailto:", "mailtos:"))
        result = box.notify(
            title=title,
            body=body,
            body_format=self._apprise.NotifyFormat.TEXT,
            timeout=timeout_s,
            attach=enclosed if by_mail and os.path.isfile(enclosed) else None,
        )
        if not result and any(
            service.status is self._apprise.AppriseResultStatus.TIMEOUT for service in result
        ):
            heard.trouble = heard.trouble or "no answer in time"
        return heard.answer(bool(result))


def end_with(asker: int) -> None:
    """Be killed the moment who asks is gone, even in the middle of a delivery.

    Nobody would note what was delivered then: it would come twice.
    """
    if sys.platform == "linux":  # prctl(2), PR_SET_PDEATHSIG
        ctypes.CDLL(None).prctl(1, signal.SIGKILL)
    if os.getppid() != asker:
        os._exit(0)


def main() -> None:
    """Answer each line of the input with one, then end at once, whatever still hangs.

    The argument is the process id of who asks.
    """
    end_with(int(sys.argv[1]))
    postman = Postman()
    for line in sys.stdin:
        asked = json.loads(line)
        if "body" in asked:
            answer = asdict(postman.deliver(**asked))
        else:
            answer = {"known": postman.knows(asked["url"])}
        sys.stdout.write(json.dumps(answer) + "\n")
        sys.stdout.flush()
    os._exit(0)  # a service that never answered may still hold a thread


if __name__ == "__main__":
    main()
