"""Is it the very same sound again: moments compared with the song's own strokes by their waveforms.

A programmed drum is one recording played again and again, and a drummer's strokes of one drum begin alike.  The mean
of the sure strokes of a drum, laid one on another to the sample, is its sound without what else sounds; how far a
moment correlates with it says whether the drum is there, however dense the mix: a matched filter (Turin, "An
introduction to matched filters", IRE Transactions on Information Theory, 1960) on a recording whitened by linear
prediction (Makhoul, "Linear prediction: a tutorial review", Proceedings of the IEEE, 1975).  How much that means, the
song says itself: what its sure strokes have is set against what is no stroke of that drum.  Where the two lie apart, as
with samples, it tells much, and where they overlap, as with the hats of a drummer in a dense mix, next to nothing.
"""

from __future__ import annotations

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft

from workbench.chart.drumkit import DETECTED
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.sound.runtime import threads_given

# Numbers whose origin is not named were chosen by hand, no source.
#: Order of the linear prediction; it looks at stretches of so many samples, at so many of them.
ORDER, STRETCH, STRETCHES = 32, 8192, 400
#: Samples compared, of those before a stroke's time, and how far it may lie from there.
PIECE, LEAD_IN, LEEWAY = (round(s * SAMPLE_RATE_HZ) for s in (0.04, 0.004, 0.012))
#: A stroke this likely and this high is sure; where there are too few, one this likely and high; of so many at most the
#: sound is made.
WITNESSES, OR_THESE, FEWEST_WITNESSES, MOST_WITNESSES = (0.8, 0.4), (0.5, 0.3), 6, 150
#: Less likely candidates are none, as are so many places anywhere.
SURELY_NONE, FEWEST_SURELY_NONE, ANYWHERE = 0.15, 10, 200
#: So many strokes are compared with each other to find the one that is most like the others.
MATCHED = 48
#: Least spread of correlations (logarithms of amounts, and cosines), and the most that one may tell.
LEAST_SPREAD, MOST_EVIDENCE = (0.25, 0.05), 6.0
#: What is louder, in shares of the usual level, is a click.
LOUDEST = 200.0
#: Samples filtered, and moments looked at, together.
FILTERED, MATCHED_AT_ONCE = 2**20, 1024


