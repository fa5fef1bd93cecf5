"""Recordings in and out: any common format, rate, channel count and length.

WAV, FLAC, OGG, MP3 and AIFF are read and written by libsndfile; whatever else
(M4A, AAC, WMA, Opus in WebM …) is read through the ``ffmpeg`` program where it
is installed.  Everything is read in blocks, so a recording of hours needs no
more memory than its result.

A recording that cannot be used raises :class:`~workbench.errors.AudioError`
with one sentence that says why.  Files are untrusted: lengths, rates and
channel counts are limited, and ``ffmpeg`` may open nothing but the file itself
(no playlists, no network).

Conventions
-----------
Samples are float32, shape (frames, channels), full scale ±1; rates in hertz,
times in seconds.  Mono is the mean of the channels.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
import soxr

from workbench.errors import AudioError
from workbench.progress import Progress, silent
from workbench.safefile import replacing

#: Shortest recording that can be worked with, seconds.
SHORTEST_S = 1.0
#: Longest recording that is accepted, seconds (12 hours).
LONGEST_S = 12 * 3600.0
#: Lowest sample rate in which drums can be told apart, hertz.
LOWEST_RATE_HZ = 4000
#: A recording whose loudest sample lies below this counts as silent (−90 dBFS).
SILENCE_PEAK = 10 ** (-90 / 20)
#: A file may lack this much of the length its header promises, seconds.
CUT_TOLERANCE_S = 0.2

#: Formats that :func:`save_audio` writes: ending → (libsndfile format, subtype).
WRITTEN_FORMATS = {
    ".wav": ("WAV", "PCM_24"), ".flac": ("FLAC", "PCM_24"), ".ogg": ("OGG", "VORBIS"),
    ".mp3": ("MP3", "MPEG_LAYER_III"), ".aiff": ("AIFF", "PCM_24"), ".aif": ("AIFF", "PCM_24"),
}
#: Endings that need ``ffmpeg``, named when it is missing.
_FFMPEG_ENDINGS = {".m4a", ".aac", ".mp4", ".m4b", ".mov", ".wma", ".webm", ".mka", ".mkv", ".ac3", ".opus"}
#: Containers that ``ffmpeg`` may open: none of them refers to other files or addresses.
_FFMPEG_CONTAINERS = ("mov,mp4,m4a,3gp,3g2,mj2,aac,asf,matroska,webm,ac3,eac3,mp3,wav,w64,aiff,"
                      "ogg,flac,caf,amr")
_BLOCK_SAMPLES = 2 ** 18


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
    with _open(Path(path)) as source:
        return AudioInfo(source.frames / source.sample_rate, source.sample_rate,
                         source.channels, source.format)


def load_audio(path: str | os.PathLike, sample_rate: int | None = None, mono: bool = False,
               progress: Progress | None = None) -> Audio:
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
    with _open(Path(path)) as source:
        rate = _checked_rate(sample_rate) or source.sample_rate
        channels = 1 if mono else source.channels
        expected = int(np.ceil(source.frames * rate / source.sample_rate)) + rate // 10
        out = np.empty((expected, channels), dtype=np.float32)
        filled = 0
        for block in _resampled(_checked(source, mono, progress), source.sample_rate, rate, channels):
            if filled + len(block) > len(out):
                more = np.empty((max(filled, len(block)), channels), np.float32)
                out = np.concatenate([out[:filled], more])
            out[filled:filled + len(block)] = block
            filled += len(block)
    return Audio(out[:filled], rate)


def read_blocks(path: str | os.PathLike, sample_rate: int | None = None, block_s: float = 10.0,
                progress: Progress | None = None) -> Iterator[np.ndarray]:
    """Read a recording in mono blocks, so that hours need little memory.

    Parameters
    ----------
    path, sample_rate, progress
        As for :func:`load_audio`.
    block_s : float, seconds
        Length of each block; the last one is shorter.

    Yields
    ------
    ndarray (frames,), float32
        Blocks that join without a gap: together they equal
        ``load_audio(path, sample_rate, mono=True)``.

    Raises
    ------
    AudioError
        As for :func:`load_audio`; silence is known only after the last block.
    """
    with _open(Path(path)) as source:
        rate = _checked_rate(sample_rate) or source.sample_rate
        size = max(1, round(block_s * rate))
        waiting, held = [], 0
        for block in _resampled(_checked(source, True, progress), source.sample_rate, rate, 1):
            waiting.append(block[:, 0])
            held += len(block)
            if held >= size:
                joined = np.concatenate(waiting)
                whole = held - held % size
                yield from (joined[k:k + size].copy() for k in range(0, whole, size))
                waiting, held = [joined[whole:].copy()], held - whole
        if held:
            yield np.concatenate(waiting)


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
        raise AudioError(f"{path.name}: sound is written as {_listed(WRITTEN_FORMATS)}, "
                         f"not as {path.suffix or 'a file without an ending'}.")
    format_, usual = WRITTEN_FORMATS[path.suffix.lower()]
    subtype = subtype or usual
    if not np.isfinite(audio.samples).all():
        raise AudioError(f"{path.name} was not written: the sound holds samples that are no numbers.")
    peak = float(np.abs(audio.samples).max(initial=0.0))
    if peak > 1.0 and subtype.startswith("PCM"):
        raise AudioError(f"{path.name} was not written: the sound is {20 * np.log10(peak):.1f} dB "
                         "too loud and would clip; turn it down first.")
    try:
        with replacing(path) as temporary:
            with soundfile.SoundFile(temporary, "w", audio.sample_rate, audio.channels, subtype,
                                     format=format_) as file:
                # The Vorbis encoder overflows its stack when given minutes at once.
                for k in range(0, len(audio.samples), 2 ** 16):
                    file.write(audio.samples[k:k + 2 ** 16])
    except (soundfile.SoundFileError, ValueError) as error:
        raise AudioError(
            f"{path.name} was not written: {format_} ({subtype}) does not take {audio.channels} channels "
            f"at {audio.sample_rate} Hz ({_reason(error)}).") from error
    except OSError as error:
        raise AudioError(f"{path} could not be written: {_reason(error)}.") from error


def sha256_of(path: str | os.PathLike) -> str:
    """SHA-256 of a file's bytes, in hexadecimal: tells one recording from another."""
    try:
        with open(path, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise AudioError(f"{path} could not be read: {_reason(error)}.") from error


# -- sources ---------------------------------------------------------------------

@dataclass
class _Source:
    """An open recording: header facts and an iterator of (frames, channels) blocks."""

    path: Path
    sample_rate: int
    channels: int
    frames: int
    format: str
    blocks: Iterable[np.ndarray]


@contextmanager
def _open(path: Path) -> Iterator[_Source]:
    _check_is_file(path)
    try:
        file = soundfile.SoundFile(path)
    except (soundfile.SoundFileError, RuntimeError, TypeError):
        # Some WAV files hold codecs that libsndfile lacks; ffmpeg has most.
        opened = _open_ffmpeg(path)
    else:
        opened = _open_soundfile(path, file)
    with opened as source:
        _check_header(source)
        yield source


def _check_is_file(path: Path) -> None:
    try:
        if path.is_dir():
            raise AudioError(f"{path} is a folder; name a recording in it.")
        if not path.exists():
            raise AudioError(f"There is no recording at {path}; check the name and the folder.")
        if not path.is_file():
            raise AudioError(f"{path} is no ordinary file; name a recording.")
        size = path.stat().st_size
        with open(path, "rb"):
            pass
    except (OSError, ValueError) as error:
        raise AudioError(f"{path} could not be opened: {_reason(error)}.") from error
    if size == 0:
        raise AudioError(f"{path} is empty (0 bytes); export or copy the recording again.")


def _check_header(source: _Source) -> None:
    name = source.path.name
    if source.sample_rate < LOWEST_RATE_HZ:
        raise AudioError(f"{name} is sampled at {source.sample_rate} Hz, too low to hear drums in; "
                         f"at least {LOWEST_RATE_HZ} Hz are needed.")
    duration_s = source.frames / source.sample_rate
    if source.frames == 0:
        raise AudioError(f"{name} holds no sound (0 samples); export the recording again.")
    if duration_s < SHORTEST_S:
        raise AudioError(f"{name} is too short: {duration_s:.2f} s, at least {SHORTEST_S:g} s are needed.")
    if duration_s > LONGEST_S:
        raise AudioError(f"{name} is too long: {duration_s / 3600:.1f} hours, at most "
                         f"{LONGEST_S / 3600:g} are accepted; cut it into parts.")


@contextmanager
def _open_soundfile(path: Path, file: soundfile.SoundFile) -> Iterator[_Source]:
    with file:
        missing = _missing_bytes(path)
        if missing:
            raise _cut_off(path, f"its last {missing} bytes are missing")

        def blocks() -> Iterator[np.ndarray]:
            size = max(1024, _BLOCK_SAMPLES // file.channels)
            done = 0
            while True:
                try:
                    block = file.read(size, dtype="float32", always_2d=True)
                except soundfile.SoundFileError as error:
                    raise _cut_off(path, f"it cannot be decoded beyond {done / file.samplerate:.1f} s"
                                   ) from error
                if not len(block):
                    break
                done += len(block)
                yield block
            _check_complete(path, done, file.frames, file.samplerate)

        yield _Source(path, file.samplerate, file.channels, file.frames, file.format, blocks())


def _missing_bytes(path: Path) -> int:
    """How many bytes of a RIFF or AIFF file's sound are not there, 0 if complete.

    libsndfile plays what is left of a file cut off in copying without a word,
    so the chunk sizes are compared with the file's size here (RIFF: Multimedia
    Programming Interface and Data Specifications 1.0, 1991; AIFF 1.3, 1989).
    For Ogg, the last page must carry the end-of-stream flag (RFC 3533, 6).
    """
    size = path.stat().st_size
    with open(path, "rb") as file:
        head = file.read(12)
        if head[:4] == b"OggS":
            return _ogg_lacks_end(file, size)
        kinds = {b"RIFF": ("little", b"data"), b"FORM": ("big", b"SSND")}
        if head[:4] not in kinds or head[8:] not in (b"WAVE", b"AIFF", b"AIFC"):
            return 0
        order, wanted = kinds[head[:4]]
        while len(chunk := file.read(8)) == 8:
            length = int.from_bytes(chunk[4:], order)
            if chunk[:4] == wanted:
                # 0 and 2^32 − 1: a writer that did not know the length (a stream).
                unknown = length in (0, 2 ** 32 - 1)
                return 0 if unknown else max(0, file.tell() + length - size)
            file.seek(length + length % 2, os.SEEK_CUR)
    return 0


def _ogg_lacks_end(file, size: int) -> int:
    tail = min(size, 2 ** 17)
    file.seek(size - tail)
    data = file.read(tail)
    page = data.rfind(b"OggS")
    if page < 0 or len(data) < page + 27:
        return 1
    segments = data[page + 26]
    table = data[page + 27:page + 27 + segments]
    lacking = page + 27 + segments + sum(table) - len(data)
    if lacking > 0 or len(table) < segments:
        return max(lacking, 1)
    return 0 if data[page + 5] & 4 else 1


@contextmanager
def _open_ffmpeg(path: Path) -> Iterator[_Source]:
    program, probe = shutil.which("ffmpeg"), shutil.which("ffprobe")
    if not (program and probe):
        if path.suffix.lower() in _FFMPEG_ENDINGS:
            raise AudioError(f"{path.name} needs the program ffmpeg to be read; install it "
                             "(Debian/Ubuntu: apt install ffmpeg, macOS: brew install ffmpeg, "
                             "conda: conda install ffmpeg) or export the recording as WAV or FLAC.")
        raise _not_audio(path)
    source = ["-protocol_whitelist", "file", "-format_whitelist", _FFMPEG_CONTAINERS,
              "-i", f"file:{path.absolute()}"]
    try:
        found = subprocess.run(
            [probe, "-v", "error", "-select_streams", "a:0", "-show_entries",
             "stream=sample_rate,channels,duration,codec_name:format=duration,format_name", "-of", "json",
             *source],
            stdin=subprocess.DEVNULL, capture_output=True, timeout=60, check=True)
        data = json.loads(found.stdout)
        stream = data["streams"][0]
        rate, channels = int(stream["sample_rate"]), int(stream["channels"])
        seconds = float(stream.get("duration") or data["format"]["duration"])
        codec = str(stream.get("codec_name", "unknown")).upper()
        if rate <= 0 or channels <= 0 or not np.isfinite(seconds):
            raise ValueError
    except (subprocess.SubprocessError, OSError, ValueError, KeyError, IndexError, TypeError):
        raise _not_audio(path) from None
    expected = int(seconds * rate)
    with tempfile.TemporaryFile() as errors:
        process = subprocess.Popen(
            [program, "-nostdin", "-v", "error", *source, "-map", "0:a:0",
             "-c:a", "pcm_f32le", "-f", "f32le", "pipe:1"],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=errors)

        def blocks() -> Iterator[np.ndarray]:
            size = 4 * channels * max(1024, _BLOCK_SAMPLES // channels)
            done = 0
            while data := process.stdout.read(size):
                block = np.frombuffer(data[:len(data) - len(data) % (4 * channels)], dtype="<f4")
                done += len(block) // channels
                if done > (LONGEST_S + 1) * rate:
                    raise AudioError(f"{path.name} is longer than {LONGEST_S / 3600:g} hours; "
                                     "cut it into parts.")
                yield block.reshape(-1, channels)
            if process.wait() != 0:
                raise _cut_off(path, f"it cannot be decoded beyond {done / rate:.1f} s")
            _check_complete(path, done, expected, rate)

        try:
            yield _Source(path, rate, channels, expected, codec, blocks())
        finally:
            process.kill()
            process.stdout.close()
            process.wait()


# -- steps on blocks ---------------------------------------------------------------

def _checked(source: _Source, mono: bool, progress: Progress | None) -> Iterator[np.ndarray]:
    """Pass a source's blocks on; complain of samples that are no numbers and of silence."""
    tell = progress or silent
    done, peak, mixed_peak = 0, 0.0, 0.0
    for block in source.blocks:
        finite = np.isfinite(block).all(axis=1)
        if not finite.all():
            at_s = (done + int(np.argmin(finite))) / source.sample_rate
            raise AudioError(f"{source.path.name} holds samples that are no numbers (NaN or infinite), "
                             f"first at {at_s:.2f} s; export the recording again.")
        peak = max(peak, float(np.abs(block).max(initial=0.0)))
        if mono:
            block = _mixed(block)[:, None]
            mixed_peak = max(mixed_peak, float(np.abs(block).max(initial=0.0)))
        done += len(block)
        tell(min(1.0, done / max(source.frames, 1)), "Reading the recording")
        yield block
    if peak < SILENCE_PEAK:
        raise AudioError(f"{source.path.name} is silent; check that the right track was exported.")
    if mono and mixed_peak < SILENCE_PEAK:
        raise AudioError(f"The channels of {source.path.name} cancel each other out; "
                         "export one of them alone or invert one.")


def _resampled(blocks: Iterable[np.ndarray], rate: int, wanted: int, channels: int) -> Iterator[np.ndarray]:
    if rate == wanted:
        yield from blocks
        return
    stream = soxr.ResampleStream(rate, wanted, channels, dtype="float32", quality="HQ")
    for block in blocks:
        yield stream.resample_chunk(block)
    yield stream.resample_chunk(np.empty((0, channels), np.float32), last=True)


def _mixed(block: np.ndarray) -> np.ndarray:
    return block[:, 0] if block.shape[1] == 1 else block.mean(axis=1, dtype=np.float32)


def _checked_rate(sample_rate: int | None) -> int | None:
    if sample_rate is not None and not 0 < sample_rate <= 768_000:
        raise AudioError(f"A recording cannot be resampled to {sample_rate!r} Hz.")
    return sample_rate


def _check_complete(path: Path, done: int, promised: int, rate: int) -> None:
    if done < promised - CUT_TOLERANCE_S * rate:
        raise _cut_off(path, f"{promised / rate:.1f} s are promised, {done / rate:.1f} s are there")


# -- sentences ---------------------------------------------------------------------

def _not_audio(path: Path) -> AudioError:
    return AudioError(f"{path.name} is not a recording in a format known here "
                      "(WAV, FLAC, OGG, MP3, AIFF; M4A and others with ffmpeg), or it is damaged.")


def _cut_off(path: Path, how: str) -> AudioError:
    return AudioError(f"{path.name} is damaged or cut off: {how}; export or copy the recording again.")


def _reason(error: Exception) -> str:
    text = getattr(error, "strerror", None) or getattr(error, "error_string", None) or str(error)
    return text.strip().rstrip(".")


def _listed(endings: Iterable[str]) -> str:
    return ", ".join(endings)
