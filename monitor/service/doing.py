"""The commands that do the work themselves. Each imports what it needs when it is called."""

from __future__ import annotations

import logging
import os
import stat
import sys
from argparse import Namespace
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from getpass import getpass
from pathlib import Path
from typing import BinaryIO
from zoneinfo import ZoneInfo

from monitor.edges import clock
from monitor.entries import requests
from monitor.entries.requests import read_time
from monitor.service.asking import painted, printed, settings_file, settings_of, time_of
from monitor.service.cli import AskedWronglyError, FailedError
from monitor.service.settings.files import LONGEST_FILE, content_of
from monitor.service.settings.settings import Settings, load
from monitor.site.time import MINUTE_MS


def run(asked: Namespace) -> int:
    """Run the monitor, live or by the readings' clock."""
    from monitor.edges import logs
    from monitor.service.daemon import Daemon

    if asked.config is None and asked.clock == "wall" and not settings_file(asked).exists():
        return _begun_without_settings(asked.port)
    settings = settings_of(asked)
    logs.begin(logging.INFO, once_a_minute=asked.clock == "wall")
    zone = ZoneInfo(settings.site.timezone)
    if asked.clock == "wall":
        if asked.until or asked.entries or asked.stay:
            raise AskedWronglyError("--until, --entries and --stay go with --clock readings")
        return _guarded(Daemon(settings).run)
    if asked.until is None:
        raise AskedWronglyError("--clock readings needs --until TIME, the time at which to end")
    until_ms = read_time(asked.until, None, zone, by_day=True)
    entries = []
    if asked.entries is not None:
        try:
            text = content_of(asked.entries, LONGEST_FILE).decode("utf-8")
            entries = requests.read_entries_file(text, zone)
        except requests.EntriesError as error:
            lines = [f"{asked.entries}:{line}: {what}" for line, what in error.problems]
            raise AskedWronglyError("\n".join(lines)) from error
    return _guarded(Daemon(settings, until_ms, entries, asked.stay).run)


def _begun_without_settings(port: int) -> int:
    """Set up on the page; then this process begins anew as the monitor."""
    from monitor.edges import logs
    from monitor.service.setup.beginning import set_up_on_the_page

    logs.begin(logging.INFO)
    if set_up_on_the_page(port):
        os.execv(sys.executable, [sys.executable, "-m", "monitor", "run"])  # noqa: S606 - ourselves
    return 0


def _guarded(run: Callable[[], int]) -> int:
    """Run what may fail by the broker, the store or the socket, each with its sentence."""
    from monitor.edges.mqtt import BrokerError
    from monitor.edges.socket import SocketError
    from monitor.store.connection import StoreError, StoreRefusedError, WriteError, why_failed

    try:
        return run()
    except StoreRefusedError as error:
        raise AskedWronglyError(str(error)) from error
    except (BrokerError, SocketError, StoreError) as error:
        raise FailedError(str(error)) from error
    except RuntimeError as error:
        if "start new thread" not in str(error):
            raise
        raise FailedError(
            "the monitor cannot start: this machine gives it too little memory or too few threads; "
            "end what else runs, or raise the limit"
        ) from error
    except WriteError as error:
        raise FailedError(
            f"the monitor cannot start: {why_failed(error)}; if the disk is fine, bring back a "
            "backup with: drying-room restore"
        ) from error


def demo(asked: Namespace) -> int:
    """Show the whole job on sample readings."""
    from monitor.service.demo import demo

    return _guarded(lambda: demo(asked.folder, asked.amqtt, asked.leave))


def check(asked: Namespace) -> int:
    """Look at everything once; 1 where something is to do."""
    from monitor.service import health

    file, now_ms = settings_file(asked), clock.now_ms()
    if asked.mend:
        _mend(load(file), now_ms)
    lines = health.look(file, now_ms)
    if asked.notify:
        lines += health.notify(load(file), now_ms)
    plain = [{"about": line.about, "said": line.said, "to_do": line.to_do} for line in lines]
    printed(asked, plain, lambda: _marked(health.words(lines)))
    return int(any(line.to_do for line in lines))


def _marked(words: str) -> str:
    """What is to do stands out."""
    lines = words.split("\n")
    return "\n".join(painted(line, 31 if line.startswith("to do") else 0) for line in lines)