def whiten(samples: np.ndarray) -> np.ndarray:
    """A recording as what linear prediction does not foretell, float16 in shares of its usual level, so that every
    frequency counts as much.

    Parameters
    ----------
    samples : ndarray (n,), float
        Mono, :data:`~workbench.files.audio.SAMPLE_RATE_HZ`.
    """
    whole = samples if len(samples) >= STRETCH else np.pad(samples, (0, STRETCH - len(samples)))
    stretches = whole[: len(whole) // STRETCH * STRETCH].reshape(-1, STRETCH)
    stretches = stretches[:: max(1, len(stretches) // STRETCHES)].astype(np.float32)
    power = np.mean(np.abs(rfft(stretches, 2 * STRETCH, axis=1)) ** 2, axis=0)
    alike = irfft(power)[: ORDER + 1].astype(float)
    if alike[0] <= 0:
        return np.zeros(len(samples), np.float16)
    alike[0] *= 1.0001  # a little noise, so that it can be solved
    apart = np.abs(np.subtract.outer(np.arange(ORDER), np.arange(ORDER)))
    foretold = np.linalg.solve(alike[apart], alike[1:])
    errors = np.append(1.0, -foretold)
    # What is left has this energy in a stretch: the last step of the prediction.
    errors /= np.sqrt((alike[0] - foretold @ alike[1:]) / STRETCH)
    white = np.empty(len(samples), np.float16)
    for first in range(0, len(samples), FILTERED):
        piece = samples[max(first - ORDER, 0) : first + FILTERED]
        if not first:
            piece = np.pad(piece, (ORDER, 0))
        left = np.convolve(piece, errors.astype(np.float32), "valid")
        white[first : first + FILTERED] = np.clip(left, -LOUDEST, LOUDEST)
    return white


def tell_same_sounds(
    white: np.ndarray, time_s: np.ndarray, column: np.ndarray, height: np.ndarray, likely: np.ndarray
) -> np.ndarray:
    """How far the waveform speaks for each candidate: log of how much likelier it is as that drum than as none, within
    ±:data:`MOST_EVIDENCE`, 0 for drums with fewer than :data:`FEWEST_WITNESSES` sure strokes.

    Parameters
    ----------
    white : ndarray (n,)
        See :func:`whiten`.
    time_s : ndarray (candidates,)
        When each would be struck.
    column : ndarray (candidates,), int
        Index in :data:`~workbench.chart.drumkit.DETECTED`.
    height, likely : ndarray (candidates,), 0–1
        Activation, and how likely it is said to be.
    """
    evidence = np.zeros(len(time_s))
    anywhere = pieces_at(white, np.random.default_rng(1).uniform(0, len(white) / SAMPLE_RATE_HZ, ANYWHERE))
    for drum in range(len(DETECTED)):
        mine = np.flatnonzero(column == drum)
        for least_likely, least_height in (WITNESSES, OR_THESE):
            sure = np.flatnonzero((likely[mine] > least_likely) & (height[mine] > least_height))
            if len(sure) >= FEWEST_WITNESSES:
                break
        else:
            continue
        heard = sure[:: -(-len(sure) // MOST_WITNESSES)]
        strokes = pieces_at(white, time_s[mine[heard]])
        sound = shared_sound(strokes, _most_typical(strokes))
        strength = float(np.linalg.norm(_cut(strokes, laid_on(strokes, sound[None])[1][:, 0]).mean(axis=0))) + 1e-9
        amount, energy = _compare(white, time_s[mine], sound)
        # A stroke is no witness for itself: its own share of the mean is taken out.
        amount[heard] = (amount[heard] - energy[heard] / (len(heard) * strength)) * len(heard) / (len(heard) - 1)
        elsewhere, energy_there = _measure(anywhere, sound)
        nothing = np.flatnonzero(likely[mine] < SURELY_NONE)
        if len(nothing) < FEWEST_SURELY_NONE:
            nothing = nothing[:0]
        middle = np.median(elsewhere)
        spread = np.percentile(elsewhere, 84) - middle + 1e-9
        measures = [np.log(np.maximum((x - middle) / spread, -0.5) + 2) for x in (amount, elsewhere)]
        cosines = amount / np.sqrt(energy + 1e-9), elsewhere / np.sqrt(energy_there + 1e-9)
        told = [
            _likelier(own, own[sure], np.append(own[nothing], none), least)
            for (own, none), least in zip((measures, cosines), LEAST_SPREAD, strict=True)
        ]
        evidence[mine] = np.max(told, axis=0)
    return evidence


def pieces_at(white: np.ndarray, time_s: np.ndarray) -> np.ndarray:
    """What a whitened recording has at some times (n, :data:`PIECE` + 2 :data:`LEEWAY`), silent beyond its ends."""
    begins = np.round(time_s * SAMPLE_RATE_HZ).astype(int) - LEAD_IN - LEEWAY
    at = begins[:, None] + np.arange(PIECE + 2 * LEEWAY)
    return white[np.clip(at, 0, len(white) - 1)].astype(np.float32) * ((at >= 0) & (at < len(white)))


def laid_on(pieces: np.ndarray, sounds: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Highest correlation of pieces (n, …) with sounds (m, :data:`PIECE`) within the leeway, and where it lies
    (n, m)."""
    size = next_fast_len(pieces.shape[1], real=True)
    threads = threads_given()
    there, sought = rfft(pieces, size, axis=1, workers=threads), np.conj(rfft(sounds, size, axis=1))
    best, at = np.empty((len(pieces), len(sounds)), np.float32), np.empty((len(pieces), len(sounds)), int)
    for k, one in enumerate(sought):
        along = irfft(there * one, size, axis=1, workers=threads)[:, : 2 * LEEWAY + 1]
        best[:, k], at[:, k] = along.max(axis=1), along.argmax(axis=1)
    return best, at


def shared_sound(pieces: np.ndarray, first: np.ndarray) -> np.ndarray:
    """What strokes of a drum have in common, of length 1: their mean, each laid on what is known so far, from one
    stroke on; those that are half as like it as the middle one, or less, are left out."""
    sound = first
    for _ in range(3):
        cut = _cut(pieces, laid_on(pieces, sound[None])[1][:, 0])
        alike = cut @ sound / (np.linalg.norm(cut, axis=1) + 1e-9)
        mean = cut[alike >= np.median(alike) / 2].mean(axis=0)
        sound = mean / (np.linalg.norm(mean) + 1e-9)
    return sound


def correlate(pieces: np.ndarray, sound: np.ndarray) -> np.ndarray:
    """How far pieces have a sound (n,), -1 to 1."""
    amount, energy = _measure(pieces, sound)
    return np.asarray(amount / np.sqrt(energy + 1e-9))


def correlate_at(white: np.ndarray, time_s: np.ndarray, sound: np.ndarray) -> np.ndarray:
    """How far a whitened recording has a sound at some times (n,), -1 to 1."""
    amount, energy = _compare(white, time_s, sound)
    return np.asarray(amount / np.sqrt(energy + 1e-9))


def _most_typical(pieces: np.ndarray) -> np.ndarray:
    """The stroke that is most like half of the others (:data:`PIECE`)."""
    few = pieces[np.sort(np.random.default_rng(0).permutation(len(pieces))[:MATCHED])]
    plain = few[:, LEEWAY : LEEWAY + PIECE]
    alike = laid_on(few, plain / (np.linalg.norm(plain, axis=1, keepdims=True) + 1e-9))[0]
    alike /= np.linalg.norm(few, axis=1, keepdims=True) + 1e-9
    np.fill_diagonal(alike, 0)
    return np.asarray(plain[np.argmax(np.sort(alike, axis=0)[len(few) // 2 :].sum(axis=0))])


def _compare(white: np.ndarray, time_s: np.ndarray, sound: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """How much of a sound is at some times, and the energy of what is there (n,)."""
    amount, energy = np.empty(len(time_s)), np.empty(len(time_s))
    for first in range(0, len(time_s), MATCHED_AT_ONCE):
        these = slice(first, first + MATCHED_AT_ONCE)
        amount[these], energy[these] = _measure(pieces_at(white, time_s[these]), sound)
    return amount, energy


def _measure(pieces: np.ndarray, sound: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """How much of a sound is in pieces, and the energy of what it is laid on (n,)."""
    best, at = laid_on(pieces, sound[None])
    return best[:, 0].astype(float), np.sum(_cut(pieces, at[:, 0]) ** 2, axis=1)


def _cut(pieces: np.ndarray, at: np.ndarray) -> np.ndarray:
    return pieces[np.arange(len(pieces))[:, None], at[:, None] + np.arange(PIECE)]


def _likelier(told: np.ndarray, of_strokes: np.ndarray, of_none: np.ndarray, least_spread: float) -> np.ndarray:
    """Log of how much likelier values are among those of strokes than of none, both taken as normal; beyond either mean
    as much as there."""
    (mean, spread), (mean_none, spread_none) = (
        (np.median(x), np.hypot(np.std(x), least_spread)) for x in (of_strokes, of_none)
    )
    if mean <= mean_none:
        return np.zeros(len(told))
    within = np.clip(told, mean_none, mean)
    said = ((within - mean_none) / spread_none) ** 2 / 2 + np.log(spread_none)
    return np.clip(said - ((within - mean) / spread) ** 2 / 2 - np.log(spread), -MOST_EVIDENCE, MOST_EVIDENCE)
