"""Payloads: what is read of them, and what is said of those that cannot be read."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.intake.arrival import filter_problem, matches, overlap
from monitor.intake.documents import MISSING, follow, parse_json, pointer, tokens
from monitor.intake.payloads import Decoder, Message
from monitor.intake.unreadable import PayloadError
from monitor.site.quantities import Quantity, units
from monitor.site.spaces import ReadAs, Sensor, TimeAt

ARRIVED_MS = 1_784_000_000_000
ID = "urn:dev:ow:10e2073a01080063"


def sensor(name: str, time: TimeAt | None = None, **reads: ReadAs) -> Sensor:
    """A sensor whose topic is its name with dots as slashes."""
    topic = name.replace(".", "/")
    return Sensor(
        name, "loft", topic, 60.0, {Quantity(what): how for what, how in reads.items()}, time
    )


SENSORS = {
    one.name: one
    for one in (
        sensor("bare", temperature=ReadAs("°C")),
        sensor("json", temperature=ReadAs("°C", "/t"), humidity=ReadAs("%", "/rh")),
        sensor("deep", temperature=ReadAs("°C", "/air/0/t"), battery=ReadAs("V", "/power/v")),
        sensor("whole", temperature=ReadAs("°C", "")),
        sensor("seconds", TimeAt("/ts", "s"), temperature=ReadAs("°C", "/t")),
        sensor("millis", TimeAt("/ts", "ms"), temperature=ReadAs("°C", "/t")),
        sensor("micros", TimeAt("/ts", "µs"), temperature=ReadAs("°C", "/t")),
        sensor("iso", TimeAt("/when/at", "iso"), temperature=ReadAs("°C", "/t")),
        sensor("senml", temperature=ReadAs("°C", senml_name="rail:temp")),
        sensor("mobile", humidity=ReadAs("%", senml_name=ID), battery=ReadAs("%", senml_name=ID)),
    )
}


def decode(name: str, payload: bytes | str, *, retained: bool = False, on_arrival: bool = False):
    """What the decoder makes of one payload for one sensor."""
    one = SENSORS[name]
    if on_arrival:
        one = Sensor(one.name, one.space, one.topic, 60.0, one.reads, None, on_arrival=True)
    data = payload.encode() if isinstance(payload, str) else payload
    return Decoder({name: one}).decode(Message(str(one.topic), data, ARRIVED_MS, retained))


def values(decoded) -> list[float]:
    return [value for _, _, value, _ in decoded.readings]


def sentences(decoded) -> list[str]:
    return [str(problem) for _, problem in decoded.failures]


# sensor, payload, what is said of it, how many readings are had all the same
WRONG = [
    ("bare", b"", ["the payload is empty; let the sensor send a number such as 21.3"], 0),
    ("bare", b"  \n", ["the payload is empty; let the sensor send a number such as 21.3"], 0),
    (
        "bare",
        b"55%",
        ['"55%" is in a unit that cannot become °C; mend the settings'],
        0,
    ),
    ("bare", b"nan", ['the payload "nan" says that nothing was measured; look at the sensor'], 0),
    ("bare", b"-inf", ['the payload "-inf" says that nothing was measured; look at the sensor'], 0),
    ("bare", b"NaN", ['the payload "NaN" says that nothing was measured; look at the sensor'], 0),
    ("bare", b"null", ['the payload "null" says that nothing was measured; look at the sensor'], 0),
    (
        "bare",
        b"unavailable",
        ['the payload "unavailable" says that nothing was measured; look at the sensor'],
        0,
    ),
    (
        "bare",
        b"0x15",
        ['the payload "0x15" is not a plain decimal number; let the sensor send one such as 21.3'],
        0,
    ),
    (
        "bare",
        b"1_000",
        ['the payload "1_000" is not a plain decimal number; let the sensor send one such as 21.3'],
        0,
    ),
    (
        "bare",
        b"1e300",
        ['the payload "1e300" is beyond anything measured here; look at the sensor'],
        0,
    ),
    (
        "bare",
        b"-2000000000",
        ['the payload "-2000000000" is beyond anything measured here; look at the sensor'],
        0,
    ),
    (
        "bare",
        b"1e9999",
        [
            'the payload "1e9999" is not a plain decimal number; let the sensor send '
            "one such as 21.3"
        ],
        0,
    ),
    (
        "bare",
        b"21.3 21.4",
        [
            'the payload "21.3 21.4" is not a plain decimal number; let the sensor '
            "send one such as 21.3"
        ],
        0,
    ),
    (
        "bare",
        b"21.3\x00",
        [
            "the payload holds control characters, so it is binary; let the sensor, or the "
            "gateway that knows it, send JSON or plain numbers"
        ],
        0,
    ),
    (
        "bare",
        b"\xff\xfe2\x001\x00",
        [
            "the payload is binary, not text; let the sensor, or the gateway that knows it, send "
            "JSON or plain numbers in UTF-8"
        ],
        0,
    ),
    (
        "bare",
        b"\xef\xbc\x92\xef\xbc\x91",
        ['the payload "２１" is not a plain decimal number; let the sensor send one such as 21.3'],
        0,
    ),
    (
        "bare",
        b'{"t": 21.3}',
        ['the payload is JSON; say in the settings where the value stands, as in at = "/t"'],
        0,
    ),
    (
        "bare",
        b"[21.3]",
        ['the payload is JSON; say in the settings where the value stands, as in at = "/t"'],
        0,
    ),
    (
        "bare",
        b"true",
        ['the payload "true" is not a plain decimal number; let the sensor send one such as 21.3'],
        0,
    ),
    (
        "bare",
        b"--5",
        ['the payload "--5" is not a plain decimal number; let the sensor send one such as 21.3'],
        0,
    ),
    (
        "bare",
        b"online",
        [
            'the payload "online" is not a plain decimal number; let the sensor send '
            "one such as 21.3"
        ],
        0,
    ),
    (
        "bare",
        b"7" * 70_000,
        [
            "the payload has 70000 bytes, more than the 65536 that are read; let the "
            "sensor send less at a time"
        ],
        0,
    ),
    ("json", b"", ["the payload is empty; let the sensor send JSON"], 0),
    (
        "json",
        b"hello",
        ['the payload is not JSON at character 1, "hello"; let the sensor send valid JSON'],
        0,
    ),
    (
        "json",
        b"21.3",
        [
            "there is nothing at /t, the payload is a number; mend the settings or the sensor",
            "there is nothing at /rh, the payload is a number; mend the settings or the sensor",
        ],
        0,
    ),
    (
        "json",
        b'{"t": 21.3, "rh": 55',
        ["the payload breaks off before the JSON is whole; let the sensor send all of it"],
        0,
    ),
    (
        "json",
        b'{"t": 21.3, "rh": 55} x',
        ['the payload is not JSON at character 23, "x"; let the sensor send valid JSON'],
        0,
    ),
    (
        "json",
        b"{'t': 21.3, 'rh': 55}",
        [
            "the payload is not JSON at character 2, \"'t': 21.3, '\"; let the sensor "
            "send valid JSON"
        ],
        0,
    ),
    (
        "json",
        b'{"t": nan, "rh": 55}',
        ['the payload is not JSON at character 7, "nan, "rh": 5"; let the sensor send valid JSON'],
        0,
    ),
    (
        "json",
        b'{"t": 21,3, "rh": 55}',
        ['the payload is not JSON at character 10, "3, "rh": 55}"; let the sensor send valid JSON'],
        0,
    ),
    (
        "json",
        b'{"t": 021, "rh": 55}',
        ['the payload is not JSON at character 8, "21, "rh": 55"; let the sensor send valid JSON'],
        0,
    ),
    (
        "json",
        b'{"t": 21.3, "t": 21.4, "rh": 55}',
        ['the payload says "t" twice; let the sensor send each name once'],
        0,
    ),
    (
        "json",
        b'{"air": {"x": 1, "x": 2}, "t": 21.3, "rh": 55}',
        ['the payload says "x" twice; let the sensor send each name once'],
        0,
    ),
    (
        "json",
        b"[" * 30_000 + b"]" * 30_000,
        ["the payload is nested too deeply to be read; let the sensor send flat JSON"],
        0,
    ),
    (
        "json",
        b'{"t": 21.3, "rh": ' + b"5" * 5000 + b"}",
        ["the payload has a number too long to be read; look at the sensor"],
        0,
    ),
    (
        "json",
        b'{"t": "\xe9", "rh": 55}',
        ["the payload is not UTF-8 text; let the sensor send JSON in UTF-8"],
        0,
    ),
    (
        "json",
        b'\xef\xbb\xbf{"t": 21.3, "rh": 55}',
        [
            'the payload is not JSON at character 1, "\\ufeff{"t": 21.3,"; let the '
            "sensor send valid JSON"
        ],
        0,
    ),
    (
        "json",
        b'{"t": NaN, "rh": 55}',
        ["the value at /t is NaN: nothing was measured; look at the sensor"],
        1,
    ),
    (
        "json",
        b'{"t": -Infinity, "rh": 55}',
        ["the value at /t is a number beyond anything measured here; look at the sensor"],
        1,
    ),
    (
        "json",
        b'{"t": 1e400, "rh": 55}',
        ["the value at /t is a number beyond anything measured here; look at the sensor"],
        1,
    ),
    (
        "json",
        b'{"t": 1' + b"0" * 400 + b', "rh": 55}',
        ["the value at /t is a number beyond anything measured here; look at the sensor"],
        1,
    ),
    (
        "json",
        b'{"t": true, "rh": 55}',
        ["the value at /t is true, not a number; let the sensor send a number"],
        1,
    ),
    (
        "json",
        b'{"t": null, "rh": 55}',
        ["the value at /t is null: nothing was measured; look at the sensor"],
        1,
    ),
    (
        "json",
        b'{"t": {"value": 21.3}, "rh": 55}',
        ["the value at /t is an object, not a number; let the pointer in the settings go further"],
        1,
    ),
    (
        "json",
        b'{"t": [21.3], "rh": 55}',
        ["the value at /t is an array, not a number; let the pointer in the settings go further"],
        1,
    ),
    (
        "json",
        b'{"temp": 21.3, "hum": 55}',
        [
            "there is nothing at /t, it has /temp, /hum; mend the settings or the sensor",
            "there is nothing at /rh, it has /temp, /hum; mend the settings or the sensor",
        ],
        0,
    ),
    (
        "json",
        b"{}",
        [
            "there is nothing at /t, the payload is empty; mend the settings or the sensor",
            "there is nothing at /rh, the payload is empty; mend the settings or the sensor",
        ],
        0,
    ),
    (
        "json",
        b"[]",
        [
            "there is nothing at /t, the payload is an array; mend the settings or the sensor",
            "there is nothing at /rh, the payload is an array; mend the settings or the sensor",
        ],
        0,
    ),
    (
        "json",
        b'{"t": "\\ud800\\u001b[2J", "rh": 55}',
        [
            'the value at /t is the text "\\ud800\\x1b[2J", not a number; let the '
            "sensor send a number"
        ],
        1,
    ),
    (
        "json",
        b'{"t": 21.3, "rh": '
        b'"longlonglonglonglonglonglonglonglonglonglonglonglonglonglonglonglonglonglonglonglonglonglonglonglonglonglonglonglonglong"}',
        [
            "the value at /rh is the text "
            '"longlonglonglonglonglonglonglonglonglonglonglonglonglongl...", not a '
            "number; let the sensor send a number"
        ],
        1,
    ),
    (
        "json",
        b'{"t": 21.3, "rh": 55, "note": "' + b"x" * 70_000 + b'"}',
        [
            "the payload has 70033 bytes, more than the 65536 that are read; let the "
            "sensor send less at a time"
        ],
        0,
    ),
    (
        "deep",
        b'{"air": {"t": 21.3}}',
        [
            "there is nothing at /air/0/t, it has /air; mend the settings or the sensor",
            "there is nothing at /power/v, it has /air; mend the settings or the sensor",
        ],
        0,
    ),
    (
        "deep",
        b'{"air": [{"t": 21.3}], "power": {"v": "low"}}',
        ['the value at /power/v is the text "low", not a number; let the sensor send a number'],
        1,
    ),
    (
        "whole",
        b'{"t": 21.3}',
        ["the payload is an object, not a number; let the pointer in the settings go further"],
        0,
    ),
    (
        "seconds",
        b'{"t": 21.3}',
        ["there is no time at /ts, it has /t; mend the settings or the sensor"],
        0,
    ),
    (
        "seconds",
        b'{"ts": "2026-07-14T09:30:00Z", "t": 21.3}',
        [
            'the time at /ts is "2026-07-14T09:30:00Z", not a number; send epoch '
            'seconds, or write unit = "iso"'
        ],
        0,
    ),
    (
        "seconds",
        b'{"ts": null, "t": 21.3}',
        ["the time at /ts is null, not a number; send epoch seconds"],
        0,
    ),
    (
        "seconds",
        b'{"ts": true, "t": 21.3}',
        ["the time at /ts is true, not a number; send epoch seconds"],
        0,
    ),
    (
        "seconds",
        b'{"ts": -1, "t": 21.3}',
        ["the time at /ts is not a number of seconds since 1970; send epoch seconds"],
        0,
    ),
    (
        "seconds",
        b'{"ts": NaN, "t": 21.3}',
        ["the time at /ts is not a number of seconds since 1970; send epoch seconds"],
        0,
    ),
    (
        "seconds",
        b'{"ts": 1784000000000, "t": 21.3}',
        [
            "the time at /ts is not a number of seconds since 1970; send epoch "
            'seconds, or write unit = "ms"'
        ],
        0,
    ),
    (
        "seconds",
        b"21.3",
        ["there is no time at /ts, the payload is a number; mend the settings or the sensor"],
        0,
    ),
    (
        "millis",
        b'{"ts": 1784000000000000, "t": 21.3}',
        ["the time at /ts is not a number of milliseconds since 1970; send epoch milliseconds"],
        0,
    ),
    (
        "millis",
        b'{"ts": "now", "t": 21.3}',
        ['the time at /ts is "now", not a number; send epoch milliseconds'],
        0,
    ),
    (
        "iso",
        b'{"when": {}, "t": 21.3}',
        ["there is no time at /when/at, it has /when, /t; mend the settings or the sensor"],
        0,
    ),
    (
        "iso",
        b'{"when": {"at": "2026-07-14"}, "t": 21.3}',
        ['the time at /when/at is "2026-07-14", not ISO 8601; send such as 2026-07-14T09:30:00Z'],
        0,
    ),
    (
        "iso",
        b'{"when": {"at": "14.07.2026 09:30"}, "t": 21.3}',
        [
            'the time at /when/at is "14.07.2026 09:30", not ISO 8601; send such as '
            "2026-07-14T09:30:00Z"
        ],
        0,
    ),
    (
        "iso",
        b'{"when": {"at": "2026-13-14T09:30:00Z"}, "t": 21.3}',
        [
            'the time at /when/at is "2026-13-14T09:30:00Z", not ISO 8601; send such '
            "as 2026-07-14T09:30:00Z"
        ],
        0,
    ),
    (
        "iso",
        b'{"when": {"at": "1960-07-14T09:30:00Z"}, "t": 21.3}',
        ['the time at /when/at is "1960-07-14T09:30:00Z", before 1970; set the sensor\'s clock'],
        0,
    ),
    (
        "iso",
        b'{"when": {"at": 1784000000}, "t": 21.3}',
        ["the time at /when/at is a number, not ISO 8601; send such as 2026-07-14T09:30:00Z"],
        0,
    ),
    ("senml", b"21.3", ["a SenML pack is a JSON array of records; send [{…}, {…}]"], 0),
    (
        "senml",
        b'{"e": [{"n": "temp", "v": 21.3}]}',
        ["a SenML pack is a JSON array of records; send [{…}, {…}]"],
        0,
    ),
    ("senml", b"[21.3]", ["SenML record 0 is not an object; send [{…}, {…}]"], 0),
    ("senml", b'[{"bn": 5, "v": 21.3}]', ['"bn" of SenML record 0 is not text; send text'], 0),
    (
        "senml",
        b'[{"bn": "x", "bt": "yesterday", "v": 21.3}]',
        ['"bt" of SenML record 0 is not a number; send a number'],
        0,
    ),
    (
        "senml",
        b'[{"bver": 11, "n": "x", "v": 21.3}]',
        ["the SenML pack is of version 11; send version 10 or older"],
        0,
    ),
    (
        "senml",
        b'[{"n": "x", "v": 21.3, "depth_": 4}]',
        [
            "SenML record 0 has a field that must be understood and is not known here"
            " (its name ends in _); send records without it"
        ],
        0,
    ),
    (
        "senml",
        b"[]",
        ["the SenML pack has no record rail:temp, the payload is empty; mend the settings"],
        0,
    ),
    (
        "senml",
        b'[{"bn": "rail:", "bt": 1784000000, "n": "hum", "u": "%RH", "v": 55}]',
        ["the SenML pack has no record rail:temp, it has rail:hum; mend the settings"],
        0,
    ),
    (
        "senml",
        b'[{"bn": "rail:", "bt": 1784000000, "n": "temp", "u": "lx", "v": 55}]',
        [
            "SenML record rail:temp is in lx, which cannot become °C for the "
            "temperature; let the sensor send another unit or mend the settings"
        ],
        0,
    ),
    (
        "senml",
        b'[{"bn": "rail:", "bt": 1784000000, "n": "temp", "vs": "warm"}]',
        ["SenML record rail:temp has a text, not a value; let the sensor send v"],
        0,
    ),
    (
        "senml",
        b'[{"bn": "rail:", "bt": 1784000000, "n": "temp", "vb": true}]',
        ["SenML record rail:temp has a yes or no, not a value; let the sensor send v"],
        0,
    ),
    (
        "senml",
        b'[{"bn": "rail:", "bt": 1784000000, "n": "temp", "vd": "aGk"}]',
        ["SenML record rail:temp has binary data, not a value; let the sensor send v"],
        0,
    ),
    (
        "senml",
        b'[{"bn": "rail:", "bt": 1784000000, "n": "temp", "s": 12.5}]',
        ["SenML record rail:temp has only a sum, not a value; let the sensor send v"],
        0,
    ),
    (
        "senml",
        b'[{"bn": "rail:", "bt": 1784000000, "n": "temp", "v": "21.3"}]',
        [
            'the value of SenML record rail:temp is the text "21.3", not a number; '
            "let the sensor send a number"
        ],
        0,
    ),
    (
        "senml",
        b'[{"bn": "rail:", "bt": 1784000000, "bv": 1e300, "n": "temp", "v": 21.3}]',
        [
            "the value of SenML record rail:temp is a number beyond anything measured"
            " here; look at the sensor"
        ],
        0,
    ),
    (
        "senml",
        b'[{"bn": "rail:", "n": "temp", "u": "Cel", "v": 21.3}]',
        [
            "SenML record rail:temp does not say when it was measured; let the sensor"
            ' send bt or t as epoch seconds, or write time = "arrival" in its '
            "settings"
        ],
        0,
    ),
    (
        "senml",
        b'[{"bn": "rail:", "n": "temp", "u": "Cel", "v": 21.3, "t": -60}]',
        [
            "SenML record rail:temp does not say when it was measured; let the sensor"
            ' send bt or t as epoch seconds, or write time = "arrival" in its '
            "settings"
        ],
        0,
    ),
    (
        "senml",
        b'[{"bn": "rail:", "n": "temp", "u": "Cel", "v": 21.3, "t": 1e15}]',
        [
            "the time of SenML record rail:temp is not a number of seconds since "
            "1970; send epoch seconds"
        ],
        0,
    ),
]


@pytest.mark.parametrize(("name", "payload", "said", "readings"), WRONG)
def test_a_wrong_payload_gets_its_sentence(name, payload, said, readings):
    decoded = decode(name, payload)
    assert sentences(decoded) == [f"{name}: {one}." for one in said]
    assert len(decoded.readings) == readings


def test_there_are_many_kinds_of_wrong_payloads():
    assert len({(name, payload) for name, payload, _, _ in WRONG}) == len(WRONG)
    assert len(WRONG) >= 85


@pytest.mark.parametrize(
    ("payload", "value"),
    [
        ("21.3", 21.3),
        ("21.3 ", 21.3),
        ("\t 21.3\r\n", 21.3),
        ("-4", -4.0),
        ("+7.5", 7.5),
        (".5", 0.5),
        ("21.", 21.0),
        ("2.13e1", 21.3),
        ("0", 0.0),
        ("007", 7.0),
    ],
)
def test_bare_numbers(payload, value):
    decoded = decode("bare", payload)
    assert decoded.readings == [("bare", Quantity.TEMPERATURE, value, None)]
    assert decoded.failures == []


def test_json_with_a_time_in_seconds_milliseconds_microseconds_and_iso_8601():
    said = Quantity.TEMPERATURE
    for name, payload, time_ms in (
        ("seconds", '{"ts": 1784021400, "t": 21.3}', 1_784_021_400_000),
        ("seconds", '{"ts": 1784021400.25, "t": 21.3}', 1_784_021_400_250),
        ("seconds", '{"ts": "1784021400", "t": 21.3}', 1_784_021_400_000),
        ("millis", '{"ts": 1784021400250, "t": 21.3}', 1_784_021_400_250),
        ("micros", '{"ts": 1784021400250999, "t": 21.3}', 1_784_021_400_251),
        ("iso", '{"when": {"at": "2026-07-14T09:30:00Z"}, "t": 21.3}', 1_784_021_400_000),
        ("iso", '{"when": {"at": "2026-07-14T10:30:00+01:00"}, "t": 21.3}', 1_784_021_400_000),
        ("iso", '{"when": {"at": "2026-07-14T09:30:00.250Z"}, "t": 21.3}', 1_784_021_400_250),
        ("iso", '{"when": {"at": "20260714T093000Z"}, "t": 21.3}', 1_784_021_400_000),
        ("seconds", '{"ts": 0, "t": 21.3}', 0),  # 1970: whether that can be is judged elsewhere
    ):
        assert decode(name, payload).readings == [(name, said, 21.3, time_ms)]


def test_a_minus_in_the_offset_means_west_and_so_later_in_utc():
    west = decode("iso", '{"when": {"at": "2026-07-14T09:30:00-01:00"}, "t": 21.3}').readings[0]
    east = decode("iso", '{"when": {"at": "2026-07-14T09:30:00+01:00"}, "t": 21.3}').readings[0]
    assert west[3] - east[3] == 2 * 3_600_000


def test_a_message_without_one_of_the_quantities_is_read_and_nothing_is_said():
    for payload in ('{"air": [{"t": 21.3}]}', '{"power": {"v": 3.0}}'):
        decoded = decode("deep", payload)
        assert len(decoded.readings) == 1
        assert sentences(decoded) == []
    assert len(sentences(decode("deep", '{"on": true}'))) == 2
    # null is said all the same: a probe that is out of order looks just like that
    assert len(sentences(decode("json", '{"t": null, "rh": 55}'))) == 1


@pytest.mark.parametrize(
    ("text", "unit", "kept"),
    [
        ("22.41", "°C", 22.41),
        ("22,41", "°C", 22.41),
        (" 22.4 °C ", "°C", 22.4),
        ("71.6 °F", "°C", 22.0),  # the unit that stands in the text holds
        ("-3C", "°C", -3.0),
        ("−3", "°C", -3.0),
        ("295.15 K", "°C", 22.0),
    ],
)
def test_numbers_as_text(text, unit, kept):
    said = f'{{"t": "{text}", "rh": "55 %"}}'
    assert values(decode("json", said)) == [pytest.approx(kept), 55.0]
    assert values(decode("bare", text)) == [pytest.approx(kept)]
    assert values(decode("bare", f'"{text}"')) == [pytest.approx(kept)]


def test_tenths_and_hundredths():
    reads = {
        Quantity.TEMPERATURE: ReadAs("°F", "/t", scale=0.1),
        Quantity.HUMIDITY: ReadAs("%", "/h", scale=0.01),
    }
    one = Sensor("x", "loft", "x", 60.0, reads)
    message = Message("x", b'{"t": 716, "h": 5525}', ARRIVED_MS, False)
    assert values(Decoder({"x": one}).decode(message)) == [pytest.approx(22), pytest.approx(55.25)]


def test_a_time_without_offset_is_the_sites():
    at = {Quantity.TEMPERATURE: ReadAs("°C", "/t")}
    decoder = Decoder({"x": Sensor("x", "loft", "x", 60, at, TimeAt("/at", "iso"))}, "Europe/Paris")

    def time_ms(text: str, arrived_ms: int = ARRIVED_MS) -> int | None:
        payload = json.dumps({"at": text, "t": 20}).encode()
        return decoder.decode(Message("x", payload, arrived_ms, False)).readings[0][3]

    assert time_ms("2026-07-14 11:30:00") == 1_784_021_400_000
    assert time_ms("2026-07-14T09:30:00Z") == 1_784_021_400_000
    # 2026-10-25, 02:30 comes twice in Paris: at 00:30 and at 01:30 UTC
    first, second = 1_792_888_200_000, 1_792_891_800_000
    assert time_ms("2026-10-25T02:30:00", first + 1000) == first
    assert time_ms("2026-10-25T02:30:00", second + 1000) == second


def test_one_message_feeds_several_sensors():
    lone = {
        "a": Sensor("a", "loft", "hub", 60.0, {Quantity.TEMPERATURE: ReadAs("°C", "/a")}),
        "b": Sensor("b", "loft", "hub", 60.0, {Quantity.TEMPERATURE: ReadAs("°C", "/b")}),
        "c": Sensor("c", "loft", "+", 60.0, {Quantity.TEMPERATURE: ReadAs("°F", "/a")}),
    }
    decoded = Decoder(lone).decode(Message("hub", b'{"a": 50}', ARRIVED_MS, False))
    assert decoded.readings == [
        ("a", Quantity.TEMPERATURE, 50.0, None),
        ("c", Quantity.TEMPERATURE, pytest.approx(10.0), None),
    ]
    assert decoded.failures == []
    decoded = Decoder(lone).decode(Message("hub", b'{"on": 1}', ARRIVED_MS, False))
    assert [(who, str(why)) for who, why in decoded.failures] == [
        (name, f"hub: there is nothing at /{at}, it has /on; mend the settings or the sensor.")
        for name, at in (("a", "a"), ("b", "b"), ("c", "a"))
    ]


def test_a_topic_that_no_sensor_reads_is_said():
    decoded = Decoder(SENSORS).decode(Message("strange/\x07", b"1", ARRIVED_MS, False))
    assert [(who, str(why)) for who, why in decoded.failures] == [
        (None, "strange/\\x07: no sensor of the settings reads this topic; add one that does.")
    ]


def test_a_quantity_may_have_a_topic_of_its_own():
    reads = {
        Quantity.TEMPERATURE: ReadAs("°C", topic="loft/+/t"),
        Quantity.HUMIDITY: ReadAs("1", topic="loft/rail/h"),
    }
    decoder = Decoder({"rail": Sensor("rail", "loft", None, 60.0, reads)})
    assert decoder.filters() == [("loft/+/t", False), ("loft/rail/h", False)]
    for topic, payload, what, value in (
        ("loft/rail/t", b"21.3", Quantity.TEMPERATURE, 21.3),
        ("loft/rail/h", b"0.5", Quantity.HUMIDITY, 50.0),
    ):
        decoded = decoder.decode(Message(topic, payload, ARRIVED_MS, False))
        assert decoded.readings == [("rail", what, value, None)]


def test_filters_tell_which_readings_carry_their_time():
    assert Decoder(SENSORS).filters() == sorted(
        (str(one.topic), one.name in ("seconds", "millis", "micros", "iso", "senml", "mobile"))
        for one in SENSORS.values()
    )


# RFC 6901, section 5: the document and the table of its pointers.
RFC_6901 = r"""
   {
      "foo": ["bar", "baz"],
      "": 0,
      "a/b": 1,
      "c%d": 2,
      "e^f": 3,
      "g|h": 4,
      "i\\j": 5,
      "k\"l": 6,
      " ": 7,
      "m~n": 8
   }
