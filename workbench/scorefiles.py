"""Scores to and from files: one place that knows which format a name means."""

from __future__ import annotations

import json
import os
import shlex
from collections.abc import Sequence
from dataclasses import fields, replace
from pathlib import Path

from workbench.chart import Chart
from workbench.chart.events import Stroke
from workbench.chart.excerpts import excerpt_chart
from workbench.chart.meter import Meter, TimeMap
from workbench.engraving.engrave import PART, engrave_pdf, engrave_png, engrave_svg, mei_bytes
from workbench.engraving.pages import PLAIN, PageStyle
from workbench.errors import ChartError, FileFormatError
from workbench.files.audio import sha256_of
from workbench.files.audiosource import RECORDING_ENDINGS
from workbench.files.chartfile import ENDING
from workbench.files.document import read_working_chart
from workbench.files.imports import USUAL, Imported, ImportOptions
from workbench.files.kitmap import write_kit_map
from workbench.files.safefile import check_folder, make_folder, write_whole
from workbench.files.untrusted import read_text
from workbench.notation.midi import write_midi
from workbench.notation.midi_read import read_midi
from workbench.notation.musicxml import write_musicxml
from workbench.notation.musicxml_read import read_musicxml
from workbench.notation.scoresigns import ScoreOptions
from workbench.progress import Progress, part, silent

#: Formats by the name a user gives, with the suffix of their files.
SCORE_FORMATS: dict[str, str] = {
    "pdf": ".pdf",
    "musicxml": ".musicxml",
    "mxl": ".mxl",
    "midi": ".mid",
    "svg": ".svg",
    "png": ".png",
    "mei": ".mei",
    "kit": ".kit.csv",
}


#: How names of files end that hold a drum part; the longest first.
PART_ENDINGS = (".chart.json", ".musicxml", ".mxl", ".xml", ".midi", ".mid", ".json")


def holds_part(path: str | os.PathLike) -> bool:
    """Whether a file holds a drum part (not a recording), by its name."""
    return os.fspath(path).lower().endswith(PART_ENDINGS)


def read_any_chart(path: str | os.PathLike, options: ImportOptions = USUAL) -> Imported:
    """Read a chart file, a MusicXML score or a MIDI file, by its name; of a recording the chart beside it.

    Parameters
    ----------
    path : path
    options : ImportOptions
        Of a chart file its kit map alone counts.

    Raises
    ------
    FileFormatError
        If the name has no known ending or the file cannot be understood.
    """
    name = os.fspath(path).lower()
    if name.endswith((".musicxml", ".mxl", ".xml")):
        return read_musicxml(path, options)
    if name.endswith((".mid", ".midi")):
        return read_midi(path, options, _lay_bars)
    if name.endswith(".json"):
        chart = read_working_chart(path)
        return Imported(replace(chart, kit_map=options.kit_map or chart.kit_map))
    if name.endswith(RECORDING_ENDINGS):
        own = Path(path).with_name(part_name(path) + ENDING)
        read = read_any_chart(own, options) if own.exists() else None
        if read and read.chart.recording is not None and read.chart.recording.sha256 == sha256_of(path):
            return replace(read, remarks=(f"{Path(path).name} has a chart, {own.name}: that is read.", *read.remarks))
        draft = f"workbench draft {shlex.quote(str(path))}"
        raise FileFormatError(f"{Path(path).name} is a recording; draft its chart first: {draft}")
    raise FileFormatError(
        f"{Path(path).name} is no drum part that can be read; give a .chart.json, .musicxml, .mxl or .mid file."
    )


def _lay_bars(strokes: Sequence[Stroke], meter: Meter) -> TimeMap:
    """Bars by strokes alone; the tracker is loaded only where a file needs it."""
    from workbench.listening.strokebars import bars_of_strokes

    return bars_of_strokes(strokes, meter)


#: What a house style may say: fields of the options and of the page.
_STYLE_FIELDS = {f.name: kind for kind in (ScoreOptions, PageStyle) for f in fields(kind) if f.name != "slashes"}


def read_house_style(path: str | os.PathLike) -> tuple[ScoreOptions, PageStyle]:
    """Read a house style: a JSON object with fields of :class:`ScoreOptions` and :class:`PageStyle`.

    For example ``{"paper": "Letter", "staff_mm": 7.5, "line_weight": 1.2, "hats": "signs", "bars_per_line": 3}``.

    Raises
    ------
    FileFormatError
        If the file cannot be read or says something unknown.
    """
    name = Path(path).name
    try:
        data = json.loads(read_text(path, 100_000))
        unknown = set(data) - set(_STYLE_FIELDS)
        if unknown:
            raise ValueError(f"it knows {', '.join(_STYLE_FIELDS)}, not {sorted(unknown)[0]}")
        said = [{k: v for k, v in data.items() if _STYLE_FIELDS[k] is kind} for kind in (ScoreOptions, PageStyle)]
        return replace(PART, **said[0]), replace(PLAIN, **said[1])
    except (ValueError, TypeError, RecursionError, ChartError) as error:
        raise FileFormatError(f"{name} is no house style: {error}.") from None


