"""How composed songs are built."""

import numpy as np
import pytest

from workbench.chart.meter import Meter
from workbench.listening.chooser import SONG_METERS
from workbench.training.song_form import GROUPS, SONG_TEMPI, draw_tempo, lay_form, quarters


def test_every_meter_of_songs_has_groups_that_fill_a_bar_and_a_tempo():
    assert set(GROUPS) == set(SONG_TEMPI) == {str(m) for m in SONG_METERS}
    for name, ways in GROUPS.items():
        assert all(sum(groups) == quarters(Meter.parse(name)) for groups in ways)


@pytest.mark.parametrize("meter", SONG_METERS, ids=str)
def test_bars_follow_each_other_to_the_end(meter):
    rng = np.random.default_rng(1)
    tempo = draw_tempo(rng, meter)
    for changing in (False, True):
        bars = lay_form(rng, meter, tempo, 60.0, changing)
        ends = [bar.begin + bar.length for bar in bars]
        assert bars[0].begin == 0.0 and [bar.begin for bar in bars[1:]] == pytest.approx(ends[:-1])
        assert ends[-1] * 60 / tempo >= 60.0
        assert changing or {bar.meter for bar in bars} == {meter}


def test_changing_songs_hold_bars_of_other_meters():
    rng = np.random.default_rng(2)
    songs = [lay_form(rng, Meter(4, 4), 120.0, 60.0, changing=True) for _ in range(40)]
    assert np.mean([len({bar.meter for bar in bars}) > 1 for bars in songs]) > 0.8


def test_some_waltzes_are_slow():
    rng = np.random.default_rng(3)
    tempi = np.array([draw_tempo(rng, Meter(3, 4)) for _ in range(400)])
    assert 0.2 < (tempi < 100).mean() < 0.7
