"""The book of flowers: whole, sourced, and clear about what is wrong in it."""

from pathlib import Path

import pytest

from monitor.room import flowers

TEXT = (Path(__file__).parents[2] / "config" / "flowers.toml").read_text(encoding="utf-8")


def test_every_figure_of_the_book_has_a_source() -> None:
    book = flowers.read_book(TEXT)
    assert {"strawflower", "statice", "gomphrena", "ammobium", "xeranthemum", "rhodanthe"} <= set(
        book.flowers
    )
    for flower in book.flowers.values():
        for name in ("water_pct_wb", "days_hanging", "colours", "target_pct_wb"):
            assert flower.sources[name]


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
