"""How moisture moves towards its equilibrium, and how fast this air lets it.

Moisture contents are % dry basis unless the name says otherwise. All functions take numbers or
numpy arrays alike and broadcast.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Numbers = float | Floats

_NEVER_QUITE = 1e-12  # a moisture ratio is held above this, so that its logarithm stays finite


def dry_basis_pct(wet_basis_pct: Numbers) -> Floats:
    """Water per dry matter [%] from water per whole [%, 0 to below 100]: M = w / (1 - w).

    >>> round(float(dry_basis_pct(11.5)), 4)
    12.9944
    """
    w = np.asarray(wet_basis_pct, dtype=np.float64)
    return np.asarray(100 * w / (100 - w))


def wet_basis_pct(dry_basis_pct: Numbers) -> Floats:
    """Water per whole [%] from water per dry matter [%, 0 and up]: w = M / (1 + M).

    >>> float(wet_basis_pct(400.0))
    80.0
    """
    m = np.asarray(dry_basis_pct, dtype=np.float64)
    return np.asarray(100 * m / (100 + m))


def lewis_step(moisture: Numbers, equilibrium: Numbers, rate: Numbers, hours: Numbers) -> Floats:
    """Moisture after `hours` of constant air, falling or rising exponentially.

    moisture, equilibrium  [% dry basis]
    rate                   [1/h]
    hours                  [h]
    returns                [% dry basis]; exact in constant air, so two half steps are one whole

    Lewis 1921, J. Ind. Eng. Chem. 13(5) 427-432, in its differential form.

    >>> round(float(lewis_step(100.0, 0.0, 0.02, 48.0)), 4)
    38.2893
    """
    gap = np.asarray(moisture) - equilibrium
    return np.asarray(equilibrium + gap * np.exp(-np.asarray(rate) * hours))


def page_step(
    moisture: Numbers,
    start: Numbers,
    equilibrium: Numbers,
    rate: Numbers,
    exponent: Numbers,
    hours: Numbers,
) -> Floats:
    """Moisture after `hours` of constant air on Page's curve, exp(-(rate · t)^exponent).

    moisture     now, between equilibrium and start [% dry basis]
    start        when the curve began [% dry basis]
    equilibrium  [% dry basis]
    rate         [1/h]: Page's own k is rate^exponent
    exponent     [-], about 0.8 to 1.2; 1 is Lewis
    hours        [h]
    returns      [% dry basis]; exact in constant air, so two half steps are one whole

    Page 1949, M.S. thesis, Purdue University. In changing air by equivalent time: the time at
    which this air would have brought the start to the moisture now, then `hours` more.

    >>> round(float(page_step(100.0, 100.0, 0.0, 0.02 ** (1 / 1.1), 1.1, 48.0)), 4)
    24.3211
    """
    whole = np.maximum(start, moisture) - equilibrium
    gone = (np.asarray(moisture) - equilibrium) / whole
    ratio = np.minimum(np.maximum(gone, _NEVER_QUITE), 1.0)  # a third faster than np.clip
    spent = (-np.log(ratio)) ** (1 / np.asarray(exponent))
    return np.asarray(equilibrium + whole * np.exp(-((spent + rate * hours) ** exponent)))


def fine_plant_rate(
    temperature: Numbers, relative_humidity: Numbers, wind_km_h: float = 0.0
) -> Floats:
    """How fast fine dead plant matter follows the air [log10 units per hour].

    temperature        air temperature [°C]
    relative_humidity  [%], 0 to 100 while losing water; hand in 100 minus it while taking up
    wind_km_h          open wind at 10 m [km/h]; leave 0 indoors
    returns            k in m = E + (m0 - E) 10^(-k t) [1/h]

    Van Wagner 1977, Canadian Forestry Service, Information Report PS-X-69, as in 1987, Forestry
    Technical Report 35.

    >>> round(float(fine_plant_rate(20, 50)), 6)
    0.035263
    """
    h = np.asarray(relative_humidity, dtype=np.float64) / 100
    dries = 0.424 * (1 - h**1.7)
    if wind_km_h > 0:
        dries = dries + 0.0694 * np.sqrt(wind_km_h) * (1 - h**8)
    return np.asarray(0.0579 * np.exp(0.0365 * np.asarray(temperature)) * dries)


def rate_factor(temperature: Numbers, relative_humidity: Numbers) -> Floats:
    """How fast this still air dries, relative to 20 °C and 50 % [-].

    temperature        [°C]
    relative_humidity  [%], 0 to 100; 100 minus it for taking up water
    returns            1 at 20 °C and 50 %

    Ratio of `fine_plant_rate`; only the ratio is used, since flowers are far slower.

    >>> round(float(rate_factor(20, 80)), 3)
    0.456
    """
    return np.asarray(fine_plant_rate(temperature, relative_humidity) / _REFERENCE_RATE)


def saturation_kpa(temperature: Numbers) -> Floats:
    """Saturation vapour pressure over liquid water [kPa] at a temperature [°C, 0 to 50].

    Tetens' form of Allen et al. 1998, FAO Irrigation and Drainage Paper 56, eq. 11. For whole
    arrays in a ratio; stored values come from `moist_air`.

    >>> round(float(saturation_kpa(24.5)), 3)
    3.075
    """
    t = np.asarray(temperature, dtype=np.float64)
    return np.asarray(0.6108 * np.exp(17.27 * t / (t + 237.3)))


def deficit_factor(temperature: Numbers, relative_humidity: Numbers) -> Floats:
    """Vapour-pressure deficit relative to that at 20 °C and 50 % [-].

    temperature        [°C]
    relative_humidity  [%], 0 to 100
    returns            1 at 20 °C and 50 %

    The other common view of how air dries: in proportion to its pull on the water.

    >>> round(float(deficit_factor(15, 60)), 3)
    0.583
    """
    h = np.asarray(relative_humidity, dtype=np.float64) / 100
    return np.asarray(saturation_kpa(temperature) * (1 - h) / _REFERENCE_DEFICIT_KPA)


_REFERENCE_RATE = float(fine_plant_rate(20.0, 50.0))
_REFERENCE_DEFICIT_KPA = float(saturation_kpa(20.0)) * 0.5
