"""The house's walls: imports run downwards, and each outside thing has one door."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from collections.abc import Iterator
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "monitor"
FLOORS = (
    "science",
    "site",
    "intake",
    "entries",
    "air",
    "ahead",
    "drying",
    "places",
    "notices",
    "engine",
    "store",
    "edges",
    "service",
)
# What only one place may import, and that place.
DOORS = {
    "sqlite3": "store",
    "paho": "edges/mqtt",
    "psychrolib": "science/moist_air.py",
    "pandas": "edges/report",
    "apprise": "edges/delivery.py",
}
# What reads the wall's clock, and the one file that may.
WALL_CLOCK = {
    ("time", "time"),
    ("time", "time_ns"),
    ("time", "localtime"),
    ("time", "gmtime"),
    ("datetime", "now"),
    ("datetime", "utcnow"),
    ("datetime", "today"),
    ("date", "today"),
}
MODULES = sorted(PACKAGE.rglob("*.py"))


def imported(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            assert node.level == 0, "imports are absolute"
            yield node.module
            yield from (f"{node.module}.{name.name}" for name in node.names)


def floor(module: str) -> int | None:
    parts = module.split(".")
    return FLOORS.index(parts[1]) if parts[0] == "monitor" and parts[1:2] else None


@pytest.mark.parametrize("file", MODULES, ids=lambda f: str(f.relative_to(PACKAGE)))
def test_imports_run_downwards_and_each_door_is_used(file: Path) -> None:
    place = str(file.relative_to(PACKAGE))
    tree = ast.parse(file.read_text("utf-8"))
    own = FLOORS.index(place.split("/")[0]) if "/" in place else len(FLOORS)
    for module in imported(tree):
        if module.startswith("monitor.") and module.split(".")[1] in FLOORS:
            above = floor(module)
            assert above is not None
            assert above <= own, f"{place} imports {module}, which is above it"
        for library, door in DOORS.items():
            if module == library or module.startswith(f"{library}."):
                assert place.startswith(door), f"{place} imports {library}: only {door} may"


@pytest.mark.parametrize("file", MODULES, ids=lambda f: str(f.relative_to(PACKAGE)))
def test_only_the_clock_reads_the_wall(file: Path) -> None:
    place = str(file.relative_to(PACKAGE))
    if place == "edges/clock.py":
        return
    for node in ast.walk(ast.parse(file.read_text("utf-8"))):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            assert (node.value.id, node.attr) not in WALL_CLOCK, (
                f"{place}:{node.lineno} reads the wall clock; take the time as an argument"
            )


def test_what_is_imported_is_declared() -> None:
    """Else it is there only as long as something else wants it too."""
    project = tomllib.loads((PACKAGE.parent / "pyproject.toml").read_text("utf-8"))["project"]
    of_extras = project["optional-dependencies"]
    wanted = [*project["dependencies"], *of_extras["demo"], *of_extras["parquet"]]
    declared = {re.split(r"[^\w.-]", one)[0].lower() for one in wanted}
    of_module = packages_distributions()
    undeclared = {
        f"{file.relative_to(PACKAGE)}: {name}"
        for file in MODULES
        for name in {m.split(".")[0] for m in imported(ast.parse(file.read_text("utf-8")))}
        if name != "monitor" and name not in sys.stdlib_module_names
        if not declared & {one.lower() for one in of_module.get(name, ())}
    }
    assert undeclared == set()


def test_no_circle() -> None:
    graph = {
        "monitor." + str(f.relative_to(PACKAGE).with_suffix("")).replace("/", "."): {
            m for m in imported(ast.parse(f.read_text("utf-8"))) if m.startswith("monitor.")
        }
        for f in MODULES
    }
    done: set[str] = set()

    def walk(module: str, path: tuple[str, ...]) -> None:
        assert module not in path, " → ".join((*path[path.index(module) :], module))
        if module in done or module not in graph:
            return
        for other in sorted(graph[module]):
            walk(other, (*path, module))
        done.add(module)

    for module in graph:
        walk(module, ())


def test_the_walls_would_be_noticed() -> None:
    """The checks above find what they look for."""
    assert set(imported(ast.parse("from monitor.service import cli\nimport sqlite3"))) >= {
        "monitor.service",
        "sqlite3",
    }
    assert floor("monitor.service.cli") == len(FLOORS) - 1


def test_every_check_that_is_left_out_says_why() -> None:
    silent = [
        f"{file.relative_to(PACKAGE)}:{number}"
        for file in MODULES
        for number, line in enumerate(file.read_text("utf-8").splitlines(), 1)
        if "# noqa" in line and not re.search(r"# noqa: [A-Z]+\d+\W+[a-z]", line)
    ]
    assert silent == []
