"""The readings of a space → one minute of air."""

from __future__ import annotations

from typing import NamedTuple


class MinuteOfAir(NamedTuple):
    """A space's air in one minute; what is not known is None.

    minute                   UTC epoch minutes, the minute's beginning
    relative_humidity_pct    over liquid water, also below 0 °C
    dew_point_c              the frost point below 0 °C
    surface_margin_k         coldest surface less dew point, worst sensor [K]
    readings                 good readings in this minute; 0: held from before
    """

    minute: int
    space: str
    temperature_c: float | None
    relative_humidity_pct: float | None
    illuminance_lx: float | None
    dew_point_c: float | None
    vpd_kpa: float | None
    humidity_ratio_g_kg: float | None
    absolute_humidity_g_m3: float | None
    surface_margin_k: float | None
    readings: int

    @property
    def drying_load_kpa_h(self) -> float | None:
        """This minute's share of ∫ VPD dt [kPa·h]."""
        return None if self.vpd_kpa is None else self.vpd_kpa / 60

    @property
    def light_dose_lx_h(self) -> float | None:
        """This minute's share of ∫ illuminance dt [lx·h]."""
        return None if self.illuminance_lx is None else self.illuminance_lx / 60
