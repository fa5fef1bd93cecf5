"""Readings of a song's bars: which are measured, and what is measured of them."""

import numpy as np
import pytest
from scipy.special import softmax

from tests.played import activations_of, play
from tests.test_activations import made
from workbench.chart.events import Stroke
from workbench.chart.meter import Meter, TimeMap
from workbench.listening.bars import PARTS_PER_BEAT
from workbench.listening.chooser import (
    IN_THIRDS,
    LEVELS_EACH,
    MEASURED,
    MEASURES,
    MORE_FOUR,
    OF_PLAYERS,
    PHASES,
    SONG_METERS,
    Heard,
    _again,
    _likelier,
    _Sifted,
    candidates,
    chooser,
    measure,
)
from workbench.listening.readings import song_grids

SEVEN = {"kick": (0, 3), "snare": (2, 4), "closed hi-hat": range(7)}  # 2+2+3


def measured(meter, tempo_bpm, pattern, bars=20):
    time_map = TimeMap.steady(bars, tempo_bpm, meter, start_s=0.3)
    strokes = play(time_map, pattern, jitter_s=0.004)
    heard = Heard(activations_of(time_map, time_map.end_s), strokes, None)
    found = candidates(heard, [(g, ()) for g in song_grids(heard.activations, strokes)])
    return time_map, found, measure(heard, found)


def test_strokes_are_most_like_themselves_a_bar_later():
    rng = np.random.default_rng(2)
    bar = (rng.random((7, PARTS_PER_BEAT, 2)) < 0.1).astype(np.float32)
    again = _again(np.tile(bar, (16, 1, 1)))
    assert again[14] == pytest.approx(1.0, abs=0.02)  # seven beats, in halves
    assert max(again[k] for k in range(1, 28) if k % 14) < 0.8
    assert (_again(np.zeros((9, PARTS_PER_BEAT, 2))) == 0.0).all()


@pytest.mark.parametrize("meter", [Meter(5, 4), Meter(7, 8), Meter(4, 4)])
def test_the_right_reading_is_among_those_measured(meter):
    tempo_bpm = 230 if meter.unit == 8 else 120
    time_map, found, _ = measured(meter, tempo_bpm, SEVEN)
    lines = np.array([time_map.bar_start_s(k) for k in range(2, 18)])
    of_meter = [c.grid.beats_s[[k for k in c.path.starts if k >= 0]] for c in found if c.meter == meter]
    worst = [np.abs(lines[:, None] - mine[None, :]).min(axis=1).max() for mine in of_meter]
    assert min(worst) < 0.04


def test_every_meter_is_measured_at_no_more_levels_than_told():
    _, found, _ = measured(Meter(4, 4), 110, {"kick": (0, 4), "snare": (2, 6), "closed hi-hat": range(8)})
    assert {c.meter for c in found} == set(SONG_METERS)
    for meter in SONG_METERS:
        tempi = np.log([c.grid.tempo_bpm for c in found if c.meter == meter and len(set(c.path.meters)) == 1])
        assert len(set(np.round(tempi / 0.1))) <= LEVELS_EACH


def test_bars_of_their_true_length_repeat_best():
    _, found, measures = measured(Meter(7, 8), 230, SEVEN)
    again = measures[:, MEASURES.index("drums_again")]
    right = [c.meter == Meter(7, 8) and abs(c.grid.tempo_bpm - 230) < 5 for c in found]
    wrong = [c.meter in (Meter(5, 8), Meter(3, 4), Meter(4, 4)) and abs(c.grid.tempo_bpm - 230) < 5 for c in found]
    assert again[right].min() > again[wrong].max()


def test_measures_are_finite_and_have_their_names():
    _, found, measures = measured(Meter(3, 4), 100, {"kick": (0,), "snare": (2, 4)}, bars=6)
    assert measures.shape == (len(found), len(MEASURES))
    assert np.isfinite(measures).all()
    assert chooser().probabilities(measures).sum() == pytest.approx(1.0)


@pytest.mark.parametrize("meters", OF_PLAYERS)
def test_among_meters_of_players_one_of_two_opinions_is_the_first_networks_alone(meters):
    rng = np.random.default_rng(4)
    measures = rng.normal(0, 1, (12, len(MEASURES)))
    measures[:, [MEASURES.index(f"meter_{m}") for m in SONG_METERS]] = 0.0
    for k, meter in enumerate(meters):
        measures[k : 7 : len(meters), MEASURES.index(f"meter_{meter}")] = 1.0
    shipped = chooser()
    four, thirds = measures[:, MEASURES.index("meter_4/4")], measures[:, MEASURES.index("thirds")]
    four = MORE_FOUR * ((four > 0) & (thirds < IN_THIRDS))
    both = softmax(shipped.scores(measures) / shipped.temperature + four)
    other = 2 * shipped.probabilities(measures) - both  # the other opinion
    first = shipped.first.scores(measures)[:7] / shipped.first_temperature
    assert other.sum() == pytest.approx(1.0) and (other[7:] == pytest.approx(both[7:]))
    assert np.log(other[:7] / other[0]) == pytest.approx(first - first[0], abs=1e-6)


def heard(period_s=0.5, length_s=10.0):
    beat = np.zeros(int(100 * length_s), np.float32)
    beat[:: int(100 * period_s)] = 0.9
    strokes = [Stroke(t, "kick") for t in np.arange(0, length_s, period_s)]
    return Heard(made(len(beat), beat=beat, downbeat=np.zeros_like(beat)), strokes, None)


def test_activations_are_found_within_50_ms():
    found = heard().pulse.at("beat", np.array([0.5, 0.54, 0.46, 0.58]))
    assert found == pytest.approx([0.9, 0.9, 0.9, 0.0])


def test_beats_where_the_pulse_is_are_likelier_than_beside_it_or_at_half_of_it():
    song = heard()
    right, late, half = (
        song.pulse.score(b) for b in (np.arange(0, 10, 0.5), np.arange(0.25, 10, 0.5), np.arange(0, 10, 1.0))
    )
    assert right > half > late


def test_of_many_readings_the_likeliest_and_the_phases_and_levels_of_each_meter_are_kept():
    four = [_Sifted(1000.0 - k, Meter(4, 4), 0, None, None, 0, k % 8) for k in range(3 * MEASURED)]
    three = [_Sifted(-1.0 - k, Meter(3, 4), 0, None, None, k // 6, k % 6) for k in range(12 * LEVELS_EACH)]
    kept = _likelier(three + four)
    assert kept[:MEASURED] == four[:MEASURED]
    levels = [one.level for one in kept if one.meter == Meter(3, 4)]
    assert levels == sorted(list(range(LEVELS_EACH)) * PHASES)
