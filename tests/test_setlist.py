"""A set list: booklet and page."""

import re
import shutil
import subprocess

import pytest
from lxml import html

import workbench as wb
from tests.parts import EMPTY, FILL, HALF, ROCK
from tests.shelves import chart_of
from workbench.errors import WorkbenchError

CHARTS = [
    chart_of(*(ROCK,) * 7, FILL, title="Tin <b>Roof</b>", artist="The Night Trams"),
    chart_of(*(HALF,) * 60, title="Half Tide"),
    chart_of(*(EMPTY,) * 4, title=""),
]


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return wb.set_list(CHARTS, tmp_path_factory.mktemp("gig") / "friday", title="Friday & more")


def test_the_page_has_every_song_with_its_form_and_grooves(made):
    page = html.parse(str(made.page)).getroot()
    assert page.findtext(".//h1") == "Friday & more"
    titles = [" ".join(h.text_content().split()) for h in page.findall(".//h2")]
    assert titles == ["1. Tin <b>Roof</b> The Night Trams", "2. Half Tide", "3. Drum part"]
    sections = page.findall(".//section")
    assert [len(s.findall(".//figure/svg")) for s in sections] == [1, 1, 0]
    assert "♩ = 110" in sections[0].text_content() and "rock eighths" in sections[0].text_content()
    assert "half-time" in sections[1].text_content()
    text = made.page.read_text("utf-8")
    assert not re.search(r"(src|href)=\"(?!#)", text) and not re.search(r"https?://(?!www.w3.org)", text)


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs poppler-utils")
def test_the_booklet_begins_with_the_evening_and_names_the_pages(made):
    pages = subprocess.run(["pdftotext", "-layout", made.booklet, "-"], capture_output=True, text=True).stdout.split(
        "\f"
    )
    first = pages[0]
    numbers = [int(n) for n in re.findall(r"p\. (\d+)", first)]
    assert "Friday & more" in first and "Tin <b>Roof</b>" in first and len(numbers) == 3 and numbers[0] == 2
    for number, title in zip(numbers, ("Tin <b>Roof</b>", "Half Tide")):
        assert title in pages[number - 1]
    assert len(pages) - 1 > numbers[-1] - 1


def test_without_charts_there_is_none(tmp_path):
    with pytest.raises(WorkbenchError, match="a chart or more"):
        wb.set_list([], tmp_path)
