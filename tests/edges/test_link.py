"""The link against a real mosquitto; what MQTT promises is in the OASIS standard, version 5.0."""

from __future__ import annotations

import gc
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from threading import active_count

import pytest

from monitor.edges import broker as brokers
from monitor.edges.mqtt import AWAY, HERE, STATE_TOPIC, Broker, Guest
from tests.edges.conftest import Brokers, Owner
from tests.waiting import until

MakeOwner = Callable[..., Owner]


@pytest.fixture(params=[True, False], ids=["MQTT 5", "MQTT 3.1.1"])
def either(mosquitto: Broker, request: pytest.FixtureRequest) -> Broker:
    """The same broker, spoken to in the new way and in the old."""
    return replace(mosquitto, mqtt5=request.param)


def publish(broker: Broker, topic: str, payloads: list[bytes], retain: bool = False) -> None:
    with Guest(broker) as guest:
        for payload in payloads:
            guest.publish(topic, payload, retain)
        guest.settle()


def numbers(count: int, start: int = 0) -> list[bytes]:
    return [str(n).encode() for n in range(start, start + count)]


def test_what_is_published_arrives_in_order(mosquitto: Broker, owner: MakeOwner) -> None:
    one = owner(mosquitto, ["barn/#"]).connect()
    publish(mosquitto, "barn/loft/rail", numbers(50))
    one.until(lambda: len(one.received) == 50)
    assert one.payloads() == numbers(50)
    first = one.received[0]
    assert (first.topic, first.qos, first.retained) == ("barn/loft/rail", 1, False)
    assert first.arrived_ms == 1_780_000_000_000
    assert one.link.state.protocol == "5"


def test_nothing_is_acknowledged_until_told(either: Broker, owner: MakeOwner) -> None:
    one = owner(either, ["barn/#"]).connect()
    publish(either, "barn/loft", numbers(10))
    one.until(lambda: len(one.received) == 10)
    assert one.link.unacknowledged == 10
    one.link.acknowledge(one.received[3].serial)
    assert one.link.unacknowledged == 6
    one.for_seconds(0.2)
    one.vanish()
    again = owner(either, ["barn/#"]).connect()
    again.until(lambda: len(again.received) == 6)
    again.for_seconds(0.2)
    assert again.payloads() == numbers(6, start=4)
    assert again.link.state.session_kept is True


def test_the_broker_keeps_what_comes_while_we_are_away(either: Broker, owner: MakeOwner) -> None:
    owner(either, ["barn/#"]).connect().close()
    publish(either, "barn/loft", numbers(3))
    again = owner(either, ["barn/#"]).connect()
    again.until(lambda: len(again.received) == 3)
    assert again.payloads() == numbers(3)


def test_the_broker_sends_no_more_than_the_window(mosquitto: Broker, owner: MakeOwner) -> None:
    narrow = Broker(mosquitto.host, mosquitto.port, receive_maximum=30)
    one = owner(narrow, ["barn/#"]).connect()
    publish(mosquitto, "barn/loft", numbers(100))
    one.for_seconds(0.5)
    assert (len(one.received), one.link.unacknowledged, one.link.window) == (30, 30, 30)
    while len(one.received) < 100:
        one.acknowledge_all()
        one.until(lambda: one.link.unacknowledged > 0)
    one.acknowledge_all()
    one.for_seconds(0.2)
    assert one.payloads() == numbers(100)


def test_what_waits_to_be_confirmed_is_not_queued_behind(either: Broker, owner: MakeOwner) -> None:
    one = owner(either, ["barn/#"]).connect()
    assert one.link.publish("ours/air", b"1")
    assert not one.link.publish("ours/air", b"2"), "nothing was read since: not confirmed yet"
    assert one.link.publish("ours/spells", b"1"), "another topic does not wait"
    one.until(lambda: one.link.publish("ours/air", b"3"))
    one.link.drop()
    one.until(lambda: one.link.state.connected)
    assert one.link.publish("ours/air", b"4"), "what an earlier connection lost is not waited for"


def test_after_a_failed_commit_all_of_it_comes_again(either: Broker, owner: MakeOwner) -> None:
    one = owner(either, ["barn/#"]).connect()
    publish(either, "barn/loft", numbers(5))
    one.until(lambda: len(one.received) == 5)
    one.link.acknowledge(one.received[1].serial)
    stale = one.received[-1].serial
    one.received.clear()
    one.link.drop()
    assert not one.link.state.connected
    one.until(lambda: len(one.received) == 3)
    assert one.payloads() == numbers(3, start=2)
    one.link.acknowledge(stale)  # of the connection before: must not count for this one
    assert one.link.unacknowledged == 3


