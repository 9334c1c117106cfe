"""The page in a process of its own: python -m monitor.service.page, started by the monitor."""

from __future__ import annotations

from collections.abc import Mapping
from zoneinfo import ZoneInfo

from monitor.edges.page.house import PageOrder
from monitor.edges.page.server import serve
from monitor.entries.entries import Request
from monitor.service.requests import parse_form


def _parse(order: PageOrder, form: Mapping[str, str], now_ms: int) -> Request:
    return parse_form(form, now_ms, ZoneInfo(order.site.timezone))


if __name__ == "__main__":
    serve(_parse)
