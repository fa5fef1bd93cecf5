"""The functions of ``import workbench as wb``: each takes what a user has and calls the floor that does the work.

What a function needs is imported when it is called, so that importing the workbench takes no time.  Long work
shows a bar in a notebook.
"""

from __future__ import annotations

import os
import sys
import warnings
from collections.abc import Collection, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias, Union

from workbench.chart import edits as edits  # what wb.edits names
from workbench.errors import ChartError, FileFormatError
from workbench.progress import Progress

if TYPE_CHECKING:
    import music21.stream
    import pandas
    from IPython.display import HTML
    from matplotlib.axes import Axes

    from workbench.chart import Chart, Note
    from workbench.checking.check import Check
    from workbench.checking.diary import Diary
    from workbench.checking.recorder import TakeRecorder
    from workbench.checking.take import Take
    from workbench.files.document import ChartDocument
    from workbench.listening.draft import Draft
    from workbench.listening.hearing import BarLines
    from workbench.practice.lesson import Lesson
    from workbench.practice.pack import PracticePack
    from workbench.practice.stages import Exercise
    from workbench.reading.read import Reading
    from workbench.reading.versions import Versions
    from workbench.shelving.setlist import SetList
    from workbench.shelving.shelf import Shelf
    from workbench.sound.stemfiles import StemFiles

#: Whatever holds a chart: the chart itself, one that is open, a draft, or the name of a file.
Source: TypeAlias = Union["Chart", "ChartDocument", "Draft", str, os.PathLike]
PathName: TypeAlias = str | os.PathLike


def demo_song(folder: PathName | None = None, what: str = "recording") -> Path:
    """The song that comes with the workbench, so that every example runs anywhere.

    *Copper Weather* by The Night Trams, 75 s long; song and band are invented.

    Parameters
    ----------
    folder : path, optional
        Copies the song there (what is there already stays), so that a chart can lie beside it.
    what : str
        "recording"; "chart", of what is truly played on it; or "hurried draft", a chart with mistakes to find.

    Returns
    -------
    Path

    Raises
    ------
    FileFormatError
        If there is no such thing of the song, or the folder cannot be written to.

    Examples
    --------
    >>> import workbench as wb
    >>> wb.demo_song().name
    'copper-weather.ogg'
    """
    from workbench.shipped import demo_song

    return demo_song(folder, what)


def draft(
    recording: PathName,
    *,
    title: str | None = None,
    artist: str = "",
    meter: str | None = None,
    tempo_bpm: float | tuple[float, float] | None = None,
    bar_lines_s: Sequence[float] = (),
    progress: Progress | None = None,
) -> Draft:
    """Draft the drum chart of a recording: bars, hits and their written places.

    Parameters
    ----------
    recording : path
        WAV, FLAC, OGG, MP3, AIFF; others where ``ffmpeg`` is installed.
    title, artist : str, optional
        For the heading; by default the recording's name.
    meter : str, optional
        Such as "3/4"; otherwise heard, as are tempo and bar lines.
    tempo_bpm : float or (float, float), optional
        Counted beats a minute, within 4 %, or lowest and highest.
    bar_lines_s : sequence of float, optional
        Bar lines that are known, one or more, seconds; each stays exactly where it is.
    progress : callable, optional
        ``progress(done, what)`` with ``done`` from 0 to 1; by default a bar in a notebook.

    Returns
    -------
    Draft
        ``draft.chart``; ``draft.hits`` and ``draft.beats``, the tables of :func:`hits` and :func:`beats`;
        ``draft.readings``, other ways to read the bars with their probabilities.

    Raises
    ------
    AudioError
        If the recording is missing, silent or cannot be read.
    AnalysisError
        If no bars are as the meter, tempo and lines say.

    Examples
    --------
    >>> import workbench as wb
    >>> draft = wb.draft(wb.demo_song(), title="Copper Weather")
    >>> list(draft.hits.columns)
    ['time_s', 'bar', 'position', 'instrument', 'velocity', 'confidence']
    """
    from workbench.chart.meter import Meter
    from workbench.listening.draft import draft_chart
    from workbench.listening.readings import BarWish, tempo_range

    wish = BarWish(tuple(bar_lines_s), None if meter is None else Meter.parse(meter), tempo_range(tempo_bpm))
    drafted = draft_chart(recording, _shown(progress), wish)
    return replace(
        drafted, chart=replace(drafted.chart, title=drafted.chart.title if title is None else title, artist=artist)
    )


def open_chart(path: PathName, folder: PathName | None = None, *, progress: Progress | None = None) -> ChartDocument:
    """Open the chart of a recording, or a chart, for correcting; nothing that was corrected is ever lost.

    A recording is drafted the first time; after that its chart is opened with every edit, also those of a session
    that broke off, or when the recording was renamed.  A MusicXML or MIDI part is taken over into a chart.

    Parameters
    ----------
    path : path
        A recording, or a ``.chart.json``, ``.musicxml``, ``.mxl`` or ``.mid`` file.
    folder : path, optional
        Where the chart lies; by default beside the file.
    progress
        As for :func:`draft`.

    Returns
    -------
    ChartDocument
        ``.chart`` is the chart as it is now; ``.apply(edit)``, ``.undo()``, ``.redo()`` and ``.save()`` change it;
        ``.notice`` says what was brought back.

    Raises
    ------
    AudioError, FileFormatError
        If the file is missing or cannot be understood, the chart that lies there is of another recording, or it is
        open in another kernel.

    Examples
    --------
    >>> import workbench as wb
    >>> from tempfile import mkdtemp
    >>> song = wb.open_chart(wb.demo_song(mkdtemp(), "chart"))
    >>> edit = wb.edits.NameSection(song.chart.time_map.bar_index(1), "First verse")
    >>> song.apply(edit).sections[1].name
    'First verse'
    >>> song.undo().sections[1].name
    'Verse'
    """
    from workbench.files.audio import sha256_of
    from workbench.files.audiosource import open_source
    from workbench.files.chartfile import ENDING, moved_chart
    from workbench.files.document import ChartDocument
    from workbench.files.safefile import check_folder, make_folder
    from workbench.listening.draft import draft_files, write_draft
    from workbench.scorefiles import holds_part, part_name

    path = Path(path)
    place = path.parent if folder is None else Path(folder)
    if holds_part(path):
        file = path if folder is None and path.suffix == ".json" else place / (part_name(path) + ENDING)
        if not file.exists() and file != path:
            chart = moved_chart(read_chart(path), path.parent, place)
            make_folder(place)
            return ChartDocument.create(chart, file)
        return ChartDocument.open(file)
    file = draft_files(path, place).chart
    if not file.exists():
        check_folder(place)
        known = _chart_of_renamed(path, place)
        if known is not None:
            return ChartDocument.create(known, file)
        write_draft(draft(path, progress=progress), place)
    song = ChartDocument.open(file)
    of = song.chart.recording
    if of is not None and of.sha256 != sha256_of(path):
        song.close()
        with open_source(path):  # it says if it is no recording at all
            pass
        raise FileFormatError(
            f"{file.name} is the chart of another recording than {path.name}; name another folder for this one's."
        )
    return song


