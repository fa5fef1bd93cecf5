"""Drums and rest of a recording as two files."""

from __future__ import annotations

import os
from pathlib import Path
from typing import NamedTuple

import soundfile

from workbench.errors import AudioError
from workbench.files.audio import describe_audio, read_blocks
from workbench.files.safefile import make_folder, replacing
from workbench.progress import Progress
from workbench.sound.separation import separate_blocks, store_beside


class StemFiles(NamedTuple):
    """The two files written."""

    drums: Path
    rest: Path


def stem_files(recording: str | os.PathLike, folder: str | os.PathLike | None = None) -> StemFiles:
    """Where the stems of a recording are written: NAME.drums.flac and NAME.rest.flac, by default beside it."""
    recording = Path(recording)
    folder = recording.parent if folder is None else Path(folder)
    return StemFiles(*(folder / f"{recording.stem}.{what}.flac" for what in StemFiles._fields))


def write_stems(
    recording: str | os.PathLike, folder: str | os.PathLike | None = None, progress: Progress | None = None
) -> StemFiles:
    """Write drums and rest of a recording as FLAC of 24 bits; see :func:`workbench.stems`.

    Needs little memory however long the recording is.
    """
    facts = describe_audio(recording)
    files = stem_files(recording, folder)
    where = make_folder(files.drums.parent)
    rate, channels = facts.sample_rate, facts.channels
    blocks = read_blocks(recording)
    store = store_beside(where, recording, rate)
    try:
        with (
            replacing(files.drums) as drums_part,
            replacing(files.rest) as rest_part,
            soundfile.SoundFile(drums_part, "w", rate, channels, "PCM_24", format="FLAC") as drums_file,
            soundfile.SoundFile(rest_part, "w", rate, channels, "PCM_24", format="FLAC") as rest_file,
        ):
            for drums, rest in separate_blocks(blocks, rate, store, round(facts.duration_s * rate), progress):
                drums_file.write(drums)
                rest_file.write(rest)
    except (OSError, soundfile.SoundFileError) as error:
        raise AudioError(f"The drums and rest of {files.drums.name} could not be written: {error}.") from error
    return files
