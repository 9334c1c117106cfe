"""A broker of our own for the demo, trials and tests: mosquitto, or a small one in Python."""

from __future__ import annotations

import asyncio
import os
import pwd
import shutil
import socket
import subprocess
import sys
import time
from contextlib import suppress
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Literal

from monitor.edges.mqtt import Broker, BrokerError

Kind = Literal["mosquitto", "amqtt"]

START_TIMEOUT_S = 20.0
STOP_TIMEOUT_S = 5.0
PORT_TRIES = 3

# Everything a run may have under way fits: the demo publishes faster than it is stored.
_MOSQUITTO_CONF = """\
listener {port} 127.0.0.1
allow_anonymous true
user {user}
persistence true
persistence_location {folder}/
autosave_interval 60
max_inflight_messages 1000
max_queued_messages 500000
max_queued_bytes 104857600
set_tcp_nodelay true
"""


@dataclass(frozen=True, slots=True)
class RunningBroker:
    """A broker that takes connections; `stop` ends it."""

    host: str
    port: int
    kind: Kind
    process: subprocess.Popen[bytes]

    @property
    def pid(self) -> int:
        """Process id."""
        return self.process.pid

    @property
    def address(self) -> Broker:
        """How to reach it."""
        return Broker(self.host, self.port, mqtt5=self.kind == "mosquitto")

    def stop(self) -> None:
        """Ask it to end, and insist after a while. Safe to repeat."""
        self.process.terminate()
        try:
            self.process.wait(STOP_TIMEOUT_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()


def start(
    folder: Path, log: Path, kind: Kind | None = None, port: int | None = None
) -> RunningBroker:
    """Start a broker on the loopback address and wait until it answers.

    folder   where mosquitto keeps its files
    log      file that takes what the broker says
    kind     None: mosquitto if this machine has it, else the one in Python
    port     None: a free one
    raises   BrokerError
    """
    kind = kind or _kind_at_hand()
    if port is not None:
        return _start_at(port, folder, log, kind)
    for _ in range(PORT_TRIES - 1):
        with suppress(BrokerError):
            return _start_at(free_port(), folder, log, kind)
    return _start_at(free_port(), folder, log, kind)


def _start_at(port: int, folder: Path, log: Path, kind: Kind) -> RunningBroker:
    """The port was free a moment ago; should another have taken it since, this raises."""
    if kind == "mosquitto":
        conf = folder / "mosquitto.conf"
        conf.write_text(_MOSQUITTO_CONF.format(port=port, folder=folder, user=user_name()))
        command = [find_mosquitto() or "mosquitto", "-c", str(conf)]
    else:
        command = [sys.executable, "-m", "monitor.edges.broker", str(port)]
    running = RunningBroker("127.0.0.1", port, kind, spawn(command, log))
    wait_until_it_answers(running, log)
    return running


def find_mosquitto() -> str | None:
    """Where mosquitto is; Debian keeps it where a user's search path does not look."""
    return shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


def user_name() -> str:
    """Who we are: started by root, mosquitto would else become a user without access."""
    return pwd.getpwuid(os.geteuid()).pw_name


def free_port() -> int:
    """A port of the loopback address that nobody listens at just now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def spawn(command: list[str], log: Path) -> subprocess.Popen[bytes]:
    """Start a program whose words go to the end of the log file.

    In a session of its own: Ctrl-C reaches us alone, and we end it after what needs it.
    """
    with log.open("ab") as out:
        try:
            return subprocess.Popen(  # noqa: S603  the command is built here, from our own parts
                command,
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )
        except FileNotFoundError as error:
            raise BrokerError(f"{command[0]} is not on this machine; install it.") from error


def wait_until_it_answers(broker: RunningBroker, log: Path) -> None:
    """Return once a connection is taken; raises BrokerError if it ends or stays silent."""
    until = time.monotonic() + START_TIMEOUT_S
    while time.monotonic() < until:
        if broker.process.poll() is not None:
            raise BrokerError(f"{broker.kind} ended as soon as it was started; {log} says why.")
        try:
            socket.create_connection((broker.host, broker.port), timeout=1.0).close()
        except OSError:
            time.sleep(0.02)
        else:
            return
    broker.stop()
    raise BrokerError(f"{broker.kind} did not answer in {START_TIMEOUT_S:.0f} s; see {log}.")


def _kind_at_hand() -> Kind:
    if find_mosquitto() is not None:
        return "mosquitto"
    if find_spec("amqtt") is not None:
        return "amqtt"
    raise BrokerError(
        "There is no broker on this machine; install mosquitto, "
        'or the small one: pip install "drying-room-monitor[demo]".'
    )


async def serve(port: int) -> None:
    """Be the small broker on the loopback address until killed: there is nothing to put in order.

    It keeps nothing on disk and may lose messages under load: what publishes to it waits for the
    daemon's progress.
    """
    from amqtt.broker import Broker  # type: ignore[import-untyped]  # it carries no types

    settings = {
        "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}},
        "plugins": {
            "amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True},
        },
    }
    await Broker(settings).start()
    await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(serve(int(sys.argv[1])))
