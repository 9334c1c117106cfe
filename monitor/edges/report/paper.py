"""What a report is printed on: the same frame and look for a week and for a season."""

from __future__ import annotations

import re
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
