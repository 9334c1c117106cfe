"""How much light a colour bears before it is seen to fade."""

from __future__ import annotations

import math

# Light dose to a just noticeable fade [Mlx·h] of the ISO blue-wool references 1 to 8.
# Without ultraviolet: reference 1 (0.4) and 8 (900) after Michalski 1990 as quoted by the CAMEO
# database of the Museum of Fine Arts Boston; 2 to 7, and all with ultraviolet, from memory of
# CIE 157:2004.
_WITHOUT_UV = (0.4, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0, 900.0)
_WITH_UV = (0.22, 0.6, 1.5, 3.5, 8.0, 20.0, 50.0, 120.0)

DAYS_A_MONTH = 365.25 / 12


def dose_to_fade(blue_wool: float, *, ultraviolet: bool) -> float:
    """Light a colour of this class takes to a just noticeable fade.

    blue_wool    sensitivity as a blue-wool reference [-], 1 (fades first) to 8; between two
                 references the dose is interpolated on its logarithm
    ultraviolet  true in sun or by open daylight, false behind glass or lamplight
    returns      [lx·h]
    raises       ValueError if the class is outside 1 to 8

    >>> dose_to_fade(1, ultraviolet=False)
    400000.0
    """
    if not 1 <= blue_wool <= 8:
        raise ValueError(f"blue wool class is {blue_wool}; expected 1 to 8")
    doses = _WITH_UV if ultraviolet else _WITHOUT_UV
    below = min(int(blue_wool), 7)
    low, high = doses[below - 1], doses[below]
    return 1e6 * low * math.pow(high / low, blue_wool - below)


def share_of_colour_used(dose_lx_h: float, blue_wool: float, *, ultraviolet: bool) -> float:
    """Light dose so far as a share of what the colour bears [-], 1 at a noticeable fade.

    Dose alone counts, not how bright the light was (reciprocity: 100 lx for 5 h = 50 lx for 10 h).

    >>> share_of_colour_used(100_000, 1, ultraviolet=False)
    0.25
    """
    return dose_lx_h / dose_to_fade(blue_wool, ultraviolet=ultraviolet)


def months_of_colour_left(
    dose_lx_h: float, daily_dose_lx_h: float, blue_wool: float, *, ultraviolet: bool
) -> float | None:
    """Months until a noticeable fade if each day brings as much light as now.

    dose_lx_h        light dose so far [lx·h]
    daily_dose_lx_h  light dose of a day [lx·h]
    blue_wool        sensitivity class [-], 1 to 8
    returns          [months], 0 when it is already past; None in the dark, where no light fades it

    >>> round(months_of_colour_left(0, 200 * 10, 1, ultraviolet=False), 1)
    6.6
    """
    if daily_dose_lx_h <= 0:
        return None
    left = max(dose_to_fade(blue_wool, ultraviolet=ultraviolet) - dose_lx_h, 0.0)
    return left / daily_dose_lx_h / DAYS_A_MONTH
