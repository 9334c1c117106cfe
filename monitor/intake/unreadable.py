"""Why a payload cannot be read, and how to mend it: the words."""

from __future__ import annotations

import re

from monitor.intake.documents import MISSING, pointer
from monitor.intake.numbers import spelt, written
from monitor.site.words import shown

_COMPRESSED = {b"\x1f\x8b": "gzip", b"\x28\xb5\x2f\xfd": "zstd", b"PK\x03\x04": "zip"} | {
    b"\x78" + level: "zlib" for level in (b"\x01", b"\x5e", b"\x9c", b"\xda")
}
_BASE64 = re.compile(r"(?:[A-Za-z0-9+/_-]{4}){2,}(?:[A-Za-z0-9+/_-]{2,4}={0,2})?", re.ASCII)
_HEX = re.compile(r"(?:0x)?(?:[0-9a-fA-F]{2}[ :-]?){4,}", re.ASCII)
_NO_NUMBER = re.compile(r"[+-]?(nan|inf|infinity|none|null|unavailable|unknown|n/?a|-+)", re.I)
_LONGEST_LOOKED_AT = 400


class PayloadError(ValueError):
    """One sentence: where, what is wrong, and how to mend it."""


class UnreadableError(ValueError):
    """What is wrong and how to mend it, as a clause without the where."""

    def told(self, topic: str) -> PayloadError:
        """The whole sentence."""
        return PayloadError(f"{shown(topic)}: {self}.")


def foreign(payload: bytes) -> str | None:
    """What a payload is that nobody here can read, and what to change; None: nothing that shows."""
    for magic, name in _COMPRESSED.items():
        if payload.startswith(magic):
            return f"the payload is compressed ({name}); let the sensor send it uncompressed"
    try:
        text = payload.decode("utf-8-sig").strip()
    except UnicodeDecodeError:
        if payload.lstrip()[:1] in (b"{", b"["):
            return "the payload is not UTF-8 text; let the sensor send JSON in UTF-8"
        return (
            "the payload is binary, not text; let the sensor, or the gateway that knows it, send "
            "JSON or plain numbers in UTF-8"
        )
    if any(not (sign.isprintable() or sign.isspace()) for sign in text[:_LONGEST_LOOKED_AT]):
        return (
            "the payload holds control characters, so it is binary; let the sensor, or the "
            "gateway that knows it, send JSON or plain numbers"
        )
    packed = packed_in(text)
    if packed is not None:
        return f"the payload is {packed}; let the sensor or its gateway send it decoded, as JSON"
    if text.startswith("<"):
        return "the payload is XML or HTML; let the sensor send JSON or a plain number"
    return None


def packed_in(text: str) -> str | None:
    """Whether a text is bytes in disguise: `base64`, `hexadecimal`; None: it is not."""
    text = text[:_LONGEST_LOOKED_AT]
    letters = any(sign.isalpha() for sign in text)
    if letters and any(sign.isdigit() for sign in text) and _HEX.fullmatch(text):
        return "hexadecimal"
    mixed = letters and text.lower() != text and text.upper() != text
    disguised = mixed and (text.endswith("=") or any(sign.isdigit() for sign in text))
    return "base64" if disguised and _BASE64.fullmatch(text) else None


def no_bare_number(text: str) -> str:
    """Why a payload is not a bare number."""
    if not text:
        return "the payload is empty; let the sensor send a number such as 21.3"
    what = f"the payload {said(text)}"
    if text[0] in "{[":
        return 'the payload is JSON; say in the settings where the value stands, as in at = "/t"'
    if _NO_NUMBER.fullmatch(text):
        return f"{what} says that nothing was measured; look at the sensor"
    number = written(text)
    if number is not None and spelt(number.unit) is None and number.unit:
        return f"{what} is in no unit known here; let the sensor send the number alone"
    if number is not None:
        return f"{what} is beyond anything measured here; look at the sensor"
    return foreign(text.encode("utf-8", "replace")) or (
        f"{what} is not a plain decimal number; let the sensor send one such as 21.3"
    )


def other_unit(text: str, unit: str) -> str:
    """What is said of a number that brings a unit of something else."""
    return f'"{shown(text)}" is in a unit that cannot become {unit}; mend the settings'


def no_json(text: str, error: ValueError) -> str:
    """Why a payload is not JSON."""
    if not text.strip():
        return "the payload is empty; let the sensor send JSON"
    strange = foreign(text.encode("utf-8", "replace"))
    if strange is not None:
        return strange
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
        if _NO_NUMBER.fullmatch(found.strip()):
            return f"{it} is the text {said(found)}: nothing was measured; look at the sensor"
        return f"{it} is the text {said(found)}, not a number; let the sensor send a number"
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
