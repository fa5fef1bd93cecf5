"""The hit grid: a chart against its recording in a notebook page.

Python owns the chart.  The page sends small edits; they are checked and made
here (:class:`workbench.files.document.ChartDocument` keeps each on disk before it is
answered), and every view of the chart is told what has changed.

JupyterLab answers messages of widgets on other threads while a cell runs, so
nothing here relies on being alone: the document and this widget have locks.
"""

from __future__ import annotations

import logging
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import islice
from pathlib import Path
from typing import Any

import anywidget
import ipywidgets as w
import numpy as np
import traitlets as t
from comm import DummyComm

from workbench.chart import DOUBT_BELOW, Chart
from workbench.chart import data as chartdata
from workbench.chart.baracts import lines_taken_along
from workbench.chart.counting import bar_list
from workbench.chart.drums import clearest, named_words, places_said
from workbench.chart.edits import Edit, LayBars, NameDrum, SetBars
from workbench.errors import AudioError, ChartError, WorkbenchError
from workbench.files.audio import SAMPLE_RATE_HZ, Audio, load_audio, sha256_of
from workbench.files.chartfile import recording_file
from workbench.files.document import ChartDocument
from workbench.files.journal import ChangedElsewhereError
from workbench.grid import passages
from workbench.grid.bar_advice import BarAdvice
from workbench.grid.corrections import Corrections
from workbench.grid.messages import changed_parts, kit_rows, snapshot
from workbench.grid.sound_advice import SoundAdvice
from workbench.grid.sound_picture import PEAK_RATE_HZ, PICTURE_BANDS, PICTURE_RATE_HZ, counts, picture_pieces
from workbench.sound.separation import Separation, store_beside

_STATIC = Path(__file__).parent / "static"
_log = logging.getLogger(__name__)


#: Formats that the grid exports.
EXPORTED = ("pdf", "musicxml", "midi", "png")
#: So long what takes the processor waits for the page to draw the chart, seconds.
PAGE_COMES_S = 3.0
#: Passages that the page may have begun to hear; of more, the oldest are not gone on with.
MOST_BEGUN = 16
#: A thread that works (score, sound) gives way to one that answers an edit after this, seconds; Python's own is 5 ms.
GIVES_WAY_S = 0.001
#: What shifting the 1, tempo level and meter are for.
BARS_MEANT = ("whole song", "from here on", "selected bars")


@dataclass
class _Sound:
    """A passage that the page gets piece by piece."""

    heading: dict[str, Any]
    rate: int
    total: int  # frames
    pieces: Iterator[np.ndarray]
    sent: int = 0
    lock: threading.Lock = field(default_factory=threading.Lock)


