"""Alignment a chart on a recording: offset, tempo, pulse, repeats, cuts and extra bars are found."""

from dataclasses import replace
from fractions import Fraction as F
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.effort import examples
from workbench.alignment.align import align_chart
from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.events import Stroke
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.errors import AnalysisError
from workbench.files.chartfile import read_chart


def bar(kicks, snares, cymbal="closed hi-hat", every=8, length=F(1)):
    notes = [Note(F(k, 16), "kick", 100) for k in kicks] + [Note(F(k, 16), "snare", 100) for k in snares]
    notes += [Note(F(k, every), cymbal, 70) for k in range(int(length * every))]
    return WrittenBar(tuple(notes))


GROOVE = bar([0, 6, 8], [4, 12])
VARIATION = bar([0, 7, 10], [4, 12, 15])
FILL = WrittenBar(
    tuple(
        Note(F(k, 16), n) for k, n in enumerate(["snare"] * 4 + ["high tom"] * 4 + ["mid tom"] * 4 + ["floor tom"] * 4)
    )
)
CHORUS = bar([0, 3, 8, 11], [4, 12], "ride")
SONG = [
    GROOVE,
    GROOVE,
    VARIATION,
    FILL,
    CHORUS,
    CHORUS,
    bar([0, 8], [4, 12], "ride", 4),
    FILL,
    GROOVE,
    VARIATION,
    GROOVE,
    FILL,
]


def chart_of(bars, tempo_bpm=120.0, meter=None):
    meter = meter or Meter()
    return Chart(TimeMap.steady(len(bars), tempo_bpm, meter), tuple(bars))


def played(bars, start_s=1.3, tempo_bpm=113.0, drift=0.0, jitter_s=0.006, seed=1, beats_a_bar=4):
    """Strokes and beats of bars played at a (drifting) tempo, with a player's jitter."""
    rng = np.random.default_rng(seed)
    whole_s = 240.0 / tempo_bpm
    length = beats_a_bar / 4
    time = lambda whole: start_s + whole_s * (whole + drift * whole**2 / (2 * max(1, len(bars))))
    strokes = [
        Stroke(max(0.0, time(k * length + float(n.position)) + rng.normal(0, jitter_s)), n.instrument)
        for k, b in enumerate(bars)
        for n in b.notes
    ]
    beats = [time(k / 4) for k in range(len(bars) * beats_a_bar + 1)]
    lines = [time(k * length) for k in range(len(bars) + 1)]
    return sorted(strokes), beats, lines


def bars_aligned(alignment):
    return [b.chart_bar for b in alignment.bars]


@pytest.mark.slow
@examples(25)
@given(st.floats(0.0, 20.0), st.floats(70, 180), st.floats(70, 180), st.floats(-0.06, 0.06), st.integers(0, 99))
def test_any_offset_and_any_drifting_tempo(start_s, written_bpm, played_bpm, drift, seed):
    strokes, beats, lines = played(SONG, start_s, played_bpm, drift, seed=seed)
    alignment = align_chart(chart_of(SONG, written_bpm), strokes, beats)
    assert bars_aligned(alignment) == list(range(len(SONG)))
    assert alignment.agreement > 0.9 and not alignment.left_out
    for aligned, line in zip(alignment.bars, lines):
        assert aligned.start_s == pytest.approx(line, abs=0.02)


def test_a_count_in_and_what_follows_the_song_are_no_bars():
    strokes, beats, _ = played(SONG, start_s=4.0)
    count_in = [Stroke(4.0 - 60 / 113 * k, "side stick") for k in (4, 3, 2, 1)]
    alignment = align_chart(chart_of(SONG), count_in + strokes, beats, duration_s=60.0)
    assert bars_aligned(alignment) == list(range(len(SONG)))


