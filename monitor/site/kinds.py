"""The kinds of spells: one table of all that is compared, coloured, ordered and said by kind.

A new kind is a row here, and its limit a line in `spaces.Limits`.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import NamedTuple

from monitor.site.quantities import Quantity
from monitor.site.spaces import Use
from monitor.site.words import HEATERS, HEIGHT, MOULD, UNVENTED


class Kind(StrEnum):
    """The kinds of spells; the word is what is stored and exported."""

    HOT = "hot"
    COLD = "cold"
    DAMP = "damp"
    ARID = "arid"
    SUNNY = "sunny"
    DEWY = "dewy"
    MUSTY = "musty"
    SILENT = "silent"
    STUCK = "stuck"

    @property
    def row(self) -> KindRow:
        """What the table has of it."""
        return _TABLE[self]

    def advice(self, use: Use) -> Advice:
        """The one best thing to do about it in a space of this use."""
        return self.row.to_do.get(use) or self.row.to_do[Use.HANGING]


def worst_first() -> list[Kind]:
    """The kinds, the worst for the flowers first."""
    return sorted(Kind, key=lambda kind: kind.row.rank)


class Advice(NamedTuple):
    """The one best thing to do, and what to mind."""

    to_do: str
    caution: str = ""


class LikelyWords(NamedTuple):
    """What is said while it is only likely; {limit}, {begins} and {ends} are filled in.

    title     after the space's name
    expected  a sentence without its end
    stay      between the two hours
    changes   what would keep it from coming, a sentence
    not_so    in a title, when it does not come
    was       what was likely, a sentence without its end
    to_do     the one best thing before it comes, by use
    """

    title: str
    expected: str
    stay: str
    changes: str
    not_so: str
    was: str
    to_do: Mapping[Use, Advice]


class KindRow(NamedTuple):
    """All that differs from kind to kind.

    unit         of the worst value reached
    rank         0: the worst for the flowers
    dye          the colour's class in pictures and on the page
    word         beside a mark in a picture
    state        in a title, after the space's name
    too          in the report: what the space was
    subject      what a sentence about it is about
    passed       what that has been, where no figure can be said
    weight       of its notice: "now", "soon" or "note"; an urgent one is always "now"
    quantity     what it is a limit of; None: of something worked out, or of no air at all
    column       of the minutes of air, that the limit is compared with; "": none
    limit        its key in a space's limits; "": it has none there
    delay        its key in a space's delays; "": none
    above        whether the limit is passed upwards
    deadband     how far back inside ends it: in `unit`, or as a share of the limit
    of_limit     whether the deadband is such a share
    extreme      what its worst value is called
    over         in a title, once it is over; "": no longer as `state` says
    strip        in the report's strip of a day; "": not drawn there
    many         whether the subject is many things
    fault        of a sensor, not of air
    at_night     whether, when it is "now", it harms before morning
    within_hours whether a reminder comes after hours, also by day
    to_do        the one best thing to do, by use; where none stands, that of hanging
    coming       None: it is never foretold
    """

    unit: str
    rank: int
    dye: str
    word: str
    state: str
    too: str
    subject: str
    passed: str
    weight: str
    quantity: Quantity | None = None
    column: str = ""
    limit: str = ""
    delay: str = ""
    above: bool = True
    deadband: float = 0.0
    of_limit: bool = False
    extreme: str = ""
    over: str = ""
    strip: str = ""
    many: bool = False
    fault: bool = False
    at_night: bool = False
    within_hours: bool = False
    to_do: Mapping[Use, Advice] = {}
    coming: LikelyWords | None = None


# Deadbands: our own choice within the 0.5–1 K, 3–5 % and 0.5 K of dew margin that suit a slow
# shed (after EEMUA 191's starting points for alarm deadbands).
#
# What rings at night (`at_night`): heat opens and browns heads within hours, and heat at night
# comes from something that heats; water settles; air at the urgent dampness. Sun does not shine
# at night, mould takes days, and a silent sensor can wait for daylight.
#
# What to do is common practice among growers; no source.
_TABLE: dict[Kind, KindRow] = {
    Kind.HOT: KindRow(
        unit="°C",
        rank=3,
        dye="heat",
        word="hot",
        state="hot",
        too="too hot",
        subject="The air",
        passed="hot",
        weight="now",
        quantity=Quantity.TEMPERATURE,
        column="temperature_c",
        limit="hot_c",
        delay="hot",
        deadband=0.5,
        extreme="Highest",
        strip="hot",
        at_night=True,
        to_do={
            Use.HANGING: Advice(
                "keep the sun off: draw a curtain, or hang a sheet over the window.", HEIGHT
            ),
            Use.STORING: Advice("move the boxes to a cooler room, away from radiators and pipes."),
            Use.SHOWING: Advice(
                "move the flowers away from radiators, stoves and sunny panes.", HEATERS
            ),
        },
        coming=LikelyWords(
            title="likely above {limit} from {begins}",
            expected="The air will likely pass {limit} at about {begins}{ends}",
            stay="and stay above it until about",
            changes="A cloudier day would keep it cooler.",
            not_so="not so hot after all",
            was="It was likely to pass {limit} at about {begins}",
            to_do={
                Use.HANGING: Advice(
                    "keep the sun off before then: draw a curtain, or hang a sheet.", HEIGHT
                ),
                Use.STORING: Advice("move the boxes to a cooler room before then."),
                Use.SHOWING: Advice("move the flowers out of the sun before then."),
            },
        ),
    ),
    Kind.COLD: KindRow(
        unit="°C",
        rank=8,
        dye="cold",
        word="cold",
        state="cold",
        too="too cold",
        subject="The air",
        passed="cold",
        weight="note",
        quantity=Quantity.TEMPERATURE,
        column="temperature_c",
        limit="cold_c",
        delay="cold",
        above=False,
        deadband=0.5,
        extreme="Lowest",
        to_do={
            Use.HANGING: Advice("leave it be, cold only slows the drying.", UNVENTED),
            Use.STORING: Advice("let a box warm up before you open it, or dew settles in it."),
        },
    ),
    Kind.DAMP: KindRow(
        unit="%",
        rank=2,
        dye="damp",
        word="damp",
        state="damp",
        too="too damp",
        subject="The humidity",
        passed="high",
        weight="soon",
        quantity=Quantity.HUMIDITY,
        column="relative_humidity_pct",
        limit="damp_pct",
        delay="damp",
        deadband=3.0,
        extreme="Highest",
        strip="damp",
        at_night=True,
        to_do={
            Use.HANGING: Advice(
                "hang the bunches further apart, so that air gets between them.", HEIGHT
            ),
            Use.STORING: Advice("move the boxes to a drier room; above 65 % mould can start."),
            Use.SHOWING: Advice("leave room between what stands here, so that air gets there."),
        },
        coming=LikelyWords(
            title="likely damp from {begins}",
            expected="The humidity will likely pass {limit} at about {begins}{ends}",
            stay="and stay above it until about",
            changes="Drier air outside would keep it down.",
            not_so="not so damp after all",
            was="It was likely to pass {limit} at about {begins}",
            to_do={
                Use.HANGING: Advice(
                    "hang the bunches further apart, so that air gets between them.", HEIGHT
                ),
                Use.STORING: Advice("move the boxes to a drier room."),
                Use.SHOWING: Advice("leave room between what stands here, so that air gets there."),
            },
        ),
    ),
    Kind.ARID: KindRow(
        unit="%",
        rank=5,
        dye="dry",
        word="too dry",
        state="too dry",
        too="too dry",
        subject="The humidity",
        passed="low",
        weight="soon",
        quantity=Quantity.HUMIDITY,
        column="relative_humidity_pct",
        limit="arid_pct",
        delay="arid",
        above=False,
        deadband=3.0,
        extreme="Lowest",
        to_do={
            Use.HANGING: Advice(
                "take down what is crisp before it turns brittle, and box it in paper."
            ),
            Use.STORING: Advice("keep the boxes shut, away from radiators and pipes."),
            Use.SHOWING: Advice(
                "move the flowers away from radiators and stoves: they turn brittle.", HEATERS
            ),
        },
    ),
    Kind.SUNNY: KindRow(
        unit="lx",
        rank=4,
        dye="sun",
        word="bright",
        state="in bright light",
        too="too bright",
        subject="The light",
        passed="strong",
        weight="now",
        quantity=Quantity.ILLUMINANCE,
        column="illuminance_lx",
        limit="sun_lux",
        delay="sunny",
        deadband=0.2,
        of_limit=True,
        extreme="Brightest",
        strip="sunny",
        within_hours=True,
        to_do={Use.HANGING: Advice("draw a curtain, or move what hangs in the light.", HEIGHT)},
    ),
    Kind.DEWY: KindRow(
        unit="K",
        rank=1,
        dye="damp",
        word="close to dew",
        state="close to dew",
        too="close to dew",
        subject="The coldest surface",
        passed="close to the temperature at which water settles on it",
        weight="now",
        column="surface_margin_k",
        limit="dew_margin_k",
        delay="dewy",
        above=False,
        deadband=0.5,
        at_night=True,
        to_do={
            Use.HANGING: Advice(
                "move the bunches an arm's length from the coldest wall or pane.", HEIGHT
            ),
            Use.STORING: Advice(
                "move what stands here away from the coldest wall, and off the floor."
            ),
            Use.SHOWING: Advice(
                "move what stands here away from the coldest wall, and off the floor."
            ),
        },
        coming=LikelyWords(
            title="dew likely from {begins}",
            expected="Water may settle on the coldest surface from about {begins}{ends}",
            stay="until about",
            changes="A cloudier or windier night would keep it off.",
            not_so="no dew after all",
            was="Dew was likely from about {begins}",
            to_do={},  # as while it goes on
        ),
    ),
    Kind.MUSTY: KindRow(
        unit="index",
        rank=0,
        dye="damp",
        word="damp enough for mould",
        state="damp enough for mould",
        too="damp enough for mould",
        subject="The walls and beams",
        passed="damp and warm enough for mould",
        weight="now",
        limit="musty_index",
        deadband=0.1,
        of_limit=True,
        many=True,
        to_do={
            Use.HANGING: Advice(
                "look over the coldest corner and every bunch, and throw out what is mouldy.",
                MOULD,
            )
        },
    ),
    Kind.SILENT: KindRow(
        unit="h",
        rank=6,
        dye="gap",
        word="silent",
        state="silent",
        too="silent",
        subject="The sensors",
        passed="silent",
        weight="soon",
        delay="silent",
        over="heard again",
        fault=True,
        to_do={
            Use.HANGING: Advice(
                "look at its battery, then at how far it is from the radio.", HEIGHT
            )
        },
    ),
    Kind.STUCK: KindRow(
        unit="h",
        rank=7,
        dye="gap",
        word="stuck",
        state="stuck",
        too="stuck",
        subject="The sensors",
        passed="telling the same value over and over",
        weight="soon",
        over="fine again",
        fault=True,
        to_do={
            Use.HANGING: Advice(
                "take out its battery, put it back, and breathe on it: it should stir.", HEIGHT
            )
        },
    ),
}
