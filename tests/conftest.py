"""What holds for every test: the order in which they are taken up."""

from __future__ import annotations

import pytest

LONGEST = "test_four_ways.py"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the longest file: run side by side, it would else be the last, and alone."""
    items.sort(key=lambda item: item.path.name != LONGEST)
