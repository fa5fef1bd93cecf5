"""Opening recordings: decoders, and what can be wrong with a file.

Files are untrusted: lengths and rates are limited, and ``ffmpeg`` may open
nothing but the file itself (no playlists, no network).
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import tempfile
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Literal

import numpy as np
import soundfile

from workbench.errors import AudioError
from workbench.files.untrusted import open_file, shown

#: Shortest recording that can be worked with, seconds.
SHORTEST_S = 1.0
#: Longest recording that is accepted, seconds (12 hours).
LONGEST_RECORDING_S = 12 * 3600.0
#: Lowest sample rate in which drums can be told apart, hertz.
LOWEST_RATE_HZ = 4000
#: A file may lack this much of the length its header promises, seconds.
CUT_TOLERANCE_S = 0.2

#: Endings that need ``ffmpeg``, named when it is missing.
_FFMPEG_ENDINGS = {".m4a", ".aac", ".mp4", ".m4b", ".mov", ".wma", ".webm", ".mka", ".mkv", ".ac3", ".opus"}
#: Containers that ``ffmpeg`` may open: none of them refers to other files or addresses.
_FFMPEG_CONTAINERS = "mov,mp4,m4a,3gp,3g2,mj2,aac,asf,matroska,webm,ac3,eac3,mp3,wav,w64,aiff,ogg,flac,caf,amr"
#: How names of recordings end that are read; the last four where ffmpeg is installed.
RECORDING_ENDINGS = (".flac", ".wav", ".ogg", ".mp3", ".aiff", ".aif", ".m4a", ".aac", ".mp4", ".webm")
#: What is asked of a file, and what is made of its first sound.
_PROBE = (
    "-v error -select_streams a:0 -show_entries "
    "stream=sample_rate,channels,duration,codec_name:format=duration,format_name -of json"
).split()
_DECODE = "-map 0:a:0 -c:a pcm_f32le -f f32le pipe:1".split()
_BLOCK_SAMPLES = 2**18
#: The sound is looked for among so many chunks of a file.
_MOST_CHUNKS = 10_000


@dataclass
class Source:
    """An open recording: what its header says, and its blocks (frames, channels), float32."""

    path: Path
    sample_rate: int
    channels: int
    frames: int
    format: str
    blocks: Iterable[np.ndarray]


@contextmanager
def open_source(path: Path) -> Iterator[Source]:
    """Open a recording with the decoder that reads it.

    Raises
    ------
    AudioError
        If it is missing, a folder, empty, not audio, cut off, too short or too
        long; reading the blocks may raise it as well.
    """
    with open_file(path, AudioError) as file:
        if not os.fstat(file.fileno()).st_size:
            raise AudioError(f"{shown(path)} is empty (0 bytes); export or copy the recording again.")
    try:
        with _decoders_notes_dropped():
            file = soundfile.SoundFile(os.fsencode(path) if os.name == "posix" else path)
    except (soundfile.SoundFileError, RuntimeError, TypeError):
        # Some WAV files hold codecs that libsndfile lacks; ffmpeg has most.
        opened = _open_ffmpeg(path)
    else:
        opened = _open_soundfile(path, file)
    with opened as source:
        _check_header(source)
        yield source


def _check_header(source: Source) -> None:
    name = source.path.name
    if source.sample_rate < LOWEST_RATE_HZ:
        raise AudioError(
            f"{name} is sampled at {source.sample_rate} Hz, too low to hear drums in; "
            f"at least {LOWEST_RATE_HZ} Hz are needed."
        )
    duration_s = source.frames / source.sample_rate
    if source.frames == 0:
        raise AudioError(f"{name} holds no sound (0 samples); export the recording again.")
    if duration_s < SHORTEST_S:
        raise AudioError(f"{name} is too short: {duration_s:.2f} s, at least {SHORTEST_S:g} s are needed.")
    if duration_s > LONGEST_RECORDING_S:
        raise AudioError(
            f"{name} is too long: {duration_s / 3600:.1f} hours, at most "
            f"{LONGEST_RECORDING_S / 3600:g} are accepted; cut it into parts."
        )


_notes_lock = threading.Lock()
_notes_dropped, _kept_stderr = 0, -1


@contextmanager
def _decoders_notes_dropped() -> Iterator[None]:
    """While this lasts nothing reaches standard error: mpg123, inside libsndfile, writes its own notes there."""
    global _notes_dropped, _kept_stderr
    with _notes_lock:
        if not _notes_dropped:
            _kept_stderr = _swapped_for_nothing(2)
        _notes_dropped += 1
    try:
        yield
    finally:
        with _notes_lock:
            _notes_dropped -= 1
            if not _notes_dropped and _kept_stderr >= 0:
                os.dup2(_kept_stderr, 2)
                os.close(_kept_stderr)


def _swapped_for_nothing(descriptor: int) -> int:
    """Lead a descriptor nowhere; a copy of it, to put it back.  One that is closed is led nowhere for good
    (−1), or the recording would be opened in its place."""
    try:
        kept = os.dup(descriptor)
    except OSError:
        kept = -1
    nowhere = os.open(os.devnull, os.O_WRONLY)
    if nowhere != descriptor:
        os.dup2(nowhere, descriptor)
        os.close(nowhere)
    return kept


@contextmanager
def _open_soundfile(path: Path, file: soundfile.SoundFile) -> Iterator[Source]:
    with file:
        missing = _missing_bytes(path)
        if missing:
            raise _cut_off(path, f"its last {missing} bytes are missing")

        def blocks() -> Iterator[np.ndarray]:
            size = max(1024, _BLOCK_SAMPLES // file.channels)
            done = 0
            while True:
                try:
                    with _decoders_notes_dropped():
                        block = file.read(size, dtype="float32", always_2d=True)
                except soundfile.SoundFileError as error:
                    raise _cut_off(path, f"it cannot be decoded beyond {done / file.samplerate:.1f} s") from error
                if not len(block):
                    break
                done += len(block)
                yield block
            _check_complete(path, done, file.frames, file.samplerate)

        yield Source(path, file.samplerate, file.channels, file.frames, file.format, blocks())


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
        kinds: dict[bytes, tuple[Literal["little", "big"], bytes]] = {
            b"RIFF": ("little", b"data"),
            b"FORM": ("big", b"SSND"),
        }
        if head[:4] not in kinds or head[8:] not in (b"WAVE", b"AIFF", b"AIFC"):
            return 0
        order, wanted = kinds[head[:4]]
        for _ in range(_MOST_CHUNKS):
            chunk = file.read(8)
            if len(chunk) < 8:
                break
            length = int.from_bytes(chunk[4:], order)
            if chunk[:4] == wanted:
                # 0 and 2^32 − 1: a writer that did not know the length (a stream).
                unknown = length in (0, 2**32 - 1)
                return 0 if unknown else max(0, file.tell() + length - size)
            file.seek(length + length % 2, os.SEEK_CUR)
    return 0


def _ogg_lacks_end(file: BinaryIO, size: int) -> int:
    tail = min(size, 2**17)
    file.seek(size - tail)
    data = file.read(tail)
    page = data.rfind(b"OggS")
    if page < 0 or len(data) < page + 27:
        return 1
    segments = data[page + 26]
    table = data[page + 27 : page + 27 + segments]
    lacking = page + 27 + segments + sum(table) - len(data)
    if lacking > 0 or len(table) < segments:
        return max(lacking, 1)
    return 0 if data[page + 5] & 4 else 1


@contextmanager
def _open_ffmpeg(path: Path) -> Iterator[Source]:
    program, probe = shutil.which("ffmpeg"), shutil.which("ffprobe")
    if not (program and probe):
        if path.suffix.lower() in _FFMPEG_ENDINGS:
            raise AudioError(
                f"{path.name} needs the program ffmpeg to be read; install it "
                "(Debian/Ubuntu: apt install ffmpeg, macOS: brew install ffmpeg, "
                "conda: conda install ffmpeg) or export the recording as WAV or FLAC."
            )
        raise _not_audio(path)
    source = ["-protocol_whitelist", "file", "-format_whitelist", _FFMPEG_CONTAINERS, "-i", f"file:{path.absolute()}"]
    try:
        found = subprocess.run(
            [probe, *_PROBE, *source], stdin=subprocess.DEVNULL, capture_output=True, timeout=60, check=True
        )
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
            [program, "-nostdin", "-v", "error", *source, *_DECODE],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=errors,
        )
        decoded = process.stdout
        assert decoded is not None  # a pipe was asked for

        def blocks() -> Iterator[np.ndarray]:
            size = 4 * channels * max(1024, _BLOCK_SAMPLES // channels)
            done = 0
            while data := decoded.read(size):
                block = np.frombuffer(data[: len(data) - len(data) % (4 * channels)], dtype="<f4")
                done += len(block) // channels
                if done > (LONGEST_RECORDING_S + 1) * rate:
                    raise AudioError(
                        f"{path.name} is longer than {LONGEST_RECORDING_S / 3600:g} hours; cut it into parts."
                    )
                yield block.reshape(-1, channels)
            if process.wait() != 0:
                raise _cut_off(path, f"it cannot be decoded beyond {done / rate:.1f} s")
            _check_complete(path, done, expected, rate)

        try:
            yield Source(path, rate, channels, expected, codec, blocks())
        finally:
            process.kill()
            decoded.close()
            process.wait()


def _check_complete(path: Path, done: int, promised: int, rate: int) -> None:
    if done < promised - CUT_TOLERANCE_S * rate:
        raise _cut_off(path, f"{promised / rate:.1f} s are promised, {done / rate:.1f} s are there")


def _not_audio(path: Path) -> AudioError:
    return AudioError(
        f"{path.name} is not a recording in a format known here "
        "(WAV, FLAC, OGG, MP3, AIFF; M4A and others with ffmpeg), or it is damaged."
    )


def _cut_off(path: Path, how: str) -> AudioError:
    return AudioError(f"{path.name} is damaged or cut off: {how}; export or copy the recording again.")


def reason_of(error: Exception) -> str:
    """What a system error says, as part of a sentence."""
    text = getattr(error, "strerror", None) or getattr(error, "error_string", None) or str(error)
    return text.strip().rstrip(".")