def _mend(settings: Settings, now_ms: int) -> None:
    from monitor.store.backup import set_aside_future
    from monitor.store.connection import StoreError

    if now_ms < clock.NOT_BEFORE_MS:
        raise FailedError("this machine's clock is years behind; set it before mending the store")
    try:
        done = set_aside_future(settings.store.file, now_ms)
    except StoreError as error:
        raise FailedError(str(error)) from error
    told = f"{done.readings:,} readings dated in the future were set aside; {done.kept} holds all."
    print(told, file=sys.stderr)


def backup(asked: Namespace) -> None:
    """Make a backup now."""
    from monitor.edges.beside import BesideError
    from monitor.service.errands import make_backup

    try:
        made = make_backup(settings_of(asked).store, clock.now_ms())
    except BesideError as error:
        raise FailedError(str(error)) from error
    plain = {"file": made.file, "bytes": made.size, "second": made.second, "trouble": made.trouble}
    said = [f"{made.file} is made and opens well, {made.size / 1e6:,.1f} MB."]
    said += [f"{made.second} is a copy of it."] if made.second else []
    said += [made.trouble] if made.trouble else []
    printed(asked, plain, lambda: "\n".join(said))


def restore(asked: Namespace) -> None:
    """Make a backup the store again."""
    from monitor.store.backup import restore
    from monitor.store.connection import StoreError

    try:
        done = restore(asked.file, settings_of(asked).store.file, clock.now_ms())
    except StoreError as error:
        raise FailedError(str(error)) from error
    plain = {
        "file": str(done.file),
        "kept": None if done.kept is None else str(done.kept),
        "entries": done.entries,
        "troubles": done.troubles,
    }
    said = [f"{asked.file} is the store now."]
    said += [f"Entered since then, and put back: {done.entries}."] if done.entries else []
    said += done.troubles
    said += [f"What it replaced is kept in {done.kept}."] if done.kept else []
    printed(asked, plain, lambda: "\n".join(said))


def listen(asked: Namespace) -> None:
    """Show what is on the broker."""
    from monitor.edges.listen import listen, report
    from monitor.service.daemon import broker_of
    from monitor.service.settings.settings import read
    from monitor.service.settings.tables import SettingsError

    settings, problems = read(settings_file(asked))
    if broken := problems.all("mqtt", "site"):  # there may be no sensor yet, or a wrong one
        raise SettingsError(broken)

    def hear() -> int:
        def say(line: str) -> None:
            print(line, file=sys.stderr, flush=True)

        heard = listen(broker_of(settings), asked.seconds, clock.now_ms, [asked.topic], say)
        print(report(heard, asked.seconds, settings.site.timezone, settings.site.sensors))
        return 0

    _guarded(hear)


def report(asked: Namespace) -> None:
    """Make a week's report, or a season's."""
    from monitor.edges.beside import BesideError, ask
    from monitor.edges.report.order import REPORT
    from monitor.service.errands import report_order
    from monitor.service.jobs import last_week

    settings = settings_of(asked)
    now_ms = clock.now_ms()
    zone = ZoneInfo(settings.site.timezone)
    order = report_order(settings, asked.week or last_week(now_ms, zone), now_ms)
    if asked.pdf and asked.weeks:
        raise AskedWronglyError("--pdf prints one report; leave --weeks out")
    if asked.begin or asked.end:
        order = replace(order, season=_season(asked, now_ms, zone))
    elif asked.weeks:
        order = replace(order, weeks=_weeks(asked.weeks))
    try:
        answer = ask(REPORT, order)[-1]
    except BesideError as error:
        raise FailedError(str(error)) from error
    plain = {"week": answer.week, "text": answer.text, "folder": str(answer.folder)}
    words = f"{answer.text}\n\nThe page and the tables are in {answer.folder}"
    if asked.pdf:
        plain["pdf"] = str(_pdf(answer.folder / answer.files[0]))
        words += f"\nTo print: {plain['pdf']}"
    printed(asked, plain, lambda: words)


def _pdf(page: Path) -> Path:
    from monitor.edges.report.paper import PdfError, print_to_pdf

    try:
        return print_to_pdf(page)
    except PdfError as error:
        raise FailedError(str(error)) from error


def _season(asked: Namespace, now_ms: int, zone: ZoneInfo) -> tuple[int, int]:
    """The minutes of a season's book."""
    if asked.week or asked.weeks:
        raise AskedWronglyError("--from and --to ask for a season; leave --week and --weeks out")
    if not asked.begin:
        raise AskedWronglyError("--to needs --from DAY, the first day of the season")
    begin, now = _midnight(asked.begin, zone), now_ms // MINUTE_MS
    end = min(now, _midnight(asked.end, zone)) if asked.end else now
    if end <= begin:
        raise AskedWronglyError("the season ends before it begins; give --from a day before --to")
    return begin, end


