"""Pictures of a reading show what it says."""

from dataclasses import replace

import pytest

from tests.parts import CRASHED, EMPTY, FILL, RIDE, ROCK, bar, part
from workbench.chart import WrittenBar
from workbench.reading.feel import Swing
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


def test_the_tempo_is_drawn_over_whole_bars():
    """There is no bar 2.5."""
    figure = draw_feel(read_part(part(*[bar(K="x...x...")] * 16)))
    figure.canvas.draw()
    (*_, tempo) = figure.axes
    assert len(tempo.get_xticks()) > 2 and all(float(tick).is_integer() for tick in tempo.get_xticks())


def test_a_picture_of_the_feel_cuts_no_words_off(tmp_path):
    """Beside a row with a long name, and with wide numbers, there is least room."""
    one = bar(H="xxxxxxxx", P="..x...x.", S="..x...x.", K="x...x...")
    played = WrittenBar(tuple(replace(n, deviation_s=0.002 * (-1) ** k) for k, n in enumerate(one.notes)))
    reading = read_part(part(*[played] * 8))
    assert "pedal hi-hat" in {p.instrument for p in reading.feel.placements}
    both = tuple(Swing(value, 10.01, 0.08, 100) for value in ("8ths", "16ths"))
    figure = draw_feel(replace(reading, feel=replace(reading.feel, swings=both)))
    figure.savefig(tmp_path / "feel.png")
    words = [(axes, text) for axes in figure.axes for text in (axes.title, *axes.texts)]
    assert any("16ths 10.01 : 1" in text.get_text() for _, text in words)
    for axes, text in words:
        room, box = axes.get_window_extent(), text.get_window_extent()
        assert room.x0 <= box.x0 and box.x1 <= room.x1 + 1, text.get_text()
