"""What the pages of the notices and of the weeks tell: plain values for the templates."""

from __future__ import annotations

from typing import Any

from monitor.edges.page.house import House
from monitor.engine.snapshot import Snapshot
from monitor.site.kinds import Kind
from monitor.site.time import DAY_MS, HOUR_MS
from monitor.site.words import count, when
from monitor.store.queries import NoticeSent, Reader

Told = dict[str, Any]

NOTICES_DAYS = 30
LATELY_H = 24  # older notices are folded away


def notices(house: House, snapshot: Snapshot) -> Told:
    """What was sent, whether it arrived, and what was done about it."""
    from_ms = snapshot.now_ms - NOTICES_DAYS * DAY_MS
    with Reader(house.store) as reader:
        rows = list(reader.notices(from_ms))
    grouped: dict[int, list[NoticeSent]] = {}
    for row in rows:
        grouped.setdefault(row.number, []).append(row)
    told = [_notice(house, snapshot, group) for group in reversed(grouped.values())]
    lately_ms = snapshot.now_ms - LATELY_H * HOUR_MS
    return {
        "notices": [n for n in told if n["made_ms"] >= lately_ms],
        "earlier": [n for n in told if n["made_ms"] < lately_ms],
        "unseen": sum(not n["seen"] and n["weight"] != "note" for n in told),
    }


def _notice(house: House, snapshot: Snapshot, group: list[NoticeSent]) -> Told:
    first, zone, now_ms = group[0], house.site.timezone, snapshot.now_ms
    kind = first.notice.kind
    going_on = {(s.kind.value, s.space, s.sensor) for s in snapshot.going_on}
    newest = snapshot.notices.get(first.number)
    seen_ms = newest.seen_ms if newest else first.seen_ms
    paused_ms = newest.paused_until_ms if newest else first.paused_until_ms
    return {
        "number": first.number,
        "made_ms": first.notice.made_ms,
        "made": when(first.notice.made_ms, now_ms, zone),
        "dye": Kind(kind).row.dye if kind in tuple(Kind) else "",
        "weight": first.notice.weight.value,
        "title": first.notice.title,
        "body": first.notice.body,
        "place": first.notice.place,
        "kind": first.notice.kind,
        "space": first.notice.space or "",
        "can_pause": (kind, first.notice.space, first.notice.sensor) in going_on,
        "seen": None if seen_ms is None else when(seen_ms, now_ms, zone),
        "paused": _paused(paused_ms, now_ms, zone),
        "deliveries": [_arrived(d, now_ms, zone) for d in group],
    }


def _paused(until_ms: int | None, now_ms: int, zone: str) -> str | None:
    if until_ms is None or until_ms <= now_ms:
        return None
    far = until_ms > now_ms + 400 * DAY_MS
    return "until this spell is over" if far else f"until {when(until_ms, now_ms, zone)}"


def _arrived(delivery: NoticeSent, now_ms: int, zone: str) -> str:
    if delivery.address is None:
        return "kept for the digest; nobody was written to"
    if delivery.sent_ms is not None:
        return f"reached {delivery.address} {when(delivery.sent_ms, now_ms, zone)}"
    if delivery.failure:
        tries = count(delivery.tries, "try", "tries")
        return f"has not reached {delivery.address} after {tries}: {delivery.failure}"
    return f"waits to be sent to {delivery.address}"


def weeks(house: House, snapshot: Snapshot) -> Told:
    """The weekly reports."""
    with Reader(house.store) as reader:
        kept = reader.reports()
    zone = house.site.timezone
    return {
        "weeks": [
            {"week": r.week, "made": when(r.made_ms, snapshot.now_ms, zone), "text": r.text}
            for r in kept
        ]
    }
