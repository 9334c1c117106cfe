"""What a report is printed on: the same frame and look for a week and for a season."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import tempfile
from pathlib import Path

import jinja2
from markupsafe import Markup

from monitor.edges.charts import STYLE

_HERE = Path(__file__).parent
# No line ends between a figure and its unit.
_BEFORE_UNIT = re.compile(r"(\d) (?=[%°]|(?:K|h|min|lux|kPa·h|klx·h)\b)")


def printed(template: str, **told: object) -> str:
    """The whole page: a template of this folder with what is told in it."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_HERE),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    style = _HERE.joinpath("week.css").read_text("utf-8") + STYLE.read_text("utf-8")
    page = environment.get_template(template).render(style=Markup(style), **told)  # noqa: S704 (ours)
    return _BEFORE_UNIT.sub("\\1\u00a0", page)


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
