"""Onset times after stretching, heard by librosa and compared by mir_eval.

librosa (McFee et al., SciPy 2015; ISC licence) finds the onsets of the stretched
sound; mir_eval (Raffel et al., ISMIR 2014; MIT licence) compares them with the
known times of the strokes divided by the speed.  A detector's own delay is the
same before and after, and taken off.
"""

import librosa
import mir_eval
import numpy as np
import pytest

from workbench.files.audio import Audio
from workbench.sound.rendering import Hit, mix_hits
from workbench.sound.stretch import stretch_audio

pytestmark = pytest.mark.slow

RATE, HOP = 44100, 32
TIMES_S = 0.5 + np.cumsum(np.tile([0.31, 0.27, 0.4, 0.35], 4))


def librosa_onsets_s(samples):
    strength = librosa.onset.onset_strength(y=samples, sr=RATE, hop_length=HOP, n_fft=512, n_mels=40, lag=8, max_size=1)
    frames = librosa.onset.onset_detect(
        onset_envelope=strength,
        sr=RATE,
        hop_length=HOP,
        delta=0.25,
        wait=int(0.1 * RATE / HOP),
        pre_max=60,
        post_max=60,
        pre_avg=150,
        post_avg=150,
    )
    return librosa.frames_to_time(frames, sr=RATE, hop_length=HOP)


@pytest.mark.parametrize("speed", [0.5, 0.7, 1.2])
def test_onsets_lie_within_two_milliseconds(speed):
    names = ("kick", "closed hi-hat", "snare", "mid tom")
    hits = [Hit(t, names[k % 4], 110) for k, t in enumerate(TIMES_S)]
    audio = Audio(mix_hits(hits, int((TIMES_S[-1] + 1) * RATE), RATE), RATE)
    before = librosa_onsets_s(audio.mono())
    after = librosa_onsets_s(stretch_audio(audio, speed).mono())
    matched = mir_eval.util.match_events(TIMES_S, before, 0.02)
    delays = {k: before[j] - TIMES_S[k] for k, j in matched}
    assert len(delays) == len(TIMES_S)
    expected = np.array([TIMES_S[k] / speed + delays[k] for k in range(len(TIMES_S))])
    f, precision, recall = mir_eval.onset.f_measure(expected, after, window=0.002)
    assert recall >= 0.9, expected - after
    assert precision >= 0.9
