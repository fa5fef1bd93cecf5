"""Working through a shelf: what is still to do for which song, who does it, and where what comes of it is put."""

from __future__ import annotations

import hashlib
import os
import shutil
import time
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from workbench import __version__
from workbench.errors import WorkbenchError
from workbench.files.audio import sha256_of
from workbench.files.journal import journal_path
from workbench.files.safefile import locked, make_folder, sync_folder, write_whole
from workbench.practice.pack import check_pack_folder, is_pack
from workbench.progress import Progress, part
from workbench.shelving.crew import WorkerDiedError, usual_memory_bytes, usual_workers, work_here
from workbench.shelving.likeness import GrooveIndex, others_text
from workbench.shelving.memory import SHELF_FOLDER, ShelfMemory, SongMemory
from workbench.shelving.songs import ShelfSong, find_songs
from workbench.shelving.work import LAST_STEPS, STEPS, GivenFile, SongWork, WorkDone, do_work


@dataclass(frozen=True)
class Shelved:
    """A shelf as it is after the work.

    Attributes
    ----------
    place : Path
        Where its charts and the catalogue lie.
    songs : tuple of ShelfSong
    memories : dict of str → SongMemory
        By key.
    failures : dict of str → list of str
        What could not be done, a sentence each, by song.
    worked : tuple of str
        Keys of the songs that were worked on now.
    """

    place: Path
    songs: tuple[ShelfSong, ...]
    memories: dict[str, SongMemory]
    failures: dict[str, list[str]]
    worked: tuple[str, ...]


#: Gives (work, what came of it) for works, wherever they are done.
_Doing = Callable[[Iterable[SongWork]], Iterator[tuple[SongWork, Any]]]


def fill_shelf(
    folder: str | os.PathLike,
    do: Collection[str] = ("draft",),
    *,
    out: str | os.PathLike | None = None,
    workers: int | None = None,
    memory_gib: float | None = None,
    scheduler: str | None = None,
    progress: Progress | None = None,
) -> Shelved:
    """Do what is still to do for the songs of a folder; see :func:`workbench.shelf`.

    Raises
    ------
    WorkbenchError
        If there is no such step or folder, another program works on the shelf, or the cluster cannot be used.
    """
    unknown = [step for step in do if step not in STEPS]
    if unknown:
        raise WorkbenchError(f"There is no step {unknown[0]!r}; the steps are {', '.join(STEPS)}.")
    if workers is not None and workers < 1 or memory_gib is not None and memory_gib <= 0:
        raise WorkbenchError("Let at least one song be worked on at a time, with some memory.")
    place = Path(folder) if out is None else Path(out)
    songs, refused = find_songs(folder, out)
    with (
        ShelfMemory.opened(place) as memory,
        _doing((place, Path(folder)), workers, memory_gib, scheduler) as (doing, shared),
    ):
        staging = make_folder(place / SHELF_FOLDER / "making")
        run = _Run(songs, memory, staging, shared)
        try:
            rounds = [[s for s in do if s not in LAST_STEPS], [s for s in do if s in LAST_STEPS]]
            rounds = rounds if rounds[1] else rounds[:1]
            for k, steps in enumerate(rounds):
                run.round(doing, steps, part(progress, k / len(rounds), (k + 1) / len(rounds)))
        finally:
            shutil.rmtree(staging, ignore_errors=True)  # what is left there was broken off
    failures = {key: [text] for key, text in refused.items()} | run.failures
    return Shelved(place, tuple(songs), memory.songs, dict(sorted(failures.items())), tuple(dict.fromkeys(run.worked)))


@contextmanager
def _doing(
    folders: tuple[Path, Path], workers: int | None, memory_gib: float | None, scheduler: str | None
) -> Iterator[tuple[_Doing, bool]]:
    """Who does the work, and whether they see the folders of charts and recordings."""
    if scheduler is not None:
        from workbench.shelving.cluster import Cluster

        with Cluster.at(scheduler) as cluster:
            yield (lambda works: cluster.work(do_work, works)), cluster.shares(folders[0] / SHELF_FOLDER, folders[1])
        return
    count = workers or usual_workers()
    most = usual_memory_bytes(count) if memory_gib is None else round(memory_gib * 2**30)
    yield (lambda works: work_here(do_work, works, count, most)), True


