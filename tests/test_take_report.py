"""The report of a take as page, PDF and data."""

import json
import re
from dataclasses import replace
from fractions import Fraction as F

import numpy as np
import pytest
from lxml import etree, html

from tests.takes import CLICK, LONG, assess, play
from tests.test_align import chart_of
from workbench.chart import Mark, Note
from workbench.checking.pagesound import sound_strokes
from workbench.checking.playing import WORKING_DRUMMERS_SPREAD_MS
from workbench.checking.reportpage import BLUE, VERMILION
from workbench.checking.take import assess_strokes
from workbench.checking.take_report import draw_bars, draw_strokes, take_page, write_take
from workbench.errors import WorkbenchError
from workbench.files.audio import SAMPLE_RATE_HZ, Audio, save_audio


@pytest.fixture(scope="module")
def take():
    return replace(assess(mean_ms={"snare": 12.0}), recording="<monday>.wav")


@pytest.mark.slow
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


@pytest.mark.slow
def test_the_pdf_is_one_page(take):
    messy = replace(assess(spread_ms=28.0, mean_ms={"kick": 20, "ride": -20}), recording="x")
    for one in (take, messy):
        assert re.search(rb"/Type\s*/Pages\s*/Count (\d+)", take_page(one).pdf()).group(1) == b"1"


def test_pictures_show_every_instrument_and_bar(take):
    strokes, bars = draw_strokes(take), draw_bars(take)
    (axes,), playing = strokes.axes, take.playing
    assert [t.get_text() for t in axes.get_yticklabels()] == [i.instrument for i in playing.instruments]
    dots = [line for line in axes.get_lines() if line.get_marker() == "."]
    assert sorted(ms for line in dots for ms in line.get_xdata()) == sorted(ms for *_, ms in playing.deviations)
    means = {line.get_xdata()[0] for line in axes.get_lines() if line.get_marker() == "o"}
    assert means == {i.mean_ms for i in playing.instruments if i.mean_ms is not None}
    tempo, counts = bars.axes
    (line,) = tempo.get_lines()
    assert list(line.get_ydata()) == [b.tempo_bpm for b in playing.bars if b.tempo_bpm is not None]
    assert [p.get_height() for p in counts.patches] == [b.missed for b in playing.bars] + [
        -b.added for b in playing.bars
    ]
    for svg in (strokes.svg("What is <shown>"), bars.svg("x")):
        assert etree.fromstring(svg).get("role") == "img" and "http://matplotlib" not in svg


def test_a_fill_that_begins_a_little_early_is_shaded_in_its_own_bar(take):
    def shaded(by_s):
        fills = tuple(replace(f, start_s=f.start_s + by_s) for f in take.playing.fills)
        return [p.get_x() for p in draw_bars(replace(take, playing=replace(take.playing, fills=fills))).axes[0].patches]

    numbers = [b.bar_number for b in take.playing.bars]
    assert take.playing.fills
    assert shaded(-0.03) == shaded(0.03) == [numbers.index(f.bar_number) - 0.5 for f in take.playing.fills]


def test_a_fill_is_shaded_through_all_its_bars():
    chart = replace(chart_of(LONG, 100.0), marks=(Mark("fill", (10, F(1, 2)), (12, F(0)), confirmed=True),))
    two_bars = assess_strokes(chart, play(LONG), CLICK)
    shaded = {p.get_x(): p.get_width() for p in draw_bars(two_bars).axes[0].patches}
    assert shaded[9.5] == 2 and {w for x, w in shaded.items() if x != 9.5} <= {1}


def test_the_page_says_what_goes_well(take):
    assert WORKING_DRUMMERS_SPREAD_MS[0] < WORKING_DRUMMERS_SPREAD_MS[1] < WORKING_DRUMMERS_SPREAD_MS[2]
    assert "<h2>What goes well</h2>" in take_page(take).html()


@pytest.mark.slow
def test_the_page_plays_and_shows_the_bars_that_differ(tmp_path):
    gone = next(n for n in LONG[4].notes if n.instrument == "kick")
    bars = [b.without(*gone.key) if k == 4 else b for k, b in enumerate(LONG)]
    bars[6] = bars[6].with_note(Note(F(5, 8), "floor tom"))
    heard = play(bars)
    recording = tmp_path / "monday.wav"
    save_audio(recording, Audio(np.stack([sound_strokes(heard.strokes)] * 2, 1), SAMPLE_RATE_HZ))
    take = assess_strokes(chart_of(LONG, 100.0), heard, CLICK, str(recording))
    page = html.fromstring(write_take(take, tmp_path / "a.html").read_text())
    shown = page.findall(".//section[@class='bar']")
    assert [s.findtext("h3").split()[1] for s in shown] == ["5", "7"]
    sounds = {a.get("id"): a.get("src")[:22] for a in page.findall(".//audio")}
    assert sounds == dict.fromkeys(("sound", "written_sound"), "data:audio/mpeg;base64")
    for section, colour, name in zip(shown, (VERMILION, BLUE), ("kick", "floor-tom")):
        assert {b.get("data-sound") for b in section.findall(".//button")} == set(sounds)
        (head,) = section.findall(f".//g[@fill='{colour}']")
        assert head.get("id").endswith(name)
    assert "monday.wav" in page.text_content() and str(tmp_path) not in page.text_content()
    assert json.loads(write_take(take, tmp_path / "a.json").read_text())["recording"] == "monday.wav"