def bar_lines(song: ChartDocument | PathName, *, progress: Progress | None = None) -> BarLines:
    """How the bars of a chart lie, how else its recording can be read, and where lines and hits disagree.

    Parameters
    ----------
    song : open chart or path of a chart or recording
    progress
        As for :func:`draft`; the recording is listened to where nothing is kept of that.

    Returns
    -------
    BarLines
        ``.words``: "4/4 at 110 (80 %); it may also be 4/4 at 220 (12 %)"; ``.readings``, the others by number, and
        ``.told``, what they say otherwise; ``.faults``, each with ``.edit``, the one act that mends it.

    Raises
    ------
    AudioError, FileFormatError
        If a file is missing or cannot be understood.

    Examples
    --------
    >>> import workbench as wb
    >>> from tempfile import mkdtemp
    >>> from fractions import Fraction
    >>> song = wb.open_chart(wb.demo_song(mkdtemp(), "chart"))
    >>> late = song.apply(wb.edits.ShiftOne(Fraction(1, 2), first_bar=20))
    >>> (fault,) = wb.bar_lines(song).faults
    >>> fault.words
    'the 1 lies half a beat late'
    >>> _ = song.apply(fault.edit)
    """
    from workbench.errors import AnalysisError
    from workbench.listening.hearing import hearing_for, look_at_bars

    document = _opened(song, progress)
    chart = document.chart
    try:
        hearing = hearing_for(chart, document.path.parent, _part(document).recording, _shown(progress))
        readings = hearing.readings
    except AnalysisError:  # no recording at hand: its own bars only
        readings = ()
    return look_at_bars(chart, readings)


def lay_bars(
    song: ChartDocument | PathName,
    reading: int | None = None,
    *,
    from_bar: int | None = None,
    meter: str | None = None,
    tempo_bpm: float | tuple[float, float] | None = None,
    progress: Progress | None = None,
) -> ChartDocument:
    """Lay the bars of a chart anew: as another reading says, or by ear around the lines that are fixed.

    Every hit stays where it was heard, and what is confirmed stays confirmed; ``.undo()`` takes it back in one step.

    Parameters
    ----------
    song : open chart or path of a chart or recording
    reading : int, optional
        Number of one of :func:`bar_lines`; bars that are already read so stay.  Otherwise the bars are tracked again.
    from_bar : int, optional
        Number of the bar whose line is the first that may move (bars of a meter begin on it); by default the whole
        song.
    meter, tempo_bpm
        As for :func:`draft`, of the bars that are tracked again.
    progress
        As for :func:`draft`.

    Returns
    -------
    ChartDocument

    Raises
    ------
    AnalysisError
        If no bars are so, or the recording is not at hand.
    ChartError
        If there is no such reading or bar.

    Examples
    --------
    >>> import workbench as wb
    >>> from tempfile import mkdtemp
    >>> song = wb.lay_bars(wb.demo_song(mkdtemp()), tempo_bpm=(200, 250))
    >>> 200 <= song.chart.time_map.tempo_bpm(5) <= 250
    True
    """
    from workbench.chart.edits import LayBars
    from workbench.chart.meter import Meter
    from workbench.listening.hearing import hearing_for, is_laid_so, lay_anew, other_readings
    from workbench.listening.readings import tempo_range

    document = _opened(song, progress)
    chart = document.chart
    hearing = hearing_for(chart, document.path.parent, _part(document).recording, _shown(progress))
    if reading is not None:
        if is_laid_so(chart, hearing.readings, reading):
            return document
        others = other_readings(chart, hearing.readings)
        if reading not in others:
            known = f"you can take {', '.join(map(str, others))}" if others else "the bars are read one way only"
            raise ChartError(f"There is no reading {reading}; {known}.")
        document.apply(LayBars(others[reading].time_map))
        return document
    first = 0 if from_bar is None else chart.time_map.bar_index(from_bar)
    wish = None if meter is None else Meter.parse(meter), tempo_range(tempo_bpm)
    document.apply(LayBars(lay_anew(chart, hearing, first, *wish)))
    return document


def change_bars(
    song: ChartDocument | PathName,
    act: str,
    amount: str | float | Sequence[float] | None = None,
    *,
    bars: str | None = None,
    from_bar: int | None = None,
) -> ChartDocument:
    """Put the bars of a chart right by hand: shift the 1, half or double tempo, another meter, a bar more or less.

    Every hit stays where it was heard, and what is confirmed stays confirmed; ``.undo()`` takes it back in one step.

    Parameters
    ----------
    song : open chart or path of a chart or recording
    act : str
        "later" or "earlier", the 1 by 1 or "1/2" ``amount`` beats; "level", counted "half", "double", "3:2" or "2:3"
        as fast; "meter", such as "3/4"; "pick-up" of so many beats, 0 for none; "one", bars begin at these seconds;
        "insert" bars before, "delete", "split" at a beat such as 3, "join" with the next; "fix" lines where they are,
        "let-go" of them.
    amount : str or number, optional
    bars : str, optional
        By their numbers, as "9-12"; by default the whole song.
    from_bar : int, optional
        From this bar on, instead of ``bars``.

    Returns
    -------
    ChartDocument

    Raises
    ------
    ChartError
        If that cannot be done; nothing has changed.

    Examples
    --------
    >>> import workbench as wb
    >>> from tempfile import mkdtemp
    >>> song = wb.change_bars(wb.demo_song(mkdtemp(), "chart"), "meter", "3/4", from_bar=9)
    >>> str(song.chart.time_map.bars[song.chart.time_map.bar_index(9)].meter)
    '3/4'
    >>> song = wb.change_bars(song, "later", "1/2", bars="2-5")
    """
    from workbench.chart.baracts import bar_act

    document = _opened(song, None)
    made = bar_act(document.chart, act, amount, bars=bars, from_bar=from_bar)
    if made.changes(document.chart):
        document.apply(made.edit)
    return document


def confirm(song: ChartDocument | PathName, bars: str) -> ChartDocument:
    """Say that bars are right as they stand: their hits are confirmed, and count as certain from then on.

    Parameters
    ----------
    song : open chart or path of a chart or recording
    bars : str
        By their numbers, as "9-12,29"; 0 is the pick-up.

    Returns
    -------
    ChartDocument
        ``.undo()`` takes it back in one step.

    Raises
    ------
    ChartError
        If the chart has no such bars.

    Examples
    --------
    >>> import workbench as wb
    >>> from tempfile import mkdtemp
    >>> song = wb.confirm(wb.open_chart(wb.demo_song(mkdtemp(), "chart")), "9-12,29")
    >>> sum(bar.done for bar in song.chart.bars)
    5
    """
    from workbench.chart.edits import CompositeEdit, SetDone
    from workbench.chart.excerpts import read_bar_span

    document = _opened(song, None)
    spans = [read_bar_span(document.chart, piece) for piece in bars.split(",")]
    document.apply(CompositeEdit(tuple(SetDone(*span) for span in spans), "bars confirmed"))
    return document


def read_chart(
    path: PathName,
    *,
    part: str = "",
    kit_map: PathName | None = None,
    as_written: bool = False,
    finest: int | None = None,
    recording: PathName | None = None,
) -> Chart:
    """Read a drum part, made here or elsewhere, without opening it for corrections.

    Parameters
    ----------
    path : path
        A ``.chart.json`` (edits not yet saved are in it), ``.musicxml``, ``.mxl`` or ``.mid`` file.
    part : str
        Of a score of several drum parts the one to read, by its name.
    kit_map : path, optional
        A table of how the kit is called, drawn and keyed in MIDI; ``wb.score`` writes one with the format "kit".
    as_written : bool
        Each bar of a score once, with repeats, endings, segno, coda and the like as signs; by default in the order
        heard.
    finest : int, optional
        Of a MIDI performance: the shortest notes written, 8, 16 or 32, and their triplets.
    recording : path, optional
        The bars are laid where this recording plays them, its repeats written out.

    Returns
    -------
    Chart
        A value: edits (``wb.edits``) give another chart and leave this one.

    Raises
    ------
    FileFormatError
        If the file is missing or is no drum part.

    Warns
    -----
    UserWarning
        Of what in the part was not understood.

    Examples
    --------
    >>> import workbench as wb
    >>> chart = wb.read_chart(wb.demo_song(what="chart"))
    >>> chart.title, len(chart), chart.time_map.bar_number(0)
    ('Copper Weather', 39, 0)
    """
    from workbench.files.imports import ImportOptions
    from workbench.files.kitmap import read_kit_map
    from workbench.scorefiles import read_any_chart

    kit = () if kit_map is None else read_kit_map(kit_map)
    imported = read_any_chart(path, ImportOptions(part, kit, as_written, finest))
    for problem in imported.problems:
        warnings.warn(problem, stacklevel=2)
    if recording is None:
        return imported.chart
    from workbench.alignment.alignedchart import lay_on_recording

    return lay_on_recording(imported.chart, recording)[0]


