"""The shipped settings for mosquitto, on a real one: only paths, ports and user are put in."""

from __future__ import annotations

import re
import subprocess
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from monitor.edges import broker as brokers
from monitor.edges.mqtt import Broker, Guest
from tests.edges.conftest import Brokers, Owner
from tests.waiting import until

CONFIG = Path(__file__).parents[2] / "config"
MakeOwner = Callable[..., Owner]

STRAW, RAIL, FAR = "straw", "rail", "far"  # passwords of this test alone
DAEMON = Broker("127.0.0.1", user="drying-room", password=STRAW)
SENSOR = Broker("127.0.0.1", user="loft-rail", password=RAIL)


def fitted(name: str, folder: Path, port: int) -> str:
    """The shipped file with this test's paths and port, and a save every second."""
    folder.mkdir(exist_ok=True)
    folder.chmod(0o755)
    text = (CONFIG / name).read_text()
    for old, new in [
        (r"^listener 1883$", f"listener {port} 127.0.0.1\nuser {brokers.user_name()}"),
        (r"/etc/mosquitto/", f"{folder}/"),
        (r"/var/lib/mosquitto/", f"{folder}/"),
        (r"^autosave_interval 60$", "autosave_interval 1"),
    ]:
        text, found = re.subn(old, new, text, flags=re.MULTILINE)
        assert found, f"{name} no longer has {old}"
    return text


def passwords(file: Path, **users: str) -> None:
    file.touch(mode=0o600)
    for user, password in users.items():
        name = user.replace("_", "-")
        command = ["mosquitto_passwd", "-b", str(file), name, password]
        subprocess.run(command, check=True)


def house(start_brokers: Brokers, folder: Path, port: int) -> brokers.RunningBroker:
    conf = fitted("mosquitto.conf", folder, port)
    passwords(folder / "drying-room.passwd", drying_room=STRAW, loft_rail=RAIL, far_shed=FAR)
    (folder / "drying-room.acl").write_text((CONFIG / "mosquitto.acl").read_text())
    return start_brokers.start(port, conf, "house.conf")


def publish(broker: Broker, topic: str, payloads: list[bytes]) -> int:
    """How many of them the broker refused."""
    with Guest(broker) as guest:
        for payload in payloads:
            guest.publish(topic, payload)
        guest.settle()
        return guest.refused


def wait_until_saved(folder: Path) -> None:
    """Until mosquitto has written all that it holds by now to its file."""
    now_ns = time.time_ns()
    until(
        lambda: any(file.stat().st_mtime_ns > now_ns for file in folder.rglob("mosquitto.db")),
        lambda: sorted(folder.rglob("*")),
    )


def test_what_waits_for_the_monitor_survives_a_kill(
    start_brokers: Brokers, owner: MakeOwner, tmp_path: Path
) -> None:
    port = brokers.free_port()
    daemon, sensor = replace(DAEMON, port=port), replace(SENSOR, port=port)
    running = house(start_brokers, tmp_path / "house", port)
    owner(daemon, ["sensors/#"]).connect().close()
    many = [str(n).encode() for n in range(3000)]  # three times what it holds as shipped
    assert publish(sensor, "sensors/loft-rail", many) == 0
    wait_until_saved(tmp_path / "house")
    running.process.kill()
    running.process.wait()
    house(start_brokers, tmp_path / "house", port)
    again = owner(daemon, ["sensors/#"]).connect()
    assert again.link.state.session_kept
    while len(again.received) < len(many):
        again.until(lambda: again.link.unacknowledged > 0)
        again.acknowledge_all()
    assert again.payloads() == many


def test_a_sensor_writes_only_under_its_own_name(
    start_brokers: Brokers, owner: MakeOwner, tmp_path: Path
) -> None:
    port = brokers.free_port()
    daemon, sensor = replace(DAEMON, port=port), replace(SENSOR, port=port)
    house(start_brokers, tmp_path / "house", port)
    one = owner(daemon, ["sensors/#"]).connect()
    assert publish(sensor, "sensors/shed-rail", [b"99"]) == 1
    assert publish(sensor, "sensors/loft-rail", [b"21"]) == 0
    assert publish(sensor, "sensors/loft-rail/air", [b"22"]) == 0
    one.until(lambda: len(one.received) == 2)
    assert one.payloads() == [b"21", b"22"]


