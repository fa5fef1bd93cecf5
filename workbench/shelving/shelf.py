"""A shelf as a user holds it: its tables, its catalogue, and questions to it."""

from __future__ import annotations

import warnings
from dataclasses import asdict, dataclass, fields
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.errors import ChartError
from workbench.escaping import one_line
from workbench.reading.part_reading import PartReading
from workbench.reading.patterns import Patterns
from workbench.shelving.catalogue import catalogue_rows, part_table, song_table, write_catalogue
from workbench.shelving.filling import Shelved
from workbench.shelving.likeness import SAME_GROOVE, GrooveIndex, LikeGroove, struck_slots
from workbench.shelving.searching import read_question, unknown_numbers, unknown_words

if TYPE_CHECKING:
    import pandas


@dataclass(frozen=True)
class Shelf:
    """A folder of songs with its catalogue.

    Attributes
    ----------
    folder : Path
        Where the catalogue lies.
    files : tuple of Path
        The catalogue: CSV, Parquet where it can be written, and the page.
    failures : dict of str → list of str
        What could not be done, a sentence each, by song.
    worked : tuple of str
        Songs that were worked on now.
    notes : tuple of str
        What the user should know.
    rows : list of dict
        Of the catalogue, with what is searched in (:func:`workbench.shelving.catalogue.catalogue_rows`).
    """

    folder: Path
    files: tuple[Path, ...]
    failures: dict[str, list[str]]
    worked: tuple[str, ...]
    notes: tuple[str, ...]
    shelved: Shelved
    rows: list[dict[str, Any]]

    @classmethod
    def of(cls, shelved: Shelved) -> Shelf:
        """A shelf that was worked through, its catalogue written."""
        place = shelved.place
        rows = catalogue_rows(shelved.songs, shelved.memories, place)
        files, notes = write_catalogue(rows, place, place.resolve().name or "Shelf")
        return cls(place, tuple(files), shelved.failures, shelved.worked, tuple(notes), shelved, rows)

    @property
    def page(self) -> Path:
        return self.files[-1]

    @cached_property
    def songs(self) -> pandas.DataFrame:
        """A row for each song."""
        return song_table(self.rows)

    @cached_property
    def grooves(self) -> pandas.DataFrame:
        """A row for each groove of each song, those that fill most bars first."""
        columns = ("name", "text", "bars", "count", "difficulty")
        table = part_table(self.shelved.songs, self.shelved.memories, "grooves", columns)
        return table.sort_values("count", ascending=False, kind="stable", ignore_index=True)

    @cached_property
    def fills(self) -> pandas.DataFrame:
        """A row for each fill, the easiest first; ``sure`` where its strokes need no listening."""
        columns = ("text", "bars", "times", "difficulty", "sure")
        table = part_table(self.shelved.songs, self.shelved.memories, "fills", columns)
        return table.sort_values(["difficulty", "tempo_bpm"], kind="stable", ignore_index=True)

    @cached_property
    def index(self) -> GrooveIndex:
        """All grooves, to find those like another."""
        memories = ((s.key, self.shelved.memories.get(s.key)) for s in self.shelved.songs)
        return GrooveIndex((key, m.entry) for key, m in memories if m is not None and m.entry is not None)

    def similar(self, reading: PartReading, bar: int, least: float = SAME_GROOVE) -> pandas.DataFrame:
        """The grooves of the shelf that are like the one in a bar, the most alike first.

        Parameters
        ----------
        reading : Reading
            Of any chart.
        bar : int
            Number of the bar, as players say it.
        least : float
            Likeness from which they are told, 0–1.

        Returns
        -------
        pandas.DataFrame
            ``key``, ``song``, ``artist``, ``bars``, ``name``, ``likeness``.

        Raises
        ------
        ChartError
            If there is no such bar, or none of its groove's.
        """
        import pandas

        own = reading.groove_at(reading.chart.time_map.bar_index(bar))
        if own is None:
            raise ChartError(f"Bar {bar} has no groove.")
        found = self.index.like(struck_slots(Patterns.of(reading.chart), own.groove.base_bars), least)
        return pandas.DataFrame(map(asdict, found), columns=[f.name for f in fields(LikeGroove)])

    def find(self, question: str) -> pandas.DataFrame:
        """The songs that a question means, as rows of :attr:`songs`; warnings name the words that no song has,
        and songs left out because a number is not known of them.

        Parameters
        ----------
        question : str
            Words and comparisons, all of which must hold (:mod:`workbench.shelving.searching`): "shuffle tempo<100".

        Raises
        ------
        WorkbenchError
            If something is compared that is no number of a song.
        """
        test = read_question(question)
        for said in (unknown_words(question, self.rows), unknown_numbers(question, self.rows)):
            if said:
                warnings.warn(said, stacklevel=2)
        return self.songs[[test(row) for row in self.rows]]

    def __repr__(self) -> str:
        return f"<Shelf {one_line(str(self.folder))}: {len(self.shelved.songs)} songs>"

    def _repr_html_(self) -> str:
        columns = ["song", "artist", "tempo_bpm", "meters", "feel", "form", "grooves", "difficulty", "quality", "state"]
        return self.songs[columns].to_html()