def with_form(chart: Chart) -> Chart:
    """A chart with its form read, if it names no section of its own.

    Sections get letters and fills are marked, so that pages and road map show
    them; the chart given is not changed.
    """
    if chart.sections or not any(bar.notes for bar in chart.bars):
        return chart
    from workbench.reading.read import read_part, reading_to_edits

    return reading_to_edits(read_part(chart)).apply(chart)


def write_scores(
    chart: Chart,
    source: str | os.PathLike,
    formats: Sequence[str],
    *,
    folder: str | os.PathLike | None = None,
    bars: tuple[int, int] | None = None,
    options: ScoreOptions | None = None,
    style: PageStyle = PLAIN,
    played: bool = True,
    road_map: bool = False,
    folded: bool = True,
    read_form: bool = True,
    loop: bool = False,
    progress: Progress | None = None,
) -> list[Path]:
    """Write a chart, or an excerpt of it, in several formats.

    The bars of an excerpt keep their numbers.

    Parameters
    ----------
    chart : Chart
    source : path
        File that the chart came from; gives the names of the new files, with
        ``-bars-5-8`` for an excerpt.
    formats : sequence of str
        From :data:`SCORE_FORMATS`.
    folder : path, optional
        By default that of ``source``; made if it does not exist.
    bars : (int, int), optional
        First and last bar index.
    options, style, played
        See :mod:`workbench.notation.musicxml`, :mod:`workbench.engraving.engrave`, :mod:`workbench.notation.midi`.
    folded : bool
        Fold repeats in MusicXML too; what differs between the passes without
        showing on paper (velocities, feel) is then lost.
    loop : bool
        Repeat signs around an engraved excerpt.
    read_form : bool
        Read the form of a chart without sections (see :func:`with_form`).
    road_map : bool
        Also write ``NAME-road-map.pdf``.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    FileFormatError
        If no format is named or one is unknown, or the folder cannot be written to.
    """
    unknown = [f for f in formats if f not in SCORE_FORMATS]
    if unknown:
        raise FileFormatError(f"There is no score format {unknown[0]!r}; choose from {', '.join(SCORE_FORMATS)}.")
    if not formats and not road_map:
        raise FileFormatError(f"Name at least one score format: {', '.join(SCORE_FORMATS)}.")
    base = _base(chart, Path(source), folder, bars)
    chart = with_form(chart) if read_form and bars is None else chart
    # A repeat would hide the doubts of the bars that it stands for.
    asked = options or ScoreOptions()
    file_options = replace(asked, repeats=folded and not asked.doubts)
    if bars is not None:  # bars of an excerpt are counted anew
        file_options = replace(file_options, line_breaks=(), page_breaks=())
    part_only = chart if bars is None else excerpt_chart(chart, *bars)
    tell, out = progress or silent, []
    for k, name in enumerate(formats):
        path = base.with_name(base.name + SCORE_FORMATS[name])
        step = part(progress, k / len(formats), (k + 1) / len(formats))
        tell(k / len(formats), f"Writing {path.name}")
        if name in ("musicxml", "mxl"):
            out.append(write_musicxml(part_only, path, file_options, chart.time_map.bar_number(bars[0] if bars else 0)))
        elif name == "midi":
            out.append(write_midi(part_only, path, played))
        elif name == "mei":
            out.append(write_whole(path, mei_bytes(part_only, options or PART)))
        elif name == "kit":
            out.append(write_kit_map(part_only, path))
        elif name == "pdf":
            out.append(engrave_pdf(chart, path, bars, options, style, step, loop))
        elif name == "png":
            out += engrave_png(chart, path, bars, options, style, progress=step, loop=loop)
        else:
            out += _write_svg(chart, path, bars, options, style, step, loop)
    if road_map:
        from workbench.engraving.roadmap import engrave_road_map

        out.append(engrave_road_map(chart, base.with_name(base.name + "-road-map.pdf"), style))
    tell(1.0, "Score written")
    return out


def part_name(path: str | os.PathLike) -> str:
    """Name of a part by its file or its recording's, without the endings of such files."""
    name = Path(path).name
    for ending in (*PART_ENDINGS, *RECORDING_ENDINGS):
        if name.lower().endswith(ending):
            return name[: -len(ending)]
    return name


def _base(chart: Chart, source: Path, folder: str | os.PathLike | None, bars: tuple[int, int] | None) -> Path:
    name = part_name(source)
    where = Path(folder) if folder is not None else source.parent
    check_folder(where)
    make_folder(where)
    if bars is not None:
        first, last = (chart.time_map.bar_number(k) for k in bars)
        name += f"-bar-{first}" if first == last else f"-bars-{first}-{last}"
    return where / name


def _write_svg(
    chart: Chart,
    path: Path,
    bars: tuple[int, int] | None,
    options: ScoreOptions | None,
    style: PageStyle,
    progress: Progress | None,
    loop: bool,
) -> list[Path]:
    out = []
    for k, page in enumerate(engrave_svg(chart, bars, options, style, progress, loop), start=1):
        target = path if k == 1 else path.with_name(f"{path.stem}-{k}{path.suffix}")
        out.append(write_whole(target, page.encode("utf-8")))
    return out
