"""Recordings in and out: any common format, rate, channel count and length.

WAV, FLAC, OGG, MP3 and AIFF are read and written by libsndfile; whatever else
(M4A, AAC, WMA, Opus in WebM …) is read through the ``ffmpeg`` program where it
is installed.  Everything is read in blocks, so a recording of hours needs no
more memory than its result.

A recording that cannot be used raises :class:`~workbench.errors.AudioError`
with one sentence that says why (:mod:`workbench.files.audiosource`).

Conventions
-----------
Samples are float32, shape (frames, channels), full scale ±1; rates in hertz,
times in seconds.  Mono is the mean of the channels.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
import soxr

from workbench.errors import AudioError
from workbench.files.audiosource import Source, open_source, reason_of
from workbench.files.mp3 import MP3_RATES_HZ, coded_mp3
from workbench.files.safefile import replacing
from workbench.files.untrusted import open_file, shown
from workbench.progress import Progress, silent

#: Rate at which the workbench listens and plays, hertz (that of the compact disc, IEC 60908).
SAMPLE_RATE_HZ = 44100
#: A recording whose loudest sample lies below this counts as silent (−90 dBFS).
SILENCE_PEAK = 10 ** (-90 / 20)
#: Formats that :func:`save_audio` writes: ending → (libsndfile format, subtype).
WRITTEN_FORMATS = {
    ".wav": ("WAV", "PCM_24"),
    ".flac": ("FLAC", "PCM_24"),
    ".ogg": ("OGG", "VORBIS"),
    ".mp3": ("MP3", "MPEG_LAYER_III"),
    ".aiff": ("AIFF", "PCM_24"),
    ".aif": ("AIFF", "PCM_24"),
}


@dataclass(frozen=True, eq=False)
class Audio:
    """Sound in memory.

    Attributes
    ----------
    samples : ndarray (frames, channels), float32, full scale ±1
    sample_rate : int, hertz

    Raises
    ------
    AudioError
        If the samples are not a table of frames × channels or the rate is not
        above zero.

    Examples
    --------
    >>> Audio(np.zeros((44100, 2)), 44100).duration_s
    1.0
    """

    samples: np.ndarray
    sample_rate: int

    def __post_init__(self) -> None:
        samples = np.asarray(self.samples, dtype=np.float32)
        if samples.ndim == 1:
            samples = samples[:, None]
        if samples.ndim != 2 or samples.shape[1] < 1:
            raise AudioError(f"Sound needs samples of shape (frames, channels), not {samples.shape}.")
        if self.sample_rate <= 0:
            raise AudioError(f"A sample rate must be above zero, not {self.sample_rate!r}.")
        object.__setattr__(self, "samples", samples)
        object.__setattr__(self, "sample_rate", int(self.sample_rate))

    @property
    def channels(self) -> int:
        return self.samples.shape[1]

    @property
    def duration_s(self) -> float:
        return len(self.samples) / self.sample_rate

    def mono(self) -> np.ndarray:
        """Mean of the channels, (frames,), float32."""
        return _mixed(self.samples)

    def excerpt(self, start_s: float, end_s: float) -> Audio:
        """The part between two times, cut at the ends of the recording."""
        first, last = (max(0, round(t * self.sample_rate)) for t in (start_s, end_s))
        return Audio(self.samples[first:last], self.sample_rate)


@dataclass(frozen=True)
class AudioInfo:
    """What a recording's header says: length (seconds), rate (hertz), channels, format."""

    duration_s: float
    sample_rate: int
    channels: int
    format: str


def describe_audio(path: str | os.PathLike) -> AudioInfo:
    """Length, rate, channels and format of a recording, without decoding it.

    Raises
    ------
    AudioError
        If it is missing, a folder, empty, not audio, cut off, too short or too long.
    """
    with open_source(Path(path)) as source:
        return AudioInfo(source.frames / source.sample_rate, source.sample_rate, source.channels, source.format)


def load_audio(
    path: str | os.PathLike, sample_rate: int | None = None, mono: bool = False, progress: Progress | None = None
) -> Audio:
    """Read a recording whole.

    Parameters
    ----------
    path : path
        WAV, FLAC, OGG, MP3, AIFF; others where ``ffmpeg`` is installed.
    sample_rate : int, hertz, optional
        Resample to this rate (soxr, high quality); the file's own by default.
    mono : bool
        Mix the channels into one.
    progress : Progress, optional

    Raises
    ------
    AudioError
        If it is missing, a folder, empty, shorter than :data:`SHORTEST_S`,
        silent, damaged, cut off, not audio, or holds samples that are no numbers.
    """
    with open_source(Path(path)) as source:
        rate = _checked_rate(sample_rate) or source.sample_rate
        channels = 1 if mono else source.channels
        expected = int(np.ceil(source.frames * rate / source.sample_rate)) + rate // 10
        out = np.empty((expected, channels), dtype=np.float32)
        filled = 0
        for block in _resampled(_checked(source, mono, progress), source.sample_rate, rate, channels):
            if filled + len(block) > len(out):
                more = np.empty((max(filled, len(block)), channels), np.float32)
                out = np.concatenate([out[:filled], more])
            out[filled : filled + len(block)] = block
            filled += len(block)
    return Audio(out[:filled], rate)