"""


@pytest.mark.parametrize(
    ("at", "value"),
    [
        ("", json.loads(RFC_6901)),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_pointers_lead_where_rfc_6901_section_5_says(at, value):
    assert follow(parse_json(RFC_6901), tokens(at)) == value
    assert pointer(*tokens(at)) == at


@pytest.mark.parametrize(
    ("at", "value"), [("/a~1b", 1.0), ("/", 0.0), ("/m~0n", 8.0), ("/ ", 7.0), ("/c%d", 2.0)]
)
def test_the_decoder_follows_the_same_pointers(at, value):
    one = Sensor("x", "loft", "x", 60.0, {Quantity.TEMPERATURE: ReadAs("°C", at)})
    decoded = Decoder({"x": one}).decode(Message("x", RFC_6901.encode(), ARRIVED_MS, False))
    assert values(decoded) == [value]


def test_pointers_into_arrays():
    document = parse_json('{"a": [10, [20, 30]], "01": 5}')
    # RFC 6901 section 4: no leading zeros, "-" is the element after the last and does not exist.
    for at, value in (
        ("/a/0", 10),
        ("/a/1/1", 30),
        ("/01", 5),
        ("/a/00", MISSING),
        ("/a/-", MISSING),
        ("/a/2", MISSING),
        ("/a/-1", MISSING),
        ("/a/0/0", MISSING),
        ("/a/99999999999999999999", MISSING),
    ):
        assert follow(document, tokens(at)) == value


@pytest.mark.parametrize("wrong", ["t", "t/x", "/a~", "/a~2b", " /t"])
def test_malformed_pointers_are_refused(wrong):  # RFC 6901 section 3
    with pytest.raises(ValueError, match=r'does not begin with "/"|"~" that is not followed'):
        tokens(wrong)


def test_senml_single_data_point():  # RFC 8428 section 5.1.1: without a time, "approximately now"
    pack = '[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]'
    reads = {Quantity.TEMPERATURE: ReadAs("°C", senml_name=ID)}
    message = Message("x", pack.encode(), ARRIVED_MS, False)
    one = Sensor("x", "loft", "x", 60.0, reads, on_arrival=True)
    assert Decoder({"x": one}).decode(message).readings == [("x", Quantity.TEMPERATURE, 23.1, None)]
    promised = Decoder({"x": Sensor("x", "loft", "x", 60.0, reads)}).decode(message)
    assert promised.readings == []
    assert "does not say when it was measured" in sentences(promised)[0]


def test_senml_multiple_data_points():  # RFC 8428 section 5.1.2, both packs
    now = """[
      {"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},
      {"n":"current","u":"A","v":1.2}
    ]"""
    before = """[
      {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,
       "bu":"A","bver":5,
       "n":"voltage","u":"V","v":120.1},
      {"n":"current","t":-5,"v":1.2},
      {"n":"current","t":-4,"v":1.3},
      {"n":"current","t":-3,"v":1.4},
      {"n":"current","t":-2,"v":1.5},
      {"n":"current","t":-1,"v":1.6},
      {"n":"current","v":1.7}
    ]"""
    for pack, name, time_ms in (
        (now, "urn:dev:ow:10e2073a01080063:voltage", None),
        # "Tue Jun 8 18:01:16.001 UTC 2010"
        (before, "urn:dev:ow:10e2073a0108006:voltage", 1_276_020_076_001),
    ):
        reads = {Quantity.BATTERY: ReadAs("V", senml_name=name)}
        one = Sensor("x", "loft", "x", 60.0, reads, on_arrival=True)
        decoded = Decoder({"x": one}).decode(Message("x", pack.encode(), ARRIVED_MS, False))
        assert decoded.readings == [("x", Quantity.BATTERY, 120.1, time_ms)]


MOBILE = """[
  {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
  {"u":"lon","v":24.30621},
  {"u":"lat","v":60.07965},
  {"t":60,"v":20.3},
  {"u":"lon","t":60,"v":24.30622},
  {"u":"lat","t":60,"v":60.07965},
  {"t":120,"v":20.7},
  {"u":"lon","t":120,"v":24.30623},
  {"u":"lat","t":120,"v":60.07966},
  {"u":"%EL","t":150,"v":98},
  {"t":180,"v":21.2},
  {"u":"lon","t":180,"v":24.30628},
  {"u":"lat","t":180,"v":60.07967}
]"""


def test_senml_multiple_measurements():  # RFC 8428 section 5.1.3, "Mon Oct 31 13:24:24 UTC 2011"
    start = 1_320_067_464_000
    assert decode("mobile", MOBILE).readings == [
        ("mobile", Quantity.HUMIDITY, 20.0, start),
        ("mobile", Quantity.HUMIDITY, 20.3, start + 60_000),
        ("mobile", Quantity.HUMIDITY, 20.7, start + 120_000),
        ("mobile", Quantity.HUMIDITY, 21.2, start + 180_000),
        ("mobile", Quantity.BATTERY, 98.0, start + 150_000),
    ]
    assert decode("mobile", MOBILE).failures == []


def test_senml_resolved_data_says_the_same():  # RFC 8428 section 5.1.4: the same, resolved
    name, start = "urn:dev:ow:10e2073a01080063", 1_320_067_464
    resolved = [
        {"n": name, "u": "%RH", "t": start, "v": 20},
        {"n": name, "u": "%RH", "t": start + 60, "v": 20.3},
        {"n": name, "u": "%RH", "t": start + 120, "v": 20.7},
        {"n": name, "u": "%EL", "t": start + 150, "v": 98},
        {"n": name, "u": "%RH", "t": start + 180, "v": 21.2},
    ]
    same = decode("mobile", json.dumps(resolved))
    assert same.readings == decode("mobile", MOBILE).readings


def test_senml_multiple_data_types():  # RFC 8428 section 5.1.5
    pack = """[
      {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
      {"n":"label","vs":"Machine Room"},
      {"n":"open","vb":false},
      {"n":"nfc-reader","vd":"aGkgCg"}
    ]"""
    reads = {Quantity.TEMPERATURE: ReadAs("°C", senml_name=ID + ":temp")}
    one = Sensor("x", "loft", "x", 60.0, reads, on_arrival=True)
    decoded = Decoder({"x": one}).decode(Message("x", pack.encode(), ARRIVED_MS, False))
    assert decoded == ([("x", Quantity.TEMPERATURE, 23.1, None)], [])


def test_senml_collection_of_resources():  # RFC 8428 section 5.1.6, "Mon Oct 31 16:27:09 UTC 2011"
    pack = """[
      {"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},
      {"n":"humidity","u":"%RH","v":30},
      {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
      {"n":"humidity","u":"%RH","v":67}
    ]"""
    for address, temperature, humidity in (("2001:db8::2/", 25.2, 30), ("2001:db8::1/", 12.3, 67)):
        reads = {
            Quantity.TEMPERATURE: ReadAs("°C", senml_name=address + "temperature"),
            Quantity.HUMIDITY: ReadAs("%", senml_name=address + "humidity"),
        }
        one = Sensor("x", "loft", "x", 60.0, reads)
        decoded = Decoder({"x": one}).decode(Message("x", pack.encode(), ARRIVED_MS, False))
        assert decoded.readings == [
            ("x", Quantity.TEMPERATURE, temperature, 1_320_078_429_000),
            ("x", Quantity.HUMIDITY, humidity, 1_320_078_429_000),
        ]


def test_senml_base_record_and_base_value():
    # RFC 8428 section 5.1.7 begins with a record of base fields alone; base value: section 4.1.
    pack = [
        {"bn": "rail:", "bt": 1_784_021_400, "bv": 20},
        {"n": "temp", "u": "Cel", "v": 1.5},
        {"n": "temp", "u": "K", "v": 274.65, "t": -60},
    ]
    assert decode("senml", json.dumps(pack)).readings == [
        ("senml", Quantity.TEMPERATURE, 21.5, 1_784_021_400_000),
        ("senml", Quantity.TEMPERATURE, pytest.approx(21.5), 1_784_021_340_000),
    ]


def test_senml_times_below_two_to_the_28_are_relative():  # RFC 8428 section 4.5.3
    def record(time: float) -> str:
        return json.dumps([{"n": "rail:temp", "u": "Cel", "v": 21.3, "t": time}])

    def time_ms(time: float) -> int | None:
        return decode("senml", record(time), on_arrival=True).readings[0][3]

    assert time_ms(-90) == ARRIVED_MS - 90_000
    assert time_ms(2**28 - 1) == ARRIVED_MS + (2**28 - 1) * 1000
    assert time_ms(2**28) == 2**28 * 1000
    retained = decode("senml", record(-90), on_arrival=True, retained=True)
    assert sentences(retained) == [
        "senml: SenML record rail:temp is kept by the broker with a relative time, so that nobody "
        "knows when it was measured; let the sensor send without the retain flag."
    ]


@pytest.mark.parametrize(
    ("quantity", "unit", "sent", "kept"),
    [
        # fixed points: ice and steam by definition of the scales (NIST SP 811, appendix B.8)
        (Quantity.TEMPERATURE, "°F", 32, 0.0),
        (Quantity.TEMPERATURE, "°F", 212, 100.0),
        (Quantity.TEMPERATURE, "°F", -40, -40.0),
        (Quantity.TEMPERATURE, "K", 273.15, 0.0),
        (Quantity.TEMPERATURE, "°C", 21.3, 21.3),
        (Quantity.SURFACE_TEMPERATURE, "°F", 50, 10.0),
        (Quantity.HUMIDITY, "1", 0.55, 55.0),
        (Quantity.HUMIDITY, "%", 55, 55.0),
        (Quantity.ILLUMINANCE, "klx", 1.2, 1200.0),
        (Quantity.ILLUMINANCE, "lx", 1200, 1200.0),
        (Quantity.IRRADIANCE, "W/m2", 812.5, 812.5),
        (Quantity.PRESSURE, "hPa", 1013.25, 101_325.0),  # the standard atmosphere, SI Brochure
        (Quantity.PRESSURE, "Pa", 101_325, 101_325.0),
        (Quantity.MASS, "kg", 0.412, 412.0),
        (Quantity.MASS, "g", 412, 412.0),
        (Quantity.BATTERY, "%", 93, 93.0),
        (Quantity.BATTERY, "1", 0.93, 93.0),
        (Quantity.BATTERY, "V", 3.01, 3.01),
        (Quantity.SIGNAL, "dBm", -61, -61.0),
        (Quantity.PRESSURE, "kPa", 101.3, 101_300.0),
        (Quantity.RAIN, "mm", 0.2, 0.2),
        (Quantity.RAIN, "in", 0.01, 0.254),  # NIST SP 811, appendix B.8
    ],
)
def test_units_are_converted_on_the_way_in(quantity, unit, sent, kept):
    one = Sensor("x", "loft", "x", 60.0, {quantity: ReadAs(unit, "/v")})
    payload = json.dumps({"v": sent}).encode()
    decoded = Decoder({"x": one}).decode(Message("x", payload, ARRIVED_MS, False))
    assert values(decoded) == [pytest.approx(kept, abs=1e-9)]


def test_which_way_units_go():
    # 80 °F is a hot day, 1 klx is more than 1 lx, 1 hPa more than 1 Pa, 1 kg more than 1 g
    for quantity, unit, low, high in (
        (Quantity.TEMPERATURE, "°F", 26, 27),
        (Quantity.TEMPERATURE, "K", -194, -193),
        (Quantity.ILLUMINANCE, "klx", 79_999, 80_001),
        (Quantity.PRESSURE, "hPa", 7_999, 8_001),
        (Quantity.MASS, "kg", 79_999, 80_001),
    ):
        shift, factor = quantity.row.units[unit]
        assert low < (80 + shift) * factor < high


def test_every_unit_of_every_quantity_makes_a_decoder():
    for quantity in Quantity:
        for unit in units(quantity):
            one = Sensor("x", "loft", "x", 60.0, {quantity: ReadAs(unit)})
            decoded = Decoder({"x": one}).decode(Message("x", b"1", ARRIVED_MS, False))
            assert len(decoded.readings) == 1


# OASIS MQTT 5.0, section 4.7.1.2, 4.7.1.3 and 4.7.2: the standard's own examples.
@pytest.mark.parametrize(
    ("topic_filter", "topic", "does"),
    [
        ("sport/tennis/player1/#", "sport/tennis/player1", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/ranking", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
        ("sport/#", "sport", True),
        ("#", "sport/tennis", True),
        ("sport/tennis/+", "sport/tennis/player1", True),
        ("sport/tennis/+", "sport/tennis/player2", True),
        ("sport/tennis/+", "sport/tennis/player1/ranking", False),
        ("sport/+", "sport", False),
        ("sport/+", "sport/", True),
        ("+/+", "/finance", True),
        ("/+", "/finance", True),
        ("+", "/finance", False),
        ("#", "$SYS/monitor/Clients", False),
        ("+/monitor/Clients", "$SYS/monitor/Clients", False),
        ("$SYS/#", "$SYS/monitor/Clients", True),
        ("$SYS/monitor/+", "$SYS/monitor/Clients", True),
        ("ACCOUNTS", "Accounts", False),  # section 4.7.3: topics are case sensitive
    ],
)
def test_topic_filters_match_as_the_standard_says(topic_filter, topic, does):
    assert matches(topic_filter, topic) is does


@pytest.mark.parametrize(
    ("topic_filter", "problem"),
    [
        ("barn/loft", None),
        ("#", None),
        ("+/tennis/#", None),  # valid in section 4.7.1.3
        ("sport/+/player1", None),
        ("sport/tennis#", 'has a "#" that does not stand alone at the end'),
        ("sport/tennis/#/ranking", 'has a "#" that does not stand alone at the end'),
        ("sport+", 'has a "+" that does not stand alone between slashes'),
        ("", "is empty"),
        ("barn\x00", "holds a character that cannot be printed"),
        ("é" * 40_000, "is longer than 65535 bytes"),
        ("$share/all/barn", "is a shared subscription, of which each reader gets only a part"),
    ],
)
def test_topic_filters_are_checked_as_the_standard_says(topic_filter, problem):
    assert filter_problem(topic_filter) == problem


levels = st.lists(st.sampled_from(["a", "b", ""]), min_size=1, max_size=4).map("/".join)
filters = st.lists(st.sampled_from(["a", "b", "+", "#"]), min_size=1, max_size=4).map("/".join)
filters = filters.filter(lambda one: filter_problem(one) is None)


@given(filters, filters, levels)
def test_filters_that_share_a_topic_overlap(one, other, topic):
    if matches(one, topic) and matches(other, topic):
        assert overlap(one, other)
    assert overlap(one, other) == overlap(other, one)


def test_filters_that_share_no_topic_do_not_overlap():
    for one, other in (("a/b", "a"), ("a/+", "a"), ("a/b", "b/b"), ("+/x", "$SYS/x")):
        assert not overlap(one, other)


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(["t", "rh", "ts", "air", "n", "v", "bn", "bt", "bver", "u", ""]),
            inner,
            max_size=6,
        )
    ),
    max_leaves=12,
)


def check_whatever(payload: bytes) -> None:
    for one in SENSORS.values():
        decoder = Decoder({one.name: one})
        decoded = decoder.decode(Message(str(one.topic), payload, ARRIVED_MS, False))
        assert all(math.isfinite(value) for _, _, value, _ in decoded.readings)
        assert all(time is None or time >= 0 for _, _, _, time in decoded.readings)
        for _, problem in decoded.failures:
            assert isinstance(problem, PayloadError)
            assert str(problem).isprintable()
            assert str(problem).endswith(".")
        assert decoded.readings or decoded.failures


@given(st.binary(max_size=200))
def test_no_bytes_ever_raise(payload):
    check_whatever(payload)


@given(json_values)
def test_no_json_ever_raises(document):
    check_whatever(json.dumps(document).encode())


@given(st.floats(-1e9, 1e9), st.floats(0, 1e9))
def test_numbers_come_through_as_they_were_sent(temperature, seconds):
    payload = json.dumps({"t": temperature, "ts": seconds})
    assert decode("seconds", payload).readings == [
        ("seconds", Quantity.TEMPERATURE, temperature, round(seconds * 1000))
    ]
    assert values(decode("bare", repr(temperature))) == [temperature]
