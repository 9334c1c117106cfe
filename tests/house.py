"""The house in figures: python -m tests.house prints them, with what is asked of each.

python -m tests.house [FOLDER]    the package in FOLDER instead of this checkout's
python -m tests.house --list      also says which, for all that is counted by name
"""

from __future__ import annotations

import ast
import io
import re
import sys
import tokenize
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from vulture import Vulture

PACKAGE = Path(__file__).parents[1] / "monitor"
_NO_CODE = (
    tokenize.COMMENT,
    tokenize.NL,
    tokenize.NEWLINE,
    tokenize.INDENT,
    tokenize.DEDENT,
    tokenize.ENDMARKER,
)
SHORT_LINES, LONG_FUNCTION_LINES = 40, 40
# Names that something outside the package's own code reaches, and what.
REACHED = {
    "on_connect on_disconnect on_message on_publish on_subscribe": "paho calls them",
    "on_socket_close on_socket_register_write on_socket_unregister_write": "paho calls them",
    "MaximumPacketSize SessionExpiryInterval connect_timeout": "paho reads them",
    "debuglevel socket_connect_timeout socket_read_timeout": "Apprise and smtplib read them",
    "build back_up": "commands beside, named in their `Command`",
    "backup completion": "named in the table of commands",
    "arid cold shed": "parts and delays that a table names",
    "absolute_humidity_g_m3 horizon_h": "kept by the names of their columns",
    "temperature_p10_c temperature_p50_c temperature_p90_c": "kept by the names of their columns",
    "humidity_ratio_p10_g_kg humidity_ratio_p50_g_kg humidity_ratio_p90_g_kg": "likewise",
    "target_pct_wb": "for who reads the book of flowers; what is reckoned is crisp_humidity_pct",
    "teachers": "compared, with the rest of its row, with what was known before",
    "daemon_threads do_POST log_message": "the standard library's server reads and calls them",
}


class Module(NamedTuple):
    """One source file: where it stands below the package, its text and its tree."""

    place: str
    text: str
    tree: ast.Module

    @property
    def name(self) -> str:
        """As it is imported."""
        return "monitor." + self.place.removesuffix(".py").removesuffix("/__init__").replace(
            "/", "."
        )

    @property
    def lines(self) -> int:
        """Raw lines."""
        return len(self.text.splitlines())


class Figure(NamedTuple):
    """One row: what is counted, how many, at most how many are asked, and which they are."""

    what: str
    count: int
    asked: int
    which: tuple[str, ...] = ()


def modules(package: Path) -> list[Module]:
    """Every module of the package."""
    return [
        Module(str(file.relative_to(package)), text, ast.parse(text))
        for file in sorted(package.rglob("*.py"))
        for text in [file.read_text("utf-8")]
    ]


def code_lines(module: Module) -> int:
    """Lines without blanks, comments and docstrings."""
    docs: set[int] = set()
    for node in ast.walk(module.tree):
        if (
            isinstance(node, ast.Expr)
            and isinstance(node.value, ast.Constant)
            and isinstance(node.value.value, str)
        ):
            docs |= set(range(node.lineno, (node.end_lineno or node.lineno) + 1))
    lines: set[int] = set()
    for token in tokenize.generate_tokens(io.StringIO(module.text).readline):
        if token.type not in _NO_CODE:
            lines |= set(range(token.start[0], token.end[0] + 1))
    return len(lines - docs)


