"""The matplotlib picture of some bars."""

from fractions import Fraction as F

import matplotlib.pyplot as plt
import numpy as np
import pytest
from matplotlib.figure import Figure

from workbench.chart import Chart, Note, Section, WrittenBar
from workbench.chart.drumkit import INSTRUMENTS, Notehead
from workbench.chart.meter import TimeMap
from workbench.errors import ChartError
from workbench.files.audio import Audio
from workbench.pictures import MARKERS
from workbench.pictures import draw_bars as drawn_on

BAR = WrittenBar(
    tuple(Note(F(0), i.name) for i in INSTRUMENTS) + (Note(F(1, 2), "snare", deviation_s=0.02, confidence=0.3),)
)
CHART = Chart(TimeMap.steady(3, 120), (BAR,) * 3, sections=(Section(1, "Verse"),))


def draw_bars(*args, **options):
    return drawn_on(*args, axes=Figure(figsize=(11, 5)).subplots(), **options)


def points(rows):
    """x of everything drawn as a mark in the rows, with its y."""
    return {tuple(np.round(p, 6)) for c in rows.collections for p in c.get_offsets()}


def test_every_hit_stands_where_it_was_heard():
    drawn = points(draw_bars(CHART))
    names = CHART.instruments_used()
    assert drawn == {(round(CHART.note_time_s(k, n), 6), names.index(n.instrument)) for k, n in CHART.notes()}


def test_only_the_bars_asked_for():
    drawn = points(draw_bars(CHART, bars=(1, 1)))
    assert {x for x, _ in drawn} == {2.0, 3.02}


def test_doubtful_hits_are_ringed():
    rows = draw_bars(CHART, doubt_below=0.5)
    dashed = [c for c in rows.collections if c.get_linestyle()[0][1]]
    ringed = {tuple(p) for c in dashed for p in c.get_offsets()}
    assert len(ringed) == 3
    assert not [
        c for c in draw_bars(CHART, doubt_below=0.1).collections if c.get_linestyle()[0][1] and len(c.get_offsets())
    ]


@pytest.mark.slow
def test_waveform_and_sections_are_drawn(tmp_path):
    audio = Audio(np.sin(np.arange(8000 * 7) / 5)[:, None].astype(np.float32), 8000)
    rows = draw_bars(CHART, audio)
    wave = rows.child_axes[0]
    assert wave.collections or wave.lines
    assert any("Verse" in t.get_text() for t in wave.texts)
    rows.figure.savefig(tmp_path / "picture.png")
    assert (tmp_path / "picture.png").stat().st_size > 5000


def test_no_such_bar():
    with pytest.raises(ChartError, match="There is no bar 9"):
        draw_bars(CHART, bars=(0, 8))


def test_every_notehead_has_a_mark():
    assert set(MARKERS) == set(Notehead)


@pytest.mark.parametrize("names", [("kick",), ("kick", "closed hi-hat"), tuple(i.name for i in INSTRUMENTS)])
def test_a_figure_of_its_own_has_room_for_all_it_shows(names):
    chart = Chart(CHART.time_map, (WrittenBar(tuple(Note(F(0), n) for n in names)),) * 3)
    rows = drawn_on(chart, Audio(np.zeros((8000 * 7, 1), np.float32), 8000), bars=(0, 1))
    figure = rows.figure
    figure.canvas.draw()  # warnings are errors
    drawn, whole = figure.get_tightbbox(), figure.bbox_inches
    assert drawn.x0 >= 0 and drawn.y0 >= 0 and drawn.x1 <= whole.width and drawn.y1 <= whole.height
    assert "bars 1–2 of 3" in rows.get_xlabel()
    plt.close(figure)
