"""The catalogue of a shelf: tables of its songs, grooves and fills, and one page to sort and search."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping, Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.files.safefile import replacing, write_whole
from workbench.reading.fill_reading import DIFFICULTY
from workbench.shelving.memory import SongMemory
from workbench.shelving.searching import MOST_TOLD, NUMBERS_ASKED, SMALL_WORDS
from workbench.shelving.songs import ShelfSong
from workbench.templates import filled, script_data

if TYPE_CHECKING:
    import pandas

#: Columns of the table of songs.  Lengths are seconds, tempi counted beats a minute, difficulty goes from 1 to 5,
#: ``fills`` counts all that the reading names, sure or not, ``corrections`` are those a bar is likely to need,
#: ``quality`` says so in words; the last seven are files, named from the catalogue's folder.
SONG_COLUMNS = (
    "song", "artist", "length_s", "bars", "tempo_bpm", "meters", "feel", "form", "grooves", "fills", "difficulty",
    "doubts", "corrections", "quality", "sound", "state", "strokes", "key",
    "recording", "chart", "score", "pack", "reading", "lesson", "check",
)  # fmt: skip
#: What is made of a song, and the ends of the files' names.
_LINKS = {
    "chart": ".chart.json",
    "score": ".pdf",
    "pack": "-practice/index.html",
    "reading": ".reading.md",
    "lesson": ".lesson.html",
    "check": ".check.html",
}
#: What a groove is said to lack, which nobody finds it by.
_NOTHING = re.compile(r"\b(?:no|without)\b[^;,.()]*", re.IGNORECASE)
#: Words for eighths or sixteenths that are not even; a question need not tell them apart.
SWUNG = ("swing", "swung", "shuffle")
DIFFICULTY_SCALE = f"1 {DIFFICULTY[1]} – {len(DIFFICULTY) - 1}\N{NO-BREAK SPACE}" + DIFFICULTY[-1].replace(
    " ", "\N{NO-BREAK SPACE}"
)
PARQUET_NEEDS = 'No catalogue.parquet: it needs pyarrow, pip install "drumchart-workbench[parquet]".'


def catalogue_rows(songs: Iterable[ShelfSong], memories: Mapping[str, SongMemory], place: Path) -> list[dict[str, Any]]:
    """A row for each song: the columns as in the table, ``text`` to search in, ``strokes`` as places by instrument."""
    return [_row(song, memories.get(song.key, SongMemory()).entry, place) for song in songs]


def _row(song: ShelfSong, entry: Mapping[str, Any] | None, place: Path) -> dict[str, Any]:
    links = {what: _link(song.folder / f"{song.name}{end}", place) for what, end in _LINKS.items()}
    links["recording"] = _link(song.recording, place) if song.recording is not None else ""
    row: dict[str, Any] = dict.fromkeys(SONG_COLUMNS)
    row |= {
        "song": song.name,
        "artist": "",
        "meters": "",
        "feel": "",
        "form": "",
        "grooves": "",
        "quality": "",
        "sound": "",
    }
    row |= {"key": song.key, "strokes": {}, "state": "not drafted"} | links
    said: list[str] = []
    if entry is not None:
        row |= {
            name: entry[name]
            for name in ("artist", "length_s", "bars", "tempo_bpm", "feel", "sound", "state", "strokes")
        }
        row |= {name: entry[name] for name in ("difficulty", "doubts", "corrections", "quality")}
        row |= {
            "song": entry["title"] or song.name,
            "meters": ", ".join(entry["meters"]),
            "form": " – ".join(entry["form"]),
            "grooves": "; ".join(dict.fromkeys(g["name"] for g in entry["grooves"] if g["name"])),
            "fills": sum(f["times"] for f in entry["fills"]),
        }
        said = [_NOTHING.sub("", f"{g['name']}; {g['text']}") for g in entry["grooves"]]
    told = (row[name] or "" for name in ("song", "artist", "key", "meters", "feel", "form", "quality", "state"))
    row["text"] = "\n".join((*told, *said, *_swung(row["feel"], *said), *row["strokes"])).lower()
    return row


def _swung(*said: str) -> tuple[str, ...]:
    """Further words for a song that swings: whoever looks for a shuffle may call it by any of them."""
    return SWUNG if any(word in text for text in said for word in SWUNG) else ()


def _link(path: Path, place: Path) -> str:
    """The way to a file from a folder, "" if it is not there."""
    return Path(os.path.relpath(path.resolve(), place.resolve())).as_posix() if path.exists() else ""


def song_table(rows: Sequence[Mapping[str, Any]]) -> pandas.DataFrame:
    """The rows as a table; strokes as text."""
    import pandas

    table = pandas.DataFrame([[row[name] for name in SONG_COLUMNS] for row in rows], columns=list(SONG_COLUMNS))
    table["strokes"] = ["; ".join(f"{i} on {', '.join(at)}" for i, at in row["strokes"].items()) for row in rows]
    for name in ("bars", "tempo_bpm", "fills", "difficulty", "doubts"):
        table[name] = table[name].astype("Int64")
    return table.astype({"length_s": float, "corrections": float})


def part_table(
    songs: Iterable[ShelfSong], memories: Mapping[str, SongMemory], kind: str, columns: Sequence[str]
) -> pandas.DataFrame:
    """Every groove or every fill of the shelf, a row each, with its song and the song's tempo."""
    import pandas

    rows = []
    for song in songs:
        entry = memories[song.key].entry if song.key in memories else None
        for item in entry[kind] if entry is not None else ():
            tempo = entry["tempo_bpm"] if entry is not None else None
            rows.append((entry["title"] if entry else "", song.key, tempo, *(item[name] for name in columns)))
    return pandas.DataFrame(rows, columns=["song", "key", "tempo_bpm", *columns])


def write_catalogue(rows: Sequence[Mapping[str, Any]], place: Path, title: str) -> tuple[list[Path], list[str]]:
    """Write ``catalogue.csv``, ``catalogue.parquet`` and ``catalogue.html``.

    Returns
    -------
    files : list of Path
    notes : list of str
        A sentence where no Parquet could be written.
    """
    table, notes = song_table(rows), []
    files = [write_whole(place / "catalogue.csv", table.to_csv(index=False).encode("utf-8", "replace"))]
    if find_spec("pyarrow") is None:
        notes.append(PARQUET_NEEDS)
    else:
        with replacing(place / "catalogue.parquet") as temporary:
            table.to_parquet(temporary, engine="pyarrow", index=False)
        files.append(place / "catalogue.parquet")
    files.append(write_whole(place / "catalogue.html", catalogue_page(rows, title).encode("utf-8", "replace")))
    return files, notes


def catalogue_page(rows: Sequence[Mapping[str, Any]], title: str) -> str:
    """The page: everything in one file, no network."""
    shown = [name for name in SONG_COLUMNS if name != "strokes"] + ["text", "strokes"]
    data = {
        "columns": shown,
        "compared": NUMBERS_ASKED,
        "small": sorted(SMALL_WORDS),
        "mostTold": MOST_TOLD,
        "difficulties": DIFFICULTY,
        "difficultyScale": DIFFICULTY_SCALE,
        "rows": [[row[name] for name in shown] for row in rows],
    }
    page = Path(__file__).parent / "page"
    return filled(
        "shelving/page/catalogue.html",
        title=title,
        count=len(rows),
        difficulty_scale=DIFFICULTY_SCALE,
        data=script_data(data),
        script=(page / "catalogue.js").read_text("utf-8"),
        style=(page / "catalogue.css").read_text("utf-8"),
    )
