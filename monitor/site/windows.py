"""A window or roof light, as somebody measures it from the rail with a tape and a compass."""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Window:
    """A window or roof light as seen from the rail.

    facing_deg     compass direction it looks to [°]
    width_m, height_m  of the pane; a roof light's height along its slope [m]
    lower_edge_m   above the rail, below it negative [m]
    distance_m     level, from the rail to the lower edge [m]
    right_m        of its middle, to the right of straight ahead [m]
    tilt_deg       from lying flat: 90 upright, a roof light less [°]
    horizon        (compass direction, height) of hills and houses [°]; between two, on the line
    """

    name: str
    facing_deg: float
    width_m: float
    height_m: float
    lower_edge_m: float
    distance_m: float
    right_m: float = 0.0
    tilt_deg: float = 90.0
    horizon: tuple[tuple[float, float], ...] = ()

    def moved(self, right_m: float) -> Window:
        """The same window seen from so far to the right along the rail [m]."""
        return replace(self, right_m=self.right_m - right_m)
