"""The spaces of the settings: what each is for, and its limits."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from typing import Any

from monitor.service.settings.tables import MISSING, TomlTable, nearest, read_name
from monitor.site.spaces import MUSTY_INDEX, OUTDOORS, Delays, Limits, Space, Use, Window

_USES = [use.value for use in Use if use is not Use.OUTDOORS]

# What holds where the settings are silent: our own choice, and every one can be set.
DEFAULT_LIMITS: dict[Use, Limits] = {
    Use.HANGING: Limits(
        hot_c=32.0,
        cold_c=5.0,
        damp_pct=75.0,
        damp_now_pct=85.0,
        arid_once_crisp_pct=35.0,
        sun_lux=3000.0,
        dew_margin_k=1.0,
        light_klxh_a_day=5.0,
        musty_index=MUSTY_INDEX,
    ),
    Use.STORING: Limits(
        hot_c=28.0,
        cold_c=2.0,
        damp_pct=60.0,
        damp_now_pct=65.0,
        arid_pct=35.0,
        sun_lux=100.0,
        dew_margin_k=1.0,
        light_klxh_a_day=0.2,
        musty_index=MUSTY_INDEX,
        damp_is_daily_mean=True,
    ),
    Use.SHOWING: Limits(
        hot_c=30.0,
        damp_pct=65.0,
        arid_pct=35.0,
        sun_lux=1500.0,
        dew_margin_k=1.0,
        light_klxh_a_day=2.0,
        musty_index=MUSTY_INDEX,
    ),
    Use.OUTDOORS: Limits(),
}
DEFAULT_DELAYS: dict[Use, Delays] = {
    Use.HANGING: Delays(),
    Use.STORING: Delays(sunny=30),
    Use.SHOWING: Delays(damp=720, sunny=30),
    Use.OUTDOORS: Delays(),
}


def read_spaces(root: TomlTable) -> dict[str, Space]:
    """The spaces by name; outdoors is always among them."""
    spaces: dict[str, Space] = {}
    for table in root.tables("space"):
        space = _read_space(table, list(spaces))
        if space.name:
            spaces[space.name] = space
    if not spaces and "space" not in root:
        wrong, write = "no space is named", 'write [[space]], name = "loft", use = "hanging"'
        root.problem(None, wrong, "at least one was expected", write)
    spaces[OUTDOORS] = Space(OUTDOORS, Use.OUTDOORS)
    return spaces


def _read_space(table: TomlTable, taken: list[str]) -> Space:
    name = read_name(table, taken, "loft")
    if name.casefold() == OUTDOORS:
        wrong = f'the name "{OUTDOORS}" is kept for the air outside'
        table.problem("name", wrong, "it needs no [[space]]", "remove this [[space]]")
    table.required("use", "what the space is for", 'write use = "hanging"')
    use = Use(table.choice("use", _USES[0], _USES))
    limits_table, delays_table = table.table("limits"), table.table("delays")
    space = Space(
        name=name,
        use=use,
        limits=_read_limits(limits_table, use, damp_delay_stated="damp" in delays_table),
        delays=_read_delays(delays_table, use),
        volume_m3=table.number("volume_m3", None, 0.5, 100_000, "m3", 40),
        surface_factor=table.number("surface_factor", None, 0, 1, "", 0.6),
        windows=read_windows(table),
    )
    table.finish()
    return space


def _read_limits(table: TomlTable, use: Use, damp_delay_stated: bool) -> Limits:
    """The use's own limits, changed by those that are stated."""
    default = DEFAULT_LIMITS[use]
    stated: dict[str, Any] = {}
    for limit in fields(Limits):
        bounds = limit.metadata.get("bounds")
        if bounds is None:
            continue
        if table.off(limit.name):
            stated[limit.name] = None
        else:
            value = table.number(limit.name, None, *bounds)
            if value is not None:
                stated[limit.name] = value
    table.finish()
    if "arid_pct" in stated:
        default = replace(default, arid_once_crisp_pct=None)
    if "damp_pct" in stated or damp_delay_stated:
        default = replace(default, damp_is_daily_mean=False)
    limits = replace(default, **stated)
    if "damp_now_pct" not in stated and not _in_order(limits.damp_pct, limits.damp_now_pct):
        limits = replace(limits, damp_now_pct=None)  # the stated damp_pct leaves it no room
    _check_order(table, limits)
    return limits


def _check_order(table: TomlTable, limits: Limits) -> None:
    for low_key, low, high_key, high in (
        ("cold_c", limits.cold_c, "hot_c", limits.hot_c),
        ("arid_pct", limits.arid_pct, "damp_pct", limits.damp_pct),
        ("damp_pct", limits.damp_pct, "damp_now_pct", limits.damp_now_pct),
    ):
        if low is not None and high is not None and low >= high:
            wrong = f"{low_key} is {low:g} and {high_key} is {high:g}"
            expected = f"{low_key} was expected below {high_key}"
            table.problem(
                high_key if high_key in table else low_key, wrong, expected, "mend one of the two"
            )


def _in_order(low: float | None, high: float | None) -> bool:
    return low is not None and high is not None and low < high


def _read_delays(table: TomlTable, use: Use) -> Delays:
    stated: dict[str, int] = {}
    for delay in fields(Delays):
        example = delay.metadata["example"]
        seconds = table.duration_s(delay.name, None, "1 min", "7 days", example)
        if seconds is not None:
            stated[delay.name] = round(seconds / 60)
    table.finish()
    return replace(DEFAULT_DELAYS[use], **stated)


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


def read_windows(space: TomlTable) -> tuple[Window, ...]:
    """The windows of one space, those without a problem."""
    windows: list[Window] = []
    for table in space.tables("window"):
        window = _read_window(table, [one.name for one in windows])
        if window is not None:
            windows.append(window)
    return tuple(windows)


def _read_window(table: TomlTable, taken: list[str]) -> Window | None:
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


def _read_facing(table: TomlTable) -> float | None:
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


def _read_horizon(table: TomlTable) -> tuple[tuple[float, float], ...]:
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