class HitGrid(anywidget.AnyWidget):
    """An editable grid of bars and drum-key rows against waveform and spectrogram.

    Parameters
    ----------
    document : ChartDocument
        Where edits go; several grids may show one document.
    recording : path or Audio, optional
        By default the chart's own recording, looked for beside the chart file.

    Notes
    -----
    Levels go from 0 to 100 %, placing from −100 (left) to 100 (right).  All
    synchronised traits can be linked to other widgets (``ipywidgets.jslink``).

    Examples
    --------
    >>> import workbench as wb
    >>> from tempfile import mkdtemp
    >>> grid = wb.HitGrid(wb.open_chart(wb.demo_song(mkdtemp(), "chart")))
    >>> grid.speed_percent = 50
    """

    _esm = _STATIC / "grid.js"
    _css = _STATIC / "grid.css"

    bars_per_line = t.Int(-1, min=-1, help="−1: as many as can be read; 0: all bars in one line").tag(sync=True)
    height = t.Int(900, min=160, help="most of the sheet, pixels; it is lower where the window is").tag(sync=True)
    show_waveform = t.Bool(True).tag(sync=True)
    show_spectrogram = t.Bool(True).tag(sync=True)
    show_keys = t.Bool(False, help="the list of keys, over the sheet").tag(sync=True)
    all_rows = t.Bool(False, help="rows for every instrument of the kit").tag(sync=True)
    doubt_below = t.Float(DOUBT_BELOW, min=0.0, max=1.0).tag(sync=True)
    hearing_hint = t.Bool(True).tag(sync=True)

    changed_elsewhere = t.Bool(False, help="another notebook or program has changed the chart").tag(sync=True)

    bar_index = t.Int(0, help="bar of the cursor").tag(sync=True)
    selected_bars = t.List(t.Int(), help="[first, last] or empty").tag(sync=True)
    bars_meant = t.Enum(BARS_MEANT, BARS_MEANT[0], help="what an act on bars is for").tag(sync=True)
    heard_bar = t.Int(-1, help="bar that sounds; −1: none").tag(sync=True)

    playing = t.Bool(False).tag(sync=True)
    loop = t.Bool(True).tag(sync=True)
    speed_percent = t.Int(100, min=passages.SLOWEST_PERCENT, max=passages.FASTEST_PERCENT).tag(sync=True)
    count_in_bars = t.Int(0, min=0, max=2).tag(sync=True)
    sound_hits = t.Bool(True, help="hits sound when they are written").tag(sync=True)
    drums_level = t.Int(70, min=0, max=100, help="drums of the recording").tag(sync=True)
    drums_pan = t.Int(0, min=-100, max=100).tag(sync=True)
    rest_level = t.Int(70, min=0, max=100, help="the recording without its drums").tag(sync=True)
    rest_pan = t.Int(0, min=-100, max=100).tag(sync=True)
    chart_level = t.Int(0, min=0, max=100).tag(sync=True)
    chart_pan = t.Int(0, min=-100, max=100).tag(sync=True)
    click_level = t.Int(0, min=0, max=100).tag(sync=True)
    click_pan = t.Int(0, min=-100, max=100).tag(sync=True)

    def __init__(self, document: ChartDocument, recording: str | Path | Audio | None = None, **kwargs: Any) -> None:
        self.document = document
        self._state_lock = threading.RLock()
        self._shown: Chart = document.chart
        self._corrections = Corrections()
        self._answering = threading.local()
        self._edit_lock = threading.RLock()  # held longest, taken first: never while the document is locked
        self._refusals: dict[str, dict[int, str]] = {}  # of each page's edits by number; empty: done
        self._revision = document.revision
        self._info = self._document_info()
        self._workers = ThreadPoolExecutor(2, thread_name_prefix="hit grid")
        sys.setswitchinterval(min(sys.getswitchinterval(), GIVES_WAY_S))
        self._picture: list[tuple[dict, list]] = []
        self._begun: dict[str, _Sound] = {}
        self._sounds = SoundAdvice(document, self._tell_info)
        self._audio: Future[Separation] | None = None
        self._seen = threading.Event()  # the page has drawn the chart, or will not come
        super().__init__(**{"doubt_below": document.chart.doubt_below, **kwargs})
        if isinstance(self.comm, DummyComm):
            self._seen.set()
        self._let_the_page_choose_the_thread()
        self.on_msg(self._receive)
        self._stop_observing = document.observe(self._document_changed)
        of = document.chart.recording
        if recording is not None or (of is not None and of.path):
            self._listen_to(recording)
        self._advice = BarAdvice(document, lambda: self._file(recording), self._tell_info)
        self._workers.submit(self._prepare)

    def close(self) -> None:
        """Take the grid out of the page; the document stays open."""
        self._stop_observing()
        self._seen.set()
        self._advice.close()
        self._sounds.close()
        self._workers.shutdown(wait=False, cancel_futures=True)
        super().close()

    def _send(self, msg: dict, buffers: list | None = None) -> None:
        super()._send(msg, buffers=buffers)
        self._let_the_page_choose_the_thread()

    def _let_the_page_choose_the_thread(self) -> None:
        """Have edits answered while a cell runs.

        The page addresses its messages to a thread beside the main one.
        ipykernel 7.4 hands them instead to the thread that last sent something
        on the comm: after a cell has, that is the main thread, where edits
        would wait for the cell's end.  What it has noted is therefore taken
        back; other versions note nothing.
        """
        if self.comm is not None:
            self.comm.__dict__.pop("_reply_subshell_id", None)

    def _prepare(self) -> None:
        self._seen.wait(PAGE_COMES_S)
        self.document.prepare()
        self._advice.renew(0.0)

    # -- for the notebook's user ------------------------------------------------------

    @property
    def chart(self) -> Chart:
        """The chart as it is now."""
        return self.document.chart

    def bars(self) -> range:
        """Bars that a command is meant for: the selected ones, or the cursor's."""
        if len(self.selected_bars) == 2:
            first, last = self.selected_bars
            return range(first, last + 1)
        return range(self.bar_index, self.bar_index + 1)

    def show_bar(self, bar_number: int, position: Fraction = Fraction(0), instrument: str = "") -> None:
        """Bring a bar, by the number that players use, into view, the cursor to a place in it.

        Parameters
        ----------
        bar_number : int
        position : Fraction, whole notes from the bar line
        instrument : str
            The cursor's row; empty or without a row, it stays in its own.
        """
        index = self.chart.time_map.bar_index(bar_number)
        self.send({"type": "show bar", "bar_index": index, "at": str(position), "instrument": instrument})

    def run(self, command: str) -> None:
        """Have the page do what a key does, such as ``"next doubt"``."""
        self.send({"type": "command", "command": command})

    def attempt(self, action: Callable[..., object], *args: object) -> None:
        """Do something to the chart; what is not possible is said in the page."""
        try:
            action(*args)
        except Exception as error:
            self.send({"type": "error", "error": self._sentence(error)})

    def _sentence(self, error: Exception) -> str:
        """What to tell the user of an error, whatever it is."""
        self.changed_elsewhere = self.changed_elsewhere or isinstance(error, ChangedElsewhereError)
        if isinstance(error, WorkbenchError):
            return str(error)
        _log.error("The grid could not do what it was asked for", exc_info=error)
        return "This was not done, by a fault of the workbench; what it was stands in the kernel's log."

    # -- messages -----------------------------------------------------------------------

    def _receive(self, _widget: object, message: Any, _buffers: object) -> None:
        kind = message.get("type") if isinstance(message, dict) else None
        if kind == "do":
            self._do(message)
        elif kind == "hello":
            self._send_snapshot()
        elif kind == "seen":
            self._seen.set()
        elif kind == "sounds":
            self._sounds.work_out(self.attempt)
        elif kind == "audio":
            self._workers.submit(self._send_sound, message)
        elif kind == "more" and (sound := self._begun.get(str(message.get("request")))) is not None:
            self._workers.submit(self._send_pieces, sound, 1)
        elif kind == "enough":
            self._begun.pop(str(message.get("request")), None)

    def _do(self, message: dict) -> None:
        """Make an edit once, however often it is sent, and answer every time.

        Its number is noted when it is on disk, and not before.
        """
        client, seq = message.get("client"), message.get("seq")
        named = isinstance(client, str) and client.isascii() and len(client) < 64
        if not isinstance(client, str) or not named or type(seq) is not int or not 0 < seq < chartdata.MOST:
            self.send({"type": "error", "error": "An edit came without a number of its own; load the page anew."})
            return
        number = {"client": client, "seq": seq}
        with self._edit_lock:
            refusals, notice = self._refusals.setdefault(client, {}), ""
            if seq not in refusals:
                # The document tells its observers on the thread that edits it.
                self._answering.number = number
                try:
                    notice = self._perform(message)
                    if seq in refusals and not notice:
                        return  # the change was the answer
                    refusals[seq] = ""
                except Exception as error:
                    refusals[seq] = self._sentence(error)
                finally:
                    self._answering.number = None
            if refusals[seq]:
                self.send({"type": "refused", **number, "error": refusals[seq]})
            else:
                info = self._document_info() | {"corrections": self._corrections.offers(self._shown)}
                self.send({"type": "answer", **number, "notice": notice, "info": info})

    def _perform(self, message: dict) -> str:
        """Make an edit or carry out a command; returns what to tell the user."""
        if "edit" in message:
            edit, before = chartdata.edit_from_data(message["edit"]), self.document.chart
            after = self.document.apply(edit)
            if isinstance(edit, NameDrum):
                return named_words(before, edit, after)
            along = lines_taken_along(before, edit)
            return along and f"{along} Every hit stays where it was heard."
        command = message.get("command")
        if command == "undo":
            self.document.undo()
        elif command == "redo":
            self.document.redo()
        elif command == "save":
            self.document.save()
            return f"Saved as {self.document.path.name}."
        elif command == "export":
            self._workers.submit(self._export)
            return "Writing the score …"
        elif command == "use recording":
            self._use_recording(str(message.get("path")))
        elif command == "reload":
            self.document.reload()
        elif command == "take reading":
            self.document.apply(LayBars(self._advice.reading(message.get("reading"))))
        elif command == "lay anew":
            first_bar = chartdata.int_from_data(message.get("bar_index"))
            self._advice.lay_anew(first_bar, self.attempt)
            return "Listening for the bars …"
        elif command == "correct repeats":
            return self._correct_repeats(chartdata.int_from_data(message.get("bar_index")))
        elif command == "let be":
            with self._state_lock:
                self._corrections.let_be(chartdata.int_from_data(message.get("bar_index")))
        else:
            raise ChartError(f"The grid knows no command {command!r:.60}.")
        return ""

    def _export(self) -> None:
        """Write the score beside the chart in every usual format, and tell the page where it lies."""
        # Imported here: the grid alone opens faster without the engraver.
        from workbench.scorefiles import write_scores

        def write() -> None:
            written = write_scores(self.chart, self.document.path, EXPORTED, folder=self.document.path.parent)
            self.send({"type": "files", "files": [str(path.resolve()) for path in written]})

        self.attempt(write)

    def _use_recording(self, path: str) -> None:
        """Listen to a recording that the user names; another song than the chart's is refused."""
        file = Path(path).expanduser()
        file = file if file.is_absolute() else self.document.path.parent / file
        of = self.chart.recording
        if of is not None and of.sha256 != sha256_of(file):
            raise AudioError(f"{file.name} is not the recording that this chart was made from.")
        self._listen_to(file)

    def _correct_repeats(self, bar_index: int) -> str:
        edit = self._corrections.edit(self.document.chart, bar_index)
        bars = [e.first_bar for e in edit.edits if isinstance(e, SetBars)]
        self.document.apply(edit)
        return f"Corrected the same way: {bar_list(self.chart.time_map, bars)}."

    def _document_changed(self, document: ChartDocument, edit: Edit | None) -> None:
        info, new = self._document_info(), document.chart
        number = getattr(self._answering, "number", None) or {}
        if number:
            self._refusals[number["client"]][number["seq"]] = ""
        with self._state_lock:
            old, self._shown, self._info = self._shown, new, info
            self._revision += 1
            self._corrections.follow(old, new, edit)
            new_bars = old.time_map is not new.time_map
            if new_bars:
                self._sounds.forget()
            message = {
                "type": "change",
                "revision": self._revision,
                "parts": changed_parts(old, new),
                "info": {
                    **info,
                    "corrections": self._corrections.offers(new),
                    **(self._sounds.info() if new_bars else {}),
                },
                **number,
            }
            self.send(message)
        if new_bars:
            self._advice.renew()
        self.changed_elsewhere = False

    def _document_info(self) -> dict[str, Any]:
        return {
            "can_undo": self.document.can_undo,
            "can_redo": self.document.can_redo,
            "unsaved": self.document.unsaved,
        }

    def _send_snapshot(self) -> None:
        # The page then sends again what it has no answer to.
        with self._state_lock:
            info = {
                "kit": kit_rows(self._shown),
                **self._sound_info(),
                **self._info,
                "corrections": self._corrections.offers(self._shown),
                **self._advice.info(),
                **self._sounds.info(),
            }
            for message in snapshot(self._shown, self._revision, info):
                self.send(message)
            if self._sound_error():
                self.send({"type": "error", "error": self._sound_error()})
            for message, buffers in self._picture:
                self.send(message, buffers=buffers)

    def _tell_info(self, info: dict[str, Any]) -> None:
        self.send({"type": "info", "info": info})

    def _sound_error(self) -> str:
        audio = self._audio
        return str(audio.exception()) if audio is not None and audio.done() and audio.exception() else ""

    def _sound_info(self) -> dict[str, Any]:
        """Whether there is a recording, and the sample rate once it is known."""
        if self._audio is None or self._sound_error():
            return {"has_recording": False, "sample_rate": SAMPLE_RATE_HZ}
        return {"has_recording": True, "sample_rate": self._audio.result().sample_rate if self._audio.done() else None}

    # -- sound ----------------------------------------------------------------------------

    def _listen_to(self, source: str | Path | Audio | None) -> None:
        """Load a recording; the page is told when it is there, and never anything older after that."""
        self._audio = self._workers.submit(self._load, source)
        self._audio.add_done_callback(self._tell_sound)

    def _tell_sound(self, loaded: Future[Separation]) -> None:
        if loaded.cancelled():
            return
        with self._state_lock:  # not while a snapshot is written that does not know of it
            self.send({"type": "info", "info": self._sound_info()})
            if self._sound_error():
                self.send({"type": "error", "error": self._sound_error()})

    def _load(self, source: str | Path | Audio | None) -> Separation:
        """The recording (by default the chart's own), ready for its drums to be told from the rest."""
        self._seen.wait(PAGE_COMES_S)
        source = source if source is not None else _find_recording(self.document)
        audio = source if isinstance(source, Audio) else load_audio(source)
        store = store_beside(self.document.path.parent, source, audio.sample_rate)
        self._workers.submit(self._draw_sound, audio)
        self._sounds.listen_to(audio)
        return Separation.of(audio, store)

    def _file(self, recording: str | Path | Audio | None) -> str | Path | None:
        """The recording's file, if it has one."""
        if recording is None and self.chart.recording is not None:
            return _find_recording(self.document)
        return None if isinstance(recording, Audio) else recording

    def _draw_sound(self, audio: Audio) -> None:
        mono = audio.mono()
        peak_count, frame_count = counts(len(mono), audio.sample_rate)
        heading = {
            "type": "sound picture",
            "peak_rate_hz": PEAK_RATE_HZ,
            "frame_rate_hz": PICTURE_RATE_HZ,
            "bands": PICTURE_BANDS,
            "peak_count": peak_count,
            "frame_count": frame_count,
        }
        for piece in picture_pieces(mono, audio.sample_rate):
            message = {
                **heading,
                "first": piece.peak_start == 0,
                "peak_start": piece.peak_start,
                "frame_start": piece.frame_start,
            }
            buffers = [np.ascontiguousarray(piece.peaks).tobytes(), np.ascontiguousarray(piece.levels).tobytes()]
            with self._state_lock:
                self._picture.append((message, buffers))
                self.send(message, buffers=buffers)

    def _send_sound(self, message: dict) -> None:
        """Send a passage: all of it, or its first ``pieces`` until the page asks for more."""
        heading = {"type": "audio", "client": message.get("client"), "request": message.get("request")}
        try:
            passage = passages.Passage.from_message(message)
            rate = self._rate()
            places = message.get("places")
            among = None if places is None else chartdata.places_from_data(places)
            total, pieces = self._pieces(str(message.get("source")), passage, rate, heading, among)
            sound = _Sound(heading, rate, total, iter(pieces))
            most = message.get("pieces")
            most = None if most is None else max(chartdata.int_from_data(most), 1)
        except Exception as error:
            self.send({**heading, "error": self._sentence(error)})
            return
        if most is not None:
            while len(self._begun) >= MOST_BEGUN:
                self._begun.pop(next(iter(self._begun)), None)
            self._begun[str(heading["request"])] = sound
        self._send_pieces(sound, most)

    def _send_pieces(self, sound: _Sound, most: int | None) -> None:
        try:
            with sound.lock:
                for piece in islice(sound.pieces, most):
                    end = sound.sent + len(piece)
                    self.send(
                        {
                            **sound.heading,
                            "sample_rate": sound.rate,
                            "channels": piece.shape[1],
                            "frames": len(piece),
                            "start": sound.sent,
                            "total": sound.total,
                            "last": end >= sound.total,
                        },
                        buffers=[passages.as_16_bit(piece).data.cast("B")],
                    )
                    sound.sent = end
        except Exception as error:
            self.send({**sound.heading, "error": self._sentence(error)})
            sound.sent = sound.total
        if sound.sent >= sound.total:
            self._begun.pop(str(sound.heading["request"]), None)

    def _rate(self) -> int:
        return self._audio.result().sample_rate if self._audio is not None else SAMPLE_RATE_HZ

    def _pieces(
        self,
        source: str,
        passage: passages.Passage,
        rate: int,
        heading: dict[str, Any],
        among: frozenset[tuple[int, Fraction]] | None,
    ) -> tuple[int, Iterable[np.ndarray]]:
        """Number of frames of a source, and its sound in pieces (frames, channels); what is said of it is headed so.

        Of a drum's hits those *among* some places are heard, or all.
        """
        chart = self.document.chart
        if source == "chart":
            return passage.frames(rate), passages.chart_sound(chart, passage, rate)
        if source in passages.PARTS:
            if self._audio is None:
                raise AudioError("This chart has no recording to listen to.")
            return passage.frames(rate), passages.recording_sound(self._audio.result(), passage, source)
        if source == "click":
            sound = passages.click_sound(self.chart.time_map, passage, rate)
        elif source.startswith("reading "):
            number = source.removeprefix("reading ")
            bars = self._advice.reading(int(number) if number.isdecimal() else None)
            sound = passages.click_sound(bars, passage, rate)
        elif source == "count in":
            sound = passages.count_in_sound(chart, passage, rate)
        elif source.startswith("hit "):
            sound = passages.hit_sound(source.removeprefix("hit "), rate)
        elif " of " in source:
            part, _, name = source.partition(" of ")
            hits = clearest(chart, name, range(*passages.bars_of(chart.time_map, passage)), among=among)
            if part not in passages.PARTS or not hits:
                raise ChartError(f"There is no {name} to hear in these bars.")
            if self._audio is None:
                raise AudioError("This chart has no recording to listen to.")
            heading["places"] = places_said(chart, hits)
            sound = passages.examples_sound(self._audio.result(), [chart.note_time_s(k, n) for k, n in hits], part)
        else:
            raise ChartError(f"There is no sound called {source!r}.")
        return len(sound), passages.in_pieces(sound, rate)