def save_chart(chart: Source, path: PathName | None = None, *, overwrite: bool = False) -> Path:
    """Save a chart as a file.

    Parameters
    ----------
    chart : Chart, open chart, Draft or path
    path : path, optional
        ``NAME.chart.json``.  An open chart goes to its own file by default, a draft beside its recording, with its
        tables of hits and beats.
    overwrite : bool
        Replace a chart of that name, and the edits in it.

    Returns
    -------
    Path

    Raises
    ------
    FileFormatError
        If a chart of that name exists, the folder cannot be written to, or no name is given for a bare chart.

    Examples
    --------
    >>> import workbench as wb
    >>> from tempfile import mkdtemp
    >>> folder = mkdtemp()
    >>> chart = wb.read_chart(wb.demo_song(folder, "hurried draft"))
    >>> wb.save_chart(chart, f"{folder}/mine.chart.json").name
    'mine.chart.json'
    """
    from workbench.files.chartfile import moved_chart
    from workbench.files.document import ChartDocument
    from workbench.listening.draft import Draft, write_draft
    from workbench.listening.hearing import keep_hearing

    if path is None:
        if isinstance(chart, ChartDocument):
            chart.save()
            return chart.path
        if isinstance(chart, Draft):
            return write_draft(chart, chart.recording.parent, overwrite).chart
        raise FileFormatError("Name the file that the chart is to be saved as, such as song.chart.json.")
    part = _part(chart)
    saved = part.chart if part.folder is None else moved_chart(part.chart, part.folder, Path(path).parent)
    with ChartDocument.create(saved, path, overwrite=overwrite) as document:
        if isinstance(chart, Draft) and saved.recording is not None:
            keep_hearing(chart.hearing, document.path.parent, saved.recording.sha256)
        return document.path


def hits(chart: Source) -> pandas.DataFrame:
    """Every hit of a chart as it was played, a row each, in order of time.

    Returns
    -------
    pandas.DataFrame
        ``time_s`` in the recording; ``bar``, the number players say (a pick-up is 0); ``position``, exact fraction
        of a whole note from the bar line (3/8 is the & of 2); ``instrument``; ``velocity``, 1 to 127;
        ``confidence``, 0 to 1.

    Raises
    ------
    FileFormatError
        If a file is named that is no chart.

    Examples
    --------
    >>> import workbench as wb
    >>> table = wb.hits(wb.demo_song(what="chart"))
    >>> loud = table[(table.instrument == "snare") & (table.velocity > 60) & (table.bar == 1)]
    >>> [str(position) for position in loud.position]
    ['1/4', '3/4']
    """
    from workbench.files.annotations import hits_table

    return hits_table(_part(chart).chart)


def beats(chart: Source) -> pandas.DataFrame:
    """Every counted beat of a chart, a row each.

    Returns
    -------
    pandas.DataFrame
        ``time_s`` in the recording; ``bar``, the number players say; ``beat``, counted from 1.

    Raises
    ------
    FileFormatError
        If a file is named that is no chart.

    Examples
    --------
    >>> import workbench as wb
    >>> beats = wb.beats(wb.demo_song(what="chart"))
    >>> round(60 / beats.time_s.diff().median())
    113
    """
    from workbench.files.annotations import beats_table

    return beats_table(_part(chart).chart)


def drums(
    chart: Source, bars: str | None = None, *, by_sound: bool = False, progress: Progress | None = None
) -> pandas.DataFrame:
    """The drums of a chart, a row each in the order of the drum key, to be listened to as a whole.

    Parameters
    ----------
    chart
        A chart or whatever holds one.
    bars : str, optional
        Of these bars only, as "9-24".
    by_sound : bool
        A row for each sound that a drum has in the recording: in drafts of programmed music one name often stands for
        several.
    progress
        As for :func:`draft`.

    Returns
    -------
    pandas.DataFrame
        ``drum``; ``hits``, how many are written; ``doubts`` and ``confirmed``, how many of them are in doubt and
        confirmed; ``possible``, how many more may have been played; ``doubted``, whether the whole drum is mostly in
        doubt; ``hear``, when it is heard most clearly in the recording. By sound ``drum``; ``sound``, 1 the most
        frequent, 0 what is like none of the others; ``hits``, ``doubts``, ``confirmed``, ``doubted``, ``hear``.

    Raises
    ------
    ChartError, FileFormatError
        If the chart has no such bars, or a file is named that is no chart.
    FileFormatError, AudioError
        By sound, if the recording is not at hand or cannot be used.

    Examples
    --------
    >>> import workbench as wb
    >>> table = wb.drums(wb.demo_song(what="chart"), bars="1-8")
    >>> list(table.drum[table.hits > 40]), table.hear[table.drum == "snare"].item().count("bar ")
    (['closed hi-hat'], 5)
    """
    import pandas

    from workbench.chart.chart import is_doubtful
    from workbench.chart.drums import DrumInChart, clearest, drums_of, times_said

    found = _part(chart).chart
    first, last = _span(found, bars)
    meant = range(first, last + 1)
    if by_sound:
        rows: list[tuple] = []
        for name, k, hits in _sounds(_part(chart), [d.name for d in drums_of(found, meant)], meant, progress):
            hear = clearest(found, name, meant, among={(bar, n.position) for bar, n in hits})
            doubts = sum(is_doubtful(n, found.doubt_below) for _, n in hits)
            its = DrumInChart(name, len(hits), doubts, sum(n.confirmed for _, n in hits))
            rows.append((name, k, its.hits, doubts, its.confirmed, its.is_doubted, times_said(found, hear)))
        return pandas.DataFrame(rows, columns=["drum", "sound", "hits", "doubts", "confirmed", "doubted", "hear"])
    rows = [
        (
            d.name,
            d.hits,
            d.doubts,
            d.confirmed,
            d.possible,
            d.is_doubted,
            times_said(found, clearest(found, d.name, meant)),
        )
        for d in drums_of(found, meant)
    ]
    return pandas.DataFrame(rows, columns=["drum", "hits", "doubts", "confirmed", "possible", "doubted", "hear"])


def _sounds(
    part: _Part, names: Sequence[str], bars: range, progress: Progress | None
) -> Iterator[tuple[str, int, tuple[tuple[int, Note], ...]]]:
    """The sounds of some drums: name of the drum, number (0 for those like none of the others), hits."""
    from workbench.listening.drum_sounds import sounds_of, whiten_recording

    if part.recording is None:
        raise FileFormatError("Sounds are told apart by the recording, and it is not where the chart says.")
    white = whiten_recording(part.recording, _shown(progress))
    for name in names:
        for k, sound in enumerate(sounds_of(part.chart, white, name, bars)):
            yield name, (k + 1) * sound.alike, sound.hits


