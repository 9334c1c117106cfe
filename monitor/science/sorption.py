"""Equilibrium moisture: what plant matter settles at when the air around it stays as it is, and the
air over wet salt, which a humidity sensor is checked against.

Moisture contents are % dry basis (kg water per 100 kg dry matter). The functions take numbers or
numpy arrays alike and broadcast.
"""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Numbers = float | Floats


def wood(temperature: Numbers, relative_humidity: Numbers) -> Floats:
    """Equilibrium moisture of wood, which stands here for stems.

    temperature        air temperature [°C], -1 to 130
    relative_humidity  [%], 0 to 100
    returns            moisture content [% dry basis]

    Hailwood and Horrobin's two-hydrate form with the coefficients of Simpson 1998, USDA Forest
    Products Laboratory, Research Note FPL-RN-0268 (Celsius).

    >>> round(float(wood(60, 55)), 1)
    8.4
    """
    t = np.asarray(temperature, dtype=np.float64)
    h = np.asarray(relative_humidity, dtype=np.float64) / 100
    w = 349 + 1.29 * t + 0.0135 * t**2
    k = 0.805 + 0.000736 * t - 2.73e-6 * t**2
    k1 = 6.27 - 0.00938 * t - 0.000303 * t**2
    k2 = 1.91 + 0.0407 * t - 0.000293 * t**2
    kh = k * h
    hydrate = k1 * kh * (1 + 2 * k2 * kh) / (1 + k1 * kh * (1 + k2 * kh))
    return np.asarray(1800 / w * (kh / (1 - kh) + hydrate))


def fine_plant_drying(temperature: Numbers, relative_humidity: Numbers) -> Floats:
    """Equilibrium moisture E_d of fine dead plant matter (grass, litter) that is losing water.

    temperature        air temperature [°C], about -10 to 40
    relative_humidity  [%], 0 to 100
    returns            moisture content [% dry basis]

    Van Wagner 1987, Canadian Forestry Service, Forestry Technical Report 35 (drying branch).

    >>> round(float(fine_plant_drying(20, 50)), 4)
    13.6884
    """
    h = np.asarray(relative_humidity, dtype=np.float64)
    return np.asarray(
        0.942 * h**0.679 + 11 * np.exp((h - 100) / 10) + _warmth(temperature, h),
    )


def fine_plant_wetting(temperature: Numbers, relative_humidity: Numbers) -> Floats:
    """Equilibrium moisture E_w of fine dead plant matter that is taking up water.

    Units, range and source as `fine_plant_drying` (wetting branch). It lies below the drying
    branch: matter between the two neither gains nor loses.

    >>> round(float(fine_plant_wetting(20, 50)), 4)
    12.0222
    """
    h = np.asarray(relative_humidity, dtype=np.float64)
    return np.asarray(
        0.618 * h**0.753 + 10 * np.exp((h - 100) / 10) + _warmth(temperature, h),
    )


def _warmth(temperature: Numbers, relative_humidity: Floats) -> Floats:
    """The term both branches share: warm matter holds less [% dry basis]."""
    t = np.asarray(temperature, dtype=np.float64)
    return np.asarray(0.18 * (21.1 - t) * (1 - np.exp(-0.115 * relative_humidity)))


def gab(relative_humidity: Numbers, monolayer: float, c: float, k: float) -> Floats:
    """Equilibrium moisture after Guggenheim, Anderson and de Boer, for who has the constants.

    relative_humidity  [%], 0 to 100
    monolayer          moisture of the first layer [% dry basis], above 0
    c, k               the curve's two constants [-], c above 0, k between 0 and 1
    returns            moisture content [% dry basis]

    Van den Berg and Bruin 1981, in: Water Activity, Academic Press (from memory).

    >>> round(float(gab(50, 7, 10, 0.85)), 3)
    10.723
    """
    ka = k * np.asarray(relative_humidity, dtype=np.float64) / 100
    return np.asarray(monolayer * c * ka / ((1 - ka) * (1 - ka + c * ka)))


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
