"""Makes the sample readings: nine invented days of a flower garden called Thornlaw.

    python -m sample_readings.make_samples
        writes, beside this file,
        nine_days.jsonl.gz   one message a line, in the order in which they were sent
        nine_days.entries    what the people there entered, a command a line
        (nine_days.toml, the settings that go with them, is written by hand)

    python -m sample_readings.make_samples --load 28 6 --every 60 --out big.jsonl.gz
        writes a long plain run for load tests, and its settings beside it as big.jsonl.toml

A line is {"at": when it was sent, "topic": ..., "payload": text}; where the payload is no text,
"payload_base64" stands instead. The same command always writes the same lines: every random
number comes from a fixed seed.

The place. Thornlaw, invented, lies in the north of England and grows statice, lavender,
rhodanthe and poppy heads. It hangs them in a *loft* under a slate roof, which bakes, and in a
*wash house* of stone, which is cool and damp; it keeps finished ones in a *box room* in the house.

The nine days, Saturday 4 to Sunday 12 July 2026. Fair, then a heat wave from Monday to Thursday,
ended by a thunderstorm on Thursday afternoon; a wet Friday; fog at Saturday's dawn; then fresh
and bright. What happens when is in scenario.HAPPENINGS; the tests hold the readings to it.

The physics is plain and our own, made to look right rather than to be exact: a sun, clouds,
rooms of two nodes (air and fabric) each, a water balance of each room's air with a hygroscopic
store, and bunches that give off water as they dry. Sensors lag, are a little off, and round.
In weather.py, rooms.py and sensors.py; formulas named there without a number are from memory.
"""

from __future__ import annotations

import argparse
import contextlib
import gzip
import io
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager
from datetime import datetime, timedelta
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray

from sample_readings.rooms import ROOMS, World, make_world
from sample_readings.scenario import (
    DAYS,
    ELEVATION_M,
    LATE_LOG,
    LATE_LOG_SENT,
    LATITUDE,
    LONGITUDE,
    SEED,
    SILENT,
    SPIKE,
    START,
    START_S,
    STUCK,
    ZONE,
    Happening,
    minute_of,
)
from sample_readings.sensors import SENSORS, TO_A_TENTH, Message, Mouth, Sensor
from sample_readings.weather import NINE_DAYS, Array, any_weather, noise

HERE = Path(__file__).resolve().parent

# Kind of fault, topic, what was sent instead of a reading. One every nine hours and a bit.
BROKEN: tuple[tuple[str, str, str | bytes], ...] = (
    ("cut short", "thornlaw/loft/rail", '{"ts":1783150267,"t":19.8,"r'),
    ("empty", "thornlaw/wash/shelf", ""),
    ("no text", "thornlaw/loft/gable", b"\xff\xfe\x00\x9c\x81"),
    ("words", "thornlaw/wash/rail", "low battery, going to sleep"),
    ("no time", "thornlaw/loft/rail", '{"t":22.4,"rh":55,"lx":130}'),
    ("no value", "thornlaw/loft/scale", '{"time":"2026-07-05T21:00:00Z"}'),
    ("null", "thornlaw/outside/north", '{"t":1783317541,"obs":null}'),
    ("not a number", "thornlaw/box/shelf", '{"ms":1783350000000,"v":[NaN,NaN,NaN]}'),
    ("endless", "thornlaw/loft/scale", '{"time":"2026-07-07T00:00:00Z","grams":1e999}'),
    ("number in quotes", "thornlaw/loft/scale", '{"time":"2026-07-07T09:00:00Z","grams":"128.5"}'),
    ("decimal comma", "thornlaw/loft/rail", '{"ts":1783447267,"t":27,4,"rh":38,"lx":210}'),
    ("yes and no", "thornlaw/loft/scale", '{"time":"2026-07-08T03:00:00Z","grams":true}'),
    ("list for an object", "thornlaw/loft/gable", "[24.1,44.0]"),
    ("short list", "thornlaw/box/shelf", '{"ms":1783540000000,"v":[]}'),
    ("time in words", "thornlaw/wash/shelf", '{"at":"this morning","f":66.2,"h":0.66}'),
    ("time of 1970", "thornlaw/loft/rail", '{"ts":47,"t":24.9,"rh":45,"lx":180}'),
    ("time years ahead", "thornlaw/loft/rail", '{"ts":2145916800,"t":18.3,"rh":57,"lx":61}'),
    ("records without a name", "thornlaw/wash/rail", '[{"bt":1783663200,"u":"Cel","v":17.4}]'),
    ("another form", "thornlaw/wash/rail", '{"air":17.5,"hum":88.0}'),
    ("a page", "thornlaw/outside/north", "<html><body>502</body></html>"),
    ("spaces", "thornlaw/wash/shelf", "   "),
    ("two at once", "thornlaw/loft/scale", '{"time":1}{"time":2}'),
)
BROKEN_EVERY_S = 9 * 3600 + 47 * 60

