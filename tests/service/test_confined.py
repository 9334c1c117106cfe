"""The monitor under the unit's own limits: system calls, address families, what may be written.

systemd cannot be run here, so the same filter is put up by libseccomp (which systemd itself
uses), from the unit's lines and from the groups of calls that systemd names. And as by its
ProtectSystem=strict everything is read-only to it but its own folder, in a mount namespace, where
the machine lets us make one. Its bound on memory and other users' processes are not tried here.
"""

from __future__ import annotations

import json
import os
import re
import socket
import subprocess
import sys
import time
from pathlib import Path

from monitor.edges import broker as broker_edge
from monitor.edges.mqtt import Guest
from tests.edges.receiver import HttpReceiver
from tests.service.test_live import SETTINGS, command
from tests.service.test_unit import UNIT
from tests.service.trial import Trial, settings_in

# Walls the process in, puts up the filter, then runs the program in the same process: calls and
# families not allowed give EPERM, as the unit's SystemCallErrorNumber and RestrictAddressFamilies
# do; no memory is made runnable but by mapping a file.
CONFINED = """
import ctypes, errno, json, os, sys
allowed, families, words, folder = json.loads(sys.argv[1])
libc = ctypes.CDLL(None, use_errno=True)
def wall_in():
    for call in (
        lambda: libc.unshare(0x20000),  # CLONE_NEWNS
        lambda: libc.mount(None, b"/", None, 0x44000, None),  # MS_REC | MS_PRIVATE
        lambda: libc.mount(folder.encode(), folder.encode(), None, 0x1000, None),  # MS_BIND
        lambda: set_read_only(b"/", 0x8000, 1, 0),  # AT_RECURSIVE
        lambda: set_read_only(folder.encode(), 0, 0, 1),
    ):
        if call() != 0:
            return False
    os.chdir(os.getcwd())  # what was open before is not behind the wall
    return True
def set_read_only(where, flags, on, off):
    attributes = (ctypes.c_uint64 * 4)(on, off, 0, 0)
    return libc.syscall(442, -100, where, flags, attributes, 32)  # mount_setattr, AT_FDCWD
if not wall_in():
    print("not walled in:", os.strerror(ctypes.get_errno()), file=sys.stderr)
lib = ctypes.CDLL("libseccomp.so.2", use_errno=True)
lib.seccomp_init.restype = ctypes.c_void_p
lib.seccomp_init.argtypes = [ctypes.c_uint32]
lib.seccomp_load.argtypes = [ctypes.c_void_p]
lib.seccomp_syscall_resolve_name.argtypes = [ctypes.c_char_p]
class Compare(ctypes.Structure):
    _fields_ = [("arg", ctypes.c_uint), ("op", ctypes.c_int),
                ("a", ctypes.c_uint64), ("b", ctypes.c_uint64)]
lib.seccomp_rule_add_array.argtypes = [
    ctypes.c_void_p, ctypes.c_uint32, ctypes.c_int, ctypes.c_uint, ctypes.POINTER(Compare)]
ALLOW, EPERM = 0x7FFF0000, 0x00050000 | errno.EPERM
EQUAL, MASKED = 4, 7
context = lib.seccomp_init(EPERM)
def allow(name, *compared):
    number = lib.seccomp_syscall_resolve_name(name.encode())
    if number >= 0:
        made = (Compare * len(compared))(*compared)
        assert lib.seccomp_rule_add_array(context, ALLOW, number, len(compared), made) == 0, name
for name in allowed:
    if name not in ("socket", "mprotect"):
        allow(name)
for family in families:
    allow("socket", Compare(0, EQUAL, family, 0))
allow("mprotect", Compare(2, MASKED, 4, 0))  # not PROT_EXEC
assert libc.prctl(38, 1, 0, 0, 0) == 0  # PR_SET_NO_NEW_PRIVS
assert lib.seccomp_load(context) == 0
import runpy
sys.argv = ["drying-room", *words]
runpy.run_module("monitor", run_name="__main__")
"""