def test_what_a_far_shed_sent_while_the_house_was_away_arrives(
    start_brokers: Brokers, owner: MakeOwner, tmp_path: Path
) -> None:
    port, shed_port = brokers.free_port(), brokers.free_port()
    daemon = replace(DAEMON, port=port)
    shed_sensor = Broker("127.0.0.1", shed_port, user="rail", password=RAIL)
    running = house(start_brokers, tmp_path / "house", port)
    owner(daemon, ["shed/#"]).connect().close()
    shed = tmp_path / "shed"
    conf = fitted("mosquitto-far-shed.conf", shed, shed_port)
    conf = conf.replace("house.example:1883", f"127.0.0.1:{port}")
    conf = conf.replace("write-the-password-here", FAR)
    conf = conf.replace("restart_timeout 5 60", "restart_timeout 1 2")
    passwords(shed / "far-shed.passwd", rail=RAIL)
    start_brokers.start(shed_port, conf, "shed.conf")
    early, late = [b"early"], [str(n).encode() for n in range(500)]
    assert publish(shed_sensor, "shed/rail", early) == 0
    time.sleep(1.5)
    running.stop()
    assert publish(shed_sensor, "shed/rail", late) == 0
    time.sleep(0.5)
    house(start_brokers, tmp_path / "house", port)
    one = owner(daemon, ["shed/#"]).connect()
    one.until(lambda: len(one.received) >= 1 + len(late))
    assert one.payloads() == early + late


def test_many_sites_are_one_overview_of_what_is_retained(
    start_brokers: Brokers, tmp_path: Path
) -> None:
    shared_port = brokers.free_port()
    told = (CONFIG / "mosquitto-overview.conf").read_text("utf-8")
    access = re.findall(r"^#   (.+)$", told, re.MULTILINE)
    names = ("withy-end", "hazelcote")
    shared = tmp_path / "shared"
    shared.mkdir(mode=0o755)
    (shared / "acl").write_text("\n".join(access) + "\n")
    passwords(shared / "passwd", overview=STRAW, **{n.replace("-", "_"): FAR for n in names})
    conf = (
        f"listener {shared_port} 127.0.0.1\nuser {brokers.user_name()}\nallow_anonymous false\n"
        f"password_file {shared}/passwd\nacl_file {shared}/acl\n"
    )
    start_brokers.start(shared_port, conf, "shared.conf")
    for name, warm in zip(names, (b"21.5", b"14.0"), strict=True):
        port, folder = brokers.free_port(), tmp_path / name
        bridge = told.replace("withy-end", name)
        for old, new in (
            ("overview.example:8883", f"127.0.0.1:{shared_port}"),
            ("write-the-password-here", FAR),
            ("bridge_cafile", "# bridge_cafile"),
            ("restart_timeout 5 60", "restart_timeout 1 2"),
        ):
            assert old in bridge
            bridge = bridge.replace(old, new)
        conf = f"{fitted('mosquitto.conf', folder, port)}\n{bridge}"
        passwords(folder / "drying-room.passwd", drying_room=STRAW)
        (folder / "drying-room.acl").write_text((CONFIG / "mosquitto.acl").read_text())
        board = start_brokers.start(port, conf, f"{name}.conf")
        with Guest(replace(DAEMON, port=port)) as guest:
            guest.publish("drying-room/loft/temperature", warm, retain=True)
            guest.settle()
            assert guest.refused == 0
    looker = Broker("127.0.0.1", shared_port, user="overview", password=STRAW)

    def stands() -> dict[str, bytes]:
        with Guest(looker, ["sites/#"]) as guest:
            for _ in range(10):  # a turn ends with whatever comes first
                guest.turn(0.1)
            return {m.topic: m.payload for m in guest.take()}

    wanted = {
        "sites/withy-end/loft/temperature": b"21.5",
        "sites/hazelcote/loft/temperature": b"14.0",
    }
    until(lambda: stands() == wanted, stands)
    board.stop()  # what it said last stands on
    assert stands() == wanted
    thief = Broker("127.0.0.1", shared_port, user="hazelcote", password=FAR)
    with Guest(thief) as guest:
        guest.publish("sites/withy-end/loft/temperature", b"99", retain=True)
        guest.settle()
    assert stands() == wanted
