"""When exactly a stroke begins: detected strokes moved onto the attack in the waveform.

A detector works in frames of ten milliseconds; feel is a matter of less.  Near
each detected stroke the short-time spectrum is followed in steps of less than
a millisecond, in the frequencies that the instrument's attack owns, and the
stroke is put where its level rises fastest (spectral flux; S. Dixon, *Onset
detection revisited*, DAFx 2006).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from workbench.chart.drumkit import instrument
from workbench.chart.events import Stroke
from workbench.sound.spectrum import hann, spectra

# Chosen on ten performances of Groove MIDI's training split, rendered with another sound font than the benchmarks'.
#: Length of the analysis window and its step, seconds.
WINDOW_S, STEP_S = 0.006, 0.0007
#: How far a stroke may be moved, seconds.
REACH_S = 0.015
#: Usual error of a detected stroke, seconds.
NEAR_S = 0.006
#: The level a moment ago that the present one is compared with, seconds before.
LAG_S = 0.004
#: Frequencies that the attack of each family owns, hertz.
BANDS_HZ = {
    "kick": (30.0, 200.0),
    "snare": (150.0, 6000.0),
    "tom": (60.0, 1500.0),
    "hi-hat": (8000.0, 16000.0),
    "cymbal": (4000.0, 16000.0),
    "percussion": (3000.0, 16000.0),
}
#: Levels this far below the loudest nearby do not count, decibels.  Snare and toms are the loudest thing in
#: their band, so the click of a kick struck with them must not; the first touch of a cymbal is quiet.
FLOOR_DB = {"kick": 30.0, "snare": 15.0, "tom": 15.0, "hi-hat": 40.0, "cymbal": 40.0, "percussion": 30.0}


def refine_onsets(samples: np.ndarray, sample_rate: int, strokes: Sequence[Stroke]) -> list[Stroke]:
    """Move strokes onto the attacks they stand for.

    Parameters
    ----------
    samples : ndarray (n,), float
        The recording, mono.
    sample_rate : int, hertz
    strokes : sequence of Stroke
        Detected within about :data:`REACH_S` of their attacks.

    Returns
    -------
    list of Stroke
        The same strokes, in order of time; one whose level does not rise
        nearby stays where it was.
    """
    samples = np.asarray(samples, dtype=np.float32)
    size, step = round(WINDOW_S * sample_rate), max(1, round(STEP_S * sample_rate))
    lag = max(1, round(LAG_S * sample_rate / step))
    half = round(REACH_S * sample_rate / step)
    window = hann(size)
    frequencies = np.fft.rfftfreq(4 * size, 1 / sample_rate)
    masks = {f: (frequencies >= low) & (frequencies <= high) for f, (low, high) in BANDS_HZ.items()}
    # Other drums strike nearby, too: the nearer rise is the likelier one.
    nearness = np.exp(-0.5 * ((np.arange(2 * half + 1) - half - lag / 2) * step / sample_rate / NEAR_S) ** 2)
    out = []
    for stroke in strokes:
        centre = round(stroke.time_s * sample_rate)
        # Frame k is centred on centre + (k − half − lag) · step.
        first = centre - size // 2 - (half + lag) * step
        starts = range(first, first + (2 * half + 1 + lag) * step, step)
        if first < 0 or starts[-1] + size > len(samples):
            out.append(stroke)
            continue
        family = instrument(stroke.instrument).family
        spectrum = np.abs(spectra(samples, starts, window, 4 * size))[:, masks[family]]
        floor = spectrum.max() * 10 ** (-FLOOR_DB[family] / 20) + 1e-9
        level = np.log(spectrum + floor)
        flux = np.clip(level[lag:] - level[:-lag], 0, None).mean(axis=1)
        near = flux * nearness
        k = int(np.argmax(near))
        if flux[k] < 0.1 or k in (0, len(flux) - 1):
            out.append(stroke)
            continue
        a, b, c = near[k - 1 : k + 2]
        peak = k + 0.5 * (a - c) / min(a - 2 * b + c, -1e-9)
        # The rise is seen between the two frames compared.
        moved_s = ((peak - half) - lag / 2) * step / sample_rate
        out.append(replace(stroke, time_s=float(stroke.time_s + moved_s)))
    return sorted(out)
