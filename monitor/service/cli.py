"""The command `drying-room`: one function a command.

Exit codes: 0 done, 1 it failed, 2 asked wrongly. An error is one sentence on standard error.
"""

from __future__ import annotations

import argparse
import json
import logging
import os
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from monitor.edges import clock
from monitor.entries.entries import RequestError
from monitor.service import requests
from monitor.service.requests import Words, add_entry_commands
from monitor.service.settings.settings import Settings, SettingsError, load
from monitor.service.times import read_time
from monitor.site.time import MINUTE_MS

DEFAULT_CONFIG = (Path("drying-room.toml"), Path("/etc/drying-room/drying-room.toml"))


class AskedWronglyError(Exception):
    """The command's words are wrong; str() is one or more sentences."""


class FailedError(Exception):
    """The command could not do it; str() is one sentence."""


def main(words: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    os.umask(0o077)  # what it writes is for its owner alone
    try:
        asked = _parser().parse_args(words)
        command: Callable[[argparse.Namespace], int | None] = _COMMANDS.get(asked.verb, _enter)
        return command(asked) or 0
    except (RequestError, AskedWronglyError, SettingsError) as error:
        print(error, file=sys.stderr)
        return 2
    except (FailedError, OSError) as error:
        print(error, file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 1


def _parser() -> Words:
    parser = Words(
        prog="drying-room",
        description="Watches the rooms in which cut flowers hang to dry.",
        epilog="example: drying-room demo",
        allow_abbrev=False,
    )
    common = Words(add_help=False)
    common.add_argument(
        "--config", type=Path, metavar="FILE", help="the settings (default: ./drying-room.toml)"
    )
    common.add_argument("--json", action="store_true", help="answer in JSON, for programs")
    commands = parser.add_subparsers(
        dest="verb", required=True, metavar="COMMAND", parser_class=Words
    )

    def add(name: str, summary: str, example: str) -> Words:
        return commands.add_parser(
            name,
            help=summary,
            description=f"{summary[0].upper()}{summary[1:]}.",
            epilog=f"example: drying-room {example}",
            parents=[common],
            allow_abbrev=False,
        )

    demo = add("demo", "show the whole job on sample readings", "demo")
    demo.add_argument("--folder", type=Path, metavar="DIR", help="where to put what it makes")
    demo.add_argument("--amqtt", action="store_true", help="use the small broker in Python")

    run = add("run", "run the monitor", "run --config drying-room.toml")
    run.add_argument("--clock", choices=("wall", "readings"), default="wall", help="what tells now")
    run.add_argument("--until", metavar="TIME", help="with --clock readings: where to end")
    run.add_argument("--entries", type=Path, metavar="FILE", help="with --clock readings: entries")

    check = add("check", "look at everything once: fine, or what to do", "check --notify")
    check.add_argument("--notify", action="store_true", help="send a test message as well")
    check.add_argument("--mend", action="store_true", help="set aside readings dated in the future")

    add("backup", "make a backup now", "backup")
    restore = add("restore", "make a backup the store again", "restore backups/FILE.sqlite")
    restore.add_argument("file", type=Path, metavar="FILE")

    listen = add("listen", "show what is on the broker", "listen --for 30")
    listen.add_argument("--for", dest="seconds", type=float, default=20.0, metavar="SECONDS")
    listen.add_argument("--topic", default="#", help="only topics like this")

    add("now", "show the air, the spells and the bunches of every space", "now")

    report = add("report", "make a week's report, or a season's", "report --week 2026-W29")
    report.add_argument("--week", metavar="WEEK", help="ISO week (default: the last full one)")
    report.add_argument("--weeks", metavar="N", help="so many weeks in a row from that one on")
    report.add_argument("--from", dest="begin", metavar="DAY", help="first day of a season's book")
    report.add_argument("--to", dest="end", metavar="DAY", help="the day after its last (now)")
    report.add_argument("--pdf", action="store_true", help="also as a PDF (needs Chromium)")

    replay = add("replay", "publish a file of messages to the broker", "replay messages.jsonl.gz")
    replay.add_argument("file", type=Path, metavar="FILE")
    replay.add_argument("--speed", default="max", metavar="N", help="times real time, or max")

    export = add("export", "write a table for other programs", "export air --from 2026-07-06")
    export.add_argument("what", metavar="WHAT", help="readings, air, spells, notices, …")
    export.add_argument("--from", dest="begin", metavar="TIME")
    export.add_argument("--to", dest="end", metavar="TIME")
    export.add_argument("--format", choices=("csv", "json", "parquet"), default="csv")
    export.add_argument(
        "--into",
        type=Path,
        metavar="DIR",
        help="with --format parquet: a file a day, for many sites",
    )

    batches = add("batches", "show what hangs where", "batches --history")
    batches.add_argument("--history", action="store_true", help="show every entry by its number")

    add("passphrase", "set the passphrase of the page", "passphrase")

    plan = add("plan", "say where today's harvest should hang", "plan statice --bunches 12")
    plan.add_argument("flower", metavar="FLOWER", help="what was cut")
    plan.add_argument("--bunches", metavar="N", help="how many bunches")
    plan.add_argument(
        "--fresh-mass", dest="fresh_mass_g", metavar="GRAMS", help="mass of one fresh bunch [g]"
    )
    plan.add_argument(
        "--what-if",
        action="append",
        default=[],
        metavar="CHANGE",
        help='door, "fan 60", "dehumidifier 10", "bunches 6" or heater; may be said again',
    )

    salt = add(
        "saltcheck", "check a sensor against wet salt, or beside another", "saltcheck loft-rail"
    )
    salt.add_argument("sensor", metavar="SENSOR", help="the sensor that is shut in with the salt")
    salt.add_argument("--salt", choices=("table", "magnesium"), help="which salt (default: table)")
    salt.add_argument("--beside", metavar="NAME", help="a trusted sensor beside it, instead")
    salt.add_argument("--at", metavar="TIME", help="when it was shut in (default: now)")
    salt.add_argument("--once", action="store_true", help="look once, do not wait")
    salt.add_argument("--yes", action="store_true", help="store the correction without asking")
    salt.add_argument("--stop", action="store_true", help="end the check, change nothing")

    add_entry_commands(commands, parents=[common])
    return parser


def _settings(asked: argparse.Namespace) -> Settings:
    return load(_settings_file(asked))


def _settings_file(asked: argparse.Namespace) -> Path:
    if asked.config is not None:
        given: Path = asked.config
        return given
    return next((file for file in DEFAULT_CONFIG if file.exists()), DEFAULT_CONFIG[0])


def _time(settings: Settings, text: str | None) -> int | None:
    if text is None:
        return None
    return read_time(text, clock.now_ms(), ZoneInfo(settings.site.timezone))


# -- the commands --------------------------------------------------------------------------------


def _run(asked: argparse.Namespace) -> int:
    from monitor.service.daemon import Daemon

    settings = _settings(asked)
    logging.basicConfig(level=logging.INFO, format="%(message)s", stream=sys.stderr)
    logging.getLogger("apscheduler").setLevel(logging.WARNING)
    zone = ZoneInfo(settings.site.timezone)
    if asked.clock == "wall":
        if asked.until or asked.entries:
            raise AskedWronglyError("--until and --entries go with --clock readings")
        return _guarded(Daemon(settings).run)
    if asked.until is None:
        raise AskedWronglyError("--clock readings needs --until TIME, the time at which to end")
    until_ms = read_time(asked.until, None, zone)
    entries = []
    if asked.entries is not None:
        try:
            entries = requests.read_entries_file(asked.entries.read_text("utf-8"), zone)
        except requests.EntriesError as error:
            lines = [f"{asked.entries}:{line}: {what}" for line, what in error.problems]
            raise AskedWronglyError("\n".join(lines)) from error
    return _guarded(Daemon(settings, until_ms, entries).run)


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
    except WriteError as error:
        raise FailedError(
            f"the monitor cannot start: {why_failed(error)}; if the disk is fine, bring back a "
            "backup with: drying-room restore"
        ) from error


def _demo(asked: argparse.Namespace) -> int:
    from monitor.service.demo import demo

    return _guarded(lambda: demo(asked.folder, asked.amqtt))


def _check(asked: argparse.Namespace) -> int:
    from monitor.service import health

    file, now_ms = _settings_file(asked), clock.now_ms()
    if asked.mend:
        _mend(load(file), now_ms)
    lines = health.look(file, now_ms)
    if asked.notify:
        lines += health.notify(load(file), now_ms)
    plain = [{"about": line.about, "said": line.said, "to_do": line.to_do} for line in lines]
    _print(asked, plain, lambda: health.words(lines))
    return int(any(line.to_do for line in lines))


def _mend(settings: Settings, now_ms: int) -> None:
    from monitor.store.connection import StoreError
    from monitor.store.mend import set_aside_future

    if now_ms < clock.NOT_BEFORE_MS:
        raise FailedError("this machine's clock is years behind; set it before mending the store")
    try:
        done = set_aside_future(settings.store.file, now_ms)
    except StoreError as error:
        raise FailedError(str(error)) from error
    told = f"{done.readings:,} readings dated in the future were set aside; {done.kept} holds all."
    print(told, file=sys.stderr)


def _backup(asked: argparse.Namespace) -> None:
    from monitor.edges.beside import BesideError
    from monitor.service.errands import make_backup

    try:
        made = make_backup(_settings(asked).store, clock.now_ms())
    except BesideError as error:
        raise FailedError(str(error)) from error
    plain = {"file": made.file, "bytes": made.size, "second": made.second, "trouble": made.trouble}
    said = [f"{made.file} is made and opens well, {made.size / 1e6:,.1f} MB."]
    said += [f"{made.second} is a copy of it."] if made.second else []
    said += [made.trouble] if made.trouble else []
    _print(asked, plain, lambda: "\n".join(said))


def _restore(asked: argparse.Namespace) -> None:
    from monitor.store.backup import restore
    from monitor.store.connection import StoreError

    try:
        done = restore(asked.file, _settings(asked).store.file, clock.now_ms())
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
    _print(asked, plain, lambda: "\n".join(said))


def _listen(asked: argparse.Namespace) -> None:
    from monitor.edges.listen import listen, report
    from monitor.service.daemon import broker_of

    broker = broker_of(_settings(asked))

    def hear() -> int:
        heard = listen(broker, asked.seconds, clock.now_ms, [asked.topic])
        print(report(heard, asked.seconds))
        return 0

    _guarded(hear)


def _now(asked: argparse.Namespace) -> None:
    from monitor.service import views

    settings = _settings(asked)
    answer = _ask(settings, {"show": "now"})
    _print(asked, answer, lambda: views.now_words(answer, settings.site, answer["now_ms"]))


def _batches(asked: argparse.Namespace) -> None:
    from monitor.service import views

    settings = _settings(asked)
    if asked.history:
        answer = _ask(settings, {"show": "history"})
        _print(asked, answer["history"], lambda: "\n".join(answer["lines"]))
        return
    answer = _ask(settings, {"show": "batches"})
    batches = answer["batches"]
    _print(asked, batches, lambda: views.batches_words(batches, settings.site, answer["now_ms"]))


def _enter(asked: argparse.Namespace) -> None:
    settings = _settings(asked)
    zone = ZoneInfo(settings.site.timezone)
    request = requests.request_from(requests.fields_of(asked), clock.now_ms(), zone)
    answer = _ask(settings, requests.to_json(request))
    _print(asked, answer, lambda: "\n".join([answer["said"], *answer["upset"]]))


def _plan(asked: argparse.Namespace) -> None:
    wanted = {
        "flower": asked.flower,
        "bunches": asked.bunches,
        "fresh_mass_g": asked.fresh_mass_g,
        "what_if": asked.what_if,
    }
    answer = _ask(_settings(asked), {"plan": wanted})
    _print(asked, answer, lambda: "\n".join([*answer["lines"], *answer["what_if"]]))


def _saltcheck(asked: argparse.Namespace) -> None:
    from monitor.service.salt_command import Wants, saltcheck

    settings = _settings(asked)
    wants = Wants(
        asked.sensor,
        asked.salt,
        asked.beside,
        _time(settings, asked.at),
        watch=not (asked.once or asked.json),
        yes=asked.yes,
        stop=asked.stop,
    )
    told = saltcheck(wants, lambda request: _ask(settings, request), asked.json)
    if asked.json:
        _print(asked, told, str)


def _ask(settings: Settings, request: dict[str, Any]) -> Any:
    from monitor.edges.socket import SocketError, ask
    from monitor.service.daemon import socket_file

    try:
        answer: Any = ask(socket_file(settings), request)
    except SocketError as error:
        raise FailedError(str(error)) from error
    if "error" in answer:
        raise RequestError(answer["error"])
    return answer


def _print(asked: argparse.Namespace, plain: object, words: Callable[[], str]) -> None:
    print(json.dumps(plain, ensure_ascii=False, indent=1) if asked.json else words())


def _report(asked: argparse.Namespace) -> None:
    from monitor.edges.beside import BesideError, ask
    from monitor.edges.report.order import REPORT
    from monitor.service.errands import report_order
    from monitor.service.jobs import last_week

    settings = _settings(asked)
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
    _print(asked, plain, lambda: words)


def _pdf(page: Path) -> Path:
    from monitor.edges.pdf import PdfError, print_to_pdf

    try:
        return print_to_pdf(page)
    except PdfError as error:
        raise FailedError(str(error)) from error


def _season(asked: argparse.Namespace, now_ms: int, zone: ZoneInfo) -> tuple[int, int]:
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


def _replay(asked: argparse.Namespace) -> None:
    from monitor.edges.recordings import RecordingError, replay
    from monitor.service.daemon import broker_of

    broker = broker_of(_settings(asked))
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


def _export(asked: argparse.Namespace) -> None:
    from monitor.store.connection import StoreError
    from monitor.store.exports import export, remark
    from monitor.store.formats import ExportError, Format
    from monitor.store.partitions import partition
    from monitor.store.queries import Reader

    settings = _settings(asked)
    begin, end = _time(settings, asked.begin), _time(settings, asked.end)
    form = Format.JSON if asked.json else Format(asked.format)
    if asked.into is not None and (form is not Format.PARQUET or end is not None):
        raise AskedWronglyError("--into goes with --format parquet, and without --to and --json")
    try:
        with Reader(settings.store.file) as reader:
            if asked.into is not None:
                days, rows = partition(
                    reader, settings.site, asked.what, asked.into, clock.now_ms(), begin
                )
                print(f"{rows:,} rows of {days:,} days written below {asked.into}.")
                return
            export(reader, settings.site, asked.what, sys.stdout.buffer, form, begin, end)
            told = remark(reader, asked.what, begin, end)
        if told:
            print(told, file=sys.stderr)
    except ExportError as error:
        raise AskedWronglyError(str(error)) from error
    except StoreError as error:
        raise FailedError(str(error)) from error
    except BrokenPipeError:
        sys.stderr.close()
    except OSError as error:
        raise FailedError(
            f"{asked.into or 'standard output'} cannot be written ({error.strerror}); "
            "see that the disk is not full and the folder may be written"
        ) from error


def _passphrase(asked: argparse.Namespace) -> None:
    from monitor.edges.page.access import PassphraseError
    from monitor.service.passphrase import ask_twice, keep

    file = asked.config or next((f for f in DEFAULT_CONFIG if f.exists()), DEFAULT_CONFIG[0])
    settings = load(file, passphrase_may_be_missing=True)
    kept = settings.page.passphrase_file
    if kept is None:
        raise AskedWronglyError(
            f'{file}: [page] has no passphrase_file; write passphrase_file = "passphrase" there'
        )
    try:
        keep(ask_twice(), kept)
    except PassphraseError as error:
        raise AskedWronglyError(str(error)) from error
    print(f"Kept in {kept}, as a hash only. Restart the monitor; everybody signs in anew.")


_COMMANDS: dict[str, Callable[[argparse.Namespace], int | None]] = {
    "demo": _demo,
    "run": _run,
    "check": _check,
    "backup": _backup,
    "restore": _restore,
    "listen": _listen,
    "now": _now,
    "report": _report,
    "replay": _replay,
    "export": _export,
    "batches": _batches,
    "passphrase": _passphrase,
    "plan": _plan,
    "saltcheck": _saltcheck,
}
