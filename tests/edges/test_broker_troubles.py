"""Each way in which the broker can be out of reach, and the sentence that says so."""

from __future__ import annotations

import json
import socketserver
import subprocess
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from threading import Thread

import pytest

from monitor.edges import broker as brokers
from monitor.edges.mqtt import Broker, BrokerError, Guest, link
from tests.edges.conftest import Brokers, Owner
from tests.edges.test_mosquitto_conf import passwords
from tests.faults.proxy import Mode, Proxy

MakeOwner = Callable[..., Owner]
STRAW, HAY = "straw-secret", "hay-secret"  # passwords of this test alone


def openssl(*words: str | Path) -> None:
    command = ["openssl", *map(str, words)]
    subprocess.run(command, check=True, capture_output=True)


class Certificates:
    """Made on the spot by openssl: a signer, and what it signed."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.ca = folder / "ca.crt"
        self.self_signed(self.ca, folder / "ca.key", "/CN=signer")

    def self_signed(self, certificate: Path, key: Path, subject: str) -> None:
        openssl(
            *("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", subject),
            *("-keyout", key, "-out", certificate),
            *("-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1"),
        )

    def signed(self, name: str, host: str, days: int = 2) -> tuple[Path, Path]:
        key, request, extra = (self.folder / f"{name}.{end}" for end in ("key", "csr", "ext"))
        certificate = self.folder / f"{name}.crt"
        extra.write_text(f"subjectAltName={host}\n")
        openssl(
            *("req", "-newkey", "rsa:2048", "-nodes", "-subj", f"/CN={name}"),
            *("-keyout", key, "-out", request),
        )
        openssl(
            *("x509", "-req", "-in", request, "-CA", self.ca, "-CAkey", self.folder / "ca.key"),
            *("-CAcreateserial", "-days", str(days), "-extfile", extra, "-out", certificate),
        )
        return certificate, key


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return Certificates(tmp_path_factory.mktemp("certificates"))


def tls_conf(port: int, certificate: Path, key: Path, ca: Path, more: str = "") -> str:
    return (
        f"listener {port} 127.0.0.1\nallow_anonymous true\nuser {brokers.user_name()}\n"
        f"certfile {certificate}\nkeyfile {key}\ncafile {ca}\n{more}"
    )


def test_tls_with_a_good_certificate_and_our_own(
    start_brokers: Brokers, owner: MakeOwner, certificates: Certificates
) -> None:
    port = brokers.free_port()
    certificate, key = certificates.signed("broker", "DNS:localhost,IP:127.0.0.1")
    start_brokers.start(
        port, tls_conf(port, certificate, key, certificates.ca, "require_certificate true\n")
    )
    ours, our_key = certificates.signed("monitor", "DNS:monitor")
    broker = Broker(
        "127.0.0.1",
        port,
        ca_file=certificates.ca,
        client_certificate_file=ours,
        client_key_file=our_key,
    )
    one = owner(broker, ["barn/#"]).connect()
    # Several messages fit one TLS record: decrypted ones must not wait for the next.
    payloads = [b"x" * n for n in range(1, 400)]
    with Guest(broker) as guest:
        for payload in payloads:
            guest.publish("barn/loft", payload)
        guest.settle()
    one.until(lambda: len(one.received) == len(payloads))
    assert one.payloads() == payloads
    assert one.longest_turn_s < 0.5 + one.lag_s
    stranger = owner(Broker("127.0.0.1", port, ca_file=certificates.ca), ["barn/#"])
    stranger.until(lambda: "client certificate" in stranger.link.state.sentence)


@pytest.mark.parametrize(
    ("which", "words"),
    [
        ("expired", "has expired; make a new one"),
        ("other host", "is made out to another address"),
        ("self-made", "was signed by itself"),
        ("other signer", "was signed by someone who is not in ca_file"),
    ],
)
def test_a_certificate_that_cannot_be_trusted(
    start_brokers: Brokers,
    owner: MakeOwner,
    certificates: Certificates,
    tmp_path: Path,
    which: str,
    words: str,
) -> None:
    port = brokers.free_port()
    ca = certificates.ca
    if which == "expired":
        certificate, key = certificates.signed("old", "IP:127.0.0.1", days=-1)
    elif which == "other host":
        certificate, key = certificates.signed("other", "DNS:elsewhere.example")
    elif which == "self-made":
        certificate, key = tmp_path / "self.crt", tmp_path / "self.key"
        certificates.self_signed(certificate, key, "/CN=self")
    else:
        certificate, key = certificates.signed("broker", "IP:127.0.0.1")
        ca = Certificates(tmp_path).ca
    start_brokers.start(port, tls_conf(port, certificate, key, certificates.ca))
    broker = Broker("127.0.0.1", port, ca_file=ca)
    one = owner(broker, ["barn/#"])
    one.until(lambda: "certificate" in one.link.state.sentence)
    assert words in one.link.state.sentence
    assert not one.link.state.connected
    assert one.link.timeout_s() > 5  # it mends only by hand: no hurry to ask again
    with pytest.raises(BrokerError, match=words):
        Guest(broker)


def test_tls_where_there_is_none_and_none_where_there_is(
    start_brokers: Brokers, owner: MakeOwner, certificates: Certificates
) -> None:
    plain, secure = brokers.free_port(), brokers.free_port()
    certificate, key = certificates.signed("broker", "IP:127.0.0.1")
    conf = tls_conf(secure, certificate, key, certificates.ca)
    start_brokers.start(secure, conf + f"listener {plain} 127.0.0.1\n")
    one = owner(Broker("127.0.0.1", plain, ca_file=certificates.ca), ["barn/#"])
    two = owner(Broker("127.0.0.1", secure), ["barn/#"])
    two.until(lambda: "does it want TLS?" in two.link.state.sentence)
    one.until(lambda: "no TLS at all?" in one.link.state.sentence)


def test_wrong_and_right_password(start_brokers: Brokers, owner: MakeOwner, tmp_path: Path) -> None:
    port = brokers.free_port()
    passwords(tmp_path / "passwd", drying_room=STRAW)
    start_brokers.start(
        port,
        f"listener {port} 127.0.0.1\nuser {brokers.user_name()}\n"
        f"allow_anonymous false\npassword_file {tmp_path}/passwd\n",
    )
    wrong = Broker("127.0.0.1", port, user="drying-room", password=HAY)
    one = owner(wrong, ["barn/#"])
    one.until(lambda: "password_file" in one.link.state.sentence)
    assert HAY not in one.link.state.sentence + repr(wrong)
    with pytest.raises(BrokerError, match="password_file"):
        Guest(wrong)
    owner(Broker("127.0.0.1", port, user="drying-room", password=STRAW), ["barn/#"]).connect()


def test_a_topic_we_may_not_hear_is_named(
    start_brokers: Brokers, owner: MakeOwner, tmp_path: Path
) -> None:
    """An access list in a file only withholds messages; the plugin refuses to subscribe."""
    port = brokers.free_port()
    conf = f"listener {port} 127.0.0.1\nallow_anonymous true\nuser {brokers.user_name()}\n"
    plugin = next(Path("/usr/lib").glob("*/mosquitto_dynamic_security.so"))
    access = {"publishClientSend": True, "publishClientReceive": True, "subscribe": False}
    (tmp_path / "access.json").write_text(json.dumps({"defaultACLAccess": access}))
    conf += f"plugin {plugin}\nplugin_opt_config_file {tmp_path}/access.json\n"
    start_brokers.start(port, conf)
    one = owner(Broker("127.0.0.1", port), ["barn/#"]).connect()
    assert "it does not let us hear barn/#" in one.link.state.sentence


def test_files_that_cannot_be_read(owner: MakeOwner, tmp_path: Path) -> None:
    broker = Broker("127.0.0.1", ca_file=tmp_path / "missing.crt")
    one = owner(broker, ["barn/#"])
    one.until(lambda: "under [mqtt]" in one.link.state.sentence)
    assert "cannot be read" in one.link.state.sentence


@pytest.mark.parametrize("which", ["ca_file", "client_certificate_file"])
def test_files_that_hold_something_else(
    owner: MakeOwner, certificates: Certificates, tmp_path: Path, which: str
) -> None:
    wrong = tmp_path / "letter.txt"
    wrong.write_text("Dear broker,")
    files = {"ca_file": certificates.ca, which: wrong}
    one = owner(Broker("127.0.0.1", **files), ["barn/#"])
    one.until(lambda: f"look at {which} under [mqtt]" in one.link.state.sentence)
    assert str(wrong) in one.link.state.sentence


@pytest.mark.parametrize("mode", ["stall", "drop"])
def test_a_half_open_connection_is_noticed_and_made_anew(
    mosquitto: Broker, owner: MakeOwner, mode: Mode
) -> None:
    with Proxy(mosquitto.port) as proxy:
        one = owner(Broker("127.0.0.1", proxy.port, keepalive_s=1), ["barn/#"]).connect()
        proxy.mode = mode
        with Guest(mosquitto) as guest:
            guest.publish("barn/loft", b"while away")
            guest.settle()
        one.until(lambda: not one.link.state.connected)
        one.for_seconds(1.0)
        proxy.mode = "cut"
        one.for_seconds(0.2)
        proxy.mode = "pass"
        one.connect()
        one.until(lambda: b"while away" in one.payloads())
        assert one.longest_turn_s < 0.5 + one.lag_s


@pytest.mark.parametrize("secure", [True, False])
def test_a_broker_that_takes_the_connection_and_says_nothing(
    mosquitto: Broker, owner: MakeOwner, certificates: Certificates, secure: bool
) -> None:
    with Proxy(mosquitto.port) as proxy:
        proxy.mode = "stall"
        ca = certificates.ca if secure else None
        one = owner(Broker("127.0.0.1", proxy.port, ca_file=ca, mqtt5=secure), ["barn/#"])
        one.until(lambda: "Trying" not in one.link.state.sentence)
        said = "Nothing answers at" if secure else "gave no answer to our greeting"
        assert said in one.link.state.sentence
        assert one.longest_turn_s < 0.5 + one.lag_s


def test_a_cut_connection_comes_back(mosquitto: Broker, owner: MakeOwner) -> None:
    with Proxy(mosquitto.port) as proxy:
        one = owner(Broker("127.0.0.1", proxy.port), ["barn/#"]).connect()
        proxy.mode = "cut"
        one.until(lambda: not one.link.state.connected)
        assert "the other side closed it" in one.link.state.sentence
        proxy.mode = "pass"
        one.connect()
        assert one.link.state.session_kept
        assert one.longest_turn_s < 0.5 + one.lag_s


class SpeaksNoMqtt(socketserver.BaseRequestHandler):
    def handle(self) -> None:
        self.request.recv(100)
        self.request.sendall(b"HTTP/1.1 400 That is no request\r\n\r\n" * 100)


def test_what_speaks_no_mqtt_is_said_and_tried_again_later(owner: MakeOwner) -> None:
    with socketserver.TCPServer(("127.0.0.1", 0), SpeaksNoMqtt) as server:
        thread = Thread(target=server.serve_forever)
        thread.start()
        try:
            one = owner(Broker("127.0.0.1", server.server_address[1]), ["barn/#"])
            one.until(lambda: "Trying" not in one.link.state.sentence)
            assert not one.link.state.connected
            assert one.longest_turn_s < 0.5 + one.lag_s
        finally:
            server.shutdown()
            thread.join()


class Floods(socketserver.BaseRequestHandler):
    """Speaks MQTT 3.1.1 as far as a greeting; then a packet of 200 MB, whatever it was told."""

    sent = 0

    def handle(self) -> None:
        if self.request.recv(1024)[8:9] != b"\x04":  # MQTT 5 is greeted by none
            return
        self.request.sendall(bytes([0x20, 2, 0, 0]))
        self.request.recv(1024)
        self.request.sendall(bytes([0x30, 0x80, 0x84, 0xAF, 0x5F, 0, 4]) + b"barn")
        with suppress(OSError):
            for _ in range(2000):
                self.request.sendall(bytes(100_000))
                Floods.sent += 100_000


def test_a_packet_larger_than_we_take_is_refused_before_it_is_read(owner: MakeOwner) -> None:
    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), Floods) as server:
        server.daemon_threads = True
        Thread(target=server.serve_forever, daemon=True).start()
        one = owner(Broker("127.0.0.1", server.server_address[1]), ["barn"])
        one.until(lambda: "sends a message of more than 256 kB" in one.link.state.sentence)
        server.shutdown()
    print(f"{Floods.sent / 1e6:.1f} MB of 200 were sent")
    assert Floods.sent < 30_000_000
    assert not one.received


class AnswersNoSubscription(socketserver.BaseRequestHandler):
    def handle(self) -> None:
        if self.request.recv(1024)[8:9] == b"\x04":
            self.request.sendall(bytes([0x20, 2, 0, 0]))
            while self.request.recv(1024):
                pass


def test_a_broker_that_does_not_answer_our_subscription_is_said(
    owner: MakeOwner, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(link, "SUBSCRIBED_WITHIN_S", 1.0)
    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), AnswersNoSubscription) as server:
        server.daemon_threads = True
        Thread(target=server.serve_forever, daemon=True).start()
        one = owner(Broker("127.0.0.1", server.server_address[1]), ["barn"])
        one.until(lambda: "has not answered our subscription" in one.link.state.sentence)
        assert one.link.state.connected
        server.shutdown()
