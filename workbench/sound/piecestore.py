"""Found drums kept on disk, a file a piece, so that nothing is worked out twice.

They lie in a folder :data:`FOLDER` beside the chart, or beside the stems, lesson or pack that needed them where that
is written elsewhere.  Each name tells the
recording, the network and the rate; pieces of other networks are removed, and
beyond :data:`MOST_BYTES` those longest unused.  The folder may be deleted at
any time; where none can be written, the work is done again instead.
"""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from workbench.errors import AudioError
from workbench.files.audio import Audio, save_audio, sha256_of

#: Name of the folder, and the most it may hold (some twenty songs).
FOLDER, MOST_BYTES = ".workbench-stems", 500_000_000

#: Drums are kept at half their level: drums alone can be louder than the full scale of the mix.
_KEPT_LEVEL = np.float32(0.5)


@dataclass(frozen=True)
class PieceStore:
    """The kept pieces of one recording.

    Parameters
    ----------
    folder : Path
        The folder of the chart; the pieces lie in :data:`FOLDER` within it.
    recording, network : str
        What tells the recording and the network from others (checksums).
    sample_rate : int, hertz
    """

    folder: Path
    recording: str
    network: str
    sample_rate: int

    @classmethod
    def beside(
        cls, folder: str | os.PathLike, recording: str | os.PathLike | Audio, network: str, sample_rate: int
    ) -> PieceStore:
        """The store in a chart's folder for a recording, on disk or in memory."""
        if isinstance(recording, Audio):
            mark = hashlib.sha256(recording.samples.tobytes()).hexdigest()
        else:
            mark = sha256_of(recording)
        return cls(Path(folder) / FOLDER, mark[:16], network[:8], sample_rate)

    def _file(self, piece: int) -> Path:
        return self.folder / f"{self.recording}-{self.network}-{self.sample_rate}-{piece:04d}.flac"

    def read(self, piece: int) -> np.ndarray | None:
        """A kept piece, (frames, channels), or None."""
        file = self._file(piece)
        try:
            samples = soundfile.read(file, dtype="float32", always_2d=True)[0]
            os.utime(file)
            return samples / _KEPT_LEVEL
        except (OSError, soundfile.SoundFileError):
            return None

    def write(self, piece: int, drums: np.ndarray) -> None:
        """Keep a piece, if there is a way to, and make room for it."""
        try:
            self.folder.mkdir(exist_ok=True)
            save_audio(self._file(piece), Audio(drums * _KEPT_LEVEL, self.sample_rate))
            self._sweep()
        except (OSError, AudioError):
            pass  # a folder or disk that takes nothing: the piece is found anew next time

    def _sweep(self) -> None:
        kept = []
        for file in self.folder.glob("*.flac"):
            if file.name.split("-")[1] != self.network:
                file.unlink(missing_ok=True)
            else:
                kept.append((file.stat().st_mtime, file.stat().st_size, file))
        room = MOST_BYTES - sum(size for _, size, _ in kept)
        for _, size, file in sorted(kept):
            if room >= 0:
                break
            file.unlink(missing_ok=True)
            room += size