def test_qos_2_comes_as_qos_1_and_so_is_kept_until_acknowledged(
    mosquitto: Broker, owner: MakeOwner
) -> None:
    one = owner(mosquitto, ["barn/#"]).connect()
    with Guest(mosquitto) as guest:
        guest._client.publish("barn/loft", b"21.5", 2)
        until = time.monotonic() + 0.5
        while time.monotonic() < until:
            guest.turn(0.1)
    one.until(lambda: len(one.received) == 1)
    assert one.received[0].qos == 1
    one.vanish()
    again = owner(mosquitto, ["barn/#"]).connect()
    again.until(lambda: again.payloads() == [b"21.5"])


@pytest.mark.parametrize(
    ("pattern", "heard"),
    [
        ("barn/+/rail", ["barn/loft/rail", "barn/shed/rail"]),
        ("barn/#", ["barn/loft/rail", "barn/loft/door", "barn/shed/rail"]),
        ("barn/loft/door", ["barn/loft/door"]),
    ],
)
def test_wildcards(mosquitto: Broker, owner: MakeOwner, pattern: str, heard: list[str]) -> None:
    one = owner(mosquitto, [pattern]).connect()
    for topic in ("barn/loft/rail", "barn/loft/door", "barn/shed/rail", "field/rail"):
        publish(mosquitto, topic, [b"1"])
    one.until(lambda: len(one.received) == len(heard))
    one.for_seconds(0.2)
    assert [m.topic for m in one.received] == heard


def test_retained_is_marked_for_timed_and_never_sent_for_untimed(
    either: Broker, owner: MakeOwner
) -> None:
    for topic in ("barn/timed", "barn/untimed"):
        publish(either, topic, [b"old"], retain=True)
    one = owner(either, ["barn/timed"], ["barn/untimed"]).connect()
    publish(either, "barn/untimed", [b"new"])
    one.until(lambda: len(one.received) == 2)
    one.for_seconds(0.2)
    assert [(m.topic, m.payload, m.retained, m.qos) for m in one.received] == [
        ("barn/timed", b"old", True, 1),
        ("barn/untimed", b"new", False, 0),
    ]


def test_nothing_untimed_is_kept_while_we_are_away(either: Broker, owner: MakeOwner) -> None:
    owner(either, ["barn/timed"], ["barn/untimed"]).connect().close()
    publish(either, "barn/untimed", [b"late"])
    publish(either, "barn/timed", [b"kept"])
    again = owner(either, ["barn/timed"], ["barn/untimed"]).connect()
    again.for_seconds(0.4)
    assert again.payloads() == [b"kept"]


def test_here_and_away_are_said(mosquitto: Broker, owner: MakeOwner) -> None:
    one = owner(mosquitto, ["barn/#"]).connect()
    with Guest(mosquitto, [STATE_TOPIC]) as guest:

        def hear(word: str) -> None:
            until(
                lambda: [m.payload.decode() for m in guest.inbox][-1:] == [word],
                lambda: (word, guest.inbox),
                between=lambda: guest.turn(0.05),
            )

        hear(HERE)
        assert guest.inbox[-1].retained
        one.vanish()  # the last will
        hear(AWAY)
        two = owner(mosquitto, ["barn/#"]).connect()
        hear(HERE)
        two.close()  # the good-bye
        hear(AWAY)


def test_our_own_air_goes_out_retained_and_does_not_come_back(
    mosquitto: Broker, owner: MakeOwner
) -> None:
    one = owner(mosquitto, ["#"]).connect()
    assert one.link.publish("drying-room/loft/air", b"21.4", retain=True)
    one.for_seconds(0.3)
    assert one.received == []
    with Guest(mosquitto, ["drying-room/loft/air"]) as guest:
        while not guest.inbox:
            guest.turn(0.1)
        assert (guest.inbox[0].payload, guest.inbox[0].retained) == (b"21.4", True)