def groups() -> dict[str, list[str]]:
    """systemd's groups of system calls: name → calls and other groups."""
    told = subprocess.run(
        ["systemd-analyze", "syscall-filter", "--no-pager"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    found: dict[str, list[str]] = {}
    name = ""
    for line in told.splitlines():
        if line.startswith("@"):
            name = line.strip()
            found[name] = []
        elif line.startswith("    ") and not line.strip().startswith("#") and name:
            found[name].append(line.strip())
    return found


def calls_of(group: str, found: dict[str, list[str]]) -> set[str]:
    calls: set[str] = set()
    for one in found[group]:
        calls |= calls_of(one, found) if one.startswith("@") else {one}
    return calls


def allowed_by_the_unit() -> list[str]:
    """The calls left by the lines SystemCallFilter=, in their order."""
    found, allowed = groups(), set[str]()
    for line in re.findall(r"^SystemCallFilter=(.*)$", UNIT.read_text("utf-8"), re.MULTILINE):
        for group in line.lstrip("~").split():
            if line.startswith("~"):
                allowed -= calls_of(group, found)
            else:
                allowed |= calls_of(group, found)
    return sorted(allowed | calls_of("@default", found))


def families_of_the_unit() -> list[int]:
    [line] = re.findall(r"^RestrictAddressFamilies=(.*)$", UNIT.read_text("utf-8"), re.MULTILINE)
    return [int(getattr(socket, name)) for name in line.split()]


def confined(words: list[str], folder: Path) -> list[str]:
    order = json.dumps([allowed_by_the_unit(), families_of_the_unit(), words, str(folder)])
    return [sys.executable, "-c", CONFINED, order]


def test_the_filter_bites(tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    order = confined([], tmp_path / "mine")[-1]
    tried = (
        CONFINED.split("import runpy")[0]
        + f"""
import socket
open({str(tmp_path / "mine" / "file")!r}, "w").close()
try:
    open({str(tmp_path / "file")!r}, "w").close()
except OSError as error:
    assert error.errno == errno.EROFS
    print("refused")
for forbidden in (lambda: socket.socket(socket.AF_NETLINK, socket.SOCK_RAW),
                  lambda: os.setpriority(0, 0, 5),
                  lambda: os.chroot("/")):
    try:
        forbidden()
    except PermissionError:
        print("refused")
"""
    )
    done = subprocess.run(
        [sys.executable, "-c", tried, order], capture_output=True, text=True, check=False
    )
    walled = "not walled in" not in done.stderr
    assert done.stdout.split() == ["refused"] * (3 + walled), done.stderr


def test_it_does_all_its_work_under_the_units_limits(tmp_path: Path) -> None:
    (tmp_path / "broker").mkdir()
    (tmp_path / "sample.toml").write_text(SETTINGS, "utf-8")
    broker = broker_edge.start(tmp_path / "broker", tmp_path / "broker.log", "mosquitto")
    with HttpReceiver() as phone:
        extra = (
            f'[[address]]\nname = "phone"\nurl_file = "url"\n[notices]\nnight_rest = false\n'
            f"[page]\nport = {broker_edge.free_port()}\n"
        )
        (tmp_path / "url").write_text(phone.address)
        (tmp_path / "url").chmod(0o600)
        settings = settings_in(tmp_path, broker, tmp_path / "sample.toml", extra)
        (tmp_path / "tmp").mkdir()  # as by PrivateTmp
        environment = os.environ | {"TMPDIR": str(tmp_path / "tmp")}
        trial = Trial(settings, until=None)
        log = (tmp_path / "monitor.log").open("ab")
        try:
            trial.process = subprocess.Popen(
                confined(["run", "--config", str(settings.file)], tmp_path),
                stdout=log,
                stderr=log,
                env=environment,
            )
            trial.until_connected()
            now_ms = time.time_ns() // 1_000_000
            with Guest(broker.address) as guest:
                for minute in range(120, 0, -1):
                    told = {"ts": now_ms - 60_000 * minute, "t": 36.5, "rh": 50}
                    guest.publish("barn/rail", json.dumps(told).encode())
                guest.settle()
            hung = command(trial, "hang", "statice", "--space", "hay loft", "--bunches", "6")
            assert hung.returncode == 0, hung.stderr
            trial.wait_until(lambda: phone.taken)  # a child sent it
            for words in (["backup"], ["report", "--week", time.strftime("%G-W%V")], ["check"]):
                done = subprocess.run(
                    confined([*words, "--config", str(settings.file)], tmp_path),
                    env=environment,
                    capture_output=True,
                    text=True,
                    check=False,
                )
                assert "Traceback" not in done.stderr, done.stderr
                assert done.returncode == 0 or words == ["check"], done.stderr
            assert "Traceback" not in trial.log()
        finally:
            trial.stop()
            log.close()
            broker.stop()
    assert trial.process.returncode == 0, trial.log()