@pytest.mark.parametrize("every", [2, 0.5])
def test_a_pulse_tracked_at_half_or_double_speed(every):
    strokes, beats, _ = played(SONG, tempo_bpm=100)
    beats = (
        beats[1::2]
        if every == 2
        else list(np.interp(np.arange(0, len(beats) - 0.5, 0.5), np.arange(len(beats)), beats))
    )
    assert bars_aligned(align_chart(chart_of(SONG, 140), strokes, beats)) == list(range(len(SONG)))


def test_without_tracked_beats_the_charts_own_tempo_serves():
    strokes, _, _ = played(SONG, tempo_bpm=120)
    assert bars_aligned(align_chart(chart_of(SONG, 120), strokes, [])) == list(range(len(SONG)))


def test_waltz_and_pickup():
    plain = WrittenBar((Note(F(0), "kick"), Note(F(1, 4), "snare"), Note(F(1, 2), "snare")))
    waltz = [plain, plain.with_note(Note(F(3, 8), "kick"))] * 4
    strokes, beats, lines = played(waltz, beats_a_bar=3)
    alignment = align_chart(chart_of(waltz, meter=Meter(3, 4)), strokes, beats)
    assert bars_aligned(alignment) == list(range(8))
    pickup = TimeMap(
        (Bar(Meter(), (0.0,), F(1, 4)), *TimeMap.steady(len(SONG), 120, start_s=0.5).bars), 0.5 + 2.0 * len(SONG)
    )
    chart = Chart(pickup, (WrittenBar((Note(F(0), "snare"), Note(F(1, 8), "snare"))), *SONG))
    strokes, beats, lines = played(SONG, start_s=5.0)
    beat_s = 60 / 113
    strokes = [Stroke(5.0 - beat_s, "snare"), Stroke(5.0 - beat_s / 2, "snare"), *strokes]
    alignment = align_chart(chart, strokes, [5.0 - beat_s, *beats])
    assert bars_aligned(alignment) == list(range(len(SONG) + 1))
    assert alignment.bars[0].start_s == pytest.approx(5.0 - beat_s, abs=0.02)


def test_what_cannot_be_laid():
    with pytest.raises(AnalysisError, match="no notes"):
        align_chart(Chart.empty(TimeMap.steady(2, 120)), [Stroke(0, "kick")], [])
    with pytest.raises(AnalysisError, match="No drum strokes"):
        align_chart(chart_of(SONG), [], [])


def test_another_song_hardly_agrees():
    other = [
        WrittenBar((Note(F(0), "crash"), Note(F(5, 16), "floor tom"), Note(F(11, 16), "mid tom"))),
        WrittenBar((Note(F(3, 16), "floor tom"), Note(F(13, 16), "crash"))),
    ] * 6
    strokes, beats, _ = played(SONG)
    assert align_chart(chart_of(other), strokes, beats).agreement < 0.4


@pytest.mark.slow
@pytest.mark.parametrize("missing", [4, 8, 13, 20, 22, 24, 27, 29])
def test_a_bar_left_out_of_a_score_without_the_players_tempo(missing):
    """The demo's true part speeds up by five per cent; a score of it has one tempo, and here lacks a bar.

    Beyond the gap such a score's own beats lie beside the recording's.
    """
    truth = read_chart(Path(__file__).parents[1] / "data/demo/copper-weather.truth.chart.json")
    strokes = sorted(Stroke(truth.note_time_s(k, n), n.instrument, n.velocity) for k, n in truth.notes() if k)
    beats = [t for timed in truth.time_map.bars for t in timed.beat_times_s]
    # Without the pick-up bar.
    bars = [WrittenBar(tuple(replace(n, deviation_s=0.0) for n in b.notes)) for b in truth.bars[1:]]
    score = chart_of(bars[:missing] + bars[missing + 1 :], 113)
    aligned = bars_aligned(align_chart(score, strokes, beats))
    gap = aligned.index(None)
    assert aligned == [*range(gap), None, *range(gap, len(score))]
    assert bars[gap].pattern == bars[missing].pattern or gap == missing