def read_blocks(path: str | os.PathLike) -> Iterator[np.ndarray]:
    """A recording as :func:`load_audio` reads it, in blocks (frames, channels), so that hours need little memory.

    Raises
    ------
    AudioError
        As for :func:`load_audio`; silence is known only after the last block.
    """
    with open_source(Path(path)) as source:
        yield from _checked(source, False, None)


def save_audio(path: str | os.PathLike, audio: Audio, subtype: str | None = None) -> None:
    """Write sound to a file, whole or not at all.

    Parameters
    ----------
    path : path
        Its ending names the format: one of :data:`WRITTEN_FORMATS`.
    audio : Audio
    subtype : str, optional
        A libsndfile subtype, such as ``"PCM_16"`` or ``"FLOAT"``; 24 bits for
        WAV, FLAC and AIFF by default.

    Raises
    ------
    AudioError
        If the ending is unknown, the format does not take this rate or channel
        count, the samples would clip or are no numbers, or the folder cannot
        be written to.
    """
    path = Path(path)
    if path.suffix.lower() not in WRITTEN_FORMATS:
        raise AudioError(
            f"{path.name}: sound is written as {', '.join(WRITTEN_FORMATS)}, "
            f"not as {path.suffix or 'a file without an ending'}."
        )
    format_, usual = WRITTEN_FORMATS[path.suffix.lower()]
    subtype = subtype or usual
    peak = _peak(audio.samples)
    if not np.isfinite(peak):
        raise AudioError(f"{path.name} was not written: the sound holds samples that are no numbers.")
    if peak > 1.0 and subtype.startswith("PCM"):
        raise AudioError(
            f"{path.name} was not written: the sound is {20 * np.log10(peak):.1f} dB "
            "too loud and would clip; turn it down first."
        )
    try:
        with replacing(path) as temporary:
            if format_ == "MP3" and audio.channels <= 2 and audio.sample_rate in MP3_RATES_HZ:
                temporary.write_bytes(coded_mp3(audio.samples, audio.sample_rate))
                return
            with soundfile.SoundFile(
                temporary, "w", audio.sample_rate, audio.channels, subtype, format=format_
            ) as file:
                # The Vorbis encoder overflows its stack when given minutes at once.
                for k in range(0, len(audio.samples), 2**16):
                    file.write(audio.samples[k : k + 2**16])
    except (soundfile.SoundFileError, ValueError) as error:
        raise AudioError(
            f"{path.name} was not written: {format_} ({subtype}) does not take {audio.channels} channels "
            f"at {audio.sample_rate} Hz ({reason_of(error)})."
        ) from error
    except OSError as error:
        raise AudioError(f"{path} could not be written: {reason_of(error)}.") from error


def sha256_of(path: str | os.PathLike) -> str:
    """SHA-256 of a file's bytes, in hexadecimal: tells one recording from another."""
    try:
        with open_file(path, AudioError) as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise AudioError(f"{shown(path)} could not be read: {reason_of(error)}.") from error


# -- steps on blocks ---------------------------------------------------------------


def _checked(source: Source, mono: bool, progress: Progress | None) -> Iterator[np.ndarray]:
    """Pass a source's blocks on; complain of samples that are no numbers and of silence."""
    tell = progress or silent
    done, peak, mixed_peak = 0, 0.0, 0.0
    for block in source.blocks:
        loudest = _peak(block)
        if not np.isfinite(loudest):
            at_s = (done + int(np.argmin(np.isfinite(block).all(axis=1)))) / source.sample_rate
            raise AudioError(
                f"{source.path.name} holds samples that are no numbers (NaN or infinite), "
                f"first at {at_s:.2f} s; export the recording again."
            )
        peak = max(peak, loudest)
        if mono:
            block = _mixed(block)[:, None]
            mixed_peak = max(mixed_peak, _peak(block))
        done += len(block)
        tell(min(1.0, done / max(source.frames, 1)), "Reading the recording")
        yield block
    if peak < SILENCE_PEAK:
        raise AudioError(f"{source.path.name} is silent; check that the right track was exported.")
    if mono and mixed_peak < SILENCE_PEAK:
        raise AudioError(
            f"The channels of {source.path.name} cancel each other out; export one of them alone or invert one."
        )


def _resampled(blocks: Iterable[np.ndarray], rate: int, wanted: int, channels: int) -> Iterator[np.ndarray]:
    if rate == wanted:
        yield from blocks
        return
    stream = soxr.ResampleStream(rate, wanted, channels, dtype="float32", quality="HQ")
    for block in blocks:
        yield stream.resample_chunk(block)
    yield stream.resample_chunk(np.empty((0, channels), np.float32), last=True)


def _peak(samples: np.ndarray) -> float:
    """Highest absolute value; not a number where a sample is none."""
    return float(np.maximum(samples.max(initial=0.0), -samples.min(initial=0.0)))


def _mixed(block: np.ndarray) -> np.ndarray:
    """Mean of the channels, (frames,); channel by channel, which numpy does faster than along short rows."""
    channels = block.shape[1]
    return block[:, 0] if channels == 1 else sum(block.T) / np.float32(channels)


def _checked_rate(sample_rate: int | None) -> int | None:
    if sample_rate is not None and not 0 < sample_rate <= 768_000:
        raise AudioError(f"A recording cannot be resampled to {sample_rate!r} Hz.")
    return sample_rate
