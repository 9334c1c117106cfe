"""Fresh figures for open pages, as server-sent events (HTML living standard, section 9.2)."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable

from starlette.concurrency import run_in_threadpool

from monitor.edges.page import figures
from monitor.edges.page.house import House
from monitor.engine.snapshot import Snapshot

LOOK_EVERY_S = 0.4
SIGN_OF_LIFE_S = 10.0
LONGEST_S = 600.0


class Live:
    """Works out once for each snapshot what all open pages show of it."""

    def __init__(self, house: House) -> None:
        self._house = house
        self._of: Snapshot | None = None
        self._values: dict[str, str] = {}
        self._shape = ""

    def _look(self) -> tuple[dict[str, str], str]:
        snapshot = self._house.standing().snapshot
        if snapshot is not self._of:
            self._of = snapshot
            self._values = figures.fresh_values(self._house, snapshot)
            self._shape = figures.shape(snapshot)
        return self._values, self._shape

    async def events(self, welcome: Callable[[], bool]) -> AsyncIterator[str]:
        """What changes, as it changes; a sign of life where nothing does.

        It ends after a while, and the page asks anew: nobody holds a connection for good.

        welcome  whether the one who asked is still signed in
        """
        shown: dict[str, str] = {}
        shape, quiet_s = "", 0.0
        for _ in range(round(LONGEST_S / LOOK_EVERY_S)):
            if not welcome():
                return
            values, now_shape = await run_in_threadpool(self._look)
            if values is not shown or now_shape != shape:
                changed = {k: v for k, v in values.items() if shown.get(k) != v}
                shown = values
                if changed or now_shape != shape:
                    shape, quiet_s = now_shape, 0.0
                    yield _event({"shape": shape, "values": changed})
            if quiet_s >= SIGN_OF_LIFE_S:
                quiet_s = 0.0
                yield _event({"shape": shape, "values": {}})
            await asyncio.sleep(LOOK_EVERY_S)
            quiet_s += LOOK_EVERY_S


def _event(data: object) -> str:
    return f"data: {json.dumps(data, ensure_ascii=False)}\n\n"
