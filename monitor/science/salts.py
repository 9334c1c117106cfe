"""The air over wet salt: what a humidity sensor is checked against."""

from __future__ import annotations

from enum import StrEnum

import numpy as np


class Salt(StrEnum):
    """The salts; in the kitchen's and the winter road's words."""

    TABLE = "table salt"
    MAGNESIUM = "magnesium chloride"


# As an entry names them.
SALTS = {"table": Salt.TABLE, "magnesium": Salt.MAGNESIUM}

# Greenspan 1977, J. Res. NBS 81A(1), 89: °C, % relative humidity, its uncertainty [%].
_GREENSPAN: dict[Salt, tuple[tuple[float, float, float], ...]] = {
    Salt.TABLE: ((15, 75.61, 0.18), (20, 75.47, 0.14), (25, 75.29, 0.12), (30, 75.09, 0.11)),
    Salt.MAGNESIUM: ((15, 33.30, 0.21), (20, 33.07, 0.18), (25, 32.78, 0.16), (30, 32.44, 0.14)),
}


def salt_humidity(salt: Salt, temperature_c: float) -> tuple[float, float]:
    """Relative humidity over wet salt, and its uncertainty [%].

    temperature_c  [°C], 15 to 30
    raises         ValueError outside it

    Greenspan 1977, Journal of Research of the National Bureau of Standards 81A(1), table 2.

    >>> salt_humidity(Salt.TABLE, 20)
    (75.47, 0.14)
    """
    if not 15 <= temperature_c <= 30:
        raise ValueError(
            f"it is {temperature_c:.1f} °C in the vessel; the salt's humidity is known from 15 to "
            "30 °C: stand it indoors"
        )
    t, rh, u = (np.array(column) for column in zip(*_GREENSPAN[salt], strict=True))
    return float(np.interp(temperature_c, t, rh)), float(np.interp(temperature_c, t, u))
