"""Publishing recordings through a real broker."""

from __future__ import annotations

import gzip
import json
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Thread

import pytest

from monitor.edges import broker as brokers
from monitor.edges.mqtt import Broker, BrokerError
from monitor.edges.recordings import Recorded, RecordingError, recorded, replay
from tests.edges.conftest import Brokers, Owner

START = datetime(2026, 7, 1, tzinfo=UTC)
MakeOwner = Callable[..., Owner]


def lines(count: int, every_s: int = 60) -> str:
    out = []
    for n in range(count):
        at = START + timedelta(seconds=n * every_s)
        out.append(json.dumps({"at": at.isoformat(), "topic": "barn/loft", "payload": f"{n}"}))
    return "\n".join(out) + "\n"


def test_plain_gzip_and_bytes(tmp_path: Path) -> None:
    text = (
        lines(2) + '\n{"at": "2026-07-01T02:00:00+02:00", "topic": "x", "payload_base64": "/wA="}\n'
    )
    plain, packed = tmp_path / "a.jsonl", tmp_path / "a.jsonl.gz"
    plain.write_text(text)
    packed.write_bytes(gzip.compress(text.encode()))
    # 2026-07-01T00:00:00Z is 1782864000: date -u -d 2026-07-01 +%s
    expected = [
        Recorded(1_782_864_000_000, "barn/loft", b"0"),
        Recorded(1_782_864_060_000, "barn/loft", b"1"),
        Recorded(1_782_864_000_000, "x", b"\xff\x00"),
    ]
    assert list(recorded(plain)) == expected
    assert list(recorded(packed)) == expected


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("{", ":2: Expecting property name"),
        ("[]", ":2: this is no JSON object"),
        ('{"topic": "x", "payload": "1"}', ":2: 'at' is missing"),
        ('{"at": "noon", "topic": "x", "payload": "1"}', ":2: Invalid isoformat string: 'noon'"),
        ('{"at": "2026-07-01", "topic": "x", "payload_base64": "?"}', ":2: payload_base64"),
    ],
)
def test_a_line_that_cannot_be_read_is_named(tmp_path: Path, line: str, told: str) -> None:
    file = tmp_path / "bad.jsonl"
    file.write_text(lines(1) + line + "\n")
    with pytest.raises(RecordingError, match=r"was expected\.$") as caught:
        list(recorded(file))
    assert f"{file}{told}" in str(caught.value)


def test_a_cut_gzip_file_and_a_missing_one(tmp_path: Path) -> None:
    cut = tmp_path / "cut.gz"
    cut.write_bytes(gzip.compress(lines(1000).encode())[:500])
    with pytest.raises(RecordingError, match="cannot be read"):
        list(recorded(cut))
    with pytest.raises(RecordingError, match="cannot be read"):
        list(recorded(tmp_path / "missing"))


def test_at_full_speed_all_of_it_arrives_in_order(
    mosquitto: Broker, owner: MakeOwner, tmp_path: Path
) -> None:
    file = tmp_path / "a.jsonl"
    file.write_text(lines(1400))
    one = owner(mosquitto, ["barn/#"]).connect()
    done = replay(file, mosquitto, None)
    assert (done.messages, done.refused) == (1400, 0)
    one.until(lambda: len(one.received) == 1400)
    assert one.payloads() == [str(n).encode() for n in range(1400)]


def test_at_n_times_real_time(mosquitto: Broker, tmp_path: Path) -> None:
    file = tmp_path / "a.jsonl"
    file.write_text(lines(11, every_s=60))
    assert replay(file, mosquitto, 600).seconds == pytest.approx(1.0, abs=0.3)


def test_waits_for_a_receiver_that_is_slower(mosquitto: Broker, tmp_path: Path) -> None:
    file = tmp_path / "a.jsonl"
    file.write_text(lines(100))
    began = time.monotonic()
    sent: list[int] = []

    def pace() -> int:
        return int((time.monotonic() - began) * 100)

    replay(file, mosquitto, None, pace=pace, ahead=10, progress=lambda n, _: sent.append(n))
    assert time.monotonic() - began > 0.85  # 90 of them had to be waited for
    assert sent == sorted(sent)
    assert len(sent) > 1


def test_goes_on_after_the_broker_was_killed(start_brokers: Brokers, tmp_path: Path) -> None:
    port = brokers.free_port()
    first = start_brokers.plain(port)
    file = tmp_path / "a.jsonl"
    file.write_text(lines(40, every_s=60))
    killed: list[int] = []

    def kill_once(sent: int, _: int) -> None:
        if not killed:
            killed.append(sent)
            first.process.kill()
            first.process.wait()
            start_brokers.plain(port)

    done = replay(file, Broker("127.0.0.1", port), 1200, progress=kill_once)
    assert killed
    assert done.messages == 40


def test_no_broker_is_one_sentence(tmp_path: Path) -> None:
    file = tmp_path / "a.jsonl"
    file.write_text(lines(1))
    with pytest.raises(BrokerError, match=r"^No broker listens at 127\.0\.0\.1:\d+; is it running"):
        replay(file, Broker("127.0.0.1", brokers.free_port()), None)


def test_the_small_broker_takes_a_paced_recording(owner: MakeOwner, tmp_path: Path) -> None:
    running = brokers.start(tmp_path, tmp_path / "amqtt.log", "amqtt")
    try:
        file = tmp_path / "a.jsonl"
        file.write_text(lines(300))
        one = owner(running.address, ["barn/#"]).connect()
        thread = Thread(
            target=replay,
            args=(file, running.address, None),
            kwargs={"pace": lambda: len(one.received), "ahead": 50},
        )
        thread.start()

        def all_received() -> bool:
            if one.link.unacknowledged >= one.link.window // 2:
                one.acknowledge_all()
            return len(one.received) == 300

        one.until(all_received)
        thread.join()
        assert one.payloads() == [str(n).encode() for n in range(300)]
    finally:
        running.stop()
