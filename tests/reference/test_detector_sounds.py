"""The detector on sounds that training kept out, and on sounds that are no drums.

Outside sources: FluidSynth renders General MIDI percussion (MIDI Association,
*General MIDI System Level 1*) with TimGM6mb.sf2 (T. Brechbill, GPL-2, in the
pretty_midi wheel), a font none of whose sounds were trained on; espeak-ng
speaks; mir_eval matches within 50 ms.  The limits on false strokes are ours.
"""

import subprocess

import mir_eval
import numpy as np
import pytest

from tests.benchmarks.render import render_strokes, wheel_sound_font
from workbench.chart.events import Stroke
from workbench.files.audio import SAMPLE_RATE_HZ, load_audio
from workbench.listening.detect import compute_activations, detect_strokes

FEWEST_F = 0.85
MOST_FALSE_PER_MINUTE = 6.0

#: One letter a sixteenth.
PATTERNS = {
    "rock": (100, {"kick": "x.......x.x.....", "snare": "....x.......x...", "closed hi-hat": "x.x.x.x.x.x.x.x."}),
    "ride": (140, {"kick": "x.....x.x.......", "snare": "....x.......x...", "ride": "x.x.x.x.x.x.x.x."}),
    "crashes": (90, {"kick": "x.......x.......", "snare": "....x.......x...", "crash": "x..............."}),
    "side stick": (
        75,
        {"kick": "x..x....x..x....", "side stick": "....x.......x...", "closed hi-hat": "x.x.x.x.x.x.x.x."},
    ),
}


def strokes_of(pattern, tempo_bpm, bars=8):
    step_s = 60 / tempo_bpm / 4
    return [
        Stroke(0.5 + (bar * 16 + k) * step_s, name, 100)
        for bar in range(bars)
        for name, row in pattern.items()
        for k, letter in enumerate(row)
        if letter == "x"
    ]


def heard_samples(path):
    return load_audio(path, SAMPLE_RATE_HZ, mono=True).mono()


@pytest.mark.slow
@pytest.mark.parametrize("name", list(PATTERNS))
def test_clean_patterns_of_a_kept_out_font(name, tmp_path):
    tempo_bpm, pattern = PATTERNS[name]
    expected = strokes_of(pattern, tempo_bpm)
    render_strokes(expected, tmp_path / "a.wav", wheel_sound_font())
    found = detect_strokes(compute_activations(heard_samples(tmp_path / "a.wav")))
    hits = total = 0
    for instrument in {s.instrument for s in expected + found}:
        a = np.array(sorted(s.time_s for s in expected if s.instrument == instrument))
        b = np.array([s.time_s for s in found if s.instrument == instrument])
        hits += len(mir_eval.util.match_events(a, b, 0.05)) if len(a) and len(b) else 0
        total += len(a) + len(b)
    assert 2 * hits / total >= FEWEST_F


@pytest.mark.slow
def test_accents_are_louder_than_ghost_notes(tmp_path):
    played = [Stroke(0.5 + k * 0.25, "snare", 112 if k % 4 == 0 else 30) for k in range(64)]
    render_strokes(played, tmp_path / "a.wav", wheel_sound_font())
    heard = compute_activations(heard_samples(tmp_path / "a.wav"))
    frames = np.array([round(s.time_s * 100) for s in played])
    loud = np.array([heard.velocity[f - 2 : f + 3, heard.column("snare")].max() for f in frames])
    accents, ghosts = loud[::4], np.delete(loud, np.s_[::4])
    assert np.mean(accents[:, None] > ghosts[None]) >= 0.95


def speech(folder):
    words = "A drummer keeps time while the rest of the band plays on, and nobody else needs to count. " * 4
    subprocess.run(["espeak-ng", "-w", str(folder / "speech.wav"), words], check=True, capture_output=True)
    return heard_samples(folder / "speech.wav")


def sweep(folder):
    t = np.arange(20 * SAMPLE_RATE_HZ) / SAMPLE_RATE_HZ
    turns = 20 * 20 / np.log(900) * (np.exp(t / 20 * np.log(900)) - 1)
    return (0.3 * np.sin(2 * np.pi * turns)).astype(np.float32)


def noise(folder):
    return 0.1 * np.random.default_rng(1).standard_normal(20 * SAMPLE_RATE_HZ).astype(np.float32)


def silence(folder):
    return np.zeros(20 * SAMPLE_RATE_HZ, np.float32)


@pytest.mark.slow
@pytest.mark.parametrize("make", [speech, sweep, noise, silence])
def test_what_is_no_drum_gives_almost_no_strokes(make, tmp_path):
    samples = make(tmp_path)
    found = detect_strokes(compute_activations(samples))
    assert len(found) / (len(samples) / SAMPLE_RATE_HZ / 60) <= MOST_FALSE_PER_MINUTE
