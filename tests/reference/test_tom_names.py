"""Toms of General MIDI, named by their pitch.

Outside sources: the MIDI Association's *General MIDI System Level 1* names six toms from high (key 50) to low (41);
FluidSynth renders them with TimGM6mb.sf2 (T. Brechbill, GPL-2, in the pretty_midi wheel), a font none of whose sounds
were trained on.  Of any three that are not neighbours (which in this font are 1.3 to 3.2 semitones apart, less than the
toms of most sets) the highest is the high tom and the lowest the floor tom.
"""

from itertools import combinations, pairwise

import numpy as np
import pytest

from tests.benchmarks.render import render_strokes, wheel_sound_font
from workbench.chart.drumkit import THREE_TOMS, instrument_for_midi_note
from workbench.chart.events import Stroke
from workbench.files.audio import SAMPLE_RATE_HZ, load_audio
from workbench.listening.detect import compute_activations, detect_strokes
from workbench.listening.naming import name_by_song

#: From the highest to the lowest.
KEYS = (50, 48, 47, 45, 43, 41)
STEP_S = 60 / 110 / 4


def grooves(keys):
    """Eight bars; every second one ends in a fill down the toms. Which of the strokes are toms, and which tom."""
    strokes, toms = [], []
    for bar in range(8):
        for cell in range(16):
            time_s = 0.5 + (16 * bar + cell) * STEP_S
            if bar % 2 and cell >= 8:
                tom = (cell - 8) * len(keys) // 8
                toms.append((time_s, THREE_TOMS[tom]))
                strokes.append(Stroke(time_s, instrument_for_midi_note(keys[tom]).name, 100))
                continue
            strokes += [Stroke(time_s, "kick", 100)] * (cell % 8 == 0) + [Stroke(time_s, "snare", 100)] * (
                cell % 8 == 4
            )
            strokes += [Stroke(time_s, "closed hi-hat", 80)] * (cell % 2 == 0)
    return strokes, toms


def right(found, toms):
    """Twice the toms found and named rightly, over all that were played or found."""
    found = [s for s in found if s.instrument in THREE_TOMS]
    hits = sum(any(s.instrument == name and abs(s.time_s - t) < 0.05 for s in found) for t, name in toms)
    return 2 * hits / (len(found) + len(toms))


@pytest.mark.slow
def test_three_toms_of_general_midi_bear_their_names_in_order_of_pitch(tmp_path):
    before, after = [], []
    for keys in combinations(KEYS, 3):
        if any(KEYS.index(b) - KEYS.index(a) < 2 for a, b in pairwise(keys)):
            continue
        strokes, toms = grooves(keys)
        render_strokes(strokes, tmp_path / "a.wav", wheel_sound_font())
        samples = load_audio(tmp_path / "a.wav", SAMPLE_RATE_HZ, mono=True).mono()
        heard = compute_activations(samples)
        found = detect_strokes(heard)
        before.append(right(found, toms))
        after.append(right(name_by_song(samples, heard, found)[1], toms))
    assert min(after) >= 0.95 and np.mean(after) > np.mean(before) + 0.1