def imports(module: Module, names: set[str]) -> set[str]:
    """The modules of the package that a module imports."""
    found = set()
    for node in ast.walk(module.tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            for each in node.names:
                whole = f"{node.module}.{each.name}"
                found.add(whole if whole in names else node.module)
        elif isinstance(node, ast.Import):
            found |= {each.name for each in node.names}
    return found & names


def short_with_one_importer(all_modules: list[Module]) -> list[str]:
    """Modules too short to stand alone that only one other wants."""
    names = {module.name for module in all_modules}
    importers = Counter(name for module in all_modules for name in imports(module, names))
    return [
        f"{m.place} ({m.lines})"
        for m in all_modules
        if m.lines < SHORT_LINES and importers[m.name] == 1 and not m.place.endswith("__init__.py")
    ]


def long_functions(all_modules: list[Module]) -> list[str]:
    """Functions over forty lines."""
    return [
        f"{module.place}:{node.lineno} {node.name} ({length})"
        for module in all_modules
        for node in ast.walk(module.tree)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        for length in [(node.end_lineno or node.lineno) - node.lineno + 1]
        if length > LONG_FUNCTION_LINES
    ]


def keyed_by_kind(all_modules: list[Module]) -> list[str]:
    """Dictionaries keyed by Kind outside the kinds' own table."""

    def is_kind(node: ast.expr | None) -> bool:
        return (
            isinstance(node, ast.Attribute)
            and isinstance(node.value, ast.Name)
            and node.value.id == "Kind"
        )

    return [
        f"{module.place}:{node.lineno}"
        for module in all_modules
        if module.place != "site/kinds.py"
        for node in ast.walk(module.tree)
        if isinstance(node, ast.Dict) and any(is_kind(key) for key in node.keys)
    ]


def any_dicts(all_modules: list[Module]) -> list[str]:
    """`dict[str, Any]` in the edges: JSON that was not parsed into a type."""
    return [
        f"{module.place}:{number}"
        for module in all_modules
        if module.place.startswith("edges/")
        for number, line in enumerate(module.text.splitlines(), 1)
        if "dict[str, Any]" in line
    ]


def classes_named_twice(all_modules: list[Module]) -> list[str]:
    """Names that two classes share."""
    places: dict[str, list[str]] = {}
    for module in all_modules:
        for node in module.tree.body:
            if isinstance(node, ast.ClassDef):
                places.setdefault(node.name, []).append(f"{module.place}:{node.lineno}")
    return [f"{name}: {', '.join(at)}" for name, at in sorted(places.items()) if len(at) > 1]


def unused(package: Path) -> dict[str, str]:
    """Names that neither the code reaches nor the templates of its pages, and where they are."""
    found = Vulture()
    found.scavenge([str(package)])
    pages = " ".join(file.read_text("utf-8") for file in package.rglob("*.html"))
    reached = set(re.findall(r"\w+", pages))
    return {
        item.name: f"{Path(item.filename).relative_to(package)}:{item.first_lineno}"
        for item in found.get_unused_code(min_confidence=60)
        if item.name not in reached
    }


def dead_names(package: Path) -> list[str]:
    """Those that nothing outside reaches either."""
    excused = {name for names in REACHED for name in names.split()}
    return [f"{at} {name}" for name, at in unused(package).items() if name not in excused]


def figures(package: Path) -> Iterator[Figure]:
    """The rows of the table."""
    house = modules(package)
    yield Figure("modules", len(house), 145)
    yield Figure("lines of code", sum(code_lines(module) for module in house), 23_000)
    longest = max(house, key=lambda module: module.lines)
    yield Figure("lines of the longest module", longest.lines, 400, (longest.place,))
    rows = (
        ("modules under 40 lines with one importer", short_with_one_importer, 8),
        ("functions over 40 lines", long_functions, 10),
        ("dictionaries keyed by Kind outside its table", keyed_by_kind, 0),
        ("dict[str, Any] in edges", any_dicts, 0),
        ("class names used twice", classes_named_twice, 0),
    )
    for what, found, asked in rows:
        which = tuple(found(house))
        yield Figure(what, len(which), asked, which)
    dead = tuple(dead_names(package))
    yield Figure("dead names", len(dead), 0, dead)


def main(arguments: list[str]) -> None:
    """Print the table."""
    folders = [Path(word) for word in arguments if not word.startswith("-")]
    for figure in figures(folders[0] if folders else PACKAGE):
        print(f"{figure.what:48} {figure.count:7,}  asked at most {figure.asked:,}")
        if "--list" in arguments:
            for each in figure.which:
                print(f"    {each}")


if __name__ == "__main__":
    main(sys.argv[1:])