def _midnight(text: str, zone: ZoneInfo) -> int:
    """The first minute of a day as people write it [UTC epoch minutes]."""
    from monitor.site.time import midnight

    try:
        return midnight(date.fromisoformat(text), zone.key)
    except ValueError:
        raise AskedWronglyError(f"“{text}” is no day; write it as 2026-06-01") from None


def _weeks(text: str) -> int:
    if not (text.isdecimal() and 1 <= int(text) <= 530):
        raise AskedWronglyError(f"--weeks is {text}; write a number of weeks, such as 52")
    return int(text)


def replay(asked: Namespace) -> None:
    """Publish a file of messages to the broker."""
    from monitor.edges.recordings import RecordingError, replay
    from monitor.service.daemon import broker_of

    broker = broker_of(settings_of(asked))
    speed = None if asked.speed == "max" else _positive(asked.speed)

    def publish() -> int:
        try:
            done = replay(asked.file, broker, speed)
        except RecordingError as error:
            raise FailedError(str(error)) from error
        print(f"{done.messages:,} messages published in {done.seconds:.1f} s.")
        return 0

    _guarded(publish)


def _positive(text: str) -> float:
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not 0 < speed < float("inf"):
        raise AskedWronglyError(f"--speed is {text}; write a number above 0, or max")
    return speed


def export(asked: Namespace) -> None:
    """Write a table for other programs."""
    from monitor.store.connection import StoreError
    from monitor.store.exports import ExportError, remark
    from monitor.store.formats import Format, export, partition
    from monitor.store.queries import Reader

    settings = settings_of(asked)
    begin, end = (time_of(settings, told, by_day=True) for told in (asked.begin, asked.end))
    form = Format.JSON if asked.json else Format(asked.format)
    if asked.into is not None and (form is not Format.PARQUET or end or asked.local):
        raise AskedWronglyError(
            "--into goes with --format parquet, and without --to, --local and --json"
        )
    try:
        with Reader(settings.store.file) as reader:
            if asked.into is not None:
                days, rows = partition(
                    reader, settings.site, asked.what, asked.into, clock.now_ms(), begin
                )
                print(f"{rows:,} rows of {days:,} days written below {asked.into}.")
                return
            with _whole_or_nothing(sys.stdout.buffer) as out:
                export(reader, settings.site, asked.what, out, form, begin, end, asked.local)
            told = remark(reader, asked.what, begin, end)
        if told:
            print(told, file=sys.stderr)
    except ExportError as error:
        raise AskedWronglyError(str(error)) from error
    except StoreError as error:
        raise FailedError(str(error)) from error
    except BrokenPipeError:
        raise
    except OSError as error:
        raise FailedError(
            f"{asked.into or 'standard output'} cannot be written ({error.strerror}); "
            "see that the disk is not full and the folder may be written"
        ) from error


@contextmanager
def _whole_or_nothing(out: BinaryIO) -> Iterator[BinaryIO]:
    """Where the shell leads us to a file (> or >>), a table that fails takes its beginning back."""
    there = os.fstat(out.fileno())
    try:
        yield out
        out.flush()
    except BaseException:
        if stat.S_ISREG(there.st_mode):
            os.ftruncate(out.fileno(), there.st_size)
        raise


def passphrase(asked: Namespace) -> None:
    """Set the passphrase of the page."""
    from monitor.edges.page.access import PassphraseError, keep_hash

    file = settings_file(asked)
    settings = load(file, passphrase_may_be_missing=True)
    kept = settings.page.passphrase_file
    if kept is None:
        raise AskedWronglyError(
            f'{file}: [page] has no passphrase_file; write passphrase_file = "passphrase" there'
        )
    try:
        keep_hash(_asked_twice(), kept)
    except PassphraseError as error:
        raise AskedWronglyError(str(error)) from error
    print(f"Kept in {kept}, as a hash only. Everybody signs in anew.")


def _asked_twice() -> str:
    """The new passphrase, typed twice unseen, or one line of what is piped in.

    raises  PassphraseError
    """
    from monitor.edges.page.access import PassphraseError

    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\n")
    first = getpass("New passphrase: ")
    if getpass("Once more: ") != first:
        raise PassphraseError("the two were not the same; run it again")
    return first
