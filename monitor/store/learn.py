"""Learning from a store, in a process of its own: `python -m monitor.store.learn`.

The order comes as one line of JSON on standard input; the lessons go to standard output, one a
line, in base64. Only the store is read; who gave the order keeps what comes of it.
"""

from __future__ import annotations

import json
import sys
from base64 import b64decode, b64encode
from pathlib import Path

from monitor.ahead import lesson as learning
from monitor.ahead.features import Site as Place
from monitor.ahead.grid import History
from monitor.ahead.lesson import Lesson
from monitor.ahead.ten_minutes import Archive, on_grid
from monitor.site.spaces import OUTDOORS
from monitor.site.time import DAY_MIN
from monitor.store.connection import StoreError
from monitor.store.reader import Reader

COMMAND = [sys.executable, "-m", "monitor.store.learn"]


def order(store: Path, spaces: list[str], place: Place, until: int) -> str:
    """The order for one night.

    spaces  those that something measures
    until   nothing later than this UTC epoch minute is looked at
    """
    told = {"store": str(store), "spaces": spaces, "place": list(place), "until": until}
    return json.dumps(told, ensure_ascii=False)


def lessons(answer: str) -> list[Lesson]:
    """What the process answered."""
    kept = (learning.load(b64decode(line)) for line in answer.splitlines())
    return [lesson for lesson in kept if lesson is not None]


def past_of(archive: Archive, space: str, outdoors: bool, until: int) -> History:
    """What a space's lesson is learned from."""
    begin = until - learning.LEARNED_FROM_DAYS * DAY_MIN
    there = outdoors and space != OUTDOORS
    return on_grid(
        archive.ten_minute_means(space, begin, until),
        archive.ten_minute_means(OUTDOORS, begin, until) if there else None,
        begin,
        until,
    )


def main() -> int:
    """Read the order, learn, answer; what goes wrong is one sentence on standard error."""
    asked = json.loads(sys.stdin.readline())
    outdoors = OUTDOORS in asked["spaces"]
    try:
        with Reader(Path(asked["store"])) as reader:
            for space in asked["spaces"]:
                history = past_of(reader, space, outdoors, asked["until"])
                lesson = learning.learn(space, history, asked["until"], Place(*asked["place"]))
                if lesson is not None:
                    print(b64encode(learning.dump(lesson)).decode())
    except StoreError as error:
        print(error, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