DOUBLED = 12  # messages that were sent twice, a few minutes apart


def nine_days(world: World) -> list[Message]:
    """All messages of the nine days, in the order in which they were sent."""
    sent: list[tuple[str, int, Message]] = []
    for number, sensor in enumerate(SENSORS):
        mouth = Mouth(sensor, world, SEED + 1 + number)
        times, columns = mouth.rows(START_S, START_S + DAYS * 86_400)
        times, columns = _mishaps(sensor, times, columns)
        messages = mouth.says(times, columns)
        sent += [(m.at, number, m) for m in _as_sent(sensor, times, messages)]
    sent += [(m.at, len(SENSORS), m) for m in _broken()]
    sent.sort(key=lambda row: row[:2])
    return _with_doubles([m for _, _, m in sent])


def _during(happening: Happening, times: NDArray[np.int64]) -> NDArray[np.bool_]:
    return (times >= happening.begins.timestamp()) & (times < happening.ends.timestamp())


def _mishaps(
    sensor: Sensor, times: NDArray[np.int64], columns: list[Array]
) -> tuple[NDArray[np.int64], list[Array]]:
    """What went wrong with this sensor's values: silent, stuck, a spike."""
    if sensor.name == STUCK.sensor:
        frozen = _during(STUCK, times)
        for column in columns[:2]:
            column[frozen] = column[frozen][0]
    if sensor.name == SPIKE.sensor:
        columns[0][_during(SPIKE, times)] += 19
    if sensor.name == SILENT.sensor:
        heard = ~_during(SILENT, times)
        return times[heard], [c[heard] for c in columns]
    return times, columns


