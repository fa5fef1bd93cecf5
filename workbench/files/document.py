"""The chart as a document: edits, undo and redo, and a journal that loses nothing.

Beside ``NAME.chart.json`` lies ``NAME.journal.jsonl`` (:mod:`workbench.files.journal`).
A step is on disk (written and flushed) before it counts as done, so a kernel
killed at any moment loses no confirmed edit; opening the chart again makes the
steps again and says what it brought back.

No notebook keeps a chart for itself.  Before each step a document makes sure
that the journal is as it left it; if another one has gone on meanwhile, the
step is refused, and :meth:`ChartDocument.reload` goes on from there.
"""

from __future__ import annotations

import logging
import os
import threading
import weakref
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from workbench.chart import Chart
from workbench.chart.data import to_data
from workbench.chart.edits import Edit
from workbench.errors import FileFormatError
from workbench.files import journal
from workbench.files.chartfile import dumps_chart, read_chart_bytes, write_chart
from workbench.files.history import History
from workbench.files.journal import ChangedElsewhereError, End, journal_path, sha256_of_bytes
from workbench.files.safefile import copy_aside, locked, set_aside, sweep, write_whole

#: A journal longer than this starts anew when the chart is opened and all is saved.
MOST_STEPS = 2000

#: ``callback(document, edit)``; the edit is None after undo, redo and reloading.
Observer = Callable[["ChartDocument", Edit | None], None]

_log = logging.getLogger(__name__)
_open_documents: weakref.WeakValueDictionary[Path, ChartDocument] = weakref.WeakValueDictionary()
_registry_lock = threading.RLock()


class _State(NamedTuple):
    """All that a step changes.  It is exchanged as one: an interrupt leaves the old or the new."""

    history: History
    saved_revision: int  # what the chart file holds
    file_hashes: frozenset[str]  # of the chart file as it was last read or written here
    end: End | None  # of the journal, likewise; None while there is none


