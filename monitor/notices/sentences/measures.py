"""The one best thing to do about a spell, with its caution.

The measures and cautions are common practice among growers, or fire and health services' usual
advice (keep what burns a metre from heaters; no unvented heaters; fine-dust masks with mouldy
plants), from memory. Opening up is advised only where `airing_helps` says so.
"""

from __future__ import annotations

from typing import NamedTuple

from monitor.ahead.airing import airing_helps
from monitor.air.minute import MinuteOfAir
from monitor.air.spells import Spell
from monitor.notices.circumstances import Circumstances
from monitor.site.kinds import Kind
from monitor.site.spaces import Use
from monitor.site.words import ELECTRICS, FIRE, HEATERS, HEIGHT, MOULD, UNVENTED, degrees

# Darker than this indoors, the sun is not what heats a room [lx]. Our own choice.
DARK_LUX = 50.0


class Advice(NamedTuple):
    to_do: str
    caution: str = ""


def best_thing(spell: Spell, circumstances: Circumstances) -> Advice:
    use = circumstances.use(spell.space)
    opens = airing_helps(
        circumstances.indoors(spell.space),
        circumstances.outdoors,
        circumstances.pressure_pa,
        circumstances.advised.get(spell.space or ""),
        circumstances.limits(spell.space).hot_c,
    )
    match spell.kind:
        case Kind.HOT:
            return _when_hot(spell, circumstances, use, opens)
        case Kind.COLD:
            return Advice("leave it be, cold only slows the drying.", UNVENTED)
        case Kind.DAMP:
            return _when_damp(spell, circumstances, use, opens)
        case Kind.ARID:
            return _when_arid(use)
        case Kind.SUNNY:
            return Advice("draw a curtain, or move what hangs in the light.", HEIGHT)
        case Kind.DEWY:
            return _when_dewy(use, opens, circumstances)
        case Kind.MUSTY:
            return Advice(
                "look over the coldest corner and every bunch, and throw out what is mouldy.", MOULD
            )
        case Kind.SILENT | Kind.STUCK:
            return _when_faulty(spell)


def before_it(kind: Kind, use: Use, airing: str) -> Advice:
    """The one best thing while it is still only coming.

    airing  when it is best to air before then, in words; "": not at all
    """
    if kind is Kind.HOT:
        if use is Use.STORING:
            return Advice("move the boxes to a cooler room before then.")
        if use is Use.SHOWING:
            return Advice("move the flowers out of the sun before then.")
        return Advice("keep the sun off before then: draw a curtain, or hang a sheet.", HEIGHT)
    if airing:
        return Advice(f"air it from {airing}, when the air outside carries less water.")
    if kind is Kind.DAMP:
        return _when_damp_and_shut(use)
    return _when_dewy_and_shut(use)


def _open_up(circumstances: Circumstances) -> Advice:
    return Advice(
        "open a door or a window, and shut it again when it turns damp out there: "
        f"the air outside{_outside(circumstances)} carries less water."
    )


def _outside(circumstances: Circumstances) -> str:
    """The temperature outdoors in brackets, where it is known."""
    air = circumstances.outdoors
    outside_c = None if air is None else air.temperature_c
    return "" if outside_c is None else f" ({degrees(outside_c, circumstances.site)})"


def _when_hot(spell: Spell, circumstances: Circumstances, use: Use, opens: bool | None) -> Advice:
    if use is Use.STORING:
        return Advice("move the boxes to a cooler room, away from radiators and pipes.")
    if use is Use.SHOWING:
        return Advice("move the flowers away from radiators, stoves and sunny panes.", HEATERS)
    indoors, outdoors = circumstances.indoors(spell.space), circumstances.outdoors
    if opens and _cooler(outdoors, indoors):
        return Advice(
            f"open a door or a window, and shut it again once it is cool: the air outside"
            f"{_outside(circumstances)} is cooler."
        )
    lux = None if indoors is None else indoors.illuminance_lx
    if lux is not None and lux < DARK_LUX:
        return Advice("find what heats this room, and turn it down.", FIRE)
    return Advice("keep the sun off: draw a curtain, or hang a sheet over the window.", HEIGHT)


def _cooler(outdoors: MinuteOfAir | None, indoors: MinuteOfAir | None) -> bool:
    if outdoors is None or indoors is None:
        return False
    outside, inside = outdoors.temperature_c, indoors.temperature_c
    return outside is not None and inside is not None and outside < inside


def _when_damp(spell: Spell, circumstances: Circumstances, use: Use, opens: bool | None) -> Advice:
    if use is Use.STORING:
        if spell.urgent:
            return Advice("open the boxes, look for mould, and move them to a drier room.", MOULD)
        return Advice("move the boxes to a drier room; above 65 % mould can start.")
    if opens:
        return _open_up(circumstances)
    if spell.urgent:
        return Advice(
            "move the moistest bunches to a drier room, or run a dehumidifier.",
            f"{ELECTRICS} {UNVENTED}",
        )
    if opens is False:
        return Advice("keep doors and windows shut: the air outside would not dry this room now.")
    return _when_damp_and_shut(use)


def _when_damp_and_shut(use: Use) -> Advice:
    if use is Use.STORING:
        return Advice("move the boxes to a drier room.")
    if use is Use.SHOWING:
        return Advice("leave room between what stands here, so that air gets there.")
    return Advice("hang the bunches further apart, so that air gets between them.", HEIGHT)


def _when_arid(use: Use) -> Advice:
    if use is Use.STORING:
        return Advice("keep the boxes shut, away from radiators and pipes.")
    if use is Use.SHOWING:
        return Advice(
            "move the flowers away from radiators and stoves: they turn brittle.", HEATERS
        )
    return Advice("take down what is crisp before it turns brittle, and box it in paper.")


def _when_dewy(use: Use, opens: bool | None, circumstances: Circumstances) -> Advice:
    if opens:
        return _open_up(circumstances)
    return _when_dewy_and_shut(use)


def _when_dewy_and_shut(use: Use) -> Advice:
    if use is Use.HANGING:
        return Advice("move the bunches an arm's length from the coldest wall or pane.", HEIGHT)
    return Advice("move what stands here away from the coldest wall, and off the floor.")


def _when_faulty(spell: Spell) -> Advice:
    if spell.sensor is None:
        if spell.kind is Kind.SILENT:
            return Advice("see that the broker, the router and what passes readings on have power.")
        return Advice("restart what passes the readings on: it repeats itself.")
    if spell.kind is Kind.SILENT:
        return Advice("look at its battery, then at how far it is from the radio.", HEIGHT)
    return Advice("take out its battery, put it back, and breathe on it: it should stir.", HEIGHT)
