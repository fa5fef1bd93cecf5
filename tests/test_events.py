"""Beats and strokes as heard: what is none is refused."""

import pytest

from workbench.chart.events import Beat, Stroke
from workbench.errors import ChartError


def test_both_are_in_order_of_time():
    strokes = [Stroke(2.0, "kick"), Stroke(1.0, "snare"), Stroke(1.0, "kick")]
    assert [(s.time_s, s.instrument) for s in sorted(strokes)] == [(1.0, "kick"), (1.0, "snare"), (2.0, "kick")]
    assert sorted([Beat(0.5, 1), Beat(0.0, 4)])[0].number == 4


@pytest.mark.parametrize(
    "fields, message",
    [
        ({"time_s": float("nan")}, "finite"),
        ({"instrument": "spoons"}, "no instrument"),
        ({"velocity": 0}, "1 and 127"),  # MIDI 1.0: a note-on of velocity 0 is a note-off
        ({"velocity": 128}, "1 and 127"),
        ({"confidence": 1.1}, "0 and 1"),
    ],
)
def test_impossible_strokes(fields, message):
    with pytest.raises(ChartError, match=message):
        Stroke(**{"time_s": 1.0, "instrument": "kick", **fields})


@pytest.mark.parametrize("time_s, number, message", [(float("inf"), 1, "finite"), (0.0, 0, "from 1")])
def test_impossible_beats(time_s, number, message):
    with pytest.raises(ChartError, match=message):
        Beat(time_s, number)
