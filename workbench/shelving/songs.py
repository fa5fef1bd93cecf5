"""What lies on a shelf: recordings, each with the place of its chart, and charts by themselves."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from workbench.errors import FileFormatError
from workbench.files.audiosource import RECORDING_ENDINGS
from workbench.files.chartfile import ENDING
from workbench.practice.pack import is_pack

#: How sound ends that the workbench makes of a song: ``workbench stems``, ``workbench lesson --film``.
_MADE = (".drums.flac", ".rest.flac", ".lesson.webm")


@dataclass(frozen=True)
class ShelfSong:
    """A song of a shelf.

    Attributes
    ----------
    key : str
        Its place on the shelf: path from the shelf's folder, without ending, parts joined by "/".
    folder : Path
        Where its chart and all that is made of it lie.
    recording : Path or None
        None of a chart by itself.
    """

    key: str
    folder: Path
    recording: Path | None

    @property
    def name(self) -> str:
        """What names of its files begin with."""
        return self.key.rsplit("/", 1)[-1]

    @property
    def chart(self) -> Path:
        return self.folder / f"{self.name}{ENDING}"


def find_songs(
    folder: str | os.PathLike, out: str | os.PathLike | None = None
) -> tuple[list[ShelfSong], dict[str, str]]:
    """The songs of a folder and the folders in it, in order of their keys.

    What hides (a name with a dot in front), practice packs, stems and films are passed over.

    Parameters
    ----------
    folder : path
    out : path, optional
        Where charts lie, in folders as the recordings'; by default beside the recordings.

    Returns
    -------
    songs : list of ShelfSong
    refused : dict of str → str
        Recordings that cannot have a chart of their own, and why.

    Raises
    ------
    FileFormatError
        If there is no such folder.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise FileFormatError(f"There is no folder {folder}; name the one that holds your recordings.")
    place = folder if out is None else Path(out)
    songs: dict[str, ShelfSong] = {}
    refused = {}
    found = (p for p in _files(folder) if not p.name.endswith(_MADE))
    recordings = [p for p in found if p.suffix.lower() in RECORDING_ENDINGS]
    for path in sorted(recordings, key=lambda p: RECORDING_ENDINGS.index(p.suffix.lower())):
        key = path.relative_to(folder).with_suffix("").as_posix()
        if key in songs:
            beside = songs[key].recording
            assert beside is not None
            refused[path.relative_to(folder).as_posix()] = (
                f"{path.name} was left out: {beside.name} beside it has the same name, and the chart can be of one "
                "only; rename one of them."
            )
            continue
        songs[key] = ShelfSong(key, (place / key).parent, path)
    for path in _files(place) if place.is_dir() else ():
        if path.name.endswith(ENDING):
            key = path.relative_to(place).as_posix().removesuffix(ENDING)
            songs.setdefault(key, ShelfSong(key, path.parent, None))
    return [songs[key] for key in sorted(songs)], refused


def _files(folder: Path) -> Iterator[Path]:
    for where, folders, names in os.walk(folder):
        folders[:] = sorted(f for f in folders if not f.startswith(".") and not is_pack(Path(where, f)))
        paths = (Path(where, n) for n in sorted(names) if not n.startswith("."))
        yield from (p for p in paths if p.is_file())  # no pipes