def name_drum(
    song: ChartDocument | PathName, drum: str, to: str | None, *, bars: str | None = None, sound: int | None = None
) -> ChartDocument:
    """Say what a drum of a draft really is: all its hits that nobody has confirmed are given to another one, or
    taken out; its possible hits go along.

    Every hit keeps its time, and what is confirmed stays as it is; ``.undo()`` takes it back in one step.

    Parameters
    ----------
    song : open chart or path of a chart or recording
    drum : str
        As the draft calls it, "open hi-hat".
    to : str or None
        What it is, "ride"; None: nothing that belongs into the chart.
    bars : str, optional
        In these bars only, as "9-24".
    sound : int, optional
        Only the hits with this one of its sounds, as :func:`drums` numbers them by sound in the same bars.

    Returns
    -------
    ChartDocument

    Raises
    ------
    ChartError
        If there is no such drum, sound or bar, or all its hits are confirmed; nothing has changed.
    FileFormatError, AudioError
        For a sound, if the recording is not at hand or cannot be used.

    Examples
    --------
    >>> import workbench as wb
    >>> from tempfile import mkdtemp
    >>> song = wb.name_drum(wb.open_chart(wb.demo_song(mkdtemp())), "closed hi-hat", "ride", bars="1-4")
    >>> sorted(set(wb.drums(song, "1-4").drum) & {"closed hi-hat", "ride"})
    ['ride']
    """
    from workbench.chart.edits import NameDrum

    document = _opened(song, None)
    first, last = _span(document.chart, bars)
    places = None
    if sound is not None:
        told = {k: hits for _, k, hits in _sounds(_part(document), [drum], range(first, last + 1), None)}
        if sound not in told:
            numbers = ", ".join(map(str, sorted(told))) or "none"
            raise ChartError(f"There is no sound {sound} of the {drum} there; its sounds: {numbers}.")
        places = tuple((k, n.position) for k, n in told[sound])
    document.apply(NameDrum(drum, to or "", first, last, places))
    return document


def plot(chart: Source, axes: Axes | None = None, *, bars: str | None = None) -> Axes:
    """Draw bars as they sound: the waveform, the beats with their counts, every hit where it was played.

    Parameters
    ----------
    chart : Chart, open chart, Draft or path
        Its recording is drawn where it is found.
    axes : matplotlib Axes, optional
        To draw on; by default a new figure of its own.
    bars : str, optional
        "5-8" or "5", as numbered on the score; by default the first four or five.

    Returns
    -------
    matplotlib Axes
        The rows of hits; dashed rings are hits in doubt.

    Raises
    ------
    ChartError
        If the chart has no such bars.

    Examples
    --------
    >>> import workbench as wb
    >>> from matplotlib.figure import Figure
    >>> figure = Figure(figsize=(11, 4))
    >>> axes = wb.plot(wb.demo_song(what="chart"), figure.subplots(), bars="1-4")
    >>> [label.get_text() for label in axes.get_yticklabels()][0]
    'crash'
    """
    from workbench.files.audio import load_audio
    from workbench.pictures import draw_bars

    part = _part(chart)
    audio = load_audio(part.recording, mono=True) if part.recording else None
    span = (0, min(4, len(part.chart) - 1)) if bars is None else _span(part.chart, bars)
    return draw_bars(part.chart, audio, axes, span)


def export(
    chart: Source,
    folder: PathName | None = None,
    formats: Sequence[str] = ("pdf", "musicxml", "midi"),
    *,
    bars: str | None = None,
    house_style: PathName | None = None,
    progress: Progress | None = None,
    **options: Any,
) -> list[Path]:
    """Write the finished score of a chart, or of some bars of it.

    Parameters
    ----------
    chart : Chart, open chart, Draft or path
    folder : path, optional
        Made if missing; by default that of the chart's file.
    formats : sequence of str
        "pdf", "musicxml", "mxl", "midi", "svg", "png", "mei", "kit" (the kit map, a table).
    bars : str, optional
        "5-8" or "5".
    house_style : path, optional
        A JSON object: paper, staff_mm, line_weight, music_font, text_size, pages, hats, similes, bars_per_line,
        line_breaks, page_breaks and others (:func:`workbench.scorefiles.read_house_style`).
    progress : callable, optional
    **options
        Those of :func:`workbench.scorefiles.write_scores`.

    Returns
    -------
    list of Path

    Raises
    ------
    FileFormatError
        If a format is unknown, the folder cannot be written to, or none is named for a bare chart.

    Examples
    --------
    >>> import workbench as wb
    >>> from tempfile import mkdtemp
    >>> [path.name for path in wb.export(wb.demo_song(what="hurried draft"), mkdtemp(), ["midi"], bars="5-8")]
    ['copper-weather.hurried-bars-5-8.mid']
    """
    from workbench.files.document import ChartDocument
    from workbench.files.safefile import file_name
    from workbench.scorefiles import read_house_style, write_scores

    if house_style is not None:
        options["options"], options["style"] = read_house_style(house_style)
    part = _part(chart)
    if folder is None and part.file is None:
        raise FileFormatError("Name a folder for the score: this chart lies in no file.")
    if isinstance(chart, ChartDocument):
        chart.save()
    name = part.file or Path(file_name(part.chart.title, "chart"))
    span = None if bars is None else _span(part.chart, bars)
    return write_scores(part.chart, name, formats, folder=folder, bars=span, progress=_shown(progress), **options)


class Pages(list):
    """Engraved pages, SVG each; a notebook shows them."""

    def _repr_html_(self) -> str:
        return "".join(self)


def engrave(chart: Source, bars: str | None = None) -> Pages:
    """Engrave a chart for the screen.

    Parameters
    ----------
    chart : Chart, open chart, Draft or path
    bars : str, optional
        "5-8" or "5", without page and heading; by default the whole part on pages.

    Returns
    -------
    list of str
        SVG of each page; a notebook shows it.

    Raises
    ------
    ChartError
        If the chart has no such bars.

    Examples
    --------
    >>> import workbench as wb
    >>> len(wb.engrave(wb.demo_song(what="chart"), "1-4"))
    1
    """
    from workbench.engraving.engrave import engrave_svg

    part = _part(chart)
    return Pages(engrave_svg(part.chart, None if bars is None else _span(part.chart, bars)))


def read_part(
    chart: Source,
    recording: PathName | None = None,
    *,
    handedness: str = "right",
    style: str = "lead hand",
    open_handed: bool = False,
    shelf: Shelf | PathName | None = None,
    progress: Progress | None = None,
) -> Reading:
    """Read a part as a teacher does: form, grooves, variations, fills, sticking, feel.

    Parameters
    ----------
    chart : Chart, open chart, Draft or path
    recording : path, optional
        Helps to find sections where the drums repeat and the music changes.
    handedness, style, open_handed
        The player whom the sticking is for: "right" or "left"; "lead hand" or "hand to hand"; whether the hi-hat is
        played with the hand on its side.
    shelf : Shelf or path of its folder, optional
        Each groove then says which other songs there have it, and a lesson of the reading too.
    progress : callable, optional

    Returns
    -------
    Reading
        ``.form``, ``.grooves``, ``.variations``, ``.fills``, ``.sticking``, ``.feel``; ``.to_markdown()`` in words,
        which is what a notebook shows.

    Raises
    ------
    AudioError
        If the recording cannot be used.
    AnalysisError
        If there is no such player.

    Examples
    --------
    >>> import workbench as wb
    >>> reading = wb.read_part(wb.demo_song(what="chart"))
    >>> [section.name for section in reading.form][1:5]
    ['Verse', 'Lift', 'Chorus', 'Hush']
    """
    from workbench.files.audio import load_audio
    from workbench.progress import part as part_of
    from workbench.reading.read import read_part
    from workbench.reading.sticking import Player

    progress = _shown(progress)
    audio = None if recording is None else load_audio(recording, mono=True, progress=part_of(progress, 0.0, 0.1))
    own = _part(chart)
    reading = read_part(own.chart, audio, Player(handedness, style, open_handed), progress)
    if own.folder is not None:
        from workbench.listening.hearing import kept_dispute

        reading = replace(reading, dispute=kept_dispute(own.chart, own.folder))
    return reading if shelf is None else _with_others(reading, shelf)


