"""The chart as a document: edits, undo and redo, and a journal that loses nothing.

Beside ``NAME.chart.json`` lies ``NAME.journal.jsonl`` (:mod:`workbench.files.journal`).
A step is on disk (written and flushed) before it counts as done, so a kernel
killed at any moment loses no confirmed edit; opening the chart again replays
the journal and says what it brought back.  A last line cut off by a crash was
never confirmed and is dropped.
"""

from __future__ import annotations

import hashlib
import logging
import os
import threading
import weakref
from collections.abc import Callable
from pathlib import Path

from workbench.chart import Chart
from workbench.chart.data import chart_from_data, edit_from_data, edit_to_data
from workbench.chart.edits import Edit, apply
from workbench.errors import ChartError, FileFormatError
from workbench.files.chartfile import dumps_chart, loads_chart, read_text, write_text_safely
from workbench.files.journal import Journal, ReadOnlyJournal, journal_path

#: A journal longer than this starts anew when the chart is opened and all is saved.
MOST_STEPS = 2000

#: ``callback(document, edit)``; the edit is None after undo and redo.
Observer = Callable[["ChartDocument", Edit | None], None]

_log = logging.getLogger(__name__)
_open_documents: weakref.WeakValueDictionary[Path, ChartDocument] = weakref.WeakValueDictionary()
_registry_lock = threading.RLock()


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

    def __init__(self, path: Path, chart: Chart, file_sha256: str) -> None:
        self.path = path
        self._lock = threading.RLock()
        self._charts = [chart]  # charts before and after each edit
        self._edits: list[Edit] = []  # _edits[k] leads from _charts[k] to _charts[k + 1]
        self._at = 0  # which of _charts is the chart
        self._revision = 0
        self._file_sha256 = file_sha256
        self._unsaved = 0
        self._replayed = 0  # lines of the journal
        self._notice = ""
        self._observers: list[Observer] = []
        self._journal = Journal(journal_path(path))
        self._closed = False

    # -- opening and closing -----------------------------------------------------------

    @classmethod
    def open(cls, path: str | os.PathLike) -> ChartDocument:
        """Open a chart file with all edits confirmed so far, saved or not.

        :attr:`notice` then says, in a sentence, if unsaved edits were brought
        back or a journal had to be set aside.

        Raises
        ------
        FileFormatError
            If the file cannot be read, or is being edited in another kernel.
        """
        path = Path(path).resolve()
        with _registry_lock:
            text = read_text(path)
            sha256 = _sha256(text)
            known = _open_documents.get(path)
            if known is not None and not known._closed:
                if known._file_sha256 == sha256:
                    return known
                known.close()
            document = cls(path, loads_chart(text, path.name), sha256)
            document._journal.check_unlocked()
            document._restore()
            _open_documents[path] = document
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
        path = Path(path).resolve()
        if path.exists() and not overwrite:
            raise FileFormatError(
                f"{path.name} exists already; open it, choose another name, or say overwrite=True to replace it."
            )
        with _registry_lock:
            known = _open_documents.get(path)
            if known is not None:
                known.close()
            journal = Journal(journal_path(path))
            journal.check_unlocked()
            journal.set_aside("replaced")
            write_text_safely(path, dumps_chart(chart))
            return cls.open(path)

    def close(self) -> None:
        """Let others edit the file; nothing is lost, unsaved edits stay in the journal."""
        with _registry_lock, self._lock:
            self._closed = True
            self._journal.close()
            if _open_documents.get(self.path) is self:
                del _open_documents[self.path]

    def __enter__(self) -> ChartDocument:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __repr__(self) -> str:
        unsaved = f", {self._unsaved} unsaved" if self._unsaved else ""
        return f"<ChartDocument {self.path.name}, revision {self.revision}{unsaved}>"

    # -- looking ------------------------------------------------------------------------

    @property
    def chart(self) -> Chart:
        """The chart as it is now."""
        with self._lock:
            return self._charts[self._at]

    @property
    def revision(self) -> int:
        """Grows by one with every edit, undo and redo."""
        return self._revision

    @property
    def unsaved(self) -> int:
        """Steps (edits, undos, redos) since the chart file was last written."""
        return self._unsaved

    @property
    def notice(self) -> str:
        """What the user should know after opening, or an empty text."""
        return self._notice

    @property
    def can_undo(self) -> bool:
        with self._lock:
            return self._at > 0

    @property
    def can_redo(self) -> bool:
        with self._lock:
            return self._at < len(self._edits)

    # -- changing -----------------------------------------------------------------------

    def apply(self, edit: Edit) -> Chart:
        """Make an edit; when this returns, it is on disk.

        Raises
        ------
        ChartError
            If the edit is not possible; nothing has changed.
        FileFormatError
            If the journal cannot be written; nothing has changed.
        """
        with self._lock:
            after = apply(self.chart, edit)
            self._record({"do": edit_to_data(edit)})
            self._step_on(edit, after)
            self._tell(edit)
            return after

    def undo(self) -> Chart:
        """Take the last edit back.

        Raises
        ------
        ChartError
            If there is nothing to take back.
        """
        with self._lock:
            if self._at == 0:
                raise ChartError("There is nothing to undo.")
            self._record({"undo": 1})
            self._at -= 1
            self._count()
            self._tell(None)
            return self.chart

    def redo(self) -> Chart:
        """Make the edit again that was taken back last.

        Raises
        ------
        ChartError
            If there is none.
        """
        with self._lock:
            if self._at == len(self._edits):
                raise ChartError("There is nothing to redo.")
            self._record({"redo": 1})
            self._at += 1
            self._count()
            self._tell(None)
            return self.chart

    def save(self) -> None:
        """Write the chart file.

        Raises
        ------
        FileFormatError
            If it cannot be written, or another program has changed it since it
            was opened.
        """
        with self._lock:
            self._check_open()
            text = dumps_chart(self.chart)
            sha256 = _sha256(text)
            if self.path.exists() and _sha256(read_text(self.path)) not in (self._file_sha256, sha256):
                raise FileFormatError(
                    f"{self.path.name} was changed by another program since it was opened; write this chart "
                    "under another name (write_chart) or open the file again."
                )
            # Told to the journal first: whichever of the two versions a crash
            # leaves in place, opening finds where it stands among the steps.
            if self._journal.exists or self._edits:
                self._record({"saved": sha256})
            write_text_safely(self.path, text)
            self._file_sha256 = sha256
            self._unsaved = 0

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

    def _check_open(self) -> None:
        if self._closed:
            raise FileFormatError(f"{self.path.name} was closed or opened anew; open it again to edit it.")

    def _record(self, step: dict) -> None:
        self._check_open()
        if not self._journal.exists:
            done: list[dict] = [{"do": edit_to_data(e)} for e in self._edits]
            done += [{"undo": 1}] * (len(done) - self._at)
            first = self._revision - len(done) + 1
            self._journal.start(self._charts[0], self._file_sha256, [{**s, "n": first + k} for k, s in enumerate(done)])
        self._journal.append({**step, "n": self._revision + ("saved" not in step)})

    def _step_on(self, edit: Edit, after: Chart) -> None:
        del self._charts[self._at + 1 :], self._edits[self._at :]
        self._charts.append(after)
        self._edits.append(edit)
        self._at += 1
        self._count()

    def _count(self) -> None:
        self._revision += 1
        self._unsaved += 1

    def _tell(self, edit: Edit | None) -> None:
        for observer in tuple(self._observers):
            try:
                observer(self, edit)
            except Exception:
                # The edit is done and on disk; a view that fails must not make it look undone.
                _log.exception("A view of %s failed", self.path.name)

    def _restore(self) -> None:
        """Replay the journal onto the chart just read."""
        base, steps, damaged = self._journal.read()
        if base is None:
            if damaged:
                self._set_aside("damaged", "could not be read")
            return
        marks = [base["sha256"]] + [s["saved"] for s in steps if "saved" in s]
        if self._file_sha256 not in marks:
            last_mark = max((k for k, s in enumerate(steps) if "saved" in s), default=-1)
            if last_mark + 1 < len(steps):
                self._set_aside("other", "belongs to another version of the chart")
            else:
                self._journal.remove()
            return
        read_from_file = self._charts[0]
        try:
            self._charts = [chart_from_data(base["chart"])]
            for step in steps:
                self._replay(step)
        except (ChartError, KeyError, TypeError, ValueError):
            damaged = True
        if damaged:
            kept = self._journal.copy_aside("damaged")
            self._notice = (
                f"A part of the journal of {self.path.name} is damaged; what came before it was "
                f"brought back, all of it is kept in {kept.name}."
            )
            self._journal.rewrite(base, steps[: self._replayed])
        elif self._unsaved:
            self._notice = (
                f"{self._unsaved} unsaved edit{'s' * (self._unsaved > 1)} of {self.path.name} "
                f"{'were' if self._unsaved > 1 else 'was'} brought back."
            )
        if not self._unsaved and not damaged and (self.chart != read_from_file or len(steps) > MOST_STEPS):
            # Nothing unsaved: the file is the truth; a long history starts anew.
            self._charts, self._edits, self._at = [read_from_file], [], 0
            self._journal.remove()

    def _replay(self, step: dict) -> None:
        number = step["n"]
        if "do" in step:
            edit = edit_from_data(step["do"])
            self._step_on(edit, apply(self.chart, edit))
        elif "undo" in step and self._at > 0:
            self._at -= 1
            self._count()
        elif "redo" in step and self._at < len(self._edits):
            self._at += 1
            self._count()
        elif "saved" in step:
            if step["saved"] == self._file_sha256:
                self._unsaved = 0
        else:
            raise ChartError("The journal holds an unknown step.")
        self._revision = max(self._revision, number)
        self._replayed += 1

    def _set_aside(self, why: str, words: str) -> None:
        kept = self._journal.set_aside(why)
        if kept is not None:
            self._notice = f"The journal of {self.path.name} {words}; it is kept in {kept.name}."


def read_working_chart(path: str | os.PathLike) -> Chart:
    """A chart with its unsaved edits, for reading only.

    What ``read_chart`` plus the journal give, without opening a document: for
    programs that print or play what a notebook is editing.
    """
    path = Path(path).resolve()
    text = read_text(path)
    document = ChartDocument(path, loads_chart(text, path.name), _sha256(text))
    document._journal = ReadOnlyJournal(journal_path(path))
    document._restore()
    return document.chart


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()
