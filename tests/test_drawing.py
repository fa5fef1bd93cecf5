"""Sheets, texts and symbols of SVG pages."""

import pytest
from lxml import etree

from workbench.engraving.drawing import font_folder, needs_system_fonts, new_page, serialize, symbol, tag, text


def test_a_sheet_has_its_size_in_millimetres_and_says_what_it_is():
    page = etree.fromstring(serialize(new_page(2100, 2970, "A & B")))
    assert (page.get("width"), page.get("height"), page.get("viewBox")) == ("210mm", "297mm", "0 0 2100 2970")
    assert page.get("role") == "img" and page.findtext(tag("title")) == "A & B"


def test_words_shrink_only_where_they_are_too_wide():
    size = lambda words, width=None: float(text(0, 0, 40, words, width=width).get("font-size"))
    assert size("Verse") == size("Verse", 500) == 40
    assert 18 <= size("V" * 40, 500) < size("V" * 30, 500) < 40


def test_symbols_are_as_large_as_the_staff():
    """SMuFL 1.4: an em is the height of a five-line staff; Bravura has 1000 units to it."""
    scaled = symbol("E069", 10, 20, 80)  # unpitched percussion clef 1
    assert scaled.get("transform") == "translate(10.0,20.0) scale(0.0800)" and scaled[0].get("d")


@pytest.mark.parametrize("words, others", [("Verse – ♩ = 90", False), ("Ω Жизнь", False), ("歌", True), ("שיר", True)])
def test_only_other_scripts_ask_for_the_systems_fonts(words, others):
    assert needs_system_fonts(words) == others


def test_our_fonts_come_with_matplotlib():
    assert (font_folder() / "STIXGeneral.ttf").is_file()
