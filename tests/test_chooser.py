"""What a reading of bars is measured on: activations near a moment, and which readings are kept."""

import numpy as np
import pytest

from tests.test_activations import made
from workbench.chart.events import Stroke
from workbench.chart.meter import Meter
from workbench.listening.chooser import MEASURED, MEASURED_EACH, Heard, _likelier, _Sifted


def heard(period_s=0.5, length_s=10.0):
    beat = np.zeros(int(100 * length_s), np.float32)
    beat[:: int(100 * period_s)] = 0.9
    strokes = [Stroke(t, "kick") for t in np.arange(0, length_s, period_s)]
    return Heard(made(len(beat), beat=beat, downbeat=np.zeros_like(beat)), strokes, None)


def test_activations_are_found_within_50_ms():
    found = heard().at("beat", np.array([0.5, 0.54, 0.46, 0.58]))
    assert found == pytest.approx([0.9, 0.9, 0.9, 0.0])


def test_beats_where_the_pulse_is_are_likelier_than_beside_it_or_at_half_of_it():
    song = heard()
    right, late, half = (
        song.pulse_score(b) for b in (np.arange(0, 10, 0.5), np.arange(0.25, 10, 0.5), np.arange(0, 10, 1.0))
    )
    assert right > half > late


def test_of_many_readings_the_likeliest_and_some_of_each_meter_are_kept():
    four = [_Sifted(1000.0 - k, Meter(4, 4), 0, None, None) for k in range(3 * MEASURED)]
    three = [_Sifted(-1.0 - k, Meter(3, 4), 0, None, None) for k in range(3 * MEASURED_EACH)]
    kept = _likelier(three + four)
    assert kept[:MEASURED] == four[:MEASURED]
    assert [one for one in kept if one.meter == Meter(3, 4)] == three[:MEASURED_EACH]
