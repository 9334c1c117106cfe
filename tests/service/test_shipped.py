"""Files that come with the program are found, from a checkout and from an installation."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from monitor.service.settings.files import shipped

CHECKOUT = Path(__file__).parents[2]


def test_a_file_is_found_in_a_checkout():
    assert shipped("config/drying-room.toml") == CHECKOUT / "config" / "drying-room.toml"


def test_a_file_that_did_not_come_is_said():
    with pytest.raises(FileNotFoundError, match=r"config/none\.toml did not come with the program"):
        shipped("config/none.toml")


def test_a_file_is_found_where_the_program_is_installed(tmp_path):
    """An installation has config inside the package: laid out by hand here."""
    shutil.copytree(CHECKOUT / "monitor", tmp_path / "monitor")
    shutil.copytree(CHECKOUT / "config", tmp_path / "monitor" / "config")
    ask = (
        "from monitor.service.settings.files import shipped; "
        "print(shipped('config/drying-room.toml'))"
    )
    told = subprocess.run(
        [sys.executable, "-c", ask], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert told.stdout.strip() == str(tmp_path / "monitor" / "config" / "drying-room.toml")


def test_every_package_is_named_for_the_installation() -> None:
    root = Path(__file__).parents[2]
    told = tomllib.loads((root / "pyproject.toml").read_text("utf-8"))["tool"]["setuptools"]
    here = {
        ".".join(init.parent.relative_to(root).parts)
        for init in (root / "monitor").rglob("__init__.py")
    }
    assert set(told["packages"]) == here | {"monitor.config", "monitor.sample_readings"}