def test_comes_back_by_itself_and_is_never_away_from_its_owner(
    start_brokers: Brokers, owner: MakeOwner
) -> None:
    port = brokers.free_port()
    first = start_brokers.plain(port)
    one = owner(Broker("127.0.0.1", port), ["barn/#"]).connect()
    first.process.kill()
    one.until(lambda: not one.link.state.connected)
    one.for_seconds(1.5)
    assert one.link.state.sentence == (
        f"No broker listens at 127.0.0.1:{port}; is it running, and is the port right?"
    )
    start_brokers.plain(port)
    one.connect()
    assert one.link.state.session_kept is False  # that broker kept nothing on disk
    publish(one.link.broker, "barn/loft", [b"1"])
    one.until(lambda: one.payloads() == [b"1"])
    assert one.longest_turn_s < 0.5 + one.lag_s


def test_ten_reconnections_leave_nothing_behind(mosquitto: Broker, owner: MakeOwner) -> None:
    one = owner(mosquitto, ["barn/#"]).connect()
    gc.collect()  # what other tests left; what this one leaves is not collected
    open_before, threads_before = len(list(Path("/proc/self/fd").iterdir())), active_count()
    for _ in range(10):
        one.link.drop()
        one.link._tries = 0  # as after a steady connection
        one.connect()
    # At most, not equal: what another test left running may end meanwhile.
    one.until(lambda: active_count() <= threads_before)
    assert len(list(Path("/proc/self/fd").iterdir())) <= open_before
    assert one.longest_turn_s < 0.5 + one.lag_s


def test_a_disk_that_stays_full_is_no_storm_of_connections(
    mosquitto: Broker, owner: MakeOwner
) -> None:
    one = owner(mosquitto, ["barn/#"]).connect()
    publish(mosquitto, "barn/loft", numbers(5))
    drops = 0
    end = time.monotonic() + 4
    while time.monotonic() < end:
        one.turn()
        if one.link.unacknowledged == 5:
            one.link.drop()
            drops += 1
    assert 2 <= drops <= 5  # waits of half a second, one, two, …


def test_a_message_too_large_for_any_sensor_is_kept_from_us(
    mosquitto: Broker, owner: MakeOwner
) -> None:
    one = owner(mosquitto, ["barn/#"]).connect()
    publish(mosquitto, "barn/loft", [b"x" * 300_000, b"21.4"])
    one.until(lambda: one.payloads() == [b"21.4"])


def test_nothing_that_goes_wrong_in_a_callback_is_lost(
    mosquitto: Broker, owner: MakeOwner, monkeypatch: pytest.MonkeyPatch
) -> None:
    one = owner(mosquitto, ["barn/#"]).connect()

    def broken_clock() -> int:
        raise ArithmeticError("no time")

    with monkeypatch.context() as broken:
        broken.setattr(one.link, "_clock", broken_clock)
        publish(mosquitto, "barn/loft", [b"1"])
        with pytest.raises(ArithmeticError, match="no time"):
            one.for_seconds(5)


def test_a_name_that_cannot_be_found(owner: MakeOwner) -> None:
    one = owner(Broker("no-such-host.invalid"), ["barn/#"])
    one.until(lambda: "no host called" in one.link.state.sentence)
    assert one.longest_turn_s < 0.5 + one.lag_s


def test_a_name_that_two_use_is_told(mosquitto: Broker, owner: MakeOwner) -> None:
    one, two = owner(mosquitto, ["barn/#"]), owner(mosquitto, ["barn/#"])

    def told() -> bool:
        two.turn()
        return "another program use our client_id" in one.link.state.sentence

    one.until(told)


def finds_an_old_broker(running: brokers.RunningBroker, broker: Broker, owner: MakeOwner) -> None:
    publish(running.address, "barn/untimed", [b"old"], retain=True)
    one = owner(broker, ["barn/timed"], ["barn/untimed"]).connect()
    assert (one.link.state.protocol, one.link.window) == ("3.1.1", 20)
    for count, payload in enumerate(numbers(15)):
        publish(running.address, "barn/timed", [payload])
        one.until(lambda arrived=count + 1: len(one.received) == arrived)  # type: ignore[misc]
        if one.link.unacknowledged >= one.link.window // 2:
            one.acknowledge_all()
    assert one.payloads() == numbers(15)  # and nothing old of the untimed one


@pytest.mark.parametrize("told", [True, False])
def test_an_old_broker_is_spoken_to_in_the_old_way(
    tmp_path: Path, owner: MakeOwner, told: bool
) -> None:
    running = brokers.start(tmp_path, tmp_path / "amqtt.log", "amqtt")
    try:
        broker = running.address if told else Broker(running.host, running.port)
        finds_an_old_broker(running, broker, owner)
    finally:
        running.stop()
