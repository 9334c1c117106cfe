"""The windows of a space in the settings: what lets the sun reach the rail."""

from __future__ import annotations

import math

from monitor.service.settings.names import read_name
from monitor.service.settings.tables import MISSING, Table, nearest
from monitor.site.spaces import Window

_DIRECTIONS = {
    "north": 0.0,
    "north-east": 45.0,
    "east": 90.0,
    "south-east": 135.0,
    "south": 180.0,
    "south-west": 225.0,
    "west": 270.0,
    "north-west": 315.0,
}
# key: what it is, lowest, highest [m], an example
_MEASURES = {
    "width_m": ("how wide the pane is", 0.05, 20.0, 0.8),
    "height_m": ("how high the pane is", 0.05, 20.0, 1.0),
    "lower_edge_m": ("how far its lower edge is above the rail", -20.0, 20.0, 0.3),
    "distance_m": ("how far the rail is from it", 0.0, 50.0, 1.5),
}


def read_windows(space: Table) -> tuple[Window, ...]:
    """The windows of one space, those without a problem."""
    windows: list[Window] = []
    for table in space.tables("window"):
        window = _read_window(table, [one.name for one in windows])
        if window is not None:
            windows.append(window)
    return tuple(windows)


def _read_window(table: Table, taken: list[str]) -> Window | None:
    name = read_name(table, taken, "west window")
    facing = _read_facing(table)
    measures: dict[str, float | None] = {}
    for key, (what, low, high, example) in _MEASURES.items():
        table.required(key, what, f"write {key} = {example:g}")
        measures[key] = table.number(key, None, low, high, "m", example)
    right_m = table.number("right_m", 0.0, -20, 20, "m", 0.4)
    tilt_deg = table.number("tilt_deg", 90.0, 0, 90, "degrees", 35)
    horizon = _read_horizon(table)
    table.finish()
    width, height, lower, distance = measures.values()
    if facing is None or width is None or height is None or lower is None or distance is None:
        return None
    lean = math.radians(tilt_deg)
    if distance * math.sin(lean) + lower * math.cos(lean) < 0.01:
        wrong = "the rail is not inside of this pane"
        expected = "a rail below a roof light, or some way from a window, was expected"
        table.problem("distance_m", wrong, expected, "mend distance_m or lower_edge_m")
        return None
    return Window(name, facing, width, height, lower, distance, right_m, tilt_deg, horizon)


def _read_facing(table: Table) -> float | None:
    expected = "degrees of the compass from 0 to 360, or a word such as south-west"
    write = "facing = 225"
    if not table.required("facing", f"where it looks to, in {expected},", f"write {write}"):
        table.take("facing")
        return None
    value = table.take("facing")
    if isinstance(value, str):
        if value in _DIRECTIONS:
            return _DIRECTIONS[value]
        near = nearest(value, list(_DIRECTIONS))
        table.refuse("facing", value, expected, f'facing = "{near}"')
        return None
    if type(value) not in (int, float) or not 0 <= value <= 360:
        table.refuse("facing", value, expected, write)
        return None
    return float(value)


def _read_horizon(table: Table) -> tuple[tuple[float, float], ...]:
    """Hills and houses: pairs of a compass direction and a height, in degrees."""
    value = table.take("horizon")
    if value is MISSING:
        return ()
    if isinstance(value, list) and all(_is_point(one) for one in value):
        return tuple((float(at), float(height)) for at, height in value)
    expected = "pairs of a compass direction (0 to 360) and a height (0 to 90), in degrees,"
    table.refuse("horizon", value, expected, "horizon = [[200, 5], [250, 12]]")
    return ()


def _is_point(value: object) -> bool:
    if not isinstance(value, list) or len(value) != 2:
        return False
    at, height = value
    numbers = type(at) in (int, float) and type(height) in (int, float)
    return bool(numbers and 0 <= at <= 360 and 0 <= height <= 90)
