"""Why a payload cannot be read, and how to mend it: the words."""

from __future__ import annotations

import re

from monitor.intake.documents import MISSING, pointer
from monitor.site.words import shown

_NUMBER_AND_MORE = re.compile(r"[+-]?[0-9]+(\.[0-9]+)?\s*[°%a-zA-Z][^0-9]*")
_NUMBER = re.compile(r"\s*[+-]?[0-9]+(\.[0-9]+)?\s*")
_COMMA_NUMBER = re.compile(r"[+-]?[0-9]+,[0-9]+")
_NO_NUMBER = re.compile(r"[+-]?(nan|inf|infinity|none|null|unavailable|unknown)", re.IGNORECASE)


class PayloadError(ValueError):
    """One sentence: where, what is wrong, and how to mend it."""


class UnreadableError(ValueError):
    """What is wrong and how to mend it, as a clause without the where."""

    def told(self, topic: str) -> PayloadError:
        """The whole sentence."""
        return PayloadError(f"{shown(topic)}: {self}.")


def no_bare_number(payload: bytes) -> str:
    """Why a payload is not a bare number."""
    try:
        text = payload.decode("utf-8").strip()
    except UnicodeDecodeError:
        return "the payload is not text; let the sensor send a number in plain characters"
    if not text:
        return "the payload is empty; let the sensor send a number such as 21.3"
    what = f"the payload {said(text)}"
    if text[0] in "{[":
        return 'the payload is JSON; say in the settings where the value stands, as in at = "/t"'
    if _NO_NUMBER.fullmatch(text):
        return f"{what} says that nothing was measured; look at the sensor"
    if text[0] == '"':
        return "the payload is in quotes; let the sensor send the number alone"
    if _COMMA_NUMBER.fullmatch(text):
        return f"{what} has a decimal comma; let the sensor send a point"
    if _NUMBER_AND_MORE.fullmatch(text):
        return f"{what} is more than a number; let the sensor send the number alone"
    return f"{what} is not a plain decimal number; let the sensor send one such as 21.3"


def no_json(text: str, error: ValueError) -> str:
    """Why a payload is not JSON."""
    if not text.strip():
        return "the payload is empty; let the sensor send JSON"
    place = getattr(error, "pos", None)
    if place is None:  # the only other complaint: a number with thousands of digits
        return "the payload has a number too long to be read; look at the sensor"
    if place >= len(text.rstrip()):
        return "the payload breaks off before the JSON is whole; let the sensor send all of it"
    return (
        f"the payload is not JSON at character {place + 1}, {said(text[place : place + 12])}; "
        "let the sensor send valid JSON"
    )


def no_number(where: str, found: object, document: object) -> str:
    """Why what was found cannot be a value. where: a pointer, or the name of a SenML record."""
    if found is MISSING:
        return f"there is nothing at {where}, {names(document)}; mend the settings or the sensor"
    it = "the payload" if not where else f"the value {'at' if where[0] == '/' else 'of'} {where}"
    if found is None:
        return f"{it} is null: nothing was measured; look at the sensor"
    if isinstance(found, bool):
        return f"{it} is {said(found)}, not a number; let the sensor send a number"
    if isinstance(found, str):
        mend = "it without quotes" if _NUMBER.fullmatch(found) else "a number"
        return f"{it} is the text {said(found)}, not a number; let the sensor send {mend}"
    if isinstance(found, (dict, list)):
        return f"{it} is {said(found)}, not a number; let the pointer in the settings go further"
    if found != found:
        return f"{it} is NaN: nothing was measured; look at the sensor"
    return f"{it} is a number beyond anything measured here; look at the sensor"


def other_value(fields: dict[str, object]) -> str:
    """What a SenML record has instead of a value."""
    kinds = {"vs": "a text", "vb": "a yes or no", "vd": "binary data", "s": "only a sum"}
    return next(words for field, words in kinds.items() if field in fields)


def names(document: object) -> str:
    """What a document does have, to choose from."""
    if not isinstance(document, dict):
        return f"the payload is {said(document)}"
    return listed([pointer(name) for name in document])


def listed(names: list[str]) -> str:
    """What there is to choose from, the first few."""
    if not names:
        return "the payload is empty"
    more = " and more" if len(names) > 5 else ""
    return "it has " + ", ".join(shown(name) for name in names[:5]) + more


def said(found: object) -> str:
    """A JSON value in a few words."""
    if found is None:
        return "null"
    if isinstance(found, bool):
        return "true" if found else "false"
    if isinstance(found, dict):
        return "an object"
    if isinstance(found, list):
        return "an array"
    return f'"{shown(found)}"' if isinstance(found, str) else "a number"
