"""How far down ink reaches, against svgpath of matplotlib's own outlines."""

import pytest
from lxml import etree

from workbench.engraving.drawing import tag
from workbench.engraving.ink import lowest_ink, lowest_of_outline


@pytest.mark.parametrize(
    "outline, lowest, mirrored",
    [
        # SVG 1.1, 8.3: capital letters name places, small ones go on from the last.
        ("M0 0 L10 20 L5 -30 Z", 20, 30),
        ("M0 10 l5 5 5 5 v-40", 20, 20),
        ("M0 0 h10 V7 H0 z m0 3 l1 1", 7, 0),
        ("M0 0 C0 10 10 10 10 0", 10, 0),
        ("m1 1 c0 -5 10 -5 10 0 s10 8 10 0", 9, 4),
        ("M0 0 A5 5 0 0 1 10 4", 4, 0),
        ("", 0, 0),
    ],
)
def test_outlines(outline, lowest, mirrored):
    assert lowest_of_outline(outline) == lowest
    assert lowest_of_outline(outline, upside_down=True) == mirrored


def test_all_kinds_of_lines_count_but_no_texts_and_nothing_left_out():
    names = ("rect", {"y": "5", "height": "10"}), ("ellipse", {"cy": "20", "ry": "2"}), ("text", {"y": "900"})
    drawing = etree.Element(tag("g"))
    for name, attributes in names:
        etree.SubElement(drawing, tag(name), attributes)
    left_out = etree.SubElement(drawing, tag("g"), {"class": "harm x"})
    etree.SubElement(left_out, tag("polyline"), points="0,50 10,70")
    etree.SubElement(drawing, tag("path"), d="M0 10 L0 12", transform="translate(0, 8) scale(2)")
    assert lowest_ink(drawing, {}) == 70
    assert lowest_ink(drawing, {}, frozenset({"harm"})) == 32
