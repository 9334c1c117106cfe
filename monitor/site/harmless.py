"""Text from outside made harmless: for logs, terminals, notices and the page."""

from __future__ import annotations


def shown(text: str, longest: int = 60) -> str:
    """Text from outside, short and without anything a terminal or a page could stumble over.

    >>> shown("rail\\x1b[2J")
    'rail\\\\x1b[2J'
    """
    text = text if len(text) <= longest else text[: longest - 3] + "..."
    return "".join(
        sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in text
    )
