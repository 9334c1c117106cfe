"""The kinds of spells: one table of all that is compared, coloured, ordered and said by kind.

A new kind is a row here, and its limit a line in `spaces.Limits`.
"""

from __future__ import annotations

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
        return _advice(self.row, use) or self.row.hanging

    def before_it(self, use: Use) -> Advice:
        """The one best thing while it is still only coming."""
        return _advice(self.row.coming, use) or self.advice(use)


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
    changes   what would keep it from coming, a sentence
    not_so    in a title, when it does not come
    stay      between the two hours
    was       what was likely, a sentence without its end
    hanging, storing, showing  the one best thing before it comes; None: as while it goes on
    """

    title: str
    expected: str
    changes: str
    not_so: str
    stay: str = "and stay above it until about"
    was: str = "It was likely to pass {limit} at about {begins}"
    hanging: Advice | None = None
    storing: Advice | None = None
    showing: Advice | None = None


class KindRow(NamedTuple):
    """All that differs from kind to kind. What is left out, `_whole` fills in.

    rank         0: the worst for the flowers
    dye          the colour's class in pictures and on the page
    subject      what a sentence about it is about
    weight       of its notice: "now", "soon" or "note"; an urgent one is always "now"
    hanging, storing, showing  the one best thing to do; None: that of hanging
    word         beside a mark in a picture; "": the kind's own
    state        in a title, after the space's name; "": its word
    too          in the report: what the space was; "": its word
    passed       what its subject has been, where no figure can be said; "": its word
    quantity     what it is a limit of; None: of something worked out, or of no air at all
    unit         of the worst value reached; "": the quantity's
    column       of the minutes of air, that the limit is compared with; "": the quantity's, or none
    limit        its key in a space's limits; "": it has none there
    above        whether the limit is passed upwards
    deadband     how far back inside ends it: in `unit`, or as a share of the limit
    of_limit     whether the deadband is such a share
    extreme      what its worst value is called; "": by its direction, where it is of a quantity
    over         in a title, once it is over; "": no longer as `state` says
    strip        in the report's strip of a day; "": not drawn there
    many         whether the subject is many things
    fault        of a sensor, not of air
    at_night     whether, when it is "now", it harms before morning
    within_hours whether a reminder comes after hours, also by day
    coming       None: it is never foretold
    """

    rank: int
    dye: str
    subject: str
    weight: str
    hanging: Advice
    storing: Advice | None = None
    showing: Advice | None = None
    word: str = ""
    state: str = ""
    too: str = ""
    passed: str = ""
    quantity: Quantity | None = None
    unit: str = ""
    column: str = ""
    limit: str = ""
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
    coming: LikelyWords | None = None


def _advice(words: KindRow | LikelyWords | None, use: Use) -> Advice | None:
    """What they advise in a space of this use; None: nothing of its own."""
    if words is None:
        return None
    own = {Use.HANGING: words.hanging, Use.STORING: words.storing, Use.SHOWING: words.showing}
    return own.get(use)


def _whole(kind: Kind, row: KindRow) -> KindRow:
    """The row with what its word, its quantity and its direction stand for."""
    word = row.word or kind.value
    row = row._replace(
        word=word, state=row.state or word, too=row.too or word, passed=row.passed or word
    )
    if row.quantity is None:
        return row
    of, extreme = row.quantity.row, "Highest" if row.above else "Lowest"
    return row._replace(unit=of.unit, column=of.column, extreme=row.extreme or extreme)


_OFF_THE_WALL = Advice("move what stands here away from the coldest wall, and off the floor.")

# Deadbands: our own choice within the 0.5–1 K, 3–5 % and 0.5 K of dew margin that suit a slow
# shed (after EEMUA 191's starting points for alarm deadbands).
#
# What rings at night (`at_night`): heat opens and browns heads within hours, and heat at night
# comes from something that heats; water settles; air at the urgent dampness. Sun does not shine
# at night, mould takes days, and a silent sensor can wait for daylight.
#
# What to do is common practice among growers; no source.
_ROWS = {
    Kind.HOT: KindRow(
        rank=3,
        dye="heat",
        subject="The air",
        weight="now",
        hanging=Advice(
            "keep the sun off: draw a curtain, or hang a sheet over the window.", HEIGHT
        ),
        storing=Advice("move the boxes to a cooler room, away from radiators and pipes."),
        showing=Advice("move the flowers away from radiators, stoves and sunny panes.", HEATERS),
        too="too hot",
        quantity=Quantity.TEMPERATURE,
        limit="hot_c",
        deadband=0.5,
        strip="hot",
        at_night=True,
        coming=LikelyWords(
            title="likely above {limit} from {begins}",
            expected="The air will likely pass {limit} at about {begins}{ends}",
            changes="A cloudier day would keep it cooler.",
            not_so="not so hot after all",
            hanging=Advice(
                "keep the sun off before then: draw a curtain, or hang a sheet.", HEIGHT
            ),
            storing=Advice("move the boxes to a cooler room before then."),
            showing=Advice("move the flowers out of the sun before then."),
        ),
    ),
    Kind.COLD: KindRow(
        rank=8,
        dye="cold",
        subject="The air",
        weight="note",
        hanging=Advice("leave it be, cold only slows the drying.", UNVENTED),
        storing=Advice("let a box warm up before you open it, or dew settles in it."),
        too="too cold",
        quantity=Quantity.TEMPERATURE,
        limit="cold_c",
        above=False,
        deadband=0.5,
    ),
    Kind.DAMP: KindRow(
        rank=2,
        dye="damp",
        subject="The humidity",
        weight="soon",
        hanging=Advice("hang the bunches further apart, so that air gets between them.", HEIGHT),
        storing=Advice("move the boxes to a drier room; above 65 % mould can start."),
        showing=Advice("leave room between what stands here, so that air gets there."),
        too="too damp",
        passed="high",
        quantity=Quantity.HUMIDITY,
        limit="damp_pct",
        deadband=3.0,
        strip="damp",
        at_night=True,
        coming=LikelyWords(
            title="likely damp from {begins}",
            expected="The humidity will likely pass {limit} at about {begins}{ends}",
            changes="Drier air outside would keep it down.",
            not_so="not so damp after all",
            storing=Advice("move the boxes to a drier room."),
        ),
    ),
    Kind.ARID: KindRow(
        rank=5,
        dye="dry",
        subject="The humidity",
        weight="soon",
        hanging=Advice("take down what is crisp before it turns brittle, and box it in paper."),
        storing=Advice("keep the boxes shut, away from radiators and pipes."),
        showing=Advice(
            "move the flowers away from radiators and stoves: they turn brittle.", HEATERS
        ),
        word="too dry",
        passed="low",
        quantity=Quantity.HUMIDITY,
        limit="arid_pct",
        above=False,
        deadband=3.0,
    ),
    Kind.SUNNY: KindRow(
        rank=4,
        dye="sun",
        subject="The light",
        weight="now",
        hanging=Advice("draw a curtain, or move what hangs in the light.", HEIGHT),
        word="bright",
        state="in bright light",
        too="too bright",
        passed="strong",
        quantity=Quantity.ILLUMINANCE,
        limit="sun_lux",
        deadband=0.2,
        of_limit=True,
        extreme="Brightest",
        strip="sunny",
        within_hours=True,
    ),
    Kind.DEWY: KindRow(
        rank=1,
        dye="damp",
        subject="The coldest surface",
        weight="now",
        hanging=Advice("move the bunches an arm's length from the coldest wall or pane.", HEIGHT),
        storing=_OFF_THE_WALL,
        showing=_OFF_THE_WALL,
        word="close to dew",
        passed="close to the temperature at which water settles on it",
        unit="K",
        column="surface_margin_k",
        limit="dew_margin_k",
        above=False,
        deadband=0.5,
        at_night=True,
        coming=LikelyWords(
            title="dew likely from {begins}",
            expected="Water may settle on the coldest surface from about {begins}{ends}",
            changes="A cloudier or windier night would keep it off.",
            not_so="no dew after all",
            stay="until about",
            was="Dew was likely from about {begins}",
        ),
    ),
    Kind.MUSTY: KindRow(
        rank=0,
        dye="damp",
        subject="The walls and beams",
        weight="now",
        hanging=Advice(
            "look over the coldest corner and every bunch, and throw out what is mouldy.", MOULD
        ),
        word="damp enough for mould",
        passed="damp and warm enough for mould",
        unit="index",
        limit="musty_index",
        deadband=0.1,
        of_limit=True,
        many=True,
    ),
    Kind.SILENT: KindRow(
        rank=6,
        dye="gap",
        subject="The sensors",
        weight="soon",
        hanging=Advice("look at its battery, then at how far it is from the radio.", HEIGHT),
        unit="h",
        over="heard again",
        fault=True,
    ),
    Kind.STUCK: KindRow(
        rank=7,
        dye="gap",
        subject="The sensors",
        weight="soon",
        hanging=Advice(
            "take out its battery, put it back, and breathe on it: it should stir.", HEIGHT
        ),
        passed="telling the same value over and over",
        unit="h",
        over="fine again",
        fault=True,
    ),
}
_TABLE = {kind: _whole(kind, row) for kind, row in _ROWS.items()}
