"""A page of ours printed into a PDF file, by the browser that the machine has."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

BROWSERS = ("chromium", "chromium-browser")
TIMEOUT_S = 120.0


class PdfError(Exception):
    """One sentence: why there is no PDF, and what to do."""


def print_to_pdf(page: Path) -> Path:
    """Print an HTML file as a PDF of the same name beside it, and return that; raises PdfError."""
    browser = next((found for name in BROWSERS if (found := shutil.which(name))), None)
    if browser is None:
        raise PdfError(
            f"no PDF was made, for Chromium is not installed; install it (apt-get install "
            f"chromium), or open {page} in any browser and print it there"
        )
    made = page.with_suffix(".pdf")
    # Chromium will not run as root inside its sandbox; the page is our own and runs no script.
    unboxed = ["--no-sandbox"] if os.geteuid() == 0 else []
    with tempfile.TemporaryDirectory() as profile:
        command = [browser, "--headless", "--disable-gpu", f"--user-data-dir={profile}", *unboxed]
        command += ["--no-pdf-header-footer", f"--print-to-pdf={made}", page.absolute().as_uri()]
        try:
            subprocess.run(  # noqa: S603 (no shell, and no word of it from outside)
                command, capture_output=True, timeout=TIMEOUT_S, check=True
            )
        except (OSError, subprocess.SubprocessError) as error:
            raise PdfError(
                f"no PDF was made, for {browser} failed ({type(error).__name__}); open {page} in "
                "any browser and print it there"
            ) from error
    return made
