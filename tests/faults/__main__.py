"""Every fault at its full size, with its figures: python -m tests.faults [NAME ...].

Takes about an hour. The clock, the disk and what must not start beside the store have one
size only: python -m pytest tests/faults
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from tests.faults import (
    test_broker,
    test_damaged,
    test_flat,
    test_flood,
    test_killed,
    test_long,
    test_mangled,
    test_phone,
    test_reports,
    test_restarts,
    test_torn_store,
)
from tests.faults.conftest import Shim, build_shim

KILLS, GAP_S, DAYS, COMMITS, PLACES = 200, 60.0, 30, 300, 2000


def long(folder: Path) -> str:
    shim = Shim(build_shim(folder), folder)
    return test_long.run(folder, shim, test_long.FULL_DAYS, 12.0)


def torn(folder: Path) -> str:
    tried = test_torn_store.run(Shim(build_shim(folder), folder), folder, COMMITS, PLACES)
    return f"{tried:,} places tried in {COMMITS} commits, all whole, every commit there"


FAULTS: dict[str, Callable[[Path], str]] = {
    "killed": lambda folder: test_killed.run(folder, KILLS),
    "broker": lambda folder: test_broker.run(folder, ("cut", "stall", "drop"), GAP_S),
    "phone": lambda folder: test_phone.run(folder, comes_back=True),
    "torn": torn,
    "mangled": lambda folder: test_mangled.run(folder, test_mangled.FULL_CASES, 2),
    "damaged": lambda folder: test_damaged.run(folder, test_damaged.FULL_PLACES),
    "flood": lambda folder: test_flood.run(folder, test_flood.FULL_SECONDS),
    "long": long,
    "restarts": lambda folder: test_restarts.run(folder, test_restarts.FULL_RESTARTS),
    "reports": lambda folder: test_reports.run(folder, test_reports.FULL_KILLS),
    "flat": lambda folder: test_flat.run(folder, DAYS),
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help=", ".join(FAULTS))
    names = parser.parse_args().names or list(FAULTS)
    for name in names:
        if name not in FAULTS:
            parser.error(f"{name} is not known; there are {', '.join(FAULTS)}")
    for name in names:
        with tempfile.TemporaryDirectory(prefix=f"fault-{name}-") as folder:
            began = time.monotonic()
            figures = FAULTS[name](Path(folder))
            print(f"{name}: {figures} ({time.monotonic() - began:.0f} s)", flush=True)


if __name__ == "__main__":
    main()
