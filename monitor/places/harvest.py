"""How long a fresh harvest would take in a space's air, from the book and finished batches."""

from __future__ import annotations

import numpy as np

from monitor.drying.air_to_come import HORIZON_DAYS, like_recent_days, usual_day
from monitor.drying.crisp_day import LIKELY, when_crisp
from monitor.drying.ensemble import begin
from monitor.drying.hours import HourlyAir
from monitor.drying.members import Hung, Prior
from monitor.places.plan import DaysToCrisp
from monitor.site.flowers import Flower


def days_to_crisp(flower: Flower, stems: int | None, now_minute: int, prior: Prior) -> DaysToCrisp:
    """The days a harvest of this flower takes, as a function of a space's mean air.

    now_minute  [UTC epoch minutes]; it only fixes what is drawn
    returns     (temperature [°C], humidity [%]) → days as (p10, p50, p90), at most HORIZON_DAYS;
                None where it is likelier than not that it never gets crisp in such air
    """
    fresh = begin(Hung(f"harvest of {flower.key}", now_minute, flower, stems), prior)
    hours = np.arange(fresh.hour - 24, fresh.hour, dtype=np.int64)

    def days(temperature_c: float, humidity_pct: float) -> tuple[float, float, float] | None:
        day = HourlyAir(
            hours,
            np.full(24, temperature_c),
            np.full(24, min(humidity_pct, 98.0)),
            np.ones(24),
        )
        took = (
            when_crisp(fresh, like_recent_days(fresh, usual_day(day, fresh.hour))) - fresh.hour
        ) / 24
        if np.isfinite(took).mean() < LIKELY:
            return None
        took = np.where(np.isfinite(took), took, HORIZON_DAYS)
        low, middle, high = np.quantile(took, (0.1, 0.5, 0.9), axis=0)
        return float(low), float(middle), float(high)

    return days
