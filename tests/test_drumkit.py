"""The drum key and what detectors hand on."""

import numpy as np
import pytest

from workbench.chart.drumkit import (
    DETECTED,
    INSTRUMENTS,
    PERCUSSION,
    articulations_of,
    drum_key_order,
    instrument,
    instrument_for_midi_note,
)
from workbench.chart.events import Beat, Stroke
from workbench.errors import AnalysisError, ChartError
from workbench.listening.activations import Activations


def test_names_and_midi_notes_are_unique():
    names = [i.name for i in (*INSTRUMENTS, *PERCUSSION)]
    assert sorted(i.midi_note for i in (*INSTRUMENTS, *PERCUSSION)) == list(range(35, 82))
    assert len(set(names)) == len(names)
    assert len(DETECTED) == 13 and set(DETECTED) <= set(names)


def test_lookup():
    assert instrument_for_midi_note(42).name == "closed hi-hat"
    assert instrument_for_midi_note(42).musicxml_unpitched == 43
    assert instrument_for_midi_note(82) is None
    assert drum_key_order("crash") < drum_key_order("kick")
    with pytest.raises(ChartError, match="called 'HiHat'; did you mean open hi-hat or closed hi-hat or pedal hi-hat"):
        instrument("HiHat")
    with pytest.raises(ChartError, match="called 'snair'; did you mean snare"):
        instrument("snair")
    with pytest.raises(ChartError, match="no instrument called 'gong'; it knows: crash"):
        instrument("gong")


def test_no_two_instruments_look_alike_on_the_staff():
    looks = [(i.staff_step, i.staff_octave, i.notehead) for i in (*INSTRUMENTS, *PERCUSSION)]
    assert len(set(looks)) == len(looks)


@pytest.mark.parametrize(
    "fields, message",
    [
        ({"time_s": float("inf")}, "finite"),
        ({"velocity": 0}, "velocity"),
        ({"velocity": 128}, "velocity"),
        ({"confidence": 1.1}, "confidence"),
        ({"instrument": "gong"}, "gong"),
    ],
)
def test_impossible_strokes(fields, message):
    with pytest.raises(ChartError, match=message):
        Stroke(**{"time_s": 1.0, "instrument": "kick", **fields})


def test_impossible_beats():
    with pytest.raises(ChartError, match="from 1"):
        Beat(0.0, 0)
    with pytest.raises(ChartError, match="finite"):
        Beat(float("nan"), 1)


def test_activations_must_fit_together():
    good = dict(
        frame_rate_hz=100.0,
        instruments=("kick",),
        onset=np.zeros((5, 1)),
        velocity=np.zeros((5, 1)),
        beat=np.zeros(5),
        downbeat=np.zeros(5),
    )
    assert Activations(**good).duration_s == pytest.approx(0.05)
    for field, value in (("onset", np.zeros((5, 2))), ("velocity", np.zeros((4, 1))), ("beat", np.zeros(4))):
        with pytest.raises(AnalysisError):
            Activations(**{**good, field: value})


def test_articulations_are_those_an_instrument_can_have():
    """Common practice, no source."""
    has = {
        name: articulations_of(instrument(name)) for name in ("snare", "side stick", "kick", "crash", "pedal hi-hat")
    }
    assert {name for name, found in has.items() if "rim shot" in found} == {"snare"}
    assert {name for name, found in has.items() if "choke" in found} == {"crash"}
    assert {name for name, found in has.items() if "foot splash" in found} == {"pedal hi-hat"}
    assert all("accent" in found for found in has.values())