class _Run:
    """One run over a shelf."""

    def __init__(self, songs: list[ShelfSong], memory: ShelfMemory, staging: Path, shared: bool) -> None:
        self.songs, self.memory, self.staging, self.shared = songs, memory, staging, shared
        self.failures: dict[str, list[str]] = {}
        self.worked: list[str] = []
        self._index: GrooveIndex | None = None  # made when reading or lesson ask, after the drafts

    def round(self, doing: _Doing, do: Collection[str], progress: Progress) -> None:
        """Do some steps for all songs that lack them, the longest first: no worker is left with one at the end."""
        songs = {s.key: s for s in self.songs}
        progress(0.0, "Looking for what is left to do")
        works = [w for s in self.songs if (w := self._safely(s, lambda s: self._planned(s, do))) is not None]
        if not works:
            return progress(1.0, "Nothing is left to do")
        size = {w.key: _bytes(songs[w.key]) for w in works}
        works.sort(key=lambda w: -size[w.key])
        told = _TimeLeft(progress, sum(size.values()), len(works))
        ready = (self._safely(songs[work.key], partial(self._with_files, work)) for work in works)
        for work, done in doing(work for work in ready if work is not None):
            self._put(songs[work.key], work, done)
            told(size[work.key])

    def _safely(self, song: ShelfSong, look: Callable[[ShelfSong], SongWork | None]) -> SongWork | None:
        """What a look at a song's files gives; where they cannot be read, a failure and None."""
        try:
            return look(song)
        except OSError as error:
            self._fails(song, f"{error.filename or song.name} could not be read: {error.strerror or error}.")
        except WorkbenchError as error:
            self._fails(song, str(error))
        return None

    # -- what is to do ---------------------------------------------------------------------

    def _planned(self, song: ShelfSong, do: Collection[str]) -> SongWork | None:
        """What a song still lacks; None if nothing."""
        known = self.memory.songs.setdefault(song.key, SongMemory())
        of = _Of.now(song, known)
        ours = bool(of.chart) and known.is_ours(song.chart, song.folder) and not of.journal
        others = self._others(song) if set(do) & set(LAST_STEPS) else {}
        drafted_of = known.steps.get("draft", {}).get("of")
        drafts = (
            song.recording is not None and (not of.chart or ours) and not _is_done(known, song, "draft", of.recording)
        )
        if of.chart and not ours and drafted_of not in (None, of.recording) and song.recording is not None:
            self._fails(
                song,
                f"{song.recording.name} is another recording than its chart was drafted from, and the chart holds your "
                "edits, so both were left alone; move the chart elsewhere to have this recording drafted.",
            )
        if "draft" in do and drafts:
            steps = tuple(s for s in STEPS if s in do)
            chart = False
        elif of.chart:
            steps = tuple(s for s in STEPS[1:] if s in do and not _is_done(known, song, s, _told_of(s, of.all, others)))
            steps = tuple(s for s in steps if s != "check" or song.recording is not None)
            chart = True
            if not steps and known.entry is not None and known.entry_of == f"{__version__} {of.all}":
                return None
        else:
            return None
        return SongWork(
            song.key,
            steps,
            chart=GivenFile(str(song.chart.resolve())) if chart else None,
            recording_named=os.path.relpath(song.recording.resolve(), song.folder.resolve()) if song.recording else "",
            sha256=of.recording,
            of=of.all,
            # A chart that the shelf did not make may be as "workbench draft" wrote it: it speaks for itself.
            edited=chart and not ours and bool(of.journal or known.made.get(song.chart.name)),
            place=str(self.staging.resolve()) if self.shared else None,
            others=others,
        )

    def _with_files(self, work: SongWork, song: ShelfSong) -> SongWork:
        """Work with the files that it needs, read only now where they are sent along."""

        def given(path: Path) -> GivenFile:
            return GivenFile(str(path.resolve()), None if self.shared else path.read_bytes())

        journal = journal_path(song.chart)
        return replace(
            work,
            recording=given(song.recording) if song.recording is not None else None,
            chart=given(song.chart) if work.chart is not None else None,
            journal=given(journal) if work.chart is not None and journal.exists() else None,
        )

    def _others(self, song: ShelfSong) -> dict[str, str]:
        """Other songs with each groove of a song, by its bars."""
        if self._index is None:
            memories = ((s.key, self.memory.songs[s.key]) for s in self.songs)
            self._index = GrooveIndex((key, m.entry) for key, m in memories if m.entry is not None)
        entry = self.memory.songs[song.key].entry or {"grooves": ()}
        found = {g["bars"]: self._index.like(g["struck"]) for g in entry["grooves"] if g["sure"] and not g["free"]}
        return {bars: others_text([g for g in like if g.key != song.key]) for bars, like in found.items()}

    # -- what came of it -------------------------------------------------------------------

    def _fails(self, song: ShelfSong, *sentences: str) -> None:
        if sentences:
            self.failures.setdefault(song.key, []).extend(sentences)

    def _put(self, song: ShelfSong, work: SongWork, done: Any) -> None:
        """Put the files of a song in their places, and remember what was done."""
        if isinstance(done, WorkerDiedError):
            died = "broke down each time, perhaps for want of memory; cut the recording, or give it more (--memory)"
            done = WorkDone(failures=(f"Work on {song.name} {died}.",))
        elif not isinstance(done, WorkDone):
            done = WorkDone(failures=(f"Work on {song.name} failed ({type(done).__name__}: {done}).",))
        self._fails(song, *done.failures)
        try:
            if done.details:
                faults = make_folder(self.memory.folder / "faults")
                write_whole(faults / f"{song.key.replace('/', '-')}.txt", done.details.encode("utf-8", "replace"))
            made = Path(done.folder) if done.folder else self._unpacked(done.files)
            try:
                self._deliver(song, work, done, made)
            finally:
                shutil.rmtree(made, ignore_errors=True)
        except OSError as error:
            self._fails(
                song, f"{song.name} could not be written: {error.strerror or error}; make room and run it again."
            )
        except WorkbenchError as error:
            self._fails(song, str(error))

    def _unpacked(self, files: dict[str, bytes]) -> Path:
        folder = self.staging / hashlib.sha256(os.urandom(16)).hexdigest()[:16]
        make_folder(folder)
        for name, data in files.items():
            make_folder((folder / name).parent)
            write_whole(folder / name, data)
        return folder

    def _deliver(self, song: ShelfSong, work: SongWork, done: WorkDone, made: Path) -> None:
        known = self.memory.songs[song.key]
        make_folder(song.folder)
        with locked(song.chart):
            of = _Of.now(song, known)
            drafted = "draft" in done.steps
            if drafted and of.chart and (of.journal or not known.is_ours(song.chart, song.folder)):
                return self._fails(
                    song, f"{song.chart.name} was edited while {song.name} was drafted; your edits stay."
                )
            parts = {step: [p for name in names for p in _parts(made, name)] for step, names in done.steps.items()}
            everything = [p for names in parts.values() for p in names]
            put = [name for name in everything if self._may_write(song, known, name)]
            left = [name for name in everything if name not in put]
            for name in put:
                if not (made / name).is_dir():
                    known.made[name] = [*known.made.get(name, []), sha256_of(made / name)][-2:]
            # Of what the work was begun with: what was edited since is done again.
            done_of = _Of(work.sha256, known.made[song.chart.name][-1], "").all if drafted else work.of
            for step, names in parts.items():
                step_of = work.sha256 if step == "draft" else _told_of(step, done_of, work.others)
                known.steps[step] = {"version": __version__, "of": step_of, "files": names}
            if done.entry is not None:
                known.entry, known.entry_of = done.entry, f"{__version__} {done_of}"
            self.memory.keep(song.key)
            for name in put:
                _move(made / name, song.folder / name)
        if put:
            sync_folder(song.folder)
        self.worked.append(song.key)
        for name in left:
            self._fails(song, f"{name} was changed by hand and left as it is; move it elsewhere to have it made anew.")

    def _may_write(self, song: ShelfSong, known: SongMemory, name: str) -> bool:
        """Whether nothing of a person's is in the place of a file or a pack."""
        target = song.folder / name
        if not target.exists():
            return True
        if not target.is_dir():
            return known.is_ours(target, song.folder) or target.parent.name.startswith(".")
        try:
            check_pack_folder(target)
        except WorkbenchError:
            return False
        return True


