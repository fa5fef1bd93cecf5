"""Plans into sound: a batch of mixes at once, on a CPU (numpy) or a GPU (cupy).

Per row: strokes and notes are added at their speed and level; an equaliser and
a room follow; drums and backing are squeezed, driven and summed; the sum too;
noise, a low-pass and a high-pass end the chain.  Clips are circular: a tail that would ring past the end
is heard at the beginning, as in a passage cut out of a song.
"""

from __future__ import annotations

from types import ModuleType
from typing import Any

import numpy as np
import scipy.fft

from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.sound.spectrum import hann, spectra
from workbench.training.bank import PRE_ROLL
from workbench.training.performances import KICK
from workbench.training.planning import DRUM_ROWS, EQ_POINTS, ROW_OF, ROWS, SETTINGS, Plan

#: Bands in which strokes are masked, and the share of the rest's power that a stroke must add in one of them: so much
#: is a decibel, about the smallest change of level that is noticed (from memory).
MASKING_BANDS, MASKED_BELOW = 16, 0.26

#: Share of clips whose kick is lower, down to so much of its pitch, and of those where a lower one sounds with it at
#: such a level: kicks of recordings lie an octave below most sampled ones, where only a bass is expected.
LOW_KICKS, LOWEST_KICK, DOUBLED_KICKS, DOUBLE_DB = 0.55, 0.5, 0.25, (-6.0, 4.0)

_ROOM = int(1.2 * SAMPLE_RATE_HZ)
_BLOCK = 441

_KERNEL = r"""
extern "C" __global__ void add_events(const float* audio, const int* ints, const float* floats,
                                      const int samples, float* out) {
    const int* e = ints + 5 * blockIdx.y;
    const float* f = floats + 5 * blockIdx.y;
    const int row = e[0], start = e[1], length = e[3], stop = e[4];
    const float* x = audio + e[2];
    const float rate = f[0], gain = f[1], damp = f[2], release = f[3], soften = f[4];
    const int span = (int)((length - 3) / rate);
    for (int n = blockIdx.x * blockDim.x + threadIdx.x; n < span; n += gridDim.x * blockDim.x) {
        const int t = start + n;
        if (t < 0 || t >= samples) continue;
        const double at = (double)n * rate;
        const int i = (int)at;
        const float u = (float)(at - i);
        const float a = i > 0 ? x[i - 1] : 0.0f, b = x[i], c = x[i + 1], d = x[i + 2];
        const float v = b + 0.5f * u * (c - a + u * (2 * a - 5 * b + 4 * c - d + u * (3 * (b - c) + d - a)));
        float g = gain * expf(-damp * n);
        if (n > stop) g *= expf(-release * (n - stop));
        g *= 1.0f - soften * expf(-n / 660.0f);
        atomicAdd(out + (size_t)row * samples + t, g * v);
    }
}
"""


def add_events(audio: Any, ints: Any, floats: Any, rows: int, samples: int, xp: ModuleType = np) -> Any:
    """Sound every event on its row.

    Parameters
    ----------
    audio : ndarray (n,), float32
        The library's samples.
    ints : ndarray (events, 5), int32
        Row, first sample in the clip (may be negative), offset and length in
        *audio*, and the sample after the start at which it is choked.
    floats : ndarray (events, 5), float32
        Speed, gain, exponential damping per sample, and per sample after a
        choke, and the share of the attack (15 ms) that is taken away.

    Returns
    -------
    ndarray (rows, samples), float32
        Third-order (Catmull-Rom) interpolation between samples.
    """
    out = xp.zeros((rows, samples), np.float32)
    if len(ints) == 0:
        return out
    if xp is not np:
        kernel = xp.RawKernel(_KERNEL, "add_events")
        for k in range(0, len(ints), 60000):
            part_i, part_f = ints[k : k + 60000], floats[k : k + 60000]
            kernel((32, len(part_i)), (256,), (audio, part_i, part_f, np.int32(samples), out))
        return out
    for (row, start, offset, length, stop), (rate, gain, damp, release, soften) in zip(
        ints.tolist(), floats.tolist(), strict=True
    ):
        first = max(0, -start)
        n = np.arange(first, min(int((length - 3) / rate), samples - start))
        if len(n) == 0:
            continue
        at = n * np.float64(np.float32(rate))
        i = at.astype(np.int64)
        u = (at - i).astype(np.float32)
        x = audio[offset : offset + length]
        a, b, c, d = np.where(i > 0, x[i - 1], 0), x[i], x[i + 1], x[i + 2]
        v = b + 0.5 * u * (c - a + u * (2 * a - 5 * b + 4 * c - d + u * (3 * (b - c) + d - a)))
        g = gain * np.exp(-damp * n)
        if stop < n[-1]:
            g = g * np.where(n > stop, np.exp(-release * np.maximum(n - stop, 0)), 1.0)
        out[row, start + n] += g * (1 - soften * np.exp(-n / np.float32(660))) * v
    return out


