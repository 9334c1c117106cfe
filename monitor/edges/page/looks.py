"""How pages look: their style and their templates, for the page and for setting up."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from monitor.edges import charts

HERE = Path(__file__).parent


def style() -> str:
    """The page's style, with that of its charts."""
    return (HERE / "static/page.css").read_text("utf-8") + charts.STYLE.read_text("utf-8")


def templates() -> Environment:
    """The templates: what is put in is text, and what is missing a mistake.

    `version` is new whenever style or script are, so that no browser keeps old ones.
    """
    found = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    version = sha256(style().encode() + (HERE / "static/page.js").read_bytes())
    found.globals["version"] = version.hexdigest()[:8]
    return found
