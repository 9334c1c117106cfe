"""What this process let go of, back to the system at once."""

from __future__ import annotations

import ctypes

# glibc's alone: others have no such call, and are left as they are.
_trim = getattr(ctypes.CDLL(None), "malloc_trim", None)


def give_back() -> None:
    """Free the pages between what is in use.

    Each look at the hours ahead leaves some 1.3 MB of them; it takes a third of a millisecond.
    """
    if _trim is not None:
        _trim(0)
