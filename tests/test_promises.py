"""What the list of promises and threats names as the test that holds one is there."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
LIST = (ROOT / "tests" / "faults" / "README.md").read_text("utf-8")
NAMED = sorted(set(re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", LIST)))


def test_every_promise_and_every_threat_names_a_test() -> None:
    for heading in ("## What is promised, and what holds it", "## Who might do harm"):
        section = LIST.split(heading, 1)[1].split("\n## ", 1)[0]
        rows = [line for line in section.splitlines() if line.startswith("| ")][2:]
        assert len(rows) > 8
        assert [row for row in rows if "::test_" not in row] == []


@pytest.mark.parametrize(("file", "name"), NAMED, ids=[name for _, name in NAMED])
def test_it_is_there(file: str, name: str) -> None:
    tree = ast.parse((ROOT / file).read_text("utf-8"))
    assert name in {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}
