"""Report pages: every kind of block in HTML and PDF, times and links."""

import pytest
from lxml import html

from workbench.checking.reportpage import Line, Report, ShownBar, clock, relative_link, write_report
from workbench.errors import WorkbenchError

LINE = Line("wrong", "<b>snare</b> is heard", 0.84, 3, (1.25, 2.5))
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
    ("bar", ShownBar(3, "0:01.2", (1.0, 3.0), "", (LINE,), 2)),
)


def test_html_has_every_block_and_texts_stay_texts():
    page = html.fromstring(Report("A <title>", BLOCKS, "song.flac").html())
    assert page.findtext(".//title") == page.findtext(".//h1") == "A <title>"
    assert page.findtext(".//p[@class='lead']") == "a & b" and not page.findall(".//li/b")
    assert [e.text for e in page.findall(".//th")] == [None, "played"] and len(page.findall(".//tr")) == 2
    assert [(b.get("data-from"), b.get("data-to")) for b in page.findall(".//button")] == [
        ("1.250", "2.500"),
        ("1.000", "3.000"),
    ]
    assert "84% sure" in page.text_content() and "and 2 more" in page.text_content()
    assert page.find(".//audio").get("src") == "song.flac"


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


def test_clock_and_links(tmp_path):
    assert [clock(t) for t in (0.0, 59.96, 67.53, 3601.0)] == ["0:00.0", "1:00.0", "1:07.5", "60:01.0"]
    # A link is a relative reference (RFC 3986, 4.2), in which "#" must be written %23.
    assert relative_link(tmp_path / "a#b.wav", tmp_path / "out/page.html") == "../a%23b.wav"
