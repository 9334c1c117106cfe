"""Memory that is let go of between what is kept goes back to the system."""

from __future__ import annotations

import subprocess
import sys

GAPS = """
import os
from monitor.edges.memory import give_back

def resident_mb():
    with open("/proc/self/statm") as told:
        return int(told.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6

blocks = [b"x" * 60_000 for _ in range(500)]
del blocks[::2]
before = resident_mb()
give_back()
print(before - resident_mb())
"""


def test_pages_between_what_is_kept_are_given_back() -> None:
    done = subprocess.run([sys.executable, "-c", GAPS], capture_output=True, text=True, check=True)
    assert float(done.stdout) > 10, "of the 15 MB that lie in gaps"