def _as_sent(
    sensor: Sensor, times: NDArray[np.int64], messages: list[Message]
) -> Iterator[Message]:
    """The box room's log of five hours comes in one go in the evening, twelve a second."""
    late = _during(LATE_LOG, times) & (sensor.name == LATE_LOG.sensor)
    waiting = 0
    for message, held in zip(messages, late.tolist(), strict=True):
        if held:
            moment = LATE_LOG_SENT + timedelta(seconds=waiting // 12)
            message = message._replace(at=f"{moment:%Y-%m-%dT%H:%M:%SZ}")
            waiting += 1
        yield message


def _broken() -> Iterator[Message]:
    for number, (_, topic, payload) in enumerate(BROKEN):
        moment = START + timedelta(seconds=3 * 3600 + number * BROKEN_EVERY_S)
        yield Message(f"{moment:%Y-%m-%dT%H:%M:%SZ}", topic, payload)


def _with_doubles(messages: list[Message]) -> list[Message]:
    """Every so often a message is sent a second time, up to forty messages later."""
    apart = len(messages) // (DOUBLED + 1)
    for number in range(DOUBLED, 0, -1):
        place = number * apart
        later = place + 1 + (number * 7) % 40
        messages.insert(later, messages[place]._replace(at=messages[later - 1].at))
    return messages


def entries(world: World) -> list[str]:
    """What the people of Thornlaw entered, a command a line; times are the site's."""
    rng = np.random.default_rng(SEED + 100)

    def weighed(day: int, clock: str) -> str:
        moment = datetime.fromisoformat(f"2026-07-{day:02d}T{clock}").replace(tzinfo=ZONE)
        grams = world.hanging.mass_g("lavender-first", minute_of(moment))
        grams += float(noise(rng, 1)[0]) * (0.5 + 0.003 * grams)
        return f"weigh lavender-first {grams:.0f} --at 2026-07-{day:02d}T{clock}"

    return [
        "hang statice --space loft --bunches 14 --stems-per-bunch 12 --colour purple"
        " --scale loft-scale --name statice-purple --at 2026-07-04T10:00",
        "hang lavender --space loft --bunches 20 --stems-per-bunch 60 --colour blue"
        " --fresh-mass 178 --name lavender-first --at 2026-07-04T11:30",
        weighed(5, "09:15"),
        "hang poppy --space 'wash house' --bunches 12 --stems-per-bunch 10 --colour green"
        " --name poppy-heads --at 2026-07-05T10:30",
        weighed(6, "18:40"),
        "hang rhodanthe --space loft --bunches 9 --stems-per-bunch 10 --colour pink"
        " --name rhodanthe-pink --at 2026-07-07T08:30",
        weighed(7, "18:30"),
        "snap lavender-first bends --at 2026-07-07T18:35",
        weighed(9, "08:10"),
        "hang statice --space 'wash house' --bunches 40 --stems-per-bunch 12 --colour white"
        " --name statice-white --at 2026-07-09T16:00",
        "snap lavender-first snaps --at 2026-07-10T09:00",
        weighed(10, "09:05"),
        "move poppy-heads --space loft --at 2026-07-10T16:30",
        "snap statice-purple bends --at 2026-07-11T18:00",
        weighed(12, "09:45"),
        "takedown lavender-first --space 'box room' --good 1172 --shed 28 --at 2026-07-12T10:00",
        "takedown rhodanthe-pink --space 'box room' --good 57 --opened 32 --faded 1"
        " --at 2026-07-12T11:30",
    ]


def packed(lines: Iterable[str], level: int = 9) -> bytes:
    """The lines as gzip without a date, so that the same lines are the same bytes."""
    held = io.BytesIO()
    with gzip.GzipFile("", "wb", level, held, mtime=0) as zipped:
        zipped.write("".join(lines).encode())
    return held.getvalue()


def write_nine_days(folder: Path = HERE) -> None:
    """Writes nine_days.jsonl.gz and nine_days.entries into the folder."""
    world = make_world(NINE_DAYS, DAYS * 1440, SEED)
    (folder / "nine_days.jsonl.gz").write_bytes(packed(m.line() for m in nine_days(world)))
    (folder / "nine_days.entries").write_text("\n".join(entries(world)) + "\n", encoding="utf-8")


_FORMS: tuple[tuple[Callable[..., str], str], ...] = (
    (
        lambda s, iso, t, rh: f'{{"ts":{s},"t":{t:.1f},"rh":{rh:.1f}}}',
        'time = { at = "/ts", unit = "s" }\n'
        'reads.temperature = { at = "/t", unit = "°C" }\n'
        'reads.humidity = { at = "/rh", unit = "%" }\n',
    ),
    (
        lambda s, iso, t, rh: f'{{"when":{{"ms":{s}000}},"air":{{"t":{t:.1f},"rh":{rh:.1f}}}}}',
        'time = { at = "/when/ms", unit = "ms" }\n'
        'reads.temperature = { at = "/air/t", unit = "°C" }\n'
        'reads.humidity = { at = "/air/rh", unit = "%" }\n',
    ),
    (
        lambda s, iso, t, rh: f'{{"at":"{iso}","v":[{t:.1f},{rh:.1f}]}}',
        'time = { at = "/at", unit = "iso" }\n'
        'reads.temperature = { at = "/v/0", unit = "°C" }\n'
        'reads.humidity = { at = "/v/1", unit = "%" }\n',
    ),
)


def load_sensors(count: int, every_s: int) -> list[Sensor]:
    """Sensors dealt out over the three rooms and outdoors, a little off each in its own way."""
    spaces = [*(room.name for room in ROOMS), "outdoors"]
    made = []
    for number in range(count):
        space = spaces[number % len(spaces)]
        off = (number * 0.37) % 1 - 0.5
        name = f"{space.replace(' ', '-')}-{number + 1}"
        made.append(
            Sensor(
                *(name, space, f"load/{name}", every_s, (number * 7) % every_s),
                *(TO_A_TENTH, _FORMS[number % len(_FORMS)][0], 0.5 * off, 2 * off),
            )
        )
    return made


def load_settings(sensors: list[Sensor]) -> str:
    """The settings that go with a long run."""
    parts = [
        f'[site]\nname = "Thornlaw, under load"\nlatitude = {LATITUDE}\nlongitude = {LONGITUDE}\n'
        f'elevation_m = {ELEVATION_M:.0f}\ntimezone = "{ZONE.key}"\ntemperature_unit = "°C"\n'
    ]
    for room in ROOMS:
        use = "storing" if room.name == "box room" else "hanging"
        parts.append(f'[[space]]\nname = "{room.name}"\nuse = "{use}"\n')
    for number, sensor in enumerate(sensors):
        parts.append(
            f'[[sensor]]\nname = "{sensor.name}"\nspace = "{sensor.space}"\n'
            f'topic = "{sensor.topic}"\nevery = "{sensor.every_s} s"\n'
            f"{_FORMS[number % len(_FORMS)][1]}"
        )
    return "\n".join(parts)


def load_messages(days: int, sensors: list[Sensor]) -> Iterator[Message]:
    """A long plain run, made an hour at a time."""
    world = make_world(any_weather(days, SEED), days * 1440, SEED, scenario=False)
    mouths = [Mouth(sensor, world, SEED + 1 + n) for n, sensor in enumerate(sensors)]
    for hour in range(days * 24):
        begins = START_S + hour * 3600
        messages = [m for mouth in mouths for m in mouth.says(*mouth.rows(begins, begins + 3600))]
        messages.sort(key=lambda m: m.at)
        yield from messages


def write_load(days: int, count: int, every_s: int, file: Path) -> int:
    """Writes a long run to the file, packed if it ends in .gz; returns how many messages."""
    sensors = load_sensors(count, every_s)
    file.with_name(file.name.removesuffix(".gz") + ".toml").write_text(
        load_settings(sensors), encoding="utf-8"
    )
    written = 0
    with file.open("wb") as raw, _packing(raw, file.suffix == ".gz") as out:
        for message in load_messages(days, sensors):
            out.write(message.line().encode())
            written += 1
    return written


def _packing(raw: IO[bytes], zipped: bool) -> AbstractContextManager[IO[bytes] | gzip.GzipFile]:
    return gzip.GzipFile("", "wb", 3, raw, mtime=0) if zipped else contextlib.nullcontext(raw)


def main() -> None:
    """The commands at the top of this file."""
    parser = argparse.ArgumentParser(description="Makes the sample readings of Thornlaw.")
    parser.add_argument("--load", nargs=2, type=int, metavar=("DAYS", "SENSORS"))
    parser.add_argument("--every", type=int, default=60, metavar="SECONDS")
    parser.add_argument("--out", type=Path, metavar="FILE")
    asked = parser.parse_args()
    if asked.load is None:
        write_nine_days(asked.out or HERE)
        return
    if asked.out is None or asked.every < 1:
        parser.error("--load also needs --out FILE, and --every of at least 1 second.")
    days, sensors = asked.load
    written = write_load(days, sensors, asked.every, asked.out)
    print(f"{written:,} messages in {asked.out}")


if __name__ == "__main__":
    main()
