"""What `listen` tells of a real broker, and what it makes of strange payloads."""

from __future__ import annotations

import tomllib
from threading import Thread

import pytest

from monitor.edges.listen import listen, note, report
from monitor.edges.mqtt import Broker, Guest
from monitor.intake.guesses import propose
from monitor.intake.proposals import TopicHeard, settings_lines

NOW_MS = 1_780_000_000_000


def test_groups_rates_and_what_lay_there(mosquitto: Broker) -> None:
    with Guest(mosquitto) as guest:
        guest.publish("barn/loft/lamp", b"on", retain=True)
        guest.settle()

        def keep_on() -> None:
            for n in range(8):
                guest.publish("barn/loft/rail", b'{"ts": 1780000000, "t": 21.%d, "rh": 55}' % n)
                guest.settle()
                guest.turn(0.1)
                guest.turn(0.1)

        thread = Thread(target=keep_on)
        thread.start()
        said: list[str] = []
        heard = listen(mosquitto, 3.0, lambda: NOW_MS, say=said.append)
        thread.join()
    assert [one.topic for one in heard] == ["barn/loft/lamp", "barn/loft/rail"]
    assert (heard[0].retained, heard[0].count) == (True, 0)
    assert heard[1].count >= 5
    text = report(heard, 3.0)
    assert "a retained one lay there, nothing new" in text
    assert "last: on" in text
    assert 'time = { at = "/ts", unit = "s" }' in text
    assert said[0].startswith("Listening at 127.0.0.1, port ")


@pytest.mark.parametrize(
    ("topic", "payload", "reads", "time"),
    [
        ("a/temperature", b"21.4", {"temperature": {"unit": "°C"}}, None),
        ("a/temp_f", b"71", {"temperature": {"unit": "°F"}}, None),
        ("a/humidity", b"0.55", {"humidity": {"unit": "1"}}, None),
        ("a/light", b"310", {"illuminance": {"unit": "lx"}}, None),
        (
            "a/b",
            b'{"when": "2026-05-28T20:00:00Z", "air": {"airTemp": 20.5, "hum1": 61}, "vbat": 3.1}',
            {
                "temperature": {"at": "/air/airTemp", "unit": "°C"},
                "humidity": {"at": "/air/hum1", "unit": "%"},
                "battery": {"at": "/vbat", "unit": "V"},
            },
            {"at": "/when", "unit": "iso"},
        ),
        (
            "a/b",
            b'{"time": 1780000000000, "pressure": 1002.4, "weight_kg": 1.25, "rssi": -71}',
            {
                "pressure": {"at": "/pressure", "unit": "hPa"},
                "mass": {"at": "/weight_kg", "unit": "kg"},
                "signal": {"at": "/rssi", "unit": "dBm"},
            },
            {"at": "/time", "unit": "ms"},
        ),
        (
            "a/b",
            b'{"a/b~c": {"lux": 12}}',
            {"illuminance": {"at": "/a~1b~0c/lux", "unit": "lx"}},
            None,
        ),
        (
            "a/b",  # RFC 8428, section 5.1.3: base fields hold for the records after them
            b'[{"bn": "rail:", "bt": 1780000000, "n": "temp", "u": "Cel", "v": 22.1},'
            b' {"n": "rh", "u": "%RH", "v": 60}]',
            {
                "temperature": {"senml": "rail:temp", "unit": "°C"},
                "humidity": {"senml": "rail:rh", "unit": "%"},
            },
            None,
        ),
    ],
)
def test_settings_can_be_pasted(
    topic: str, payload: bytes, reads: dict[str, object], time: dict[str, str] | None
) -> None:
    arrived_ms = [NOW_MS + 15_000 * n for n in range(4)]
    (proposal,) = propose([TopicHeard(topic, payload, 4, arrived_ms=arrived_ms)]).proposals
    pasted = tomllib.loads(settings_lines(proposal))
    (sensor,) = pasted["sensor"]
    assert sensor["topic"] == topic
    assert sensor["every"] == "15 s"
    assert sensor["reads"] == reads
    assert sensor.get("time") == time


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"on",
        b"\xff\xfe",
        b"NaN",
        b"1e400",
        b"1" * 5000,
        b"[" * 100_000,
        b'{"a":' * 900 + b"1" + b"}" * 900,
        b'{"t": true, "rh": null, "lux": "bright"}',
        b'{"t": 1' + b"0" * 400 + b"}",
        b"[]",
        b"{}",
        b'[{"n": 1, "v": "x"}]',
    ],
)
def test_what_is_not_understood_gives_no_settings(payload: bytes) -> None:
    heard = [TopicHeard("a/temperature", payload, 1)]
    told = propose(heard)
    assert told.proposals == []
    assert "[[sensor]]" not in report(heard, 60.0)
    assert told.reasons


def test_control_characters_never_reach_the_terminal() -> None:
    nasty = "a\x1b[2J/temp\x07\x9b\u202e"
    text = report(
        [TopicHeard(nasty, b"21.4", 1), TopicHeard(nasty + "x", b'{"\x1b]0;t": "\x07"}', 1)], 60.0
    )
    assert all(c == "\n" or c.isprintable() for c in text)
    assert "\\x1b[2J" in text
    assert "its topic is too long or holds unprintable signs" in text


def test_what_must_be_copied_is_not_cut() -> None:
    topic = "croft/" + "hay/" * 40 + "rail"
    assert f'topic = "{topic}"' in report([TopicHeard(topic, b'{"t": 21.5}', 1)], 60.0)


def test_messages_of_one_topic_that_are_built_otherwise_are_all_looked_at() -> None:
    one = TopicHeard("croft/rail")
    for n, payload in enumerate((b'{"t": 21.5}', b'{"rh": 55}', b'{"t": 21.6}')):
        note(one, payload, NOW_MS + n * 10_000, False)
    (proposal,) = propose([one]).proposals
    assert set(proposal.sensor.reads) == {"temperature", "humidity"}
    assert proposal.sensor.every_s == 10


def test_nothing_heard_says_what_to_do() -> None:
    assert report([], 10).startswith("Nothing was heard in 10 s.")
