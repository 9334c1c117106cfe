"""Beginning without settings: the words, the page of setting up, and the same in a terminal."""

from __future__ import annotations

import logging
import os
import secrets
import socket
import sys
import threading
from argparse import Namespace
from getpass import getpass
from pathlib import Path

from monitor.edges.clock import monotonic_s, now_ms
from monitor.edges.page.access import Door, SignIns, keep_hash
from monitor.edges.page.house import Listens
from monitor.edges.page.server import listening_at, server_of
from monitor.edges.page.setting_up import Ask, SettingUpPages
from monitor.entries.entries import RequestError
from monitor.service.asking import DEFAULT_CONFIG, settings_file
from monitor.service.cli import AskedWronglyError, FailedError
from monitor.service.daemon import summaries, tell_systemd
from monitor.service.settings.files import state_folder
from monitor.service.settings.writing import give_to_folder, take_back
from monitor.service.setup.steps import STEPS, Setup

log = logging.getLogger(__name__)

ALIVE_EVERY_S = 30.0
# Three of these make 262,144: ten tries an hour find none.
FLOWERS = """
allium amaranth anemone angelica aster astilbe avens balm betony borage briza bryony
buddleia burnet camellia campion catmint celosia clary clover columbine coneflower
cornflower cosmos cowslip craspedia dahlia daisy echinops eryngium fennel feverfew
foxglove gentian geum hop honesty hyssop iris knapweed larkspur lavender linaria lunaria
lupin mallow marigold mullein nigella oregano peony poppy primrose rose rudbeckia sage
scabious sorrel statice sunflower tansy teasel thistle yarrow
""".split()  # noqa: SIM905 - easier to read


def default_place() -> Path:
    """Where settings will be: the service's folder where we may write it, else here."""
    here, services = DEFAULT_CONFIG
    return services if os.access(services.parent, os.W_OK) else here


def words_file(settings: Path) -> Path:
    """Where the hash of the words is kept."""
    return state_folder(settings) / "setup-words"


def new_words(settings: Path) -> str:
    """Three new words; the old ones open nothing any more."""
    words = " ".join(secrets.choice(FLOWERS) for _ in range(3))
    file = words_file(settings)
    file.parent.mkdir(parents=True, exist_ok=True)
    keep_hash(words, file)
    give_to_folder(file, file.parent, 0o600)
    return words


def own_address() -> str:
    """This machine's number in the house network, as far as it is known; nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address kept for documents (RFC 5737)
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"


def set_up_on_the_page(port: int) -> bool:
    """Serve the steps until the settings are whole; whether they are."""
    file = default_place().absolute()
    key, certificate = file.with_name("page.key"), file.with_name("page.pem")
    secure = key.exists() and certificate.exists()
    scheme, address = "https" if secure else "http", own_address()
    words = new_words(file)
    log.info("No settings yet. On this machine open %s://127.0.0.1:%d/", scheme, port)
    log.info("From a phone open %s://%s:%d/ and say: %s", scheme, address, port, words)
    setup, kept = Setup(file, (scheme, address, port)), words_file(file)
    door = Door(kept, SignIns(None, now_ms), monotonic_s)
    listens = Listens("0.0.0.0", port, ("*",), kept, *((certificate, key) if secure else ()))  # noqa: S104 - to be set up from a phone
    alive = threading.Event()

    def ended() -> None:  # once the last answer has gone out
        threading.Timer(1.0, setattr, (server, "should_exit", True)).start()

    try:
        with listening_at(listens) as listening:
            pages = SettingUpPages(setup, STEPS, door, kept, ended, summaries())
            server = server_of(pages, listens, listening)
            threading.Thread(target=_stay_alive, args=(alive,), daemon=True).start()
            tell_systemd("READY=1")
            server.run(sockets=[listening])
    except OSError as error:
        raise FailedError(
            f"the page cannot listen at port {port} ({error.strerror}); end what uses it, or try "
            "another: drying-room run --port 8700"
        ) from error
    finally:
        alive.set()
    if setup.finished:
        kept.unlink(missing_ok=True)
    return setup.finished


def _stay_alive(ended: threading.Event) -> None:
    while not ended.wait(ALIVE_EVERY_S):
        tell_systemd("WATCHDOG=1")


# -- in a terminal -------------------------------------------------------------------------------


def setup(asked: Namespace) -> int:
    """Set up in this terminal, or make new words for the page."""
    file = (asked.config or default_place()).absolute()
    if asked.back:
        for line in take_back(settings_file(asked)):
            print(f"{'+' if line.new else '-'} {line.text}")
        return 0
    if file.exists():
        raise AskedWronglyError(
            f"{file} is there already; change it by hand, and look it over with: drying-room check"
        )
    if asked.words:
        print(f"Say these on the page within an hour: {new_words(file)}")
        return 0
    doing = Setup(file, ("http", own_address(), 8642))
    while not doing.finished:
        try:
            goes_on = _step(doing, doing.next())
        except EOFError:
            goes_on = False
        if not goes_on:
            print(f"What was whole is kept in {doing.draft}. Go on with: drying-room setup")
            return 1
    print(f"All is set in {file}. Start the monitor with: drying-room run")
    return 0


def _step(doing: Setup, step: str) -> bool:
    """Ask one step; whether to go on."""
    error: RequestError | None = None
    while True:
        view = doing.view(step, {}, error)
        print(f"\n{view.title}", *view.lead, sep="\n")
        if error:
            print(f"{error.sentence}.", file=sys.stderr)
        for number, ask in enumerate(view.asks, 1):
            print(f"  {number}  {ask.button}" + (f" ({ask.about})" if ask.about else ""))
        print("  Enter  look again" if not view.asks else "", "  q  leave it for now", sep="\n")
        told = _line("> ") if len(view.asks) != 1 or step == "sensors" else "1"
        if told == "q":
            return False
        if not told.isdecimal() or not 1 <= int(told) <= len(view.asks):
            continue
        try:
            said = doing.take(step, _answers(view.asks[int(told) - 1]))
        except RequestError as refused:
            error = refused
            continue
        print(*(f"{line[:1].upper()}{line[1:]}." for line in said), sep="\n")
        if doing.finished or doing.done(step):
            return True
        error = None


def _answers(ask: Ask) -> dict[str, str]:
    """What is typed at each question; empty: as it is proposed."""
    typed = dict(ask.hidden)
    for one in ask.fields:
        print(f"{one.label}: {one.hint}")
        if one.choices:
            print("  " + ", ".join(f"{value} ({words})" for value, words in one.choices))
        if one.mode == "secret" and sys.stdin.isatty():
            typed[one.name] = getpass("> ")
        else:
            typed[one.name] = _line(f"[{one.value}] > " if one.value else "> ") or one.value
    return typed


def _line(prompt: str) -> str:
    return input(prompt).strip()