def mark_reading(chart: Source, reading: Reading, *, cues: bool = False, sticking: bool = False) -> Chart:
    """Write a reading into a chart, as sections and marks that you rename, confirm or remove.

    Parameters
    ----------
    chart : open chart, Chart, Draft or path
        An open chart is edited, which can be undone; anything else stays as it is.
    reading : Reading
        Of this chart.
    cues : bool
        Write "fill", "half-time" … above the staff too.
    sticking : bool
        Write the proposed sticking under the notes.

    Returns
    -------
    Chart
        With the marks; what you have confirmed is in it unchanged.

    Raises
    ------
    ChartError
        If the reading is of another chart.

    Examples
    --------
    >>> import workbench as wb
    >>> song = wb.demo_song(what="chart")
    >>> {mark.kind for mark in wb.mark_reading(song, wb.read_part(song)).marks} >= {"fill", "groove"}
    True
    """
    from workbench.chart.edits import CompositeEdit
    from workbench.files.document import ChartDocument
    from workbench.reading.read import reading_to_edits
    from workbench.reading.sticking import sticking_edit

    marked = reading_to_edits(reading, cues=cues)
    hands = sticking_edit(reading.chart, reading.sticking)
    edit = CompositeEdit((marked, hands)) if sticking else marked
    return chart.apply(edit) if isinstance(chart, ChartDocument) else edit.apply(_part(chart).chart)


def sticking(
    chart: Source,
    bars: str | None = None,
    *,
    handedness: str = "right",
    style: str = "lead hand",
    open_handed: bool = False,
) -> pandas.DataFrame:
    """Propose hands for the strokes: short ways between the drums, no arm in the way of the other.

    Parameters
    ----------
    chart : Chart, open chart, Draft or path
    bars : str, optional
        "28-29" or "28"; by default all.
    handedness, style, open_handed
        As for :func:`read_part`.

    Returns
    -------
    pandas.DataFrame
        ``bar``; ``hands``, as "R L R+L", and "–" where no two hands can play it; ``remark``.

    Raises
    ------
    AnalysisError, ChartError
        If there is no such player, or no such bars.

    Examples
    --------
    >>> import workbench as wb
    >>> wb.sticking(wb.demo_song(what="chart"), "1", style="hand to hand").hands[0].split()[0]
    'R'
    """
    import pandas

    from workbench.reading.sticking import Player, propose_sticking

    part = _part(chart)
    first, last = _span(part.chart, bars)
    proposed = propose_sticking(part.chart, Player(handedness, style, open_handed))
    remarks = {f.bar_index: f.text for f in proposed.flags}
    rows = [
        (part.chart.time_map.bar_number(k), proposed.text(part.chart, k), remarks.get(k, ""))
        for k in range(first, last + 1)
    ]
    return pandas.DataFrame(rows, columns=["bar", "hands", "remark"])


def compare(first: Source, second: Source) -> Versions:
    """Say bar by bar what changed between two versions of a part (studio and live, first draft and final).

    Parameters
    ----------
    first, second : Chart, open chart, Draft or path

    Returns
    -------
    Versions
        ``.changes``, ``.pairs``; ``.to_markdown()`` in words, which is what a notebook shows.

    Raises
    ------
    FileFormatError
        If a file is named that is no chart.
    ChartError
        If one of them is too long to be compared, more than an hour or so.

    Examples
    --------
    >>> import workbench as wb
    >>> versions = wb.compare(wb.demo_song(what="chart"), wb.demo_song(what="hurried draft"))
    >>> versions.only_first
    (14,)
    """
    from workbench.reading.versions import compare_versions

    return compare_versions(_part(first).chart, _part(second).chart)


class Exercises(tuple):
    """Exercises of a part, in the order of the song; a notebook shows them as a table."""

    chart: Chart

    @property
    def table(self) -> pandas.DataFrame:
        """Name, bars and tempi of each exercise."""
        import pandas

        from workbench.practice.pages import tempi_words

        rows = [
            (
                e.title,
                ", ".join(s.title for s in e.stages),
                tempi_words(self.chart, e),
                " ".join(e.listen_for),
                " ".join(e.warnings),
            )
            for e in self
        ]
        return pandas.DataFrame(rows, columns=["exercise", "steps", "tempi", "listen for", "check first"])

    def _repr_html_(self) -> str:
        return self.table.to_html()


def exercises(
    chart: Source | Reading,
    *,
    kinds: Collection[str] | None = None,
    sections: Collection[str] | None = None,
    bars: str | None = None,
    tempi: Sequence[float] | None = None,
    instruments: Sequence[str] | None = None,
    more_steps: bool = False,
) -> Exercises:
    """Propose what to practise of a part: grooves in layers, variations, fills in stages.

    Parameters
    ----------
    chart : Reading, Chart, open chart, Draft or path
    kinds : names
        From "groove", "variation", "fill"; all by default.
    sections : letters or names, optional
        Only what these play.
    bars : str, optional
        "5-8": these bars as the one exercise; with kinds or sections: only what lies in these bars.
    tempi : shares of the original tempo, optional
        Such as ``(0.6, 0.8, 1.0)``; by default slow, medium and original by density.
    instruments : names or families, optional
        Played alone first, such as ``("kick",)``.
    more_steps : bool
        With easier versions, and drills drawn from fills: on one drum, accents, hands alone, doubled, displaced.

    Returns
    -------
    tuple of Exercise

    Raises
    ------
    ChartError
        If a kind, section or instrument does not exist, or a tempo is out of range.

    Examples
    --------
    >>> import workbench as wb
    >>> {exercise.kind for exercise in wb.exercises(wb.demo_song(what="chart"), kinds=["fill"])}
    {'fill'}
    """
    from workbench.practice.exercises import EXERCISE_KINDS, choose_exercises, section_exercise

    reading = _reading(chart)
    first, last = _span(reading.chart, bars)
    if bars is None or kinds is not None or sections is not None:
        kinds, within = EXERCISE_KINDS if kinds is None else kinds, range(first, last + 1)
        chosen = choose_exercises(reading, kinds, sections, tempi, instruments, more_steps, within)
    else:
        chosen = (section_exercise(reading.chart, first, last, "", tempi, instruments, reading, more_steps),)
    found = Exercises(chosen)
    found.chart = reading.chart
    return found


def play(
    exercise: Exercise, chart: Source | Reading, tempo_bpm: float, *, step: int = -1, click: str = "quarter"
) -> HTML:
    """A step of an exercise to look at and to listen to, at any tempo, with the feel of the recording.

    Parameters
    ----------
    exercise : Exercise
    chart : Reading, Chart, open chart, Draft or path
        That the exercise is of.
    tempo_bpm : float
        Counted beats a minute.
    step : int
        From 0; by default the last.
    click : str
        "quarter", "eighth", "off-beat" or "2 and 4".

    Returns
    -------
    IPython HTML
        Bars and a player, which a notebook shows.

    Raises
    ------
    ChartError
        If the exercise has no such step.

    Examples
    --------
    >>> import workbench as wb
    >>> reading = wb.read_part(wb.demo_song(what="chart"))
    >>> "<audio" in wb.play(wb.exercises(reading)[0], reading, 70).data
    True
    """
    from IPython.display import HTML, Audio

    from workbench.practice.pages import engrave_bars
    from workbench.practice.stagecharts import stage_chart, with_sticking
    from workbench.sound.rendering import mixed, placed, render_chart, render_click

    if not -len(exercise.stages) <= step < len(exercise.stages):
        raise ChartError(f"This exercise has {len(exercise.stages)} steps, from 0.")
    bars = stage_chart(with_sticking(_reading(chart)), exercise.stages[step], tempo_bpm)
    kit = render_chart(bars, loop=True)
    beat = render_click(bars.time_map, click, loop=True)
    sound = mixed([placed(kit, level_db=-6), placed(beat, level_db=-12)])
    player = Audio(sound.T, rate=kit.sample_rate, normalize=False)
    return HTML(engrave_bars(bars) + player._repr_html_())


