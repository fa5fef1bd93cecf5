"""Songs whose bars are known, before they are rendered."""

import numpy as np
import pytest

from workbench.chart.meter import Meter
from workbench.training.bar_songs import accompany, compose
from workbench.training.groove_performances import GroovePerformance
from workbench.training.meter_grooves import tells_meter

#: A backbeat over 16 bars, which laid over 6/4 would be a backbeat in two.
STROKES = tuple(
    (bar * 4 + at, name, velocity)
    for bar in range(16)
    for at, name, velocity in sorted(
        [(0, "kick", 101), (2, "kick", 97), (1, "snare", 111), (3, "snare", 113)]
        + [(k / 2, "closed hi-hat", 80 - 30 * (k % 2)) for k in range(8)]
    )
)
PLAYED = GroovePerformance("one", "drummer", "rock", 110.0, Meter(4, 4), False, "train", STROKES)


@pytest.mark.parametrize("meter", ["3/4", "5/4", "6/4", "7/4", "5/8", "6/8", "7/8", "9/8"])
def test_songs_in_other_meters_tell_their_meter(meter):
    for seed in range(4):
        song = compose(np.random.default_rng(seed), PLAYED, Meter.parse(meter))
        first = float(song.beats[song.numbers == 1][0])
        clicks = [s for s in song.strokes if s[1] == "side stick"]  # a count-in is no bar of the groove
        begin = max(first, clicks[-1][0] + 0.1 if clicks else first)
        first = float(song.beats[(song.numbers == 1) & (song.beats >= begin)][0])
        assert song.meter == Meter.parse(meter)
        assert tells_meter([s for s in song.strokes if s[0] > first - 0.12], song.meter, first)


def test_a_performance_in_its_own_meter_stays_as_it_was_played():
    song = compose(np.random.default_rng(1), PLAYED, Meter(4, 4), plain=True)
    assert song.strokes[: len(STROKES) // 2] == sorted(STROKES)[: len(STROKES) // 2]


def test_bass_and_chords_divide_in_three_what_divides_in_three():
    for seed in range(12):
        song = compose(np.random.default_rng(seed), PLAYED, Meter(6, 8))
        kicks = np.array([at for at, name, _ in song.strokes if name == "kick"])
        for at, *_ in accompany(np.random.default_rng(seed), song):
            on_eighth = abs((at - song.beats[0]) * 2 - round((at - song.beats[0]) * 2)) < 1e-6
            assert on_eighth or np.abs(kicks - at).min() < 1e-6
