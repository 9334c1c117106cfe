"""When something happened, as people write it."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from monitor.entries.admission import FUTURE_ALLOWED_MS
from monitor.entries.entries import RequestError
from monitor.site.time import epoch_ms_of, local_day

_EXAMPLES = '"2026-07-04 08:30", "08:30" or "yesterday 18:00"'
_DAY_AND_HOUR = re.compile(r"(?:(today|yesterday)\s+)?(\d{1,2}):(\d\d)", re.ASCII)
_DATE_ALONE = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)


def read_time(text: str, now_ms: int | None, zone: ZoneInfo) -> int:
    """UTC epoch ms of a time as people write it; without an offset it is the zone's.

    now_ms  the present; None: only full dates are taken, and none is too late
    raises  RequestError for the field "at"
    """
    text = " ".join(text.split())
    relative = _DAY_AND_HOUR.fullmatch(text.lower())
    if text.lower() == "now" and now_ms is not None:
        return now_ms
    if relative is None:
        return _not_future(_full(text, zone), text, now_ms)
    if now_ms is None:
        raise _error(f'"{text}" needs its date here, for example "2026-07-04 {text.split()[-1]}"')
    day = local_day(now_ms, zone)
    if relative[1] == "yesterday":
        day -= timedelta(days=1)
    at_ms = _of_zone(datetime.combine(day, _hour(relative, text)), zone)
    if relative[1] is None and at_ms > now_ms + FUTURE_ALLOWED_MS:
        raise _error(f'{text} is still to come today; for the day before write "yesterday {text}"')
    return _not_future(at_ms, text, now_ms)


def _hour(found: re.Match[str], text: str) -> time:
    try:
        return time(int(found[2]), int(found[3]))
    except ValueError:
        raise _error(f'"{text}" is no time of day; hours go from 00:00 to 23:59') from None


def _full(text: str, zone: ZoneInfo) -> int:
    if _DATE_ALONE.fullmatch(text):
        raise _error(f'"{text}" needs its hour too, for example "{text} 08:30"')
    try:
        told = datetime.fromisoformat(text)
    except ValueError:
        raise _error(f'"{text}" is no time; write it as {_EXAMPLES}') from None
    if not date(2000, 1, 1) <= told.date() < date(2200, 1, 1):
        raise _error(f"the year {told.year} cannot be meant; write it as {_EXAMPLES}")
    return _of_zone(told, zone) if told.tzinfo is None else epoch_ms_of(told)


def _of_zone(local: datetime, zone: ZoneInfo) -> int:
    """Epoch ms of a wall-clock time; one that never was, or came twice, is not guessed."""
    first, second = (local.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.utcoffset() == second.utcoffset():
        return epoch_ms_of(first)
    shown = local.strftime("%Y-%m-%d %H:%M")
    back = first.astimezone(UTC).astimezone(zone)
    if back.replace(tzinfo=None) != local:
        raise _error(
            f"{shown} never was in {zone.key}: the clocks went forward over it; "
            f"by the new time it is {back.strftime('%H:%M')}"
        )
    raise _error(
        f"{shown} came twice in {zone.key}: the clocks went back; write "
        f'"{first.isoformat(" ", "minutes")}" for the first or '
        f'"{second.isoformat(" ", "minutes")}" for the second'
    )


def _not_future(at_ms: int, text: str, now_ms: int | None) -> int:
    if now_ms is not None and at_ms > now_ms + FUTURE_ALLOWED_MS:
        raise _error(f"{text} lies in the future; give the time it happened")
    return at_ms


def _error(sentence: str) -> RequestError:
    return RequestError(sentence, "at")
