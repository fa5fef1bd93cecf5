"""The report of a take as page, PDF and data."""

import json
import re
from dataclasses import replace

import pytest

from tests.takes import assess
from workbench.checking.playing import WORKING_DRUMMERS_SPREAD_MS
from workbench.checking.take_report import bars_svg, strokes_svg, take_page, write_take
from workbench.errors import WorkbenchError


@pytest.fixture(scope="module")
def take():
    return replace(assess(mean_ms={"snare": 12.0}), recording="<monday>.wav")


def test_report_in_three_formats(take, tmp_path):
    for ending in (".html", ".pdf", ".json"):
        write_take(take, tmp_path / f"a{ending}")
    data = json.loads((tmp_path / "a.json").read_text())
    assert data["against"] == "the click" and len(data["instruments"]) == len(take.playing.instruments)
    assert (tmp_path / "a.pdf").read_bytes().startswith(b"%PDF")
    page = (tmp_path / "a.html").read_text()
    assert "&lt;monday&gt;.wav" in page and "<monday>" not in page
    assert "85 dBA over 8 hours" in page and "Publication No. 98-126" in page and "copyright" in page
    with pytest.raises(WorkbenchError, match="written as"):
        write_take(take, tmp_path / "a.doc")


def test_the_pdf_is_one_page(take):
    messy = replace(assess(spread_ms=28.0, mean_ms={"kick": 20, "ride": -20}), recording="x")
    for one in (take, messy):
        assert re.search(rb"/Type\s*/Pages\s*/Count (\d+)", take_page(one).pdf()).group(1) == b"1"


def test_pictures_show_every_instrument_and_bar(take):
    strokes, bars = strokes_svg(take), bars_svg(take)
    for i in take.playing.instruments:
        assert f">{i.instrument}<" in strokes
    assert strokes.count("<circle") == len(take.playing.deviations)
    assert bars.count("#F3E5C3") == len(take.playing.fills)
    # A fill that begins a little early is still shaded in its own bar.
    early = replace(
        take,
        playing=replace(take.playing, fills=tuple(replace(f, start_s=f.start_s - 0.03) for f in take.playing.fills)),
    )
    late = replace(
        take,
        playing=replace(take.playing, fills=tuple(replace(f, start_s=f.start_s + 0.03) for f in take.playing.fills)),
    )
    assert take.playing.fills and bars_svg(early) == bars_svg(late) == bars
    assert WORKING_DRUMMERS_SPREAD_MS[0] < WORKING_DRUMMERS_SPREAD_MS[1] < WORKING_DRUMMERS_SPREAD_MS[2]
    assert "<h2>What goes well</h2>" in take_page(take).html()
