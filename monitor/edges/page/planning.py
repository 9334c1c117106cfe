"""The page's question where a harvest should hang: the form, and the answer."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from monitor.edges.page.house import House
from monitor.entries.entries import RequestError
from monitor.site.words import named

Told = dict[str, Any]

_NUMBERS = {"fan": "fan", "dehumidifier": "dehumidifier", "fewer": "bunches"}


def view(house: House, typed: Mapping[str, str]) -> Told:
    """The form with what was typed, and the answer once something was asked."""
    told: Told = {"typed": typed, "answer": None, "wrong": None, "field": None}
    if not typed.get("flower", "").strip() and not typed.get("bunches", "").strip():
        return told
    try:
        answer = house.plan(_asked(typed))
    except RequestError as error:
        wrong = error.sentence[:1].upper() + error.sentence[1:]
        return told | {"wrong": wrong, "field": error.field}
    return told | {"answer": _shown(answer)}


def _asked(typed: Mapping[str, str]) -> Told:
    what_if = [word for word in ("door", "heater") if typed.get(word)]
    for name, word in _NUMBERS.items():
        if typed.get(name, "").strip():
            what_if.append(f"{word} {typed[name].strip()}")
    return {
        "flower": typed.get("flower", "").strip(),
        "bunches": typed.get("bunches", "").strip(),
        "fresh_mass_g": typed.get("fresh_mass_g", "").strip(),
        "what_if": what_if,
    }


def _shown(answer: Mapping[str, Any]) -> Told:
    return {
        "title": answer["lines"][0].rstrip(":"),
        "flower": answer["flower"],
        "bunches": answer["bunches"],
        "choices": [
            {
                "space": choice["space"],
                "title": named(choice["space"], 60),
                "reasons": " ".join(choice["reasons"]),
                "sure": f"{choice['sure']} {choice['changes']}",
                "possible": choice["days"] is not None,
            }
            for choice in answer["choices"]
        ],
        "what_if": answer["what_if"],
    }
