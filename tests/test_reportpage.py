"""Report pages: every kind of block in HTML and PDF, times and links."""

import re

import pytest
from lxml import html

from workbench.checking.reportpage import Line, Report, ShownBar, write_report
from workbench.errors import WorkbenchError

LINE = Line("wrong", "<b>snare</b> is heard", 0.84, (1.25, 2.5))
STAFF = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9"></svg>'
BLOCKS = (
    ("lead", "a & b"),
    ("warning", "w"),
    ("text", "t"),
    ("quiet", "q"),
    ("head", "Heading"),
    ("verdicts", "v"),
    ("list", ["one", "two"]),
    ("picture", '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9"></svg>'),
    ("table", [("", "played"), ("snare", "4 of 5")]),
    ("columns", [("Missed", ["kick on 1"])]),
    ("lines", [LINE]),
    ("screen", "of bars"),
    ("bar", ShownBar("Bar 3", "0:01.2", (1.0, 3.0), STAFF, "", (LINE,), 2, (("Bar 7", (5.0, 6.5)),), (0.2, 2.2))),
)


def test_html_has_every_block_and_texts_stay_texts():
    page = html.fromstring(Report("A <title>", BLOCKS, "song.flac", "written.mp3").html())
    assert page.findtext(".//title") == page.findtext(".//h1") == "A <title>"
    assert page.findtext(".//p[@class='lead']") == "a & b" and not page.findall(".//li/b")
    assert [e.text for e in page.findall(".//th")] == [None, "played"] and len(page.findall(".//tr")) == 2
    assert [[b.get(f"data-{name}") for name in ("sound", "from", "to")] for b in page.findall(".//button")] == [
        ["sound", "1.250", "2.500"],
        ["written_sound", "0.200", "2.200"],
        ["sound", "1.000", "3.000"],
        ["sound", "5.000", "6.500"],
    ]
    # A button is never alone in its column, where it would be stretched.
    assert not page.findall(".//div[@class='staves']/button")
    assert "chart wrong: 84 %" in page.text_content() and "and 2 more" in page.text_content()
    assert {a.get("id"): a.get("src") for a in page.findall(".//audio")} == {
        "sound": "song.flac",
        "written_sound": "written.mp3",
    }


def test_without_sound_nothing_plays():
    page = html.fromstring(Report("A", BLOCKS).html())
    assert not page.findall(".//button") and not page.findall(".//audio") and not page.findall(".//script")


def test_paper_takes_every_block():
    assert Report("A", BLOCKS, "song.flac").pdf().startswith(b"%PDF")


def test_the_ending_names_the_format(tmp_path):
    written = write_report(tmp_path / "a.json", lambda: {"title": "–"}, lambda: None)
    assert written.read_text("utf8") == '{\n "title": "–"\n}\n'
    with pytest.raises(WorkbenchError, match="html, .pdf or .json"):
        write_report(tmp_path / "a.txt", dict, lambda: None)


def test_paper_of_one_page_leaves_the_bars_to_the_screen():
    whole, one = (Report("A", BLOCKS, one_page=one).pdf() for one in (False, True))
    assert whole.startswith(b"%PDF") and len(one) < len(whole)


def test_tall_pictures_are_set_smaller_until_one_page_holds_all():
    tall = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 130"><rect width="9" height="9"/></svg>'
    blocks = (("head", "A"), ("picture", tall), ("list", ["word"] * 12))
    for one_page, pages in ((True, b"1"), (False, b"2")):
        pdf = Report("A", blocks, one_page=one_page).pdf()
        assert re.search(rb"/Type\s*/Pages\s*/Count (\d+)", pdf)[1] == pages
