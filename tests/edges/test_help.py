"""Help: every link leads somewhere, and every view, notice and command has its place in it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from monitor.edges.page import help
from monitor.service.cli import COMMANDS
from monitor.service.daemon import summaries
from tests.notices.phrasebook import every_message

ROOT = Path(__file__).parents[2]
TEMPLATES = help.FOLDER.with_name("templates")
SUMMARIES = summaries()
PLACES = {
    topic: set(re.findall(r'id="([^"]+)"', help.page(topic, SUMMARIES).html))
    for topic in help.TOPICS
}
LONGEST_README = 9_000  # bytes


def leads_somewhere(link: str) -> bool:
    """Whether `topic.md#heading` is there."""
    file, _, heading = link.partition("#")
    topic = file.removesuffix(".md")
    return file.endswith(".md") and topic in PLACES and (not heading or heading in PLACES[topic])


@pytest.mark.parametrize("topic", sorted(help.TOPICS))
def test_no_link_is_dead(topic: str) -> None:
    links = re.findall(r'href="([^"]+)"', help.page(topic, SUMMARIES).html)
    assert [link for link in links if "://" not in link and not leads_somewhere(link)] == []


def test_the_index_leads_to_every_page() -> None:
    listed = set(re.findall(r"\((\S+)\.md\)", help.text_of("index")))
    assert listed == help.TOPICS - {"index"}


def test_every_view_leads_to_its_help() -> None:
    views = [file for file in TEMPLATES.glob("*.html") if 'extends "base.html"' in file.read_text()]
    assert len(views) > 10
    for view in views:
        found = re.search(r"{% block help %}(.+?){% endblock %}", view.read_text("utf-8"))
        assert found, view.name
        assert leads_somewhere(found[1]), found[1]


def test_other_pages_links_to_help_lead_somewhere() -> None:
    for file in TEMPLATES.glob("*.html"):
        for link in re.findall(r'href="/help/([^"{]+)"', file.read_text("utf-8")):
            assert leads_somewhere(link), (file.name, link)


def test_every_kind_of_notice_says_what_to_do() -> None:
    kinds = {notice.kind for _, notice in every_message()}
    assert len(kinds) > 20
    assert {kind for kind in kinds if kind not in PLACES["notices"]} == set()


def test_the_table_of_commands_is_made_from_the_commands() -> None:
    html = help.page("commands", SUMMARIES).html
    assert html.count("<tr>") == len(COMMANDS) + 1
    for row in COMMANDS.values():
        assert row.example in html.unescape()


def test_the_readme_is_short_and_its_links_are_not_dead() -> None:
    text = (ROOT / "README.md").read_text("utf-8")
    assert len(text.encode()) <= LONGEST_README
    for link in re.findall(r"\]\(([^)#]+)", text):
        assert "://" in link or (ROOT / link).exists(), link