def stems(recording: PathName, folder: PathName | None = None, *, progress: Progress | None = None) -> StemFiles:
    """Take a recording apart into its drums and the rest: NAME.drums.flac and NAME.rest.flac.

    Parameters
    ----------
    recording : path
    folder : path, optional
        By default beside the recording.
    progress : callable, optional

    Returns
    -------
    StemFiles
        ``.drums`` and ``.rest``, the two files; their sum is the recording, sample by sample.

    Raises
    ------
    AudioError
        If the recording cannot be read or the files cannot be written.

    Examples
    --------
    >>> import workbench as wb
    >>> from tempfile import mkdtemp
    >>> [file.name for file in wb.stems(wb.demo_song(), mkdtemp())]
    ['copper-weather.drums.flac', 'copper-weather.rest.flac']
    """
    from workbench.sound.stemfiles import write_stems

    return write_stems(recording, folder, _shown(progress))


def practice_pack(
    chart: Source | Reading,
    folder: PathName | None = None,
    *,
    exercises: Sequence[Exercise] | None = None,
    recording: PathName | None = None,
    progress: Progress | None = None,
    **options: Any,
) -> PracticePack:
    """Make a practice pack: loops and tracks with click and count-in, a page that plays them, a booklet.

    Parameters
    ----------
    chart : Reading, Chart, open chart, Draft or path
    folder : path, optional
        A pack of before in it is replaced; by default ``NAME-practice`` beside the chart's file.
    exercises : Exercise, optional
        From :func:`exercises`; by default all.
    recording : path, optional
        By default the chart's own, where it is found; without one there are kit and click only.
    progress : callable, optional
    **options
        Those of :class:`workbench.practice.pack.PackOptions`, such as ``format="mp3"``, ``click="2 and 4"``.

    Returns
    -------
    PracticePack
        ``.index``, the page; ``.booklet``, the PDF; ``.files``, the sound.

    Raises
    ------
    WorkbenchError
        If there is nothing to practise, the recording is another one, or the folder holds something else.

    Examples
    --------
    >>> import workbench as wb
    >>> from tempfile import mkdtemp
    >>> chart = wb.read_chart(wb.demo_song(what="chart"))  # a bare chart: kit and click only
    >>> fill = wb.exercises(chart, kinds=["fill"], tempi=[1.0])[:1]
    >>> pack = wb.practice_pack(chart, mkdtemp() + "/pack", exercises=fill, track_repeats=0)
    >>> pack.index.name, pack.booklet.name
    ('index.html', 'booklet.pdf')
    """
    from workbench.practice.pack import PackOptions, make_practice_pack
    from workbench.scorefiles import part_name

    part = _part(chart)
    if folder is None:
        if part.file is None:
            raise FileFormatError("Name a folder for the practice pack: this chart lies in no file.")
        folder = part.file.parent / f"{part_name(part.file)}-practice"
    return make_practice_pack(
        part.chart,
        folder,
        exercises=exercises,
        reading=_reading(chart),
        recording=part.recording if recording is None else recording,
        options=PackOptions(**options),
        progress=_shown(progress),
    )


def check(draft: Source, recording: PathName | None = None, *, progress: Progress | None = None) -> Check:
    """Check a draft, made by anyone, against its recording: what is missing, extra, wrong or misplaced.

    Parameters
    ----------
    draft : Chart, open chart, Draft or path
    recording : path, optional
        By default the chart's own.
    progress
        As for :func:`draft`.

    Returns
    -------
    Check
        ``.findings``, the gravest first; ``.patterns``, what is wrong in the same way in several bars; ``.remarks``.

    Raises
    ------
    AudioError, FileFormatError
        If a file cannot be used, or no recording is known.
    AnalysisError
        If the chart has no notes or the recording no drums.

    Examples
    --------
    >>> import workbench as wb
    >>> check = wb.check(wb.demo_song(what="hurried draft"), wb.demo_song())
    >>> check.findings[0].verdict
    'wrong'
    """
    from workbench.checking.check import check_draft

    recording = recording or _part(draft).recording
    if recording is None:
        raise FileFormatError("Name the recording to check against: the chart's own is not where the chart says.")
    # A file is read there once more: what is not understood in it becomes a remark.
    draft = draft if isinstance(draft, str | os.PathLike) else _part(draft).chart
    return check_draft(draft, recording, _shown(progress))


def correct(check: Check, folder: PathName | None = None) -> ChartDocument:
    """Open the checked draft for correcting, written as the recording plays it.

    Repeats are written out, and bars that the draft lacks are empty bars.

    Parameters
    ----------
    check : Check
    folder : path, optional
        Where ``NAME.corrected.chart.json`` lies, by default beside the recording, NAME being the draft's (of a chart
        that is no file the recording's); if it is there already it is opened with all its edits.

    Returns
    -------
    ChartDocument

    Raises
    ------
    AnalysisError
        If no bar of the draft was found in the recording.
    FileFormatError
        If the folder cannot be written to.

    Examples
    --------
    >>> import workbench as wb
    >>> from tempfile import mkdtemp
    >>> recording = wb.demo_song(mkdtemp())
    >>> song = wb.correct(wb.check(wb.demo_song(what="hurried draft"), recording))
    >>> song.path.name
    'copper-weather.hurried.corrected.chart.json'
    """
    from workbench.alignment.alignedchart import write_on_recording
    from workbench.chart import Recording
    from workbench.files.audio import describe_audio, sha256_of
    from workbench.files.chartfile import ENDING, moved_chart
    from workbench.files.document import ChartDocument
    from workbench.files.safefile import make_folder

    heard = Path(check.recording)
    place = heard.parent if folder is None else make_folder(folder)
    file = place / f"{_checked_name(check)}.corrected{ENDING}"
    if file.exists():
        return ChartDocument.open(file)
    recording = Recording(str(heard), sha256_of(heard), describe_audio(heard).duration_s)
    played = write_on_recording(check.chart, check.alignment, recording)
    return ChartDocument.create(moved_chart(played, Path(), place), file)


def _checked_name(check: Check) -> str:
    """Of files about a check: the draft's, as several people's drafts are checked against one recording."""
    from workbench.scorefiles import part_name

    return part_name(check.draft) if check.draft else Path(check.recording).stem


def take(
    chart: Source,
    recording: PathName,
    *,
    click_bpm: float | None = None,
    click_start_s: float | None = None,
    bars: str | None = None,
    progress: Progress | None = None,
) -> Take:
    """Assess a student's take: strokes missed and added, early and late, rushing, dynamics, consistency.

    Parameters
    ----------
    chart : Chart, open chart, Draft or path
    recording : path
        Of the take; or an electronic kit's MIDI file, which is exact.
    click_bpm : float, optional
        Counted beats a minute, if it was played to a click; otherwise its own tempo is the measure.
    click_start_s : float, optional
        Time of one click in the recording, seconds, if known.
    bars : str, optional
        "5-8": the take plays only these bars, once or round and round.
    progress
        As for :func:`draft`.

    Returns
    -------
    Take
        ``.strengths``, ``.advice`` and ``.warnings`` in words; ``.playing`` in figures.

    Raises
    ------
    AudioError
        If the recording cannot be used.
    AnalysisError
        If the chart has no notes, the recording is of something else, or ``click_bpm`` is missing.

    Examples
    --------
    >>> import workbench as wb
    >>> take = wb.take(wb.demo_song(what="chart"), wb.demo_song())
    >>> take.warnings
    ()
    """
    from workbench.checking.playing import Click
    from workbench.checking.take import assess_take
    from workbench.errors import AnalysisError

    if click_bpm is None and click_start_s is not None:
        raise AnalysisError("The time of a click is of use only with its tempo; give that too.")
    click = None if click_bpm is None else Click(click_bpm, click_start_s)
    part = _part(chart)
    span = None if bars is None else _span(part.chart, bars)
    return assess_take(part.chart, recording, click, _shown(progress), span)


