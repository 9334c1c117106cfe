"""One minute of air: ours, guarded and right below 0 °C, beside psychrolib's bare calls.

python -m tests.benchmarks.bench_moist_air [--quick]
"""

import sys
import time
from collections.abc import Callable

import psychrolib

from monitor.science.moist_air import WATER_VAPOUR_GAS_CONSTANT, ZERO_CELSIUS_K, state
from tests.benchmarks.table import Row, show

PRESSURE = 99_650.0
# A season of rooms and outdoors, in even steps: -10 to 35 °C, 20 to 95 %.
AIR = [(t, float(rh)) for t in range(-10, 36, 3) for rh in range(20, 96, 5)]


def bare_state(temperature: float, humidity: float, pressure: float) -> tuple[float, ...]:
    """The same five quantities by psychrolib's own calls, nothing checked."""
    water = psychrolib.GetVapPresFromRelHum(temperature, humidity / 100)
    ratio = psychrolib.GetHumRatioFromVapPres(water, pressure)
    return (
        water,
        psychrolib.GetTDewPointFromVapPres(temperature, water),
        psychrolib.GetVaporPressureDeficit(temperature, ratio, pressure) / 1000,
        1000 * ratio,
        1000 * water / (WATER_VAPOUR_GAS_CONSTANT * (temperature + ZERO_CELSIUS_K)),
    )


def microseconds(work: Callable[[float, float, float], object], rounds: int) -> float:
    """Time of one call, over the whole of AIR."""
    began = time.perf_counter()
    for _ in range(rounds):
        for temperature, humidity in AIR:
            work(temperature, humidity, PRESSURE)
    return (time.perf_counter() - began) / (rounds * len(AIR)) * 1e6


def same_answers() -> bool:
    """Above freezing the two must agree, or the times compare nothing."""
    return all(
        abs(ours - bare) <= 1e-5 * abs(bare) + 1e-4
        for temperature, humidity in AIR
        if temperature > 0
        for ours, bare in zip(
            state(temperature, humidity, PRESSURE),
            bare_state(temperature, humidity, PRESSURE),
            strict=True,
        )
    )


def main(quick: bool) -> list[Row]:
    """One row: the best of turns taken in alternation."""
    if not same_answers():
        raise SystemExit("moist air: ours and psychrolib's bare calls disagree above freezing")
    turns, rounds = (5, 4) if quick else (15, 20)
    pairs = [(microseconds(state, rounds), microseconds(bare_state, rounds)) for _ in range(turns)]
    ours, peer = (min(times) for times in zip(*pairs, strict=True))
    return [
        Row(
            "a minute of air",
            f"{len(AIR)} states",
            f"{ours:.2f} µs",
            f"psychrolib's bare calls {peer:.2f} µs",
            ours / peer,
            "at most 1.3",
        )
    ]


if __name__ == "__main__":
    show(main(quick="--quick" in sys.argv[1:]))
