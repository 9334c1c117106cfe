"""What is proposed for what is heard, and why something is left out."""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import pytest

from monitor.intake.guesses import propose
from monitor.intake.proposals import TopicHeard, settings_lines
from monitor.site.quantities import Quantity
from monitor.site.spaces import ReadAs, Sensor, TimeAt
from tests.intake.shapes import NOW_MS, kept_apart, shapes, tried

AT_LEAST = 0.95


@pytest.mark.parametrize("apart", [False, True])
def test_what_is_proposed_reads_what_was_heard(apart: bool, tmp_path: Path) -> None:
    half = [shape for shape in shapes() if kept_apart(shape.name) is apart]
    assert len(half) > 200
    results = [tried(shape, tmp_path) for shape in half]
    assert [s.name for s, one in zip(half, results, strict=True) if one.bad] == []
    right, wanted = sum(one.right for one in results), sum(one.wanted for one in results)
    assert right >= AT_LEAST * wanted


def heard(payload: object, topic: str = "croft/a17", **known: list[int]) -> TopicHeard:
    data = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    return (
        TopicHeard(topic, data, 2, **known)
        if known
        else TopicHeard(topic, data, 2, arrived_ms=[NOW_MS])
    )


def reasons(*messages: TopicHeard, sensors: dict[str, Sensor] | None = None) -> dict[str, str]:
    return {one.where: one.why for one in propose(messages, "Europe/Paris", sensors).reasons}


@pytest.mark.parametrize(
    ("payload", "where", "why"),
    [
        (gzip.compress(b"21.3", mtime=0), "", "the payload is compressed (gzip)"),
        (b"\x08\x96\x01\xff\xfe", "", "the payload is binary, not text"),
        (b"eyJ0IjogMjEuMywgInJoIjogNTV9", "", "the payload is base64"),
        (b"<t>21.3</t>", "", "the payload is XML or HTML"),
        (b"", "", "the payload is empty"),
        ({"raw": "AQIDBAUGBwgJCgsMDQ=="}, "/raw", "it is base64"),
        ({"temp": None}, "/temp", "it is null"),
        ({"temp": "warm"}, "/temp", "it is text"),
        ({"temp": 99999.5}, "/temp", "no unit of temperature makes sense of 99999.5"),
        ({"co2": 640}, "/co2", "nothing in its name says what it measures"),
        ({"dew_point": 11.2, "dew_temp": 11.2}, "/dew_temp", "it is worked out here"),
        ({"soil_temp": 11.2}, "/soil_temp", "it seems to be of soil"),
        ({"cpu_temp": 51}, "/cpu_temp", "it seems to be the device's own warmth"),
        ({"temp_max": 24}, "/temp_max", "it seems to be a limit"),
        ({"temp_c": 22.4, "temp_f": 72.3}, "/temp_f", "it is the temperature a second time"),
        ({"ts": NOW_MS + 9e6, "t": 20}, "/ts", "it is a time that cannot be true"),
        ({"at": "2026-07-14T09:29:58", "t": 20}, "/at", "it is a time in UTC that does not say so"),
        ({"rssi": 73}, "/rssi", "no unit of signal"),
    ],
)
def test_what_is_left_out_has_a_reason(payload: object, where: str, why: str) -> None:
    assert reasons(heard(payload))[where].startswith(why)


def test_every_key_has_a_line_or_a_reason() -> None:
    message = heard({"t": 21.3, "fw": "1.2", "ok": True, "n": [1, None], "ts": NOW_MS})
    told = propose([message])
    assert len(told.reasons) == 4
    read = {how.pointer for one in told.proposals for how in one.sensor.reads.values()}
    assert read | {one.where for one in told.reasons} == {"/t", "/fw", "/ok", "/n/0", "/n/1"}
    assert told.proposals[0].sensor.time == TimeAt("/ts", "ms")


def test_what_the_settings_read_already_is_said_and_not_offered_again() -> None:
    reads = {Quantity.TEMPERATURE: ReadAs("°C", "/t")}
    known = {"rail": Sensor("rail", "loft", "croft/a17", 60.0, reads)}
    message = heard({"t": 21.3, "rh": 55})
    assert propose([message], "UTC", known).proposals == []
    assert reasons(message, sensors=known) == {
        "/t": "it is read already, as the temperature of rail",
        "/rh": "rail reads this topic; to read this too, add to it: "
        'reads.humidity = { topic = "croft/a17", at = "/rh", unit = "%" }',
    }


def test_names_are_told_apart_and_every_is_learnt() -> None:
    often = [NOW_MS - 65_000, NOW_MS - 33_000, NOW_MS]
    messages = [heard({"t": 20}, f"{x}/croft/rail", arrived_ms=often) for x in "ab"]
    rail = Sensor("croft-rail", "loft", "z", 60.0)
    made = propose(messages, "UTC", {"croft-rail": rail}).proposals
    assert [one.sensor.name for one in made] == ["croft-rail-2", "croft-rail-3"]
    assert {one.sensor.every_s for one in made} == {32}
    assert 'every = "32 s"              # as heard just now' in settings_lines(made[0])


def test_rain_is_proposed_outdoors_and_its_total_as_a_total() -> None:
    (made,) = propose([heard({"rain_total_mm": 12.5})]).proposals
    assert made.sensor.space == "outdoors"
    assert made.sensor.reads == {Quantity.RAIN: ReadAs("mm", "/rain_total_mm", total=True)}


def test_a_stranger_s_endless_payload_costs_little() -> None:
    wide = {f"temp{n}": n / 1000 for n in range(3000)}
    told = propose([heard(wide), heard(b'{"t":' * 5000 + b"1" + b"}" * 5000, "deep")])
    assert len(told.proposals) + len(told.reasons) <= 202