@dataclass(frozen=True)
class _Of:
    """Checksums of what work is done of."""

    recording: str
    chart: str
    journal: str

    @classmethod
    def now(cls, song: ShelfSong, known: SongMemory) -> _Of:
        paths = (song.recording, song.chart, journal_path(song.chart))
        return cls(*("" if p is None else known.sha256(p, song.folder) for p in paths))

    @property
    def all(self) -> str:
        return hashlib.sha256(f"{self.recording} {self.chart} {self.journal}".encode()).hexdigest()


def _told_of(step: str, of: str, others: dict[str, str]) -> str:
    """What a step after the draft is done of: those that tell of other songs are done again where these are others."""
    return of if step not in LAST_STEPS else hashlib.sha256(f"{of} {sorted(others.items())}".encode()).hexdigest()


def _is_done(known: SongMemory, song: ShelfSong, step: str, of: str) -> bool:
    done = known.steps.get(step)
    return (
        done is not None
        and done["version"] == __version__
        and done["of"] == of
        and all((song.folder / name).exists() for name in done["files"])
    )


def _parts(made: Path, name: str) -> list[str]:
    """The files of a folder, but a practice pack as a whole."""
    path = made / name
    if not path.is_dir() or is_pack(path):
        return [name]
    return [p.relative_to(made).as_posix() for p in sorted(path.rglob("*")) if p.is_file()]


