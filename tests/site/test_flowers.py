"""The book of flowers: whole, sourced, and clear about what is wrong in it."""

from pathlib import Path

import numpy as np
import pytest

from monitor.drying import members
from monitor.site import flowers

TEXT = (Path(__file__).parents[2] / "config" / "flowers.toml").read_text(encoding="utf-8")


EVERLASTINGS = (
    *("strawflower", "statice", "sea-lavender", "suworow-statice", "gomphrena", "ammobium"),
    *("xeranthemum", "rhodanthe"),
)
OTHERS = ("lavender", "larkspur", "rose", "hydrangea", "yarrow", "love-lies-bleeding")


def test_the_book_holds_what_is_hung_to_dry_and_a_source_for_every_figure() -> None:
    """A source is a name with a year, an institution, or an open mark of what it is not."""
    book = flowers.read_book(TEXT)
    assert {*EVERLASTINGS, *OTHERS, "nigella", "poppy"} <= set(book.flowers)
    assert {book.flowers[key].kind for key in EVERLASTINGS} == {"everlasting"}
    assert len([one for one in book.flowers.values() if one.kind == "grass"]) >= 3
    marks = ("common practice", "from memory", "our own choice", "computed", "IASRI", "Singh 2004")
    marks += ("Grit 2019", "Khater", "Canadian Conservation Institute")
    for flower in book.flowers.values():
        assert flower.names
        assert flower.goes_wrong
        assert flower.cut_when
        told = ["water_pct_wb", "days_hanging", "stems_per_bunch", "colours", "target_pct_wb"]
        told += ["crisp_humidity_pct", "goes_wrong", "cut_when"]
        told += [] if flower.opening_above_c is None else ["opening_above_c"]
        for figure in told:
            assert any(mark in flower.sources[figure] for mark in marks), (flower.key, figure)


def test_published_ranges() -> None:
    """IASRI e-course, India: Helichrysum 7-14 d, Gomphrena 7-9 d, rose 5-10 d."""
    book = flowers.read_book(TEXT).flowers
    assert book["strawflower"].days_hanging == (7, 14)
    assert book["gomphrena"].days_hanging == (7, 9)
    assert book["rose"].days_hanging == (5, 10)


def test_found_by_any_name() -> None:
    book = flowers.read_book(TEXT)
    assert book.find("Limonium Sinuatum") is book.flowers["statice"]
    assert book.find("globe amaranth") is book.flowers["gomphrena"]
    assert book.find("triffid") is None


def test_own_figures_lie_over_the_book() -> None:
    book = flowers.read_book(
        TEXT,
        {
            "rose": {"water_pct_wb": [78, 82]},
            "teasel": {"kind": "seed head", "water_pct_wb": [40, 60], "names": ["teasel"]},
        },
    )
    rose = book.flowers["rose"]
    assert rose.water_pct_wb == (78, 82)
    assert rose.days_hanging == (5, 10)
    assert rose.sources["water_pct_wb"] == "your own"
    assert book.flowers["teasel"].days_hanging == book.other.days_hanging


def test_oranges_outlast_the_other_colours() -> None:
    """Common practice, no source."""
    strawflower = flowers.read_book(TEXT).flowers["strawflower"]
    others = [strawflower.blue_wool(colour) for colour in ("pink", "red", "yellow", "purple")]
    assert strawflower.blue_wool("orange") > max(others)
    assert strawflower.blue_wool(None) == min(others)


def test_all_problems_at_once() -> None:
    with pytest.raises(flowers.BookError) as caught:
        flowers.read_book(
            TEXT,
            {
                "rose": {"water_pct_wb": [90, 80], "kind": "shrub", "colour": "red"},
                "teasel": {"gab": [7, 10, 1.2], "opening_above_c": "warm", "colours": {}},
            },
        )
    said = "\n".join(caught.value.problems)
    assert len(caught.value.problems) == 6
    assert 'flower "rose", water_pct_wb: is [90, 80]; expected [low, high]' in said
    assert 'flower "rose", colour: is no key' in said
    assert 'flower "teasel", gab' in said


def test_broken_text_says_where() -> None:
    with pytest.raises(flowers.BookError, match=r"line 1|end of document"):
        flowers.read_book("[flower")


def test_a_book_needs_its_defaults() -> None:
    with pytest.raises(flowers.BookError, match="defaults"):
        flowers.read_book("")


def test_a_flower_with_measured_constants_settles_on_its_own_curve() -> None:
    """GAB with Mm 7, C 10, K 0.85 at 65 %: 14.470 % of dry mass, worked by hand."""
    own = flowers.read_book(TEXT, {"teasel": {"gab": [7, 10, 0.85]}}).flowers["teasel"]
    hung = members.Hung("teasel 1", 29_600_000, own)
    made = members.members(members.draw(members.book_prior(), hung), hung)
    settles, takes = made.limits(np.array([20.0]), np.array([65.0]))
    assert float(settles[0]) == float(takes[0]) == pytest.approx(14.470, abs=1e-3)