def record_take(
    chart: Source, folder: PathName = "takes", *, bars: str | None = None, delay_s: float | None = None
) -> TakeRecorder:
    """Record a take in the notebook: the click in the headphones, the microphone into a file.

    Parameters
    ----------
    chart : Chart, open chart, Draft or path
    folder : path
        Where takes go, made if missing; the delay that is measured once is kept there, too.
    bars : str, optional
        "5-8": the take plays only these bars, once or round and round.
    delay_s : float, optional
        From a click to its being heard by the microphone, seconds, if it is known.

    Returns
    -------
    TakeRecorder
        Shown by the notebook; after recording, ``.assess()`` gives the take.

    Raises
    ------
    FileFormatError
        If the folder cannot be made.

    Examples
    --------
    >>> import workbench as wb
    >>> from tempfile import mkdtemp
    >>> recorder = wb.record_take(wb.demo_song(what="chart"), mkdtemp(), bars="5-8")
    >>> recorder.click_bpm = 90
    """
    from workbench.checking.recorder import TakeRecorder

    part = _part(chart)
    span = None if bars is None else _span(part.chart, bars)
    return TakeRecorder(part.chart, folder, span, delay_s)


def keep_take(take: Take, folder: PathName, *, date: str | None = None) -> Diary:
    """Put a take into a student's diary: a folder of plain files, with a page that shows what grows over weeks.

    Parameters
    ----------
    take : Take
    folder : path
        The student's own, made if missing: ``progress.html``, ``takes.csv``, and each take in ``takes``.
    date : str, optional
        "2026-11-26"; today by default.

    Returns
    -------
    Diary
        ``.takes`` in order of date, ``.page``.

    Raises
    ------
    FileFormatError
        If the folder cannot be written to, or that is no date.

    Examples
    --------
    >>> import workbench as wb
    >>> from tempfile import mkdtemp
    >>> take = wb.take(wb.demo_song(what="chart"), wb.demo_song())
    >>> wb.keep_take(take, mkdtemp(), date="2026-11-03").takes[0].song
    'Copper Weather'
    """
    import datetime

    from workbench.checking import diary

    try:
        day = None if date is None else datetime.date.fromisoformat(date)
    except ValueError:
        raise FileFormatError(f"{date!r} is no date; write it as 2026-11-26.") from None
    return diary.keep_take(take, folder, day)


def lesson(
    chart: Source | Reading,
    *,
    student: str = "",
    date: str = "",
    teacher: str = "",
    recording: PathName | None = None,
    language: str = "en",
    counts: str | None = None,
    shelf: Shelf | PathName | None = None,
) -> Lesson:
    """Plan a lesson: what to learn of a part in which order and why, with easier versions and tempi up to the song's.

    Parameters
    ----------
    chart : Chart, open chart, Draft, path, or a reading
    student, date, teacher : str, optional
        For the head of its page.
    recording : path, optional
        By default the chart's own, where it is found; the page then plays it, drums and band by sliders of their own.
    language : str
        "en", "de" or "es"; what is said of the music itself stays English.
    counts : str, optional
        "1 e & a", "1 e + a", "1 e y a" or "1 ta te ta"; by default the language's.
    shelf : Shelf or path of its folder, optional
        Each groove then says which other songs there have it.

    Returns
    -------
    Lesson
        ``.items``; ``.changed(2, minutes=15)`` and ``.of([1, 2])`` make another of it; :func:`report` writes its page.

    Raises
    ------
    WorkbenchError
        If the part has nothing sure to learn, or there is no such language or way to count.

    Examples
    --------
    >>> import workbench as wb
    >>> lesson = wb.lesson(wb.demo_song(what="chart"), student="Ana")
    >>> lesson.items[1].title, lesson.tempi_bpm[-1]
    ('C Chorus: groove', 113)
    """
    from dataclasses import replace

    from workbench.practice.lesson import plan_lesson
    from workbench.practice.words import words_of

    heard = _part(chart).recording if recording is None else Path(recording)
    words = words_of(language, counts)
    reading = _reading(chart) if shelf is None else _with_others(_reading(chart), shelf)
    return replace(plan_lesson(reading, heard, words), student=student, date=date, teacher=teacher)


def set_list(
    charts: Sequence[Source],
    folder: PathName,
    *,
    title: str = "Set list",
    paper: str = "A4",
    progress: Progress | None = None,
) -> SetList:
    """Write chosen charts as a set list: one booklet to print, with a sheet for the evening, and one page.

    Parameters
    ----------
    charts : sequence of Chart, open chart, Draft or path
        In the order of the evening.
    folder : path
        Made if missing.
    title : str
    paper : str
        "A4" or "Letter".
    progress
        As for :func:`draft`.

    Returns
    -------
    SetList
        ``.booklet``, a PDF; ``.page``, HTML.

    Raises
    ------
    WorkbenchError
        If there are no charts, one cannot be read, or the folder cannot be written to.

    Examples
    --------
    >>> import workbench as wb
    >>> from tempfile import mkdtemp
    >>> made = wb.set_list([wb.demo_song(what="chart")], mkdtemp(), title="Friday")
    >>> made.booklet.name, made.page.name
    ('set-list.pdf', 'set-list.html')
    """
    from workbench.shelving.setlist import write_set_list

    return write_set_list([_part(c).chart for c in charts], folder, title, paper, _shown(progress))


def shelf(
    folder: PathName,
    do: Sequence[str] = ("draft",),
    *,
    out: PathName | None = None,
    workers: int | None = None,
    memory_gib: float | None = None,
    scheduler: str | None = None,
    progress: Progress | None = None,
) -> Shelf:
    """Work through a folder of recordings and charts, and open its catalogue.

    What was done before is not done again, unless recording, chart or workbench have changed since; what broke off
    starts again.  Nothing that a person has edited is overwritten.

    Parameters
    ----------
    folder : path
        Folders in it belong to it.
    do : sequence of str
        For every song: "draft", "check", "score", "read", "practice", "lesson"; nothing lists what is there.
    out : path, optional
        Where charts and catalogue lie, in folders as the recordings'; by default beside them.
    workers : int, optional
        Processes on this machine; by default one for each core that there is memory for.
    memory_gib : float, optional
        The most that each may take; by default its share of the machine's.
    scheduler : str, optional
        Address of a Dask scheduler whose workers do the work instead, as "tcp://192.168.0.4:8786".
    progress
        As for :func:`draft`.

    Returns
    -------
    Shelf
        ``.songs``, ``.grooves``, ``.fills``, tables; ``.find("shuffle tempo<100")``, the songs that a question means;
        ``.page``, the catalogue to sort and search; ``.failures``, a sentence each.

    Raises
    ------
    WorkbenchError
        If there is no such folder or step, another program works on the shelf, or the cluster cannot be used.

    Examples
    --------
    >>> import workbench as wb
    >>> from tempfile import mkdtemp
    >>> folder = mkdtemp()
    >>> song = wb.demo_song(folder, "chart")
    >>> shelf = wb.shelf(folder, do=())
    >>> list(shelf.find('"open hi-hat on the & of 4" tempo<115').song)
    ['Copper Weather']
    """
    from workbench.shelving.filling import fill_shelf
    from workbench.shelving.shelf import Shelf

    return Shelf.of(
        fill_shelf(
            folder, do, out=out, workers=workers, memory_gib=memory_gib, scheduler=scheduler, progress=_shown(progress)
        )
    )


