"""The command `drying-room`: a table of what can be asked, a row a command.

What a command needs is imported when it runs: what only speaks to the running monitor loads neither
numpy nor a web server. Exit codes: 0 done, 1 it failed, 2 asked wrongly. An error is one sentence
on standard error.
"""

from __future__ import annotations

import os
import sys
from argparse import Namespace
from collections.abc import Callable, Sequence
from difflib import get_close_matches
from importlib import import_module
from pathlib import Path
from typing import Any, NamedTuple

from monitor import __version__
from monitor.entries.entries import RequestError
from monitor.entries.requests import CommandParser, add_entry_words
from monitor.entries.verbs import VERBS
from monitor.service.settings.tables import SettingsError


class AskedWronglyError(Exception):
    """The command's words are wrong; str() is one or more sentences."""


class FailedError(Exception):
    """The command could not do it; str() is one sentence."""


class Option(NamedTuple):
    """One word or option of a command, as argparse takes it."""

    names: tuple[str, ...]
    told: dict[str, Any]


class Row(NamedTuple):
    """A command.

    does      the function that runs it, of `service/asking.py` or `service/doing.py`
    summary   what it is for, in a few words
    example   its words, without the program's name
    """

    does: str
    summary: str
    example: str
    options: tuple[Option, ...] = ()


def _o(*names: str, **told: Any) -> Option:
    return Option(names, told)


_COMMON = (
    _o("--config", type=Path, metavar="FILE", help="the settings (default: ./drying-room.toml)"),
    _o("--json", action="store_true", help="answer in JSON, for programs"),
)
_FILE = _o("file", type=Path, metavar="FILE")

COMMANDS: dict[str, Row] = {
    "demo": Row(
        "doing:demo",
        "show the whole job on sample readings",
        "demo",
        (
            _o("--folder", type=Path, metavar="DIR", help="where to put what it makes"),
            _o("--leave", action="store_true", help="do not keep the page open at the end"),
            _o("--amqtt", action="store_true", help="use the small broker in Python"),
        ),
    ),
    "run": Row(
        "doing:run",
        "run the monitor",
        "run --config drying-room.toml",
        (
            _o("--clock", choices=("wall", "readings"), default="wall", help="what tells now"),
            _o("--until", metavar="TIME", help="with --clock readings: where to end"),
            _o("--entries", type=Path, metavar="FILE", help="with --clock readings: entries"),
            _o("--stay", action="store_true", help="with --clock readings: stay at the end"),
            _o("--port", type=int, default=8642, metavar="N", help="of the page, while setting up"),
        ),
    ),
    "setup": Row(
        "setup.beginning:setup",
        "set up in this terminal, step by step",
        "setup",
        (
            _o("--words", action="store_true", help="only make new words for the page"),
            _o("--back", action="store_true", help="put the settings before the last change back"),
        ),
    ),
    "check": Row(
        "doing:check",
        "look at everything once: fine, or what to do",
        "check --notify",
        (
            _o("--notify", action="store_true", help="send a test message as well"),
            _o("--mend", action="store_true", help="set aside readings dated in the future"),
        ),
    ),
    "backup": Row("doing:backup", "make a backup now", "backup"),
    "restore": Row(
        "doing:restore", "make a backup the store again", "restore backups/FILE.sqlite", (_FILE,)
    ),
    "listen": Row(
        "doing:listen",
        "show what is on the broker",
        "listen --for 30",
        (
            _o("--for", dest="seconds", type=float, default=20.0, metavar="SECONDS"),
            _o("--topic", default="#", help="only topics like this"),
        ),
    ),
    "now": Row("asking:now", "show the air, the spells and the bunches of every space", "now"),
    "report": Row(
        "doing:report",
        "make a week's report, or a season's",
        "report --week 2026-W29",
        (
            _o("--week", metavar="WEEK", help="ISO week (default: the last full one)"),
            _o("--weeks", metavar="N", help="so many weeks in a row from that one on"),
            _o("--from", dest="begin", metavar="DAY", help="first day of a season's book"),
            _o("--to", dest="end", metavar="DAY", help="the day after its last (now)"),
            _o("--pdf", action="store_true", help="also as a PDF (needs Chromium)"),
        ),
    ),
    "replay": Row(
        "doing:replay",
        "publish a file of messages to the broker",
        "replay messages.jsonl.gz",
        (_FILE, _o("--speed", default="max", metavar="N", help="times real time, or max")),
    ),
    "export": Row(
        "doing:export",
        "write a table for other programs",
        "export air --from 2026-07-06",
        (
            _o("what", metavar="WHAT", help="readings, air, spells, notices, …"),
            _o("--from", dest="begin", metavar="TIME", help="2026-07-06: from its midnight"),
            _o("--to", dest="end", metavar="TIME", help="the first moment left out"),
            _o("--format", choices=("csv", "json", "parquet"), default="csv"),
            _o("--local", action="store_true", help="add each time by the site's own clock"),
            _o(
                "--into",
                type=Path,
                metavar="DIR",
                help="with --format parquet: a file a day, for many sites",
            ),
        ),
    ),
    "batches": Row(
        "asking:batches",
        "show what hangs where",
        "batches --history",
        (_o("--history", action="store_true", help="show every entry by its number"),),
    ),
    "completion": Row(
        "cli:completion",
        "print what makes your shell complete these words",
        "completion bash > ~/.local/share/bash-completion/completions/drying-room",
        (_o("shell", choices=("bash", "zsh", "tcsh"), help="which shell"),),
    ),
    "passphrase": Row("doing:passphrase", "set the passphrase of the page", "passphrase"),
    "plan": Row(
        "asking:plan",
        "say where today's harvest should hang",
        "plan statice --bunches 12",
        (
            _o("flower", metavar="FLOWER", help="what was cut"),
            _o("--bunches", metavar="N", help="how many bunches"),
            _o(
                "--fresh-mass",
                dest="fresh_mass_g",
                metavar="GRAMS",
                help="mass of one fresh bunch [g]",
            ),
            _o(
                "--what-if",
                action="append",
                default=[],
                metavar="CHANGE",
                help='door, "fan 60", "dehumidifier 10", "bunches 6" or heater; may be said again',
            ),
        ),
    ),
    "flowers": Row(
        "asking:flowers",
        "list the flowers that are known, or what is known of one",
        "flowers statice",
        (_o("flower", nargs="?", metavar="FLOWER", help="in any of its names"),),
    ),
    "saltcheck": Row(
        "asking:saltcheck",
        "check a sensor against wet salt, or beside another",
        "saltcheck loft-rail",
        (
            _o("sensor", metavar="SENSOR", help="the sensor that is shut in with the salt"),
            _o("--salt", choices=("table", "magnesium"), help="which salt (default: table)"),
            _o("--beside", metavar="NAME", help="a trusted sensor beside it, instead"),
            _o("--at", metavar="TIME", help="when it was shut in (default: now)"),
            _o("--once", action="store_true", help="look once, do not wait"),
            _o("--yes", action="store_true", help="store the correction without asking"),
            _o("--stop", action="store_true", help="end the check, change nothing"),
        ),
    ),
    **{verb.name: Row("asking:enter", verb.help, verb.example) for verb in VERBS.values()},
}


