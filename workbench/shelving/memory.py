"""What a shelf knows of its songs, on disk: what was done with which file by which version, and the catalogue.

``.workbench-shelf/songs.jsonl`` has a line for each song that was worked on, the last one of a song counting.  A
line is on disk before the files that it names are put in their places: whatever breaks off, a file that a line names
is known as the workbench's own, and a step counts as done only where all its files are there.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from workbench.errors import FileFormatError
from workbench.files.audio import sha256_of
from workbench.files.safefile import locked, make_folder, write_whole

#: Folder of what a shelf knows, in the folder of its charts.
SHELF_FOLDER = ".workbench-shelf"
_NAME = "songs.jsonl"
#: The file is written anew when it has so many times more lines than songs.
_MOST_LINES_A_SONG = 3


@dataclass
class SongMemory:
    """What is known of a song.

    Attributes
    ----------
    seen : dict of str → list
        Size, time of change (ns) and SHA-256 of files as last seen, by path from the song's folder: a file
        that looks the same is not read again.
    made : dict of str → list of str
        SHA-256 of files as the workbench made them, the last two of each.
    steps : dict of str → dict
        Of each step done: ``version`` of the workbench, ``of`` what (checksums), ``files``.
    entry : dict or None
        In the catalogue, and in ``entry_of`` what it was made of.
    """

    seen: dict[str, list] = field(default_factory=dict)
    made: dict[str, list[str]] = field(default_factory=dict)
    steps: dict[str, dict[str, Any]] = field(default_factory=dict)
    entry: dict[str, Any] | None = None
    entry_of: str = ""

    def sha256(self, path: Path, folder: Path) -> str:
        """Of a file as it is now; "" if there is none."""
        try:
            stat = path.stat()
        except OSError:
            return ""
        name, looks = os.path.relpath(path, folder), [stat.st_size, stat.st_mtime_ns]
        if self.seen.get(name, [])[:2] != looks:
            self.seen[name] = [*looks, sha256_of(path)]
        return self.seen[name][2]

    def is_ours(self, path: Path, folder: Path) -> bool:
        """Whether a file is just as the workbench made it."""
        return self.sha256(path, folder) in self.made.get(os.path.relpath(path, folder), ())


class ShelfMemory:
    """The memory of a shelf, open for one program at a time."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / SHELF_FOLDER
        self.songs: dict[str, SongMemory] = {}
        self._path = self.folder / _NAME
        self._lines = 0
        with suppress(FileNotFoundError), open(self._path, "rb") as file:
            for line in file:
                self._lines += 1
                with suppress(ValueError, KeyError, TypeError):  # cut off in the middle, or damaged: done again
                    data = json.loads(line, object_hook=_of_today)
                    key = data.pop("song")
                    self.songs[key] = SongMemory(**data)

    @classmethod
    @contextmanager
    def opened(cls, folder: Path) -> Iterator[ShelfMemory]:
        """The memory of a shelf for as long as the block lasts.

        Raises
        ------
        FileFormatError
            If another program works on the shelf, or the folder cannot be written to.
        """
        lock = make_folder(folder / SHELF_FOLDER) / "lock"
        with ExitStack() as stack:
            try:
                lock.touch()
                stack.enter_context(locked(lock))
            except OSError as error:
                raise FileFormatError(f"{lock} could not be written: {error.strerror or error}.") from None
            except FileFormatError:
                raise FileFormatError(
                    f"Another program works on the shelf {folder}; wait until it has ended."
                ) from None
            memory = cls(folder)
            memory._tidy()
            yield memory

    def keep(self, key: str) -> None:
        """Have what is known of a song on disk."""
        try:
            with open(self._path, "ab") as file:
                file.write(_line(key, self.songs[key]))
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            raise FileFormatError(f"{self._path} could not be written: {error.strerror or error}.") from None

    def _tidy(self) -> None:
        """Begin on a new line, with no more lines than are worth it."""
        data = self._path.read_bytes() if self._path.exists() else b""
        if self._lines > _MOST_LINES_A_SONG * max(len(self.songs), 1) or data and not data.endswith(b"\n"):
            write_whole(self._path, b"".join(_line(key, song) for key, song in self.songs.items()))


def _of_today(data: dict[str, Any]) -> dict[str, Any]:
    """What was written when difficulty was called hardness."""
    return {"difficulty" if name == "hardness" else name: value for name, value in data.items()}


def _line(key: str, song: SongMemory) -> bytes:
    return json.dumps({"song": key, **asdict(song)}).encode("ascii") + b"\n"
