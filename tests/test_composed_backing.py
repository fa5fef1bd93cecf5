"""What is played with the drums of composed songs."""

import numpy as np
import pytest

from workbench.chart.meter import Meter
from workbench.training.composed_backing import accompany, figure
from workbench.training.song_form import GROUPS, SongBar, lay_form


@pytest.mark.parametrize("meter", GROUPS)
def test_figures_lie_within_the_bar_and_favour_its_groups(meter):
    rng, at = np.random.default_rng(1), []
    bar = SongBar(Meter.parse(meter), GROUPS[meter][0], "A", 0, 4, 0)
    for _ in range(300):
        places = figure(rng, bar, 0.5, 0.0, 0.5)
        assert len(places) and (places >= 0).all() and (places < bar.length).all()
        at += places.tolist()
    share = [np.mean(np.isclose(at, place)) for place in np.arange(0, bar.length, 0.5)]
    assert int(np.argmax(share)) == 0


@pytest.mark.parametrize("chip", [False, True])
def test_what_is_played_lies_within_the_song(chip):
    rng = np.random.default_rng(2)
    for _ in range(20):
        bars = lay_form(rng, Meter(4, 4), 110.0, 40.0, False)
        notes = accompany(rng, bars, np.zeros(0), False, True, chip)
        assert notes and all(20 < n.pitch < 120 and n.length > 0 and n.jitter_s == 0 for n in notes)
        assert min(n.at for n in notes) >= 0.0
        assert max(n.at for n in notes) < bars[-1].begin + bars[-1].length


def test_a_bass_on_the_kick_plays_where_the_kick_does():
    rng = np.random.default_rng(3)
    kicks = np.arange(0, 400, 4) + 1.75
    bars = lay_form(rng, Meter(4, 4), 110.0, 40.0, False)
    on_kick = 0
    for _ in range(60):
        bass = [n for n in accompany(rng, bars, kicks, False, True) if n.role == "bass"]
        on_kick += bool(bass) and all(n.at % 4 == 1.75 for n in bass)
    assert on_kick > 3
