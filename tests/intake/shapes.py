"""How much of what sensors may send is read by what is proposed for it.

    python -m tests.intake.shapes [--also CHECKOUT]

A grammar of our own: key styles x nesting x numbers x times x topics. The guesses are tuned on one
half of the shapes; the other is kept apart by a hash of the shape's name, see `KEPT_APART`. With
--also the same is asked of another checkout of this project, by its own Python.
"""

from __future__ import annotations

import hashlib
import importlib
import json
import re
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

NOW_MS = 1_784_021_400_000  # 2026-07-14T09:30:00Z
SENT_MS = NOW_MS - 2000
TIMEZONE = "Europe/Paris"
PLACES = {"hay loft": (22.4, 61.5, 2.95), "cart shed": (12.3, 78.5, 3.05)}

KEYS = {  # temperature, humidity, battery
    "letters": ("t", "h", "b"),
    "short": ("temp", "rh", "vbat"),
    "long": ("temperature", "humidity", "battery"),
    "camel": ("airTemperature", "relativeHumidity", "batteryVoltage"),
    "pascal": ("AirTemp", "AirHum", "BattVolt"),
    "snake": ("air_temp_c", "hum_pct", "batt_v"),
    "upper": ("TEMP", "HUMI", "BAT"),
    "german": ("lufttemperatur", "luftfeuchte", "batteriespannung"),
    "french": ("température", "humidité", "pile"),
    "spanish": ("temperatura", "humedad", "batería"),
    "italian": ("temperatura_aria", "umidità", "batteria"),
    "portuguese": ("temperatura_ar", "umidade", "bateria"),
    "dutch": ("temperatuur", "luchtvochtigheid", "batterij"),
    "polish": ("temperatura", "wilgotność", "napięcie"),
    "czech": ("teplota", "vlhkost", "napětí"),
    "swedish": ("temperatur", "luftfuktighet", "batteri"),
    "danish": ("temperatur", "luftfugtighed", "batteri"),
    "finnish": ("lämpötila", "kosteus", "paristo"),
    "hungarian": ("hőmérséklet", "páratartalom", "akkumulátor"),
    "romanian": ("temperatură", "umiditate", "baterie"),
    "turkish": ("sıcaklık", "nem", "pil"),
    "greek": ("θερμοκρασία", "υγρασία", "μπαταρία"),
    "russian": ("температура", "влажность", "батарея"),
    "ukrainian": ("температура", "вологість", "батарея"),
}
NUMBERS = ["plain", "text", "comma", "with_unit", "tenths", "hundredths", "fahrenheit", "both"]
TIMES = {
    "none": None,
    "s": ("ts", SENT_MS // 1000),
    "s_text": ("epoch", str(SENT_MS // 1000)),
    "ms": ("measuredAt", SENT_MS),
    "us": ("stamp", SENT_MS * 1000),
    "unnamed": ("x7", SENT_MS),
    "iso": ("zeit", "2026-07-14T09:29:58Z"),
    "iso_offset": ("when", "2026-07-14T11:29:58+02:00"),
    "iso_bare": ("fecha", "2026-07-14 11:29:58"),
}
NESTINGS = [
    "flat",
    "inside",
    "objects",
    "with_units",
    "list",
    "places",
    "places_list",
    "suffix",
    "by_quantity",
    "senml",
]
TOPICS = ["end", "middle", "own", "end_json"]


class Shape(NamedTuple):
    """Messages as sent, and what is to be read: (place, quantity, kept value, own time)."""

    name: str
    messages: list[tuple[str, str]]
    expected: list[tuple[str, str, float, int | None]]


def kept_apart(name: str) -> bool:
    """Whether the guesses are never tuned on this shape: half of all, by the hash of its name."""
    return hashlib.sha256(name.encode()).digest()[0] % 2 == 1


def shapes() -> list[Shape]:
    """All of them; each name says of what it is made."""
    made = []
    for style in KEYS:
        for nesting in NESTINGS:
            for turn in range(2):
                seed = hashlib.sha256(f"{style} {nesting} {turn}".encode()).digest()
                number = NUMBERS[seed[0] % len(NUMBERS)]
                time = list(TIMES)[seed[1] % len(TIMES)]
                made.append(nested(style, nesting, number, time))
        for topic in TOPICS:
            seed = hashlib.sha256(f"{style} {topic}".encode()).digest()
            number = NUMBERS[seed[0] % 6]
            made.append(by_topic(style, topic, number, list(TIMES)[seed[1] % len(TIMES)]))
    return list({shape.name: shape for shape in made}.values())


def fields(style: str, number: str, place: str) -> dict[str, Any]:
    """What one place sends, flat."""
    t, h, b = KEYS[style]
    warm, damp, volts = PLACES[place]
    match number:
        case "text":
            return {t: str(warm), h: str(damp), b: str(volts)}
        case "comma":
            return {key: str(v).replace(".", ",") for key, v in ((t, warm), (h, damp), (b, volts))}
        case "with_unit":
            return {t: f"{warm} °C", h: f"{damp}%", b: f"{volts} V"}
        case "tenths":
            return {t: round(warm * 10), h: round(damp * 10), b: round(volts * 1000)}
        case "hundredths":
            return {t: round(warm * 100), h: round(damp * 100), b: round(volts * 1000)}
        case "fahrenheit":
            key = re.sub("_c$", "_f", t)
            return {key: {22.4: 72.3, 12.3: 54.1}[warm], "temp_unit": "°F", h: damp, b: volts}
        case "both":
            key = re.sub("_c$", "", t)
            return {f"{key}_c": warm, f"{key}_f": round(warm * 1.8 + 32, 1), h: damp, b: volts}
    return {t: warm, h: damp, b: volts}


def expected(place: str, time_ms: int | None) -> list[tuple[str, str, float, int | None]]:
    return [
        (place, quantity, value, time_ms)
        for quantity, value in zip(
            ("temperature", "humidity", "battery"), PLACES[place], strict=True
        )
    ]


def nested(style: str, nesting: str, number: str, time: str) -> Shape:
    """A message with all in it."""
    loft, shed = PLACES
    t, h, b = KEYS[style]
    one, two = fields(style, number, loft), fields(style, number, shed)
    both = nesting in ("places", "places_list", "suffix", "by_quantity")
    noise = {"fw": "1.4.2", "seq": 8123, "ok": True, "co2": 640, "dewpoint": 14.6}
    body: Any
    match nesting:
        case "inside":
            body = {"device": {"model": "k7"}, "air": one}
        case "objects":
            body = {key: {"value": v} if key != "temp_unit" else v for key, v in one.items()}
        case "with_units":
            number = "plain"
            units = {t: "C", h: "%", b: "V"}
            body = {k: {"v": v, "unit": units[k]} for k, v in fields(style, number, loft).items()}
        case "list":
            number = "plain"
            plain = fields(style, number, loft)
            body = {"readings": [{"type": key, "value": v} for key, v in plain.items()]}
        case "places":
            body = {loft: one, shed: two}
        case "places_list":
            body = {"sensors": [{"name": loft, **one}, {"name": shed, **two}]}
        case "suffix":
            number = "plain"
            body = {
                f"{k}_{n}": v
                for n in (1, 2)
                for k, v in fields(style, number, [loft, shed][n - 1]).items()
            }
        case "by_quantity":
            number = "plain"
            loft_says, shed_says = fields(style, number, loft), fields(style, number, shed)
            body = {k: {"hay loft": loft_says[k], "cart shed": shed_says[k]} for k in loft_says}
        case "senml":
            number = "plain"
            units = {t: "Cel", h: "%RH", b: "V"}
            told = fields(style, number, loft)
            pack = [{"n": f"rail:{k}", "u": units[k], "v": v} for k, v in told.items()]
            if time in ("none", "iso", "iso_bare", "unnamed"):
                time = "none"
            else:
                pack[0]["bt"], time = SENT_MS // 1000, "s"
            name = f"{style}/senml/plain/{time}"
            at = None if time == "none" else SENT_MS
            return Shape(name, [("croft/a17", json.dumps(pack))], expected(loft, at))
        case _:
            body = one
    stamp = TIMES[time]
    said = {**noise, **({} if stamp is None else {stamp[0]: stamp[1]}), **body}
    time_ms = None if stamp is None else SENT_MS
    wanted = expected(loft, time_ms) + (expected(shed, time_ms) if both else [])
    name = f"{style}/{nesting}/{number}/{time}"
    return Shape(name, [("croft/a17", json.dumps(said, ensure_ascii=False))], wanted)


def by_topic(style: str, topic: str, number: str, time: str) -> Shape:
    """A topic a quantity, for two places."""
    messages, wanted = [], []
    stamp = TIMES[time] if topic == "end_json" else None
    for place in PLACES:
        for key, value in fields(style, number, place).items():
            where = {
                "end": f"croft/{place}/{key}",
                "middle": f"croft/{place}/{key}/state",
                "own": f"{key}/{place}",
                "end_json": f"croft/{place}/{key}",
            }[topic]
            said = str(value)
            if topic == "end_json":
                extra = {} if stamp is None else {stamp[0]: stamp[1]}
                said = json.dumps({"value": value, **extra}, ensure_ascii=False)
            messages.append((where, said))
        wanted += expected(place, None if stamp is None else SENT_MS)
    when = time if topic == "end_json" else "none"
    return Shape(f"{style}/topics_{topic}/{number}/{when}", messages, wanted)


SITE = f"""
[site]
name = "Croft"
latitude = 48.9
longitude = 2.1
timezone = "{TIMEZONE}"
[[space]]
name = "loft"
use = "hanging"
"""


class Tried(NamedTuple):
    """right: quantities read as they should be; bad: proposals that do not work."""

    right: int
    wanted: int
    proposals: int
    bad: int


def tried(shape: Shape, folder: Path) -> Tried:
    """Propose, paste, load, read the same messages again."""
    listen, payloads, loaded = _parts()
    given = {"arrived_ms": [NOW_MS - 60_000, NOW_MS]}
    one_topic = getattr(listen, "TopicHeard", None) or listen.Heard
    known = {k: v for k, v in given.items() if k in one_topic.__dataclass_fields__}
    heard = [one_topic(topic, said.encode(), 2, **known) for topic, said in shape.messages]
    zone = {"timezone": TIMEZONE} if "timezone" in listen.report.__code__.co_varnames else {}
    text = listen.report(sorted(heard, key=lambda one: one.topic), 120.0, **zone)
    blocks = ["[[sensor]]" + block for block in text.split("\n[[sensor]]")[1:]]
    read: list[tuple[str, str, float, int | None]] = []
    bad = 0
    for block in blocks:
        file = folder / "tried.toml"
        file.write_text(SITE + block.replace('"…"', '"loft"'), "utf-8")
        try:
            sensors = loaded(file).site.sensors
        except Exception as refused:  # another checkout's settings have their own error
            print(f"  refused: {refused}", file=sys.stderr)
            bad += 1
            continue
        zoned = (sensors, TIMEZONE) if zone else (sensors,)
        decoder = payloads.Decoder(*zoned)
        mine = [
            (name, str(quantity), value, at)
            for topic, said in shape.messages
            for name, quantity, value, at in decoder.decode(
                payloads.Message(topic, said.encode(), NOW_MS, False)
            ).readings
        ]
        reads = sum(len(sensor.reads) for sensor in sensors.values())
        bad += len(mine) < reads or any(not _known(one, shape) for one in mine)
        read += mine
    return Tried(_right(shape, read), len(shape.expected), len(blocks), bad)


def _known(one: tuple[str, str, float, int | None], shape: Shape) -> bool:
    return any(_same(one, wanted) for wanted in shape.expected)


def _same(
    one: tuple[str, str, float, int | None], wanted: tuple[str, str, float, int | None]
) -> bool:
    kept = wanted[2]
    near = abs(one[2] - kept) < 0.06
    return one[1] == wanted[1] and near and one[3] == wanted[3]


def _right(shape: Shape, read: list[tuple[str, str, float, int | None]]) -> int:
    """How many are read once, each place by a sensor of its own."""
    right, of_place = 0, {}
    for place in PLACES:
        names = Counter(
            one[0]
            for one in read
            for want in shape.expected
            if want[0] == place and _same(one, want)
        )
        of_place[place] = names.most_common(1)[0][0] if names else None
    shared = of_place["hay loft"] == of_place["cart shed"]
    for wanted in shape.expected:
        found = [one for one in read if _same(one, wanted)]
        right += len(found) == 1 and found[0][0] == of_place[wanted[0]] and not shared
    return right


def _parts() -> tuple[Any, Any, Callable[[Path], Any]]:
    """The modules that listen and read, wherever a checkout has them."""

    def first(*names: str) -> Any:
        for name in names:
            try:
                return importlib.import_module(name)
            except ModuleNotFoundError:
                continue
        raise ModuleNotFoundError(names)

    settings = first("monitor.service.settings.settings", "monitor.service.settings")
    payloads = first("monitor.intake.payloads", "monitor.room.payloads")
    return importlib.import_module("monitor.edges.listen"), payloads, settings.load


def told(apart: bool, show: bool = False) -> str:
    """The share of one half, in a line."""
    with tempfile.TemporaryDirectory() as folder:
        half = [shape for shape in shapes() if kept_apart(shape.name) is apart]
        results = [tried(shape, Path(folder)) for shape in half]
    for shape, one in zip(half, results, strict=True):
        if show and (one.right < one.wanted or one.bad):
            print(f"  {shape.name}: {one} {shape.messages}")
    right, wanted, proposals, bad = map(sum, zip(*results, strict=True))
    which = "kept apart" if apart else "tuned on"
    return (
        f"{which}: {len(half)} shapes, {right} of {wanted} quantities read rightly "
        f"({right / wanted:.3f}), {bad} of {proposals} proposals do not work"
    )


def main() -> None:
    words = sys.argv[1:]
    for apart in (False, True):
        print(told(apart, show="--show" in words and not apart), flush=True)
    if "--also" in words:
        checkout = Path(words[words.index("--also") + 1])
        print(f"and {checkout.name}:", flush=True)
        python = checkout / ".venv" / "bin" / "python"
        subprocess.run([python, Path(__file__).resolve()], cwd=checkout, check=True)


if __name__ == "__main__":
    sys.path.insert(0, str(Path.cwd()))
    main()
