"""Help: pages of Markdown that lie beside, as readable in the clone as on the page.

A page's name is its file's. A heading's anchor is its text up to the first colon, so the kind of a
notice is the heading of what to do about it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import NamedTuple

from jinja2 import Environment
from markupsafe import Markup
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from monitor.edges.page.house import Summary

FOLDER = Path(__file__).parent / "help"
TOPICS = frozenset(file.stem for file in FOLDER.glob("*.md"))


class HelpPage(NamedTuple):
    """A page of help; html: its body."""

    title: str
    html: Markup


def text_of(topic: str, commands: Iterable[Summary] = ()) -> str:
    """A page's Markdown, with the table of commands in its place."""
    text = (FOLDER / f"{topic}.md").read_text("utf-8")
    rows = (f"| `{c.command}` | {c.summary} | `drying-room {c.example}` |" for c in commands)
    table = "\n".join(["| command | what it does | for example |", "| --- | --- | --- |", *rows])
    return text.replace("\nCOMMANDS\n", f"\n{table}\n")


def anchor(heading: str) -> str:
    """What stands behind the # of a link to a heading.

    >>> anchor("Crisp-soon: a batch is likely dry"), anchor("A lost passphrase")
    ('crisp-soon', 'a-lost-passphrase')
    """
    return re.sub(r"[^\w-]+", "-", heading.partition(":")[0].lower()).strip("-")


def route(templates: Environment, name: str, commands: tuple[Summary, ...]) -> Route:
    """For everybody, signed in or not: who has lost the passphrase needs it too.

    name  of the place, above each page
    """

    def answer(request: Request) -> Response:
        topic = request.path_params["topic"].removesuffix(".md")
        if topic not in TOPICS:
            raise HTTPException(404)
        told = page(topic, commands)
        html = templates.get_template("help.html").render(
            title=told.title, html=told.html, name=name
        )
        return HTMLResponse(html)

    return Route("/help/{topic}", answer)


@cache
def page(topic: str, commands: tuple[Summary, ...]) -> HelpPage:
    """One page of help, a name of TOPICS."""
    from markdown import Markdown  # few ask for help: nobody else need hold it

    anchors = {"slugify": lambda heading, _: anchor(heading)}
    reader = Markdown(
        extensions=["tables", "fenced_code", "toc"], extension_configs={"toc": anchors}
    )
    text = text_of(topic, commands)
    return HelpPage(text.splitlines()[0].strip("# "), Markup(reader.convert(text)))  # noqa: S704 - our own text