class ChartDocument:
    """A chart that is being edited: the one place where a user's chart changes.

    Make one with :meth:`open` or :meth:`create`.  All methods may be called
    from any thread.  In one kernel a chart is open once: opening it again
    gives the same document, so two views never drift apart.

    Examples
    --------
    >>> import tempfile
    >>> from workbench.chart import Note
    >>> from workbench.chart.edits import AddNote
    >>> from workbench.chart.meter import TimeMap
    >>> folder = Path(tempfile.mkdtemp())
    >>> with ChartDocument.create(Chart.empty(TimeMap.steady(4, 120)), folder / "song.chart.json") as song:
    ...     _ = song.apply(AddNote(0, Note(0, "kick")))
    ...     _ = song.undo()
    ...     song.can_redo
    True
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._journal = journal_path(path)
        self._lock = threading.RLock()
        self._observers: list[Observer] = []
        self._closed = False
        self._notice = ""
        self._beginning: tuple[journal.Line, Chart, bytes] | None = None  # of a journal to come
        with locked(path):
            self._state = self._load()

    # -- opening and closing -----------------------------------------------------------

    @classmethod
    def open(cls, path: str | os.PathLike) -> ChartDocument:
        """Open a chart file with all edits confirmed so far, saved or not.

        :attr:`notice` then says, in a sentence, if unsaved edits were brought
        back, or something was damaged and what was kept of it.

        Raises
        ------
        FileFormatError
            If the file cannot be read, or is no chart and no journal makes up for it.
        """
        path = Path(os.path.realpath(path))
        with _registry_lock:
            document = _open_documents.get(path)
            if document is None:
                document = _open_documents[path] = cls(path)
            else:
                document.reload()
            return document

    @classmethod
    def create(cls, chart: Chart, path: str | os.PathLike, overwrite: bool = False) -> ChartDocument:
        """Write a new chart file and open it.

        Raises
        ------
        FileFormatError
            If a chart of this name exists (its edits would be lost) and
            ``overwrite`` is not set, or the file cannot be written.  Even when
            overwriting, unsaved edits of the old chart stay in a journal that
            is set aside.
        """
        path = Path(os.path.realpath(path))
        if path.exists() and not overwrite:
            raise FileFormatError(
                f"{path.name} exists already; open it, choose another name, or say overwrite=True to replace it."
            )
        with _registry_lock:
            known = _open_documents.get(path)
            if known is not None:
                known.close()
            with locked(path):
                if (old := journal_path(path)).exists():
                    set_aside(old, "replaced")
                write_chart(chart, path)
            return cls.open(path)

    def reload(self) -> None:
        """Go on from what is on disk, with the edits made in other notebooks; views are told.

        Nothing happens if nobody has changed the chart.
        """
        with self._lock:
            self._check_open()
            with locked(self.path):
                if self._journal_as_left() and sha256_of_bytes(read_chart_bytes(self.path)) in self._state.file_hashes:
                    return
                if self._state.history.edits and not self._journal.exists():
                    self._start_journal()  # deleted under our hands: its steps are known here only
                self._state = self._load()
            self._tell(None)

    def close(self) -> None:
        """Edit no more; nothing is lost, unsaved edits stay in the journal."""
        with _registry_lock, self._lock:
            self._closed = True
            if _open_documents.get(self.path) is self:
                del _open_documents[self.path]

    def __enter__(self) -> ChartDocument:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __repr__(self) -> str:
        unsaved = f", {self.unsaved} unsaved" if self.unsaved else ""
        return f"<ChartDocument {self.path.name}, revision {self.revision}{unsaved}>"

    # -- looking ------------------------------------------------------------------------

    @property
    def chart(self) -> Chart:
        """The chart as it is now."""
        return self._state.history.chart

    @property
    def revision(self) -> int:
        """Grows by one with every edit, undo and redo."""
        return self._state.history.revision

    @property
    def unsaved(self) -> int:
        """Steps (edits, undos, redos) since the chart file was last written."""
        state = self._state
        return state.history.revision - state.saved_revision

    @property
    def notice(self) -> str:
        """What the user should know after opening, or an empty text."""
        return self._notice

    @property
    def can_undo(self) -> bool:
        return self.last_edit is not None

    @property
    def can_redo(self) -> bool:
        """Whether an undone edit can be done again."""
        return self.next_edit is not None

    @property
    def last_edit(self) -> Edit | None:
        """What :meth:`undo` takes back."""
        history = self._state.history
        return history.edits[history.at - 1] if history.at else None

    @property
    def next_edit(self) -> Edit | None:
        """What :meth:`redo` does again."""
        history = self._state.history
        return history.edits[history.at] if history.at < len(history.edits) else None

    def saved_charts(self) -> list[Chart]:
        """The chart as it stood whenever its file was written, as far as the journal goes back, the newest first."""
        with locked(self.path):
            return journal.saved_charts(journal.read_journal(self._journal) or b"", self.path.name)

    # -- changing -----------------------------------------------------------------------

    def apply(self, edit: Edit) -> Chart:
        """Make an edit; when this returns, it is on disk.

        Raises
        ------
        ChartError
            If the edit is not possible; nothing has changed.
        FileFormatError
            If the journal cannot be written, or the chart was changed elsewhere
            (:class:`~workbench.files.journal.ChangedElsewhereError`); nothing has changed.
        """
        with self._lock:
            return self._step({"do": to_data(edit)}, self._state.history.with_edit(edit), edit)

    def prepare(self) -> None:
        """Make ready what the first step writes, the whole chart, so that it takes no longer than any other."""
        if self._state.end is None:
            self._beginning = self._begin(self._state)

    def undo(self) -> Chart:
        """Take the last edit back.

        Raises
        ------
        ChartError
            If there is nothing to take back.
        """
        with self._lock:
            return self._step({"undo": 1}, self._state.history.with_undo(), None)

    def redo(self) -> Chart:
        """Make the edit again that was taken back last.

        Raises
        ------
        ChartError
            If there is none.
        """
        with self._lock:
            return self._step({"redo": 1}, self._state.history.with_redo(), None)

    def save(self) -> None:
        """Write the chart file.

        Raises
        ------
        FileFormatError
            If it cannot be written, or was changed elsewhere since it was opened.
        """
        with self._lock:
            self._check_open()
            text = dumps_chart(self.chart)
            hash_ = sha256_of_bytes(text.encode())
            with locked(self.path):
                self._check_file(hash_)
                # Told to the journal first: whichever of the two versions a crash
                # leaves in place, opening finds where it stands among the steps.
                if self._state.history.edits or self._state.end or self._journal.exists():
                    end = self._record({"n": self.revision, "saved": hash_})
                    self._state = self._state._replace(end=end)
                self._state = self._state._replace(file_hashes=self._state.file_hashes | {hash_})
                write_whole(self.path, text.encode())
            self._state = self._state._replace(file_hashes=frozenset({hash_}), saved_revision=self.revision)

    def observe(self, callback: Observer) -> Callable[[], None]:
        """Have ``callback(document, edit)`` called after every step.

        ``edit`` is None after undo and redo.  Returns a function that ends it.
        """
        with self._lock:
            self._observers.append(callback)

        def stop() -> None:
            with self._lock:
                if callback in self._observers:
                    self._observers.remove(callback)

        return stop

    # -- inside --------------------------------------------------------------------------

    def _step(self, step: journal.Line, after: History, edit: Edit | None) -> Chart:
        self._check_open()
        with locked(self.path):
            end = self._record({"n": after.revision, **step})
        self._state = self._state._replace(history=after, end=end)
        self._tell(edit)
        return after.chart

    def _record(self, line: journal.Line) -> End:
        """A line on disk at the end of the journal, which is begun where there is none."""
        state = self._state
        if state.end is not None and self._journal.exists():
            return journal.append(self._journal, line, state.end, self.path.name)
        if self._journal.exists():
            raise ChangedElsewhereError(self.path.name)
        self._check_file()
        return self._start_journal(line)

    def _start_journal(self, *lines: journal.Line) -> End:
        steps = self._state.history.steps()
        self._beginning, (*_, beginning) = None, self._begin(self._state)
        return journal.write_anew(self._journal, beginning + journal.journal_bytes([*steps, *lines]), self._mode())

    def _begin(self, state: _State) -> tuple[journal.Line, Chart, bytes]:
        """What a journal begins with: where it starts, from which chart, and both as they stand in the file."""
        history, chart = state.history, state.history.charts[0]
        start: journal.Line = {"n": history.revision - len(history.steps())}
        if not history.edits and len(state.file_hashes) == 1:
            (start["saved"],) = state.file_hashes
        if (ready := self._beginning) is not None and ready[0] == start and ready[1] is chart:
            return ready
        full = start | {"chart": to_data(chart)}
        return start, chart, journal.journal_bytes([journal.header_of(start), full])

    def _mode(self) -> int:
        """Who may read the chart may read its journal, and nobody else; we must be able to write it."""
        return 0o600 | (self.path.stat().st_mode & 0o777 if self.path.exists() else 0)

    def _journal_as_left(self) -> bool:
        """Whether nobody has written the journal; if somebody has deleted it, we write it anew at the next step."""
        data = journal.read_journal(self._journal)
        return data is None or journal.end_of(data) == self._state.end

    def _check_file(self, *ours: str) -> None:
        if self.path.exists():
            found = sha256_of_bytes(read_chart_bytes(self.path))
            if found not in ours and found not in self._state.file_hashes:
                raise ChangedElsewhereError(self.path.name)

    def _check_open(self) -> None:
        if self._closed:
            raise FileFormatError(f"{self.path.name} was closed; open it again to edit it.")

    def _tell(self, edit: Edit | None) -> None:
        for observer in tuple(self._observers):
            try:
                observer(self, edit)
            except Exception:
                # The edit is done and on disk; a view that fails must not make it look undone.
                _log.exception("A view of %s failed", self.path.name)

    def _load(self) -> _State:
        """What is on disk; where that is damaged, it is set aside first, then mended, and the notice says so."""
        for path in (self.path, self._journal):
            sweep(path)
        chart_file, lines = read_chart_bytes(self.path), journal.read_journal(self._journal)
        found = journal.recover(chart_file, lines, self.path.name)
        hash_, end, saved = sha256_of_bytes(chart_file), None, found.saved_revision
        notices = []
        if lines is not None and not found.lines:
            kept = set_aside(self._journal, "other" if found.whole else "damaged")
            words = "belongs to another version of the chart" if found.whole else "is damaged"
            notices.append(f"The journal of {self.path.name} {words}; it is kept in {kept.name}.")
        elif lines is not None:
            if not found.whole:
                kept = copy_aside(self._journal, "damaged")
                notices.append(
                    f"The journal of {self.path.name} is damaged or was cut off; what can be read of it was "
                    f"brought back, all of it is kept in {kept.name}."
                )
            if found.old or not found.whole:
                end = journal.write_anew(self._journal, journal.journal_bytes(found.lines), self._mode())
            else:
                end = journal.end_of(lines)
                with suppress(OSError):
                    self._journal.chmod(self._mode())
        if saved is None:
            kept = copy_aside(self.path, "damaged")
            text = dumps_chart(found.history.chart)
            hash_, saved = sha256_of_bytes(text.encode()), found.history.revision
            assert end is not None  # the chart came from the journal
            end = journal.append(self._journal, {"n": saved, "saved": hash_}, end, self.path.name)
            write_whole(self.path, text.encode())
            notices.append(
                f"{self.path.name} is damaged and was written again from its journal; "
                f"the damaged file is kept in {kept.name}."
            )
        history = found.history
        if unsaved := history.revision - saved:
            last = f"last {unsaved} edits were" if unsaved > 1 else "last edit was"
            notices.append(f"Your {last} brought back ({self.path.name}).")
        elif end is not None and len(found.lines) > MOST_STEPS:
            # All is in the chart file: a long history starts anew.
            self._journal.unlink()
            history, saved, end = History((history.chart,)), 0, None
        self._notice = " ".join(notices)
        return _State(history, saved, frozenset({hash_}), end)


def read_working_chart(path: str | os.PathLike) -> Chart:
    """A chart with its unsaved edits, for reading only.

    What ``read_chart`` plus the journal give, without opening a document: for
    programs that print or play what a notebook is editing.
    """
    path = Path(os.path.realpath(path))
    with locked(path):
        return journal.recover(
            read_chart_bytes(path), journal.read_journal(journal_path(path)), path.name
        ).history.chart