def _move(source: Path, target: Path) -> None:
    make_folder(target.parent)
    if target.is_dir():
        shutil.rmtree(target)
    os.replace(source, target)


def _bytes(song: ShelfSong) -> int:
    """What the work on a song goes by."""
    try:
        return (song.recording or song.chart).stat().st_size
    except OSError:
        return 1


class _TimeLeft:
    """Tells how far the work is, and about how long it will take."""

    def __init__(self, progress: Progress, size: int, count: int) -> None:
        self.progress, self.size, self.count = progress, max(size, 1), count
        self.begun, self.done, self.ended = time.monotonic(), 0, 0
        progress(0.0, f"{count} song{'s' * (count != 1)} to do")

    def __call__(self, size: int) -> None:
        self.done, self.ended = self.done + size, self.ended + 1
        share = self.done / self.size
        left_s = (time.monotonic() - self.begun) * (1 / max(share, 1e-9) - 1)
        left = f", {time_words(left_s)} left" if self.ended < self.count else ""
        self.progress(min(share, 1.0), f"{self.ended} of {self.count} songs{left}")


def time_words(seconds: float) -> str:
    """A stretch of time as one says it.

    Examples
    --------
    >>> time_words(41), time_words(700), time_words(9000), time_words(1e6)
    ('about 45 s', 'about 12 min', 'about 2.5 h', 'about 12 days')
    """
    if seconds < 60:
        return f"about {5 * round(max(seconds, 1) / 5 + 0.49)} s"
    if seconds < 3600:
        return f"about {seconds / 60:.0f} min"
    return f"about {seconds / 3600:.1f} h" if seconds < 48 * 3600 else f"about {seconds / 86400:.0f} days"
