"""The preloaded shim, built once with gcc."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest


@dataclass
class Shim:
    """What to preload, and the file that steers it."""

    library: Path
    folder: Path
    match: str = "store.sqlite"

    @property
    def control(self) -> Path:
        return self.folder / "shim.control"

    @property
    def log(self) -> Path:
        return self.folder / "shim.log"

    def environment(self, *, logged: bool = False) -> dict[str, str]:
        self.control.write_text("")
        given = {
            "LD_PRELOAD": str(self.library),
            "SHIM_MATCH": self.match,
            "SHIM_CONTROL": str(self.control),
        }
        return given | ({"SHIM_LOG": str(self.log)} if logged else {})

    def set(self, words: str) -> None:
        self.control.write_text(words)


def build_shim(folder: Path) -> Path:
    """The library, built in a folder."""
    library = folder / "shim.so"
    source = Path(__file__).parent / "shim.c"
    words = ["gcc", "-shared", "-fPIC", "-O2", "-o", str(library), str(source), "-ldl", "-lpthread"]
    subprocess.run(words, check=True)
    return library


@pytest.fixture(scope="session")
def shim_library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build_shim(tmp_path_factory.mktemp("shim"))


@pytest.fixture
def shim(shim_library: Path, tmp_path: Path) -> Shim:
    return Shim(shim_library, tmp_path)