def lower_kicks(
    rng: np.random.Generator, ints: np.ndarray, floats: np.ndarray, clips: int
) -> tuple[np.ndarray, np.ndarray]:
    """Events of a batch (see :func:`add_events`) with some clips' kicks lower or doubled."""
    lower = np.where(rng.random(clips) < LOW_KICKS, np.exp(rng.uniform(np.log(LOWEST_KICK), 0, clips)), 1.0)
    doubled, level_db = rng.random(clips) < DOUBLED_KICKS, rng.uniform(*DOUBLE_DB, clips)
    second = rng.uniform(LOWEST_KICK, 0.8, clips)
    kick = np.flatnonzero(ints[:, 0] % ROWS == ROW_OF[KICK])
    clip = ints[kick, 0] // ROWS

    def slow(events: np.ndarray, factor: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Events slower by *factor*, their attacks where they were."""
        i, f = ints[events].copy(), floats[events].copy()
        i[:, 1] -= np.round(PRE_ROLL / f[:, 0] * (1 / factor - 1)).astype(i.dtype)
        f[:, 0] *= factor
        return i, f

    with_second = doubled[clip]
    more_ints, more_floats = slow(kick[with_second], second[clip[with_second]])
    more_floats[:, 1] *= 10 ** (level_db[clip[with_second]] / 20)
    ints, floats = ints.copy(), floats.copy()
    ints[kick], floats[kick] = slow(kick, lower[clip])
    return np.concatenate([ints, more_ints]), np.concatenate([floats, more_floats])


def _squeeze(x: Any, amount: Any, xp: ModuleType) -> Any:
    """Compress (clips, samples): level over 10 ms blocks, smoothed, raised to minus *amount*."""
    clips, samples = x.shape
    blocks = samples // _BLOCK
    power = xp.mean(x[:, : blocks * _BLOCK].reshape(clips, blocks, _BLOCK) ** 2, axis=2)
    taps = np.concatenate([np.linspace(0, 1, 2)[1:], np.exp(-np.arange(1, 30) / 8.0)])
    kernel = xp.asarray((taps / taps.sum()).astype(np.float32))
    padded = xp.pad(power, ((0, 0), (len(taps) - 1, 0)))
    smooth = sum(kernel[k] * padded[:, len(taps) - 1 - k : len(taps) - 1 - k + blocks] for k in range(len(taps)))
    level = xp.sqrt(smooth + 1e-12)
    usual = xp.sqrt(xp.mean(power, axis=1, keepdims=True) + 1e-12)
    gain = xp.maximum(level / usual, 0.5) ** (-amount[:, None])
    at = (xp.arange(samples, dtype=np.float32) + 0.5) / _BLOCK - 0.5
    left = xp.clip(xp.floor(at).astype(np.int32), 0, blocks - 1)
    right = xp.minimum(left + 1, blocks - 1)
    share = xp.clip(at - left, 0, 1)
    return x * (gain[:, left] * (1 - share) + gain[:, right] * share)


def _drive(x: Any, amount: Any, xp: ModuleType) -> Any:
    """Saturate (clips, samples) by tanh; *amount* 0 leaves it alone."""
    rms = xp.sqrt(xp.mean(x**2, axis=1, keepdims=True) + 1e-12)
    hard = xp.maximum(amount, 1e-3)[:, None] / (3 * rms)
    return xp.where(amount[:, None] > 0, xp.tanh(x * hard) / hard, x)


def _compress_lossily(x: Any, amount: Any, xp: ModuleType) -> Any:
    """Leave (clips, samples) as a lossy audio file would: coarse coefficients, gaps where little was.

    Sine-windowed frames of 1152 samples; each bin is rounded to steps of
    *amount* times the level around it, coarser towards the top (own choice).
    """
    clips, samples = x.shape
    half = 576
    count = samples // half + 1
    fft = scipy.fft if xp is np else xp.fft
    window = xp.asarray(np.sin(np.pi * (np.arange(2 * half) + 0.5) / (2 * half)).astype(np.float32))
    padded = xp.ascontiguousarray(xp.pad(x, ((0, 0), (half, (count + 1) * half - samples))))
    step = padded.strides[-1]
    frames = xp.lib.stride_tricks.as_strided(
        padded, (clips, count + 1, 2 * half), (padded.strides[0], half * step, step)
    )
    spectrum = fft.rfft(frames * window)
    power = xp.pad(xp.abs(spectrum) ** 2, ((0, 0), (0, 0), (7, 6)))
    total = xp.cumsum(power, axis=2)
    around = xp.sqrt(xp.maximum(total[..., 13:] - total[..., :-13], 0) / 13 + 1e-12)
    around = xp.concatenate([around[..., :1], around], axis=2)[..., : half + 1]
    place = xp.arange(half + 1, dtype=np.float32) / half
    coarse = around * amount[:, None, None] * (0.3 + 1.7 * place)
    quiet = (
        around < xp.sqrt(xp.mean(xp.abs(spectrum) ** 2, axis=2, keepdims=True)) * (0.01 * amount[:, None, None]) * place
    )
    rounded = coarse * (xp.round(spectrum.real / coarse) + 1j * xp.round(spectrum.imag / coarse))
    back = fft.irfft(xp.where(quiet, 0, rounded).astype(np.complex64), 2 * half) * window
    return (back[:, 1:, :half] + back[:, :-1, half:]).reshape(clips, -1)[:, :samples]


def _rms(x: Any, xp: ModuleType) -> Any:
    return xp.sqrt(xp.mean(x**2, axis=1, keepdims=True) + 1e-12)


def find_audible(
    rows: Any, eq_db: Any, drums_gain: Any, backing_gain: Any, floor: Any, frames: int, xp: ModuleType = np
) -> Any:
    """Where each drum row could be heard through everything else, were a stroke on it there.

    Simultaneous masking, roughly: within 40 ms, in one of :data:`MASKING_BANDS` bands, the row adds more than
    :data:`MASKED_BELOW` of the power that is there without.  Rooms, drive and compression are left out.

    Parameters
    ----------
    rows : ndarray (clips, ROWS, samples), before the equaliser
    eq_db : ndarray (clips, ROWS, EQ_POINTS)
    drums_gain, backing_gain, floor : ndarray (clips, 1)
        Of the sums of rows, and the power of noise in each band.

    Returns
    -------
    ndarray (clips, DRUM_ROWS, frames), bool; rows that are silent throughout count as heard
    """
    clips, count, samples = rows.shape
    hz = np.fft.rfftfreq(1024, 1 / SAMPLE_RATE_HZ)
    place = np.clip(np.log2(np.maximum(hz, 30) / 30) / np.log2(20000 / 30), 0, 0.999)
    bands = xp.asarray(np.eye(MASKING_BANDS, dtype=np.float32)[(place * MASKING_BANDS).astype(int)])
    middle = (np.arange(MASKING_BANDS) + 0.5) / MASKING_BANDS * (EQ_POINTS - 1)
    left, share = xp.asarray(middle.astype(np.int32)), xp.asarray((middle % 1).astype(np.float32))
    eq = 10 ** ((eq_db[..., left] * (1 - share) + eq_db[..., left + 1] * share) / 10)
    starts = range(-512, -512 + frames * 441, 441)
    power = xp.empty((clips, count, frames, MASKING_BANDS), np.float32)
    for k in range(count):
        gain = (drums_gain if k < DRUM_ROWS else backing_gain)[:, :, None] ** 2
        power[:, k] = (xp.abs(spectra(rows[:, k], starts, hann(1024), xp=xp)) ** 2 @ bands) * eq[:, k, None] * gain
    total, own = power.sum(axis=1, keepdims=True) + floor[:, :, None, None], power[:, :DRUM_ROWS]
    before = xp.pad(own, ((0, 0), (0, 0), (3, 0), (0, 0)))[:, :, :frames]  # what still rings of the row itself
    heard = xp.zeros(own.shape[:3], bool)
    for later in range(4):
        now, all_now = own[:, :, later:], total[:, :, later:]
        more = now - before[:, :, : frames - later]
        heard[:, :, : frames - later] |= (more > MASKED_BELOW * (all_now - more)).any(axis=3)
    return heard | (own.sum(axis=(2, 3)) == 0)[:, :, None]


def render(plans: list[Plan], audio: Any, samples: int, seed: int, xp: ModuleType = np) -> Any:
    """Sound of a batch of plans.

    Returns
    -------
    ndarray (clips, samples), float32, root mean square 1 (0 for silence)
    """
    counts = np.repeat(np.arange(len(plans)), [len(p.ints) for p in plans])
    ints = np.concatenate([p.ints for p in plans])
    ints[:, 0] += ROWS * counts.astype(np.int32)
    return render_arrays(
        ints,
        np.concatenate([p.floats for p in plans]),
        np.stack([p.eq_db for p in plans]),
        np.stack([p.wet for p in plans]),
        np.stack([p.settings for p in plans]),
        audio,
        samples,
        seed,
        xp,
    )


def render_arrays(
    ints: Any,
    floats: Any,
    eq_db: np.ndarray,
    wet: np.ndarray,
    settings: np.ndarray,
    audio: Any,
    samples: int,
    seed: int,
    xp: ModuleType = np,
    apart: bool = False,
    audible_frames: int = 0,
) -> Any:
    """As :func:`render`, from arrays joined over the batch (rows numbered through).

    With *audible_frames*, a pair: the sound, and :func:`find_audible` for so many frames.

    With *apart*, the mix and its drums, (2, clips, samples): the drums as they
    pass through the chain at the gain that the mix has there, so that the rest
    is the mix less its drums; noise and the marks of lossy coding go to the rest.
    """
    clips = len(settings)
    fft = scipy.fft if xp is np else xp.fft
    lossiness = settings[:, SETTINGS.index("lossy")].tolist()
    noise = np.random.default_rng(seed) if xp is np else xp.random.default_rng(seed)
    eq_db, wet, settings = xp.asarray(eq_db), xp.asarray(wet), xp.asarray(settings)
    value = {name: settings[:, k] for k, name in enumerate(SETTINGS)}
    rows = add_events(audio, xp.asarray(ints), xp.asarray(floats), clips * ROWS, samples, xp).reshape(
        clips, ROWS, samples
    )

    bins = samples // 2 + 1
    hz = xp.maximum(xp.arange(bins, dtype=np.float32) * (SAMPLE_RATE_HZ / samples), 1.0)
    place = xp.clip(xp.log2(hz / 30) / np.log2(20000 / 30) * (EQ_POINTS - 1), 0, EQ_POINTS - 1 - 1e-3)
    left = xp.floor(place).astype(np.int32)
    share = (place - left).astype(np.float32)
    eq = xp.exp((eq_db[..., left] * (1 - share) + eq_db[..., left + 1] * share) * np.float32(np.log(10) / 20))

    time = xp.arange(_ROOM, dtype=np.float32) / SAMPLE_RATE_HZ
    room = noise.standard_normal((clips, _ROOM), dtype=np.float32) * xp.exp(-time / value["room_s"][:, None])
    room *= time >= value["room_delay_s"][:, None]
    room /= xp.sqrt(xp.sum(room**2, axis=1, keepdims=True) + 1e-9)
    room_spectrum = fft.rfft(room, samples) * eq[:, ROWS]

    spectrum = fft.rfft(rows)
    spectrum *= eq[:, :ROWS] * (1 + wet[:, :, None] * room_spectrum[:, None, :])
    drums = fft.irfft(spectrum[:, :DRUM_ROWS].sum(axis=1), samples)
    backing = fft.irfft(spectrum[:, DRUM_ROWS:].sum(axis=1), samples)
    del spectrum, eq
    dry = _rms(drums, xp), _rms(backing, xp)

    backing = _drive(_squeeze(backing, value["backing_squeeze"], xp), value["backing_drive"], xp)
    drums = _drive(_squeeze(drums, value["drum_squeeze"], xp), value["drum_drive"], xp)
    level = _rms(drums, xp)
    has_both = (value["has_drums"] * value["has_backing"])[:, None]
    ratio = xp.where(has_both > 0, 10 ** (value["drums_db"][:, None] / 20), value["has_drums"][:, None])
    backing_level = _rms(backing, xp)
    audible = None
    if audible_frames:
        # Within a frame noise has its power times the window's; what lies 60 dB below the music is silence.
        quiet = (1e-6 + 10 ** (value["noise_db"][:, None] / 10)) * (ratio**2 + value["has_backing"][:, None])
        gains = ratio / xp.maximum(dry[0], 1e-5), value["has_backing"][:, None] / xp.maximum(dry[1], 1e-5)
        audible = find_audible(
            rows, eq_db[:, :ROWS], *gains, quiet * np.float32(384 * 512 / MASKING_BANDS), audible_frames, xp
        )
    del rows
    drums = drums / xp.maximum(level, 1e-5) * ratio
    both = drums + backing / xp.maximum(backing_level, 1e-5) * value["has_backing"][:, None]
    mix = _drive(_squeeze(both, value["mix_squeeze"], xp), value["mix_drive"], xp)
    if apart:
        drums = drums * (mix / xp.where(both == 0, np.float32(1), both))
    mix = mix + noise.standard_normal((clips, samples), dtype=np.float32) * _rms(mix, xp) * 10 ** (
        value["noise_db"][:, None] / 20
    )
    order = xp.where(value["lossy"] > 0, 60.0, 8.0).astype(np.float32)[:, None]
    slope = 1 / (1 + xp.minimum(hz[None] / value["low_pass_hz"][:, None], 4.0) ** order)
    slope /= xp.sqrt(1 + (value["high_pass_hz"][:, None] / hz[None]) ** 6)
    mix = fft.irfft(fft.rfft(mix) * slope, samples)
    lossy = [k for k, amount in enumerate(lossiness) if amount > 0]
    if lossy:
        mix[xp.asarray(lossy)] = _compress_lossily(mix[xp.asarray(lossy)], value["lossy"][xp.asarray(lossy)], xp)
    gain = 10 ** (value["gain_db"][:, None] / 20) / xp.maximum(_rms(mix, xp), 1e-4)
    if apart:
        return (xp.stack([mix, fft.irfft(fft.rfft(drums) * slope, samples)]) * gain).astype(np.float32)
    mix = (mix * gain).astype(np.float32)
    return (mix, audible) if audible_frames else mix
