"""From no settings to a notice of one's own sensor, all on the page, at a phone's size."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from monitor.edges.broker import RunningBroker, free_port, start
from monitor.edges.mqtt import Guest
from tests.browser.house import AA, AXE, SIZES, answers
from tests.edges.receiver import HttpReceiver
from tests.waiting import until

TOPIC = "hollin/peg"


@contextmanager
def running(folder: Path, port: int) -> Iterator[subprocess.Popen[bytes]]:
    """`drying-room run` where there are no settings."""
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "monitor", "run", "--port", str(port)],
            cwd=folder,
            stdout=log,
            stderr=log,
            env=os.environ | {"XDG_STATE_HOME": str(folder / "state")},
        )
    try:
        yield process
    finally:
        process.terminate()
        process.wait(60)


@contextmanager
def a_sensor(broker: RunningBroker, celsius: float) -> Iterator[None]:
    """A sensor that sends every second until the end."""
    ended = threading.Event()

    def send() -> None:
        with Guest(broker.address) as guest:
            while not ended.wait(1.0):
                told = {"ts": int(time.time()), "t": celsius, "rh": 61}
                guest.publish(TOPIC, json.dumps(told).encode())
                guest.settle()

    thread = threading.Thread(target=send)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()


def a_hot_hour(broker: RunningBroker) -> None:
    """An hour's readings up to now, past the limit."""
    now = int(time.time())
    with Guest(broker.address) as guest:
        for at in range(now - 3600, now, 30):
            told = {"ts": at, "t": 38 + at // 30 % 7 / 10, "rh": 50 + at // 30 % 5}
            guest.publish(TOPIC, json.dumps(told).encode())
        guest.settle()


def a_zone_at_noon() -> str:
    """A time zone in which it is midday: nothing rings in a night's rest."""
    ahead = 12 - time.gmtime().tm_hour
    return "Etc/GMT" + (f"-{ahead}" if ahead > 0 else f"+{-ahead}" if ahead < 0 else "")


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder of few letters: a socket's path may have 107, and pytest's takes most of them."""
    with tempfile.TemporaryDirectory(prefix="begun-") as name:
        yield Path(name)


def test_from_nothing_to_a_notice(folder: Path, browser: Browser) -> None:
    width, height = SIZES["phone"]
    page = browser.new_context(
        viewport={"width": width, "height": height}, bypass_csp=True
    ).new_page()
    page.set_default_timeout(120_000)
    port, pictures = free_port(), os.environ.get("PICTURES")

    def picture(name: str) -> None:
        if pictures:
            page.screenshot(path=f"{pictures}/{name}.png", full_page=True)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        page.add_script_tag(path=AXE)
        for by_day in (False, True):
            page.emulate_media(color_scheme="light" if by_day else "dark")
            found = page.evaluate("tags => axe.run({runOnly: tags})", AA)
            assert [(v["id"], v["nodes"][0]["html"]) for v in found["violations"]] == [], name

    def look_again() -> None:
        page.get_by_role("link", name="Look again").click()

    (folder / "broker").mkdir()
    broker = start(folder / "broker", folder / "broker.log", "mosquitto")
    here = f"http://127.0.0.1:{port}"
    try:
        with HttpReceiver() as phone, running(folder, port):
            log = folder / "log"
            until(lambda: answers(port), log.read_text)
            page.goto(here)
            picture("place")
            page.get_by_label("What do you call").fill("Hollin Hey")
            page.get_by_label("Time zone").fill(a_zone_at_noon())
            page.get_by_label("Degrees north").fill("53,7")
            page.get_by_label("Degrees east").fill("-2.0")
            page.get_by_role("button").click()
            page.get_by_role("link", name="Go on").click()

            # A slip first: the broker is not there, and nothing is written.
            picture("broker")
            page.get_by_label("Its port").fill(str(free_port()))
            page.get_by_role("button").click()
            expect(page.get_by_role("alert")).to_contain_text("No broker answers at")
            expect(page.get_by_role("alert")).to_contain_text("nine more tries this hour")
            picture("broker-wrong")
            assert "[mqtt]" not in (folder / "drying-room.begun.toml").read_text()
            page.get_by_label("Its port").fill(str(broker.port))
            page.get_by_role("button").click()
            expect(page.get_by_role("status")).to_contain_text("let us in")
            assert not (folder / "drying-room.toml").exists()

            with a_sensor(broker, 24.5):
                page.get_by_role("link", name="Go on").click()
                until(lambda: page.locator("h2").count(), page.content, between=look_again)
                expect(page.locator("h2")).to_contain_text("24.5 °C, 61.0 %")
                picture("sensors")
                page.get_by_label("Call it").fill("loft peg")
                page.get_by_label("It hangs in").fill("loft")
                page.get_by_role("button").click()
                expect(page.get_by_text("Taken so far: loft peg")).to_be_visible()
            page.get_by_role("link", name="Go on").click()
            picture("spaces")
            page.get_by_label("Too hot above").fill("30")
            page.get_by_role("button").click()
            page.get_by_role("link", name="Go on").click()
            picture("notices")
            ways = page.locator("form").nth(1)
            ways.get_by_label("Its address").fill(f"json://127.0.0.1:{phone.port}/s3cret")
            ways.get_by_role("button").click()
            picture("notices-sent")
            assert "s3cret" not in page.content()
            page.get_by_role("button", name="It arrived").click()
            page.get_by_role("link", name="Go on").click()
            picture("passphrase")
            page.get_by_label("Passphrase").fill("straw rail twine loft")
            page.get_by_label("Once more").fill("straw rail twine loft")
            page.get_by_label("Who may").select_option("here")
            page.get_by_role("button").click()
            picture("starts")

            # The monitor itself answers now, and asks for the passphrase.
            until(lambda: "Connected to the broker" in log.read_text(), log.read_text)
            as_a_person(folder / "drying-room.toml", broker.port, port)
            a_hot_hour(broker)
            told = until(lambda: [one for one in phone.taken if "30 °C" in str(one)], log.read_text)
            assert "oft" in told[0]["title"], told
            assert "s3cret" not in log.read_text()
    finally:
        broker.stop()


def as_a_person(file: Path, broker: int, port: int) -> None:
    """The settings, line by line, as a person would have written them."""
    zone = a_zone_at_noon()
    lines = [line for line in file.read_text("utf-8").splitlines() if line]
    every = next(line for line in lines if line.startswith("every"))
    expected = f"""\
# Settings of the drying-room monitor. config/drying-room.toml explains every key there is.
[site]
name = "Hollin Hey"
latitude = 53.7 # degrees north
longitude = -2 # degrees east; west is negative
timezone = "{zone}"
[mqtt]
host = "127.0.0.1"
port = {broker}
[[space]]
name = "loft"
use = "hanging"
limits = {{hot_c = 30}}
[[sensor]]
name = "loft peg"
space = "loft"                 # the space it hangs in, or "outdoors"
topic = "{TOPIC}"
{every}
time = {{ at = "/ts", unit = "s" }}
reads.temperature = {{ at = "/t", unit = "°C" }}
reads.humidity = {{ at = "/rh", unit = "%" }}
[[address]]
name = "phone"
url_file = "phone-url"
[page]
passphrase_file = "passphrase"
port = {port}"""
    assert lines == expected.splitlines()
    for secret in ("phone-url", "passphrase"):
        assert (file.parent / secret).stat().st_mode & 0o077 == 0
