"""Where the sun is down, minute by minute."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import numpy.typing as npt
from astral import Observer
from astral.sun import elevation

from monitor.site.spaces import Site

_STEP_MIN = 10
# The sun's upper edge on the horizon, refraction and its half width taken in.
_HORIZON_DEG = -0.833


def nights(site: Site, begin: int, end: int) -> npt.NDArray[np.bool_]:
    """Whether the sun is down at the site, for each minute from begin to before end.

    To ten minutes: enough for a picture. Elevation of the sun by astral, without refraction.
    """
    observer = Observer(site.latitude, site.longitude)
    down = [
        elevation(observer, datetime.fromtimestamp(at * 60, UTC), with_refraction=False)
        < _HORIZON_DEG
        for at in range(begin, end, _STEP_MIN)
    ]
    return np.repeat(np.array(down, dtype=np.bool_), _STEP_MIN)[: end - begin]