def main(words: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    os.umask(0o077)  # what it writes is for its owner alone
    given = list(sys.argv[1:] if words is None else words)
    try:
        code = _run(given)
        sys.stdout.flush()
        return code
    except BrokenPipeError:  # whoever read us has enough; Python would say so once more at its end
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except (RequestError, AskedWronglyError, SettingsError) as error:
        print(error, file=sys.stderr)
        return 2
    except (FailedError, OSError) as error:
        print(error, file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 1


def _run(words: Sequence[str]) -> int:
    name, *rest = words or ["help"]
    if name in ("help", "--help", "-h"):
        if not rest or rest[0] in ("help", "--help", "-h"):
            print(overview())
            return 0
        name, rest = rest[0], ["--help"]
    if name in ("--version", "-V", "version"):
        print(f"drying-room {__version__}")
        return 0
    row = COMMANDS.get(name)
    if row is None:
        near = get_close_matches(name, COMMANDS, 1)
        meant = f"; did you mean {near[0]}?" if near else "; `drying-room help` shows them all"
        raise AskedWronglyError(f"“{name}” is no command{meant}")
    parser = parser_of(name, row)
    asked = parser.parse_args(rest)
    module, _, function = row.does.partition(":")
    command: Callable[[Namespace], int | None] = getattr(
        import_module(f"monitor.service.{module}"), function
    )
    return command(asked) or 0


def parser_of(name: str, row: Row, add_help: bool = True) -> CommandParser:
    """What takes a command's words."""
    parser = CommandParser(
        prog=f"drying-room {name}",
        description=f"{row.summary[0].upper()}{row.summary[1:]}.",
        epilog=f"example: drying-room {row.example}",
        allow_abbrev=False,
        add_help=add_help,
    )
    parser.set_defaults(verb=name)
    for option in (*_COMMON, *row.options):
        parser.add_argument(*option.names, **option.told)
    if name in VERBS:
        add_entry_words(parser, VERBS[name])
    return parser


def completion(asked: Namespace) -> None:
    """Print a script that completes the commands and their words."""
    import shtab

    all_of_it = CommandParser(prog="drying-room")
    under = all_of_it.add_subparsers()
    for name, row in COMMANDS.items():
        one = parser_of(name, row, add_help=False)
        under.add_parser(name, help=row.summary, parents=[one], allow_abbrev=False)
    print(shtab.complete(all_of_it, asked.shell))


def overview() -> str:
    """Every command in a line."""
    width = max(map(len, COMMANDS))
    return "\n".join(
        [
            "usage: drying-room COMMAND …",
            "",
            "Watches the rooms in which cut flowers hang to dry.",
            "",
            *(f"  {name:<{width}}  {row.summary}" for name, row in COMMANDS.items()),
            "",
            "`drying-room help COMMAND` shows a command's words.",
            "example: drying-room demo",
        ]
    )
