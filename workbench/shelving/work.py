"""The work on one song, as a worker does it: in a process of this machine or of another.

A worker writes into a new folder of its own and never to the song's place: whoever gave the work puts the files
there, so that they are written once, however often a song was begun.
"""

from __future__ import annotations

import json
import os
import shutil
import tempfile
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

from workbench import __version__
from workbench.chart import Chart
from workbench.chart.counting import bar_list
from workbench.errors import WorkbenchError
from workbench.files.audio import describe_audio
from workbench.files.document import read_working_chart
from workbench.files.safefile import write_whole
from workbench.shelving.entry import shelf_entry
from workbench.sound.piecestore import FOLDER as STEMS_FOLDER

#: What can be done with a song, in this order.
STEPS = ("draft", "check", "score", "read", "practice", "lesson")
#: Those that tell of other songs of the shelf, and so come when all are drafted.
LAST_STEPS = ("read", "lesson")
#: Formats of its score.
SCORES = ("pdf", "musicxml", "midi")


@dataclass(frozen=True)
class GivenFile:
    """A file that work needs: where it lies, or with what it holds."""

    path: str
    data: bytes | None = None

    def laid(self, folder: Path) -> Path:
        """A path in a folder under which it can be read."""
        place = folder / Path(self.path).name
        if self.data is not None:
            return write_whole(place, self.data)
        try:
            place.symlink_to(self.path)
        except OSError:  # a disk without links
            shutil.copyfile(self.path, place)
        return place


@dataclass(frozen=True)
class SongWork:
    """What is to be done with a song.

    Attributes
    ----------
    key : str
        Of the song.
    steps : tuple of str
        From :data:`STEPS`; its entry in the catalogue is always made.
    recording, chart, journal : GivenFile or None
        A chart is given where it is not drafted.
    recording_named : str
        How the chart names its recording.
    sha256 : str
        Of the recording.
    of : str
        What stands for recording, chart and edits together.
    edited : bool
        Whether a person has worked on the chart.
    place : str or None
        Folder in which the worker makes its own; None sends the files back.
    others : dict of str → str
        What reading and lesson say of other songs, by the bars of the groove.
    version : str
        Of the workbench that asks.
    """

    key: str
    steps: tuple[str, ...]
    recording: GivenFile | None = None
    chart: GivenFile | None = None
    journal: GivenFile | None = None
    recording_named: str = ""
    sha256: str = ""
    of: str = ""
    edited: bool = False
    place: str | None = None
    others: dict[str, str] = field(default_factory=dict)
    version: str = __version__

    @property
    def name(self) -> str:
        """What names of the song's files begin with."""
        return self.key.rsplit("/", 1)[-1]


@dataclass(frozen=True)
class WorkDone:
    """What came of it.

    Attributes
    ----------
    steps : dict of str → list of str
        Names of the files of each step that was done.
    entry : dict or None
        The song in the catalogue (:func:`workbench.shelving.entry.shelf_entry`).
    failures : tuple of str
        A sentence each.
    details : str
        Of a fault that nobody foresaw.
    folder : str
        Where the files lie.
    files : dict of str → bytes
        The files themselves, where they are sent back.
    """

    steps: dict[str, list[str]] = field(default_factory=dict)
    entry: dict[str, Any] | None = None
    failures: tuple[str, ...] = ()
    details: str = ""
    folder: str = ""
    files: dict[str, bytes] = field(default_factory=dict)


def do_work(work: SongWork) -> WorkDone:
    """Do it; whatever happens is told, not raised."""
    if work.version != __version__:
        return WorkDone(failures=(f"A worker has the workbench {__version__}, not {work.version}; install the same.",))
    try:
        folder = Path(tempfile.mkdtemp(prefix="song-", dir=work.place))
    except OSError as error:
        return WorkDone(failures=(f"A worker cannot write into {work.place}: {error.strerror or error}.",))
    try:
        recording = work.recording.laid(folder) if work.recording is not None else None
        done = _done(work, folder, recording)
        shutil.rmtree(folder / STEMS_FOLDER, ignore_errors=True)  # kept for whoever plays with one song, not for all
        if recording is not None:
            recording.unlink()
        done = replace(done, folder=str(folder))
        if work.place is None:
            files = {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}
            done = replace(done, files=files, folder="")
        return done
    finally:
        if work.place is None:
            shutil.rmtree(folder, ignore_errors=True)


