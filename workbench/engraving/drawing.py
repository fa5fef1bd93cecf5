"""Drawing on SVG pages: sheets, texts, music symbols.

Page units are tenths of a millimetre.  The text font is STIX (metric companion
of Times) from the matplotlib wheel; music symbols are outlines of the Bravura
font (SIL Open Font License) from the verovio wheel.  Nothing is fetched.
"""

from __future__ import annotations

import importlib.util
import re
from functools import lru_cache
from pathlib import Path

from lxml import etree

from workbench.notation.scoresigns import clean_text

SVG = "http://www.w3.org/2000/svg"
XLINK = "http://www.w3.org/1999/xlink"
SERIF = "STIXGeneral, STIX Two Text, Times New Roman, Times, serif"
#: Mean width of a letter of the text font, in ems (measured on English titles).
LETTER = 0.5
_OTHER_SCRIPTS = re.compile("[\u0590-\u1dff\u2e80-\udfff\uf900-\U0010ffff]")


@lru_cache(maxsize=1)
def font_folder() -> Path:
    """Folder of the text fonts (in the matplotlib wheel)."""
    found = importlib.util.find_spec("matplotlib")  # imports nothing
    assert found is not None and found.submodule_search_locations
    return Path(found.submodule_search_locations[0]) / "mpl-data" / "fonts" / "ttf"


@lru_cache(maxsize=256)
def word_width(word: str) -> float:
    """Width of a short word of the text font, in ems."""
    from PIL import ImageFont

    return ImageFont.truetype(font_folder() / "STIXGeneral.ttf", 1000).getlength(word) / 1000


def needs_system_fonts(page: str) -> bool:
    """Whether a page has letters that our fonts lack (beyond Latin, Greek,
    Cyrillic and symbols); only then the system's own fonts are asked."""
    return _OTHER_SCRIPTS.search(page) is not None


def tag(name: str) -> str:
    """An SVG element's name with its namespace."""
    return f"{{{SVG}}}{name}"


def new_page(width: float, height: float, title: str = "") -> etree._Element:
    """An empty sheet; ``title`` is what a screen reader says of it."""
    root = etree.Element(tag("svg"), nsmap={None: SVG, "xlink": XLINK})
    for name, value in (
        ("version", "1.1"),
        ("viewBox", f"0 0 {width:g} {height:g}"),
        ("width", f"{width / 10:g}mm"),
        ("height", f"{height / 10:g}mm"),
        ("class", "drum-score"),
        ("font-family", SERIF),
        ("color", "black"),
    ):
        root.set(name, value)
    if title:
        root.set("role", "img")
        etree.SubElement(root, tag("title")).text = clean_text(title)
    etree.SubElement(root, tag("style")).text = (
        ".drum-score path,.drum-score rect,.drum-score polygon,.drum-score polyline,.drum-score ellipse"
        "{stroke:currentColor}"
    )
    etree.SubElement(root, tag("defs"))
    return root


def serialize(root: etree._Element) -> str:
    """A sheet as text."""
    etree.cleanup_namespaces(root)
    return etree.tostring(root, encoding="unicode")


def text(
    x: float, y: float, size: float, words: str, anchor: str = "start", width: float | None = None, **attributes: str
) -> etree._Element:
    """Words at a place; ``size`` shrinks where they would be wider than ``width``."""
    if width is not None and len(words) * LETTER * size > width:
        size = max(width / (len(words) * LETTER), 0.45 * size)
    e = etree.Element(
        tag("text"),
        x=f"{x:.1f}",
        y=f"{y:.1f}",
        **{"font-size": f"{size:g}"},
        **{k.replace("_", "-"): v for k, v in attributes.items()},
    )
    if anchor != "start":
        e.set("text-anchor", anchor)
    e.text = clean_text(words)
    return e


@lru_cache(maxsize=32)
def _outline(code: str) -> str:
    """Outline of a music symbol, 1000 units to four staff spaces, y upwards."""
    import verovio

    file = Path(verovio.__file__).parent / "data" / "Bravura" / f"{code}.xml"
    return etree.fromstring(file.read_bytes())[0].get("d")


def symbol(code: str, x: float, y: float, staff_height: float) -> etree._Element:
    """A music symbol by its SMuFL code point, as large as on a staff of that height."""
    g = etree.Element(tag("g"), transform=f"translate({x:.1f},{y:.1f}) scale({staff_height / 1000:.4f})")
    etree.SubElement(g, tag("path"), d=_outline(code), transform="scale(1,-1)")
    return g
