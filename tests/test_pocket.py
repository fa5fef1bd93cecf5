"""How one player plays what is written: swing and lags, and a chart that plays so what was never heard."""

import json
from dataclasses import replace
from fractions import Fraction as F

import jsonschema
import numpy as np
import pytest
from lxml import etree

from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.data import chart_from_data, to_data
from workbench.chart.meter import Meter, TimeMap
from workbench.chart.ornaments import play_note
from workbench.chart.pocket import ON_THE_GRID, Lag, Pocket, swung_place, usual_lags_s
from workbench.errors import ChartError
from workbench.files.chartfile import chart_schema, dumps_chart, loads_chart
from workbench.notation.midi import midi_bytes, write_midi
from workbench.notation.midi_read import read_midi
from workbench.notation.musicxml import write_musicxml
from workbench.notation.musicxml_read import read_musicxml

COMMON_TIME = Meter(4, 4)
LATE = Pocket(0.62, (Lag("snare", F(0), 0.015), Lag("ride", F(1, 2), -0.004)))


def swung(pocket=LATE, deviation_s=0.0, feel="swing 8ths", meter=COMMON_TIME):
    notes = [Note(F(k, 8), "ride", deviation_s=deviation_s) for k in range(6)] + [Note(F(1, 4), "snare")]
    return Chart(TimeMap.steady(2, 120, meter), (WrittenBar(tuple(notes)),) * 2, feel=feel, pocket=pocket)


def test_places_that_swing():
    assert swung_place(0.5, 1.0, 0.66) == pytest.approx(0.66)
    assert swung_place(0.25, 0.5, 0.6) == pytest.approx(0.3)
    assert {swung_place(p, 0.0, 0.5) for p in (0.25, 1 / 3)} == {0.25, 1 / 3}
    # Sixteenths of a compound beat: 8ths stay, and so does what is no 16th.
    sixths = [swung_place(k / 6, 1 / 3, 2 / 3) for k in range(7)]
    assert sixths == pytest.approx([0, 2 / 9, 1 / 3, 5 / 9, 2 / 3, 8 / 9, 1])
    assert {swung_place(p, 1 / 3, 0.6) for p in (0.25, 1 / 12, 4 / 9)} == {0.25, 1 / 12, 4 / 9}


def test_what_was_never_heard_is_played_as_usual_and_what_was_heard_as_it_was():
    chart = swung()
    snare, off_beat = chart.bars[1].find(F(1, 4), "snare"), chart.bars[1].find(F(1, 8), "ride")
    assert chart.note_time_s(1, snare) == pytest.approx(2.515)
    assert chart.note_time_s(1, off_beat) == pytest.approx(2.0 + 0.62 * 0.5 - 0.004)
    assert play_note(chart, 1, off_beat)[0].time_s == chart.note_time_s(1, off_beat)
    assert play_note(chart, 1, off_beat, played=False)[0].time_s == pytest.approx(2.25)
    assert chart.note_time_s(1, replace(snare, deviation_s=0.002)) == pytest.approx(2.502)
    assert swung(ON_THE_GRID).note_time_s(1, off_beat) == 2.25


@pytest.mark.parametrize("meter", [Meter(6, 8), Meter(12, 8), Meter(7, 8)])
def test_sixteenths_swing_within_each_eighth_of_any_meter(meter):
    notes = tuple(Note(F(k, 16), "ride") for k in range(int(16 * meter.bar_length)))
    chart = Chart(TimeMap.steady(2, 60, meter), (WrittenBar(notes),) * 2, feel="swing 16ths", pocket=Pocket(0.62))
    eighth_s = 60 / chart.time_map.quarter_tempo_bpm(0) / 2
    later = [chart.later_s(1, n) / eighth_s for n in notes]
    assert later == pytest.approx([0.12 * (k % 2) for k in range(len(notes))])


def test_straight_songs_and_eighths_of_compound_beats_do_not_swing():
    assert swung(feel="straight").swing_s(0, F(1, 8)) == 0.0
    assert swung(meter=Meter(12, 8)).swing_s(0, F(3, 16)) == 0.0


def test_lags_are_medians_that_few_strokes_do_not_move():
    off_s = np.array([0.02] * 40 + [0.5] + [0.03])
    lags = usual_lags_s(np.array([0] * 41 + [2]), off_s, doubt=4)
    assert lags == pytest.approx([0.02 * 41 / 45, 0.0, 0.03 / 5])


def test_a_slower_song_has_longer_lags():
    assert LATE.at_speed(0.5).later_s("snare", F(0)) == pytest.approx(0.03)
    assert LATE.at_speed(0.1).later_s("snare", F(0)) == pytest.approx(0.1)
    assert LATE.at_speed(0.5).swing_ratio == LATE.swing_ratio


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: Pocket(0.4),
        lambda: Pocket(float("nan")),
        lambda: Pocket(1.0),
        lambda: Lag("snare", F(1), 0.0),
        lambda: Lag("snare", F(0), 0.2),
        lambda: Lag("snare", F(0), float("nan")),
        lambda: Pocket(lags=(Lag("snare", F(0), 0.0),) * 2),
    ],
)
def test_what_is_no_pocket_is_refused(wrong):
    with pytest.raises(ChartError):
        wrong()


def test_a_pocket_is_kept_in_files(tmp_path):
    assert chart_from_data(to_data(swung())) == swung()
    numbered = replace(swung(), printed_numbers=("17", "18"))
    jsonschema.validate(json.loads(dumps_chart(numbered)), chart_schema())
    assert loads_chart(dumps_chart(numbered)) == numbered
    assert "pocket" not in to_data(swung(ON_THE_GRID))
    path = write_midi(swung(), tmp_path / "swung.mid")
    again = read_midi(path).chart
    assert again.pocket == LATE and again.bars == swung().bars
    assert midi_bytes(again) == path.read_bytes()


def test_midi_as_written_lies_on_the_beats(tmp_path):
    again = read_midi(write_midi(swung(), tmp_path / "swung.mid", played=False)).chart
    assert again.pocket == ON_THE_GRID
    assert all(again.note_time_s(k, n) == again.time_map.seconds(k, n.position) for k, n in again.notes())


@pytest.mark.parametrize(
    "ratio, first, second", [(0.5, "2", "1"), (0.62, "31", "19"), (2 / 3, "2", "1"), (0.75, "3", "1")]
)
def test_musicxml_tells_the_ratio(tmp_path, ratio, first, second):
    """MusicXML 4.0, element swing: first and second are the parts of the pair."""
    path = write_musicxml(swung(Pocket(ratio)), tmp_path / "swung.musicxml")
    swing = etree.parse(path).find(".//swing")
    assert (swing.findtext("first"), swing.findtext("second")) == (first, second)
    again = read_musicxml(path).chart
    assert again.pocket.swing_ratio == pytest.approx(ratio if ratio > 0.5 else 2 / 3)
    other = write_musicxml(again, tmp_path / "again.musicxml")
    assert etree.parse(other).findtext(".//swing/first") == first