def workspace(grid: HitGrid, *below: w.Widget) -> w.VBox:
    """The grid, and what a user wants under it.

    Parameters
    ----------
    grid : HitGrid
    *below : widgets
        A score, say: keys pressed there go to the grid as well.

    Returns
    -------
    ipywidgets.VBox

    Examples
    --------
    >>> import workbench as wb
    >>> from tempfile import mkdtemp
    >>> grid = wb.HitGrid(wb.open_chart(wb.demo_song(mkdtemp(), "chart")))
    >>> len(wb.workspace(grid, wb.ScoreView(grid)).children)
    2
    """
    return w.VBox([grid, *below])


def _find_recording(document: ChartDocument) -> Path:
    """The chart's recording, which its checksum tells: where it says, or beside the chart under any name."""
    of, folder = document.chart.recording, document.path.parent
    assert of is not None
    named = recording_file(document.chart, folder)
    beside = (p for p in sorted(folder.glob(f"*{Path(of.path).suffix}")) if p != named and p.is_file())
    found = next((p for p in (*([named] if named else []), *beside) if sha256_of(p) == of.sha256), None)
    if found is None:
        why = "holds another recording now" if named else "is not there"
        raise AudioError(
            f"The recording of this chart, {Path(of.path).name}, {why}: name it under Sound. All but listening works."
        )
    return found