def film(
    lesson: Lesson, path: PathName, *, items: Sequence[int] | None = None, progress: Progress | None = None
) -> Path:
    """Write a lesson to watch: bars engraved and lit as they sound, with click and count, at each tempo.

    Parameters
    ----------
    lesson : Lesson
    path : path ending in ``.webm``
    items : numbers, optional
        From 1, as the lesson has them; by default all.
    progress : callable, optional

    Returns
    -------
    Path
        The film, WebM with VP9 and Opus.

    Raises
    ------
    WorkbenchError
        If PyAV is not installed (the extra ``film``), or the lesson has no such item.

    Examples
    --------
    >>> import workbench as wb
    >>> from tempfile import mkdtemp
    >>> lesson = wb.lesson(wb.demo_song(what="chart"))
    >>> wb.film(lesson, mkdtemp() + "/chorus.webm", items=[12]).name
    'chorus.webm'
    """
    from workbench.practice.film import write_film

    return write_film(lesson, path, items, _shown(progress))


def report(
    result: Check | Take | Reading | Versions | Lesson,
    folder: PathName,
    name: str | None = None,
    *,
    progress: Progress | None = None,
) -> list[Path]:
    """Write what was found as pages to read and data for programs.

    Parameters
    ----------
    result : Check, Take, Reading, Versions or Lesson
    folder : path
        Made if missing.
    name : str, optional
        Beginning of the files' names; by default that of the checked draft's file, of the take's, or the chart's title.
        A lesson's name ends with the student's.
    progress : callable, optional
        Of a lesson.

    Returns
    -------
    list of Path
        HTML, PDF and JSON of a check or a take; Markdown and JSON of a reading or of two versions; a lesson's page.

    Raises
    ------
    FileFormatError
        If the folder cannot be written to.

    Examples
    --------
    >>> import workbench as wb
    >>> from tempfile import mkdtemp
    >>> [path.name for path in wb.report(wb.read_part(wb.demo_song(what="chart")), mkdtemp(), "song")]
    ['song.reading.md', 'song.reading.json']
    """
    import json

    from workbench.checking.check import Check
    from workbench.checking.check_report import write_check
    from workbench.checking.take import Take
    from workbench.checking.take_report import write_take
    from workbench.files.safefile import file_name, make_folder, write_whole
    from workbench.practice.lesson import Lesson
    from workbench.practice.lessonpage import write_lesson
    from workbench.reading.versions import Versions

    place = make_folder(folder)
    if isinstance(result, Lesson):
        stem = name or file_name(result.title, "lesson")
        stem += f" - {file_name(result.student, 'student')}" if result.student.strip() else ""
        return [write_lesson(result, place / f"{stem}.lesson.html", _shown(progress))]
    if isinstance(result, Check | Take):
        beginning = place / (
            name or (_checked_name(result) if isinstance(result, Check) else Path(result.recording).stem)
        )
        endings = (".html", ".pdf", ".json")
        if isinstance(result, Take):
            return [write_take(result, f"{beginning}.take{e}") for e in endings]
        return [write_check(result, f"{beginning}.check{e}", result.recording) for e in endings]
    title, kind = (result.first.title, "versions") if isinstance(result, Versions) else (result.chart.title, "reading")
    beginning = place / (name or file_name(title, "chart"))
    data = json.dumps(result.to_data(), indent=1, ensure_ascii=False) + "\n"
    return [
        write_whole(f"{beginning}.{kind}{ending}", text.encode())
        for ending, text in ((".md", result.to_markdown()), (".json", data))
    ]


def to_music21(chart: Source) -> music21.stream.Score:
    """The chart as a music21 score, to analyse it with that library.

    Parameters
    ----------
    chart : Chart, open chart, Draft or path

    Returns
    -------
    music21.stream.Score
        One unpitched part in two voices (hands, feet), with the places and noteheads of the drum key, its General
        MIDI instruments, velocities, grace notes of flams and drags, tempo of every bar.

    Raises
    ------
    ChartError
        If a note is too fine for any note value.

    Examples
    --------
    >>> import workbench as wb
    >>> score = wb.to_music21(wb.demo_song(what="chart"))
    >>> len(score.parts[0].getElementsByClass("Measure"))
    39
    """
    from workbench.notation.music21score import to_music21

    return to_music21(_part(chart).chart)


def from_music21(score: music21.stream.Stream) -> Chart:
    """A chart of the drum part of a music21 score.

    Parameters
    ----------
    score : music21 Score or Part
        The first part with unpitched notes is read, repeats expanded.

    Returns
    -------
    Chart

    Raises
    ------
    FileFormatError
        If there is no drum part in it.

    Examples
    --------
    >>> import workbench as wb
    >>> chart = wb.read_chart(wb.demo_song(what="chart"))
    >>> again = wb.from_music21(wb.to_music21(chart))
    >>> [bar.pattern for bar in again.bars] == [bar.pattern for bar in chart.bars]
    True
    """
    from workbench.notation.music21score import from_music21

    return from_music21(score)


# -- what a user gives -------------------------------------------------------------------


@dataclass(frozen=True)
class _Part:
    """A chart with the file it lies in and the folder its recording is named from; a bare chart has neither."""

    chart: Chart
    file: Path | None = None
    folder: Path | None = None

    @property
    def recording(self) -> Path | None:
        from workbench.files.chartfile import recording_file

        return None if self.folder is None else recording_file(self.chart, self.folder)


def _part(source: Source | Reading) -> _Part:
    from workbench.chart import Chart
    from workbench.files.document import ChartDocument

    if isinstance(source, Chart):
        return _Part(source)
    if isinstance(source, ChartDocument):
        return _Part(source.chart, source.path, source.path.parent)
    if not isinstance(source, (str, os.PathLike)):  # so that reading a file does not load all that hears recordings
        from workbench.listening.draft import Draft, draft_files
        from workbench.reading.read import Reading

        if isinstance(source, Reading):
            return _Part(source.chart)
        if isinstance(source, Draft):
            return _Part(source.chart, draft_files(source.recording, source.recording.parent).chart, Path())
    return _Part(read_chart(source), Path(source), Path(source).parent)


def _chart_of_renamed(recording: Path, folder: Path) -> Chart | None:
    """The corrected chart of a recording that had another name when it was charted in this folder."""
    from workbench.files.audio import sha256_of
    from workbench.files.chartfile import ENDING
    from workbench.files.document import read_working_chart

    for file in folder.glob(f"*{ENDING}"):
        with suppress(FileFormatError):  # a damaged chart is no hindrance to another song
            chart = read_working_chart(file)
            of = chart.recording
            if of is not None and not (folder / of.path).exists() and of.sha256 == sha256_of(recording):
                path = os.path.relpath(recording.resolve(), folder.resolve())
                return replace(chart, recording=replace(of, path=path))
    return None


def _opened(song: ChartDocument | PathName, progress: Progress | None) -> ChartDocument:
    from workbench.files.document import ChartDocument

    return song if isinstance(song, ChartDocument) else open_chart(song, progress=progress)


def _reading(source: Source | Reading) -> Reading:
    from workbench.reading.read import Reading

    return source if isinstance(source, Reading) else read_part(source)


def _with_others(reading: Reading, shelf: Shelf | PathName) -> Reading:
    from workbench.shelving.likeness import GrooveIndex, with_others

    return with_others(reading, GrooveIndex.of_folder(shelf) if isinstance(shelf, str | os.PathLike) else shelf.index)


def _span(chart: Chart, bars: str | None) -> tuple[int, int]:
    from workbench.chart.excerpts import read_bar_span

    return (0, len(chart) - 1) if bars is None else read_bar_span(chart, str(bars))


def _shown(progress: Progress | None) -> Progress | None:
    """The progress given; in a notebook otherwise a bar."""
    if progress is None and "ipykernel" in sys.modules:
        from IPython import get_ipython
        from IPython.display import display

        if getattr(get_ipython(), "kernel", None):
            from workbench.grid.progress_bar import ProgressBar

            progress = ProgressBar()
            display(progress)
    return progress