def _done(work: SongWork, folder: Path, recording: Path | None) -> WorkDone:
    """Every step in turn: one that fails leaves the others to be done, but for the draft, which all need."""
    failures: list[str] = []
    details: list[str] = []
    steps: dict[str, list[str]] = {}

    def attempt(what: str, act: Callable[[], Any]) -> Any:
        before = set(os.listdir(folder))
        try:
            result = act()
        except WorkbenchError as error:
            failures.append(str(error))
        except MemoryError:
            failures.append(f"{work.name} needs more memory than a worker has; give it more, or cut the recording.")
        except Exception as error:
            failures.append(f"An unforeseen fault of the workbench ({type(error).__name__}) at: {what}.")
            details.append(traceback.format_exc())
        else:
            steps[what] = sorted(set(os.listdir(folder)) - before - {STEMS_FOLDER})
            return result
        for left in set(os.listdir(folder)) - before:
            path = folder / left
            shutil.rmtree(path) if path.is_dir() else path.unlink()
        return None

    if "draft" in work.steps and recording is not None:
        chart = attempt("draft", lambda: _draft(work, recording, folder))
    else:
        chart = attempt("open", lambda: _opened(work))
        steps.pop("open", None)
    if chart is None:
        return WorkDone(steps, None, tuple(failures), "\n".join(details))
    hand = _Hand(work, chart, recording, folder)
    for step in STEPS[1:]:
        if step in work.steps:
            attempt(step, getattr(hand, step))
    entry = attempt("catalogue", hand.entry)
    steps.pop("catalogue", None)
    return WorkDone(steps, entry, tuple(failures), "\n".join(details))


def _draft(work: SongWork, recording: Path, folder: Path) -> Chart:
    from workbench.listening.draft import draft_chart, write_draft

    return read_working_chart(write_draft(draft_chart(recording), folder, recording=work.recording_named).chart)


def _opened(work: SongWork) -> Chart:
    assert work.chart is not None
    if work.chart.data is None:
        return read_working_chart(work.chart.path)  # where it lies, and with its lock
    with tempfile.TemporaryDirectory() as given:
        path = work.chart.laid(Path(given))
        if work.journal is not None:
            work.journal.laid(Path(given))
        return read_working_chart(path)


class _Hand:
    """The steps after the draft, a method each."""

    def __init__(self, work: SongWork, chart: Chart, recording: Path | None, folder: Path) -> None:
        self.work, self.chart, self.recording, self.folder = work, chart, recording, folder
        self._reading: Any = None

    def reading(self) -> Any:
        """The chart, read once."""
        if self._reading is None:
            from workbench.reading.read import read_part

            reading = read_part(self.chart)
            bars = partial(bar_list, self.chart.time_map)
            told = (replace(g, others=self.work.others.get(bars(g.groove.bar_indices), "")) for g in reading.grooves)
            self._reading = replace(reading, grooves=tuple(told))
        return self._reading

    def entry(self) -> dict[str, Any]:
        """The song in the catalogue."""
        sound = describe_audio(self.recording) if self.recording is not None else None
        return shelf_entry(self.reading(), sound, self.work.edited)

    def check(self) -> None:
        from workbench.checking.check import check_draft
        from workbench.checking.check_report import write_check

        if self.recording is None:
            raise WorkbenchError(f"{self.work.name} was not checked: its recording is not on the shelf.")
        check = check_draft(self.chart, self.recording)
        for ending in ("html", "pdf", "json"):
            write_check(check, self.folder / f"{self.work.name}.check.{ending}", self.recording)

    def score(self) -> None:
        from workbench.scorefiles import write_scores

        write_scores(self.chart, self.folder / self.work.name, SCORES)

    def read(self) -> None:
        stem = self.folder / f"{self.work.name}.reading"
        text, data = self.reading().to_markdown(), self.reading().to_data()
        write_whole(f"{stem}.md", text.encode())
        write_whole(f"{stem}.json", (json.dumps(data, indent=1, ensure_ascii=False) + "\n").encode())

    def practice(self) -> None:
        from workbench.practice.pack import make_practice_pack

        make_practice_pack(
            self.chart, self.folder / f"{self.work.name}-practice", reading=self.reading(), recording=self._heard()
        )

    def lesson(self) -> None:
        from workbench.practice.lesson import plan_lesson
        from workbench.practice.lessonpage import write_lesson

        write_lesson(plan_lesson(self.reading(), self._heard()), self.folder / f"{self.work.name}.lesson.html")

    def _heard(self) -> Path | None:
        """The recording, if it is the one that the chart lies on."""
        of = self.chart.recording
        return self.recording if of is not None and of.sha256 in ("", self.work.sha256) else None
