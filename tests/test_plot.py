"""Pictures of a reading show what it says."""

from dataclasses import replace

import pytest

from tests.parts import CRASHED, EMPTY, FILL, RIDE, ROCK, bar, part
from workbench.chart import WrittenBar
from workbench.reading.plot import draw_feel, draw_fill, draw_form, draw_groove
from workbench.reading.read import read_part

SONG = part(*[CRASHED, *[ROCK] * 6, FILL, *[RIDE] * 8, EMPTY, EMPTY])


@pytest.fixture(scope="module")
def reading():
    return read_part(SONG)


def texts(figure):
    return [
        t.get_text() for axes in figure.axes for t in (*axes.texts, *axes.get_xticklabels(), *axes.get_yticklabels())
    ]


def test_the_form_has_a_bar_for_each_section_and_fill(reading):
    figure = draw_form(reading)
    widths = [p.get_width() for p in figure.axes[0].patches if p.get_height() == 0.9]
    assert widths == [8, 8, 2]
    fills = [p for p in figure.axes[0].patches if p.get_height() == pytest.approx(0.16)]
    assert [(p.get_x(), p.get_width()) for p in fills] == [(7.25, 0.75)]
    assert {"A", "B", "hi-hat", "ride"} <= set(texts(figure))


def test_a_groove_shows_every_stroke_of_its_base(reading):
    figure = draw_groove(reading, 0)
    assert len(figure.axes[0].collections) == len(ROCK.notes)
    assert ["1", "&", "2", "&", "3", "&", "4", "&"] == [t for t in texts(figure) if t in "1&234"]


def test_a_fill_shows_its_strokes_hands_and_groups(reading):
    fill = reading.fills[0]
    figure = draw_fill(reading, fill)
    assert len(figure.axes[0].collections) == 12
    said = texts(figure)
    assert said.count("R") == said.count("L") == 6
    assert fill.grouping == (4, 4, 4) and said.count("4") == 3 + 1  # three groups, and beat 4


@pytest.mark.slow
def test_pictures_of_little(tmp_path):
    for chart in (part(EMPTY), part(WrittenBar()), part(bar(K="x...")), replace(SONG, bars=(ROCK,) * 18)):
        reading = read_part(chart)
        for figure in (draw_form(reading), draw_feel(reading)):
            figure.savefig(tmp_path / "picture.png")
    assert "tacet to measure" in texts(draw_feel(read_part(part(EMPTY))))
