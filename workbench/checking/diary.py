"""A student's takes over weeks: a folder that is the student's own, of plain files.

``takes/DATE NAME.take.json`` is a take with its date; ``takes.csv`` (a row for each drum and all fills of each take)
and ``progress.html`` are made anew of all of them, so a take can be removed, or its date changed, by hand.
"""

from __future__ import annotations

import csv
import html
import io
import json
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date as Date
from pathlib import Path
from typing import Any

from workbench.chart.drumkit import drum_key_order, instrument
from workbench.checking.take import Take
from workbench.errors import ChartError, FileFormatError
from workbench.files.safefile import make_folder, write_whole
from workbench.grouping import grouped

#: What a row of ``takes.csv`` says; times in milliseconds, early is negative.
DIARY_COLUMNS = (
    *("date", "song", "bars", "recording", "tempo_bpm", "part_bpm"),
    *("what", "written", "played", "missed", "added", "mean_ms", "spread_ms", "tempo_change"),
)
#: What stands in the column ``what`` for everything together, and for fills.
ALL, FILLS = "all", "fills"
#: Bytes; a take of a long song has some hundred thousand.
_LARGEST_TAKE = 20_000_000


@dataclass(frozen=True)
class DrumFigures:
    """How one drum was played in a take: counts, and deviations in milliseconds (None if too few)."""

    written: int
    played: int
    missed: int
    added: int
    mean_ms: float | None
    spread_ms: float | None


@dataclass(frozen=True)
class KeptTake:
    """A take in a diary.

    Attributes
    ----------
    date : date
    song : str
    bars : str
        "bars 5–8" for a take of these bars alone; empty for the whole part.
    recording : str
        Name of its file.
    tempo_bpm, part_bpm : float
        Counted beats a minute, played and written.
    drums : dict
        :class:`DrumFigures` by instrument.
    fills : tuple of float
        Tempo of each fill over that of the bars before it, less one.
    """

    date: Date
    song: str
    bars: str
    recording: str
    tempo_bpm: float
    part_bpm: float
    drums: dict[str, DrumFigures]
    fills: tuple[float, ...]

    @property
    def written(self) -> int:
        return sum(d.written for d in self.drums.values())

    @property
    def played(self) -> int:
        return sum(d.played for d in self.drums.values())

    @property
    def share(self) -> float:
        """Of the written strokes that were played, 0–1."""
        return self.played / max(1, self.written)

    @property
    def fills_off(self) -> float | None:
        """How far the tempo of its fills lies from that of the bars before them, on average; None without fills."""
        return sum(map(abs, self.fills)) / len(self.fills) if self.fills else None


@dataclass(frozen=True)
class Diary:
    """All takes of a student, in order of date, and the files that could not be read."""

    folder: Path
    takes: tuple[KeptTake, ...]
    unread: tuple[str, ...] = ()

    @property
    def songs(self) -> dict[tuple[str, str], list[KeptTake]]:
        """Takes by song and bars: only they can be compared."""
        return grouped(((t.song, t.bars), t) for t in self.takes)

    @property
    def page(self) -> Path:
        return self.folder / "progress.html"

    def _repr_html_(self) -> str:
        """What a notebook shows: where each song's takes have come to."""
        from workbench.checking.progresspage import draw_progress, progress_words

        parts = []
        for (song, bars), takes in self.songs.items():
            grown, slipped = progress_words(takes)
            parts.append(f"<h3>{html.escape(' '.join((song, bars)))}</h3>")
            parts += [f"<p>{html.escape(text)}</p>" for text in (*grown, *slipped)]
            parts.append(draw_progress(takes).svg("Tempo, strokes, spread and fills, take by take"))
        return "".join(parts)


def keep_take(take: Take, folder: str | os.PathLike, date: Date | None = None) -> Diary:
    """Put a take into a student's diary, and write its table and page anew.

    Raises
    ------
    FileFormatError
        If the folder cannot be written to.
    """
    from workbench.checking.progresspage import progress_page

    place = make_folder(folder)
    takes = make_folder(place / "takes")
    data = {"date": str(date or Date.today()), **take.to_data()}
    text = (json.dumps(data, indent=1, ensure_ascii=False) + "\n").encode()
    stem = f"{data['date']} {Path(take.recording).stem or 'take'}"
    path, number = takes / f"{stem}.take.json", 2
    while path.exists() and path.read_bytes() != text:
        path, number = takes / f"{stem} ({number}).take.json", number + 1
    write_whole(path, text)
    diary = read_diary(place)
    write_whole(place / "takes.csv", _table(diary).encode())
    write_whole(diary.page, progress_page(diary).html().encode())
    return diary


def read_diary(folder: str | os.PathLike) -> Diary:
    """Read a student's diary; files in it that are no takes are named, not taken.

    Raises
    ------
    FileFormatError
        If there is no diary.
    """
    place = Path(folder)
    if not (place / "takes").is_dir():
        raise FileFormatError(f"{place.name} is no diary of takes: it has no folder called takes.")
    found, unread = [], []
    for path in sorted((place / "takes").glob("*.json")):
        try:
            found.append(_kept(path))
        except (OSError, ValueError, KeyError, TypeError, AttributeError, ChartError):
            unread.append(path.name)
    return Diary(place, tuple(sorted(found, key=lambda t: t.date)), tuple(unread))


def _kept(path: Path) -> KeptTake:
    if path.stat().st_size > _LARGEST_TAKE:
        raise ValueError(path.name)
    data = json.loads(path.read_bytes())

    def number(value: Any) -> float | None:
        return None if value is None else float(value)

    drums = {
        instrument(i["instrument"]).name: DrumFigures(
            int(i["written"]),
            int(i["played"]),
            int(i["missed"]),
            int(i["added"]),
            number(i["mean_ms"]),
            number(i["spread_ms"]),
        )
        for i in data["instruments"]
    }
    return KeptTake(
        Date.fromisoformat(data["date"]),
        str(data["title"]),
        str(data["bars_played"]),
        str(data["recording"]),
        float(data["tempo_bpm"]),
        float(data["chart_bpm"]),
        drums,
        tuple(float(f["tempo_change"]) for f in data["fills"]),
    )


def _table(diary: Diary) -> str:
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(DIARY_COLUMNS)
    for take in diary.takes:
        head = (take.date, take.song, take.bars, take.recording, take.tempo_bpm, take.part_bpm)
        table.writerows((*head, *row) for row in _rows(take))
    return out.getvalue()


def _rows(take: KeptTake) -> Iterator[Sequence[object]]:
    figures = take.drums.values()
    yield ALL, take.written, take.played, *(sum(getattr(d, n) for d in figures) for n in ("missed", "added"))
    for name in sorted(take.drums, key=drum_key_order):
        d = take.drums[name]
        yield name, d.written, d.played, d.missed, d.added, *("" if x is None else x for x in (d.mean_ms, d.spread_ms))
    if take.fills_off is not None:
        yield FILLS, "", "", "", "", "", "", round(take.fills_off, 4)
