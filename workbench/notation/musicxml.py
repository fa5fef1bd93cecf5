"""Writing a chart as a MusicXML 4.0 score.

The file is what a notation program opens, and everything a chart says of its
notes comes back from it (:mod:`workbench.notation.musicxml_read`):

============================  =====================================================
chart                         MusicXML 4.0
============================  =====================================================
instrument                    ``score-instrument`` with ``midi-unpitched``; display
                              position and ``notehead`` of the drum key
velocity                      ``note`` attribute ``dynamics`` (percent of 90)
deviation                     ``note`` attribute ``attack`` (in divisions)
ghost, accent                 ``notehead parentheses``, ``accent``
flam, drag                    one or two ``grace`` notes of the same instrument
double stroke, roll           ``tremolo`` of one and three strokes
half open, choke              ``half-muted``, ``other-articulation``
rim shot, foot splash         noteheads ``slashed`` and ``circle-x``
sticking                      ``lyric`` named "sticking"
section                       ``rehearsal`` (label) and bold ``words`` (name)
feel                          ``sound``/``swing``
fills that are shown          ``words`` "fill" and a ``bracket`` to the last stroke
hairpins                      ``wedge``
repeats that a chart keeps    ``repeat`` and ``ending``
time map                      ``sound tempo`` for each beat; exact beat times in a
                              ``miscellaneous-field``
============================  =====================================================

Where an element would say something ambiguous or be drawn twice (the accent of
a second note in a chord, a rim shot on a cymbal), the note carries a hidden
``other-notation`` instead.  Not carried: the reference to the recording,
confidences and confirmations of notes, the grid's subdivisions and rows, and
of marks all but hairpins and the fills that are shown, these without their words.
"""

from __future__ import annotations

import json
import math
import os
import zipfile
from fractions import Fraction
from io import BytesIO
from pathlib import Path

from lxml import etree

from workbench import __version__
from workbench.chart import Chart, Mark, Section, is_doubtful
from workbench.chart.data import to_data
from workbench.chart.drumkit import drum_key_order
from workbench.chart.meter import Meter
from workbench.chart.pocket import TRIPLETS
from workbench.files.safefile import write_whole
from workbench.notation.abbreviations import BarKind, PrintedBar, bar_numbers, lay_lines
from workbench.notation.fillsigns import FILL_ID, PROPOSED_FILL_ID, says_fill, shown_fills
from workbench.notation.musicxml_notes import NoteWriter, add, decimal, duration_text
from workbench.notation.notevalues import TYPE_NAMES, figure_rests, write_bar
from workbench.notation.roadsigns import HAIRPINS, add_sound, cues_at_staff, is_repeat, write_direction
from workbench.notation.scoresigns import (
    DOUBT_ID,
    WRITTEN_OUT,
    ScoreOptions,
    bar_id,
    broken_before,
    clean_text,
    note_id,
    printed_bars,
    slug,
    tempo_marks,
)

#: Name of the field that keeps the exact beat times.
BEAT_TIMES_FIELD = "beat-times-s"
#: Name of the field that keeps the kit map, as a chart file has it.
KIT_MAP_FIELD = "kit-map"
#: Divisions above this are given bar by bar (16383 is the limit of MIDI files,
#: which MusicXML 4.0 advises for *divisions*).
_MOST_DIVISIONS = 16383
#: Bars of a measure-repeat; -1 for slashes.
_STYLES = {
    BarKind.SIMILE: 1,
    BarKind.SIMILE_OF_TWO: 2,
    BarKind.SIMILE_OF_TWO_END: 2,
    BarKind.SIMILE_OF_FOUR: 4,
    BarKind.SIMILE_OF_FOUR_ON: 4,
    BarKind.SLASHES: -1,
}
#: A swing is told in so many parts of the pair at most: to a fiftieth.
_SWING_PARTS = 50
_SWING = {"swing 8ths": "eighth", "swing 16ths": "16th"}


def musicxml_bytes(chart: Chart, options: ScoreOptions = WRITTEN_OUT, first_number: int | None = None) -> bytes:
    """The chart as an uncompressed MusicXML 4.0 file (``first_number`` as in :func:`write_musicxml`)."""
    return _Writer(chart, options, first_number).write()


def write_musicxml(
    chart: Chart, path: str | os.PathLike, options: ScoreOptions = WRITTEN_OUT, first_number: int | None = None
) -> Path:
    """Write a MusicXML file; a name ending in ``.mxl`` is compressed.

    Parameters
    ----------
    chart : Chart
    path : path
    options : ScoreOptions
    first_number : int, optional
        Number of the first bar, for an excerpt; by default that of the chart.

    Raises
    ------
    FileFormatError
        If the file cannot be written.
    """
    path = Path(path)
    data = musicxml_bytes(chart, options, first_number)
    if path.suffix.lower() == ".mxl":
        data = _compressed(data)
    return write_whole(path, data)


def _compressed(score: bytes) -> bytes:
    """A MusicXML container (MusicXML 4.0, *Compressed .mxl files*), the same bytes each time."""
    container = (
        b'<?xml version="1.0" encoding="UTF-8"?>\n<container><rootfiles>'
        b'<rootfile full-path="score.musicxml" media-type="application/vnd.recordare.musicxml+xml"/>'
        b"</rootfiles></container>\n"
    )
    out = BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, data, how in (
            ("mimetype", b"application/vnd.recordare.musicxml", zipfile.ZIP_STORED),
            ("META-INF/container.xml", container, zipfile.ZIP_DEFLATED),
            ("score.musicxml", score, zipfile.ZIP_DEFLATED),
        ):
            info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            info.compress_type = how
            archive.writestr(info, data)
    return out.getvalue()


class _Writer:
    def __init__(self, chart: Chart, options: ScoreOptions, first_number: int | None = None) -> None:
        self.chart, self.options = chart, options
        self.lines = lay_lines(
            chart, printed_bars(chart, options), options.bars_per_line, breaks=broken_before(chart, options)[0]
        )
        self.printed = [b for line in self.lines for b in line]
        self.numbers = bar_numbers(chart, self.printed, options.numbers, first_number)
        shown = {k for b in self.printed for k in b.shown}
        self.fills = [(m.start, _last_place(chart, m), m.confirmed) for m in shown_fills(chart, options.fills)]
        self.fills = [f for f in self.fills if {f[0][0], f[1][0]} <= shown]
        self.hairpins = [(m.start, _last_place(chart, m), m.kind) for m in chart.marks if m.kind in HAIRPINS]
        self.hairpins = [h for h in self.hairpins if {h[0][0], h[1][0]} <= shown]
        rests = figure_rests(chart, options.one_voice)
        self.values = {k: write_bar(chart, k, options.one_voice, rests) for k in range(len(chart))}
        self.divisions = self._common_divisions()
        self.meter: Meter | None = None
        self.tempo: float | None = None
        self.tempo_marks = tempo_marks(chart)
        self.sections = {s.bar_index: s for s in chart.sections}

    def _common_divisions(self) -> int | None:
        """Divisions of a quarter that fit every bar; None if they differ by bar."""
        common = math.lcm(*(self._divisions_of(k) for k in self.values))
        return common if common <= _MOST_DIVISIONS else None

    def _divisions_of(self, bar_index: int) -> int:
        bar = self.chart.time_map.bars[bar_index]
        lengths = [
            bar.length,
            *(t.position for t in self.chart.texts if t.bar_index == bar_index),
            *(p for start, end, _ in (*self.fills, *self.hairpins) for k, p in (start, end) if k == bar_index),
            *bar.beat_positions(),
        ]
        for voice in self.values[bar_index].voices:
            lengths += [x for e in voice.events for x in (e.position, e.value.length)]
        return math.lcm(*((4 * x).denominator for x in lengths))

    # -- head ----------------------------------------------------------------------

    def write(self) -> bytes:
        root = etree.Element("score-partwise", version="4.0")
        if self.chart.title:
            add(add(root, "work"), "work-title", self.chart.title)
        self._identification(root)
        used = set(self.chart.instruments_used()) or {"snare"}
        self._part_list(root, sorted(used, key=drum_key_order))
        part = add(root, "part", id="P1")
        page_starts = broken_before(self.chart, self.options)[1]
        line_starts = {line[0].bar_index for line in self.lines[1:]}
        starts_of_two = 0
        for printed in self.printed:
            bars = printed.shown
            for k, bar_index in enumerate(bars):
                measure = self._measure(part, bar_index)
                if k == 0 and bar_index in line_starts:
                    page = {"new_page": "yes"} if bar_index in page_starts else {}
                    add(measure, "print", new_system="yes", **page)
                self._attributes(measure, bar_index, printed, k, starts_of_two)
                if k == 0:
                    self._left_barline(measure, printed)
                self._directions(measure, bar_index)
                NoteWriter(self.chart, bar_index, self.options, self._bar_divisions(bar_index)).write(
                    measure, self.values[bar_index]
                )
                if k == len(bars) - 1:
                    self._right_barline(measure, printed, bar_index)
            starts_of_two = self._open_style(printed)
        doctype = (
            '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
            '"http://www.musicxml.org/dtds/partwise.dtd">'
        )
        etree.indent(root, " ")
        return etree.tostring(root, xml_declaration=True, encoding="UTF-8", doctype=doctype)

    def _identification(self, root: etree._Element) -> None:
        identification = add(root, "identification")
        if self.chart.artist:
            add(identification, "creator", self.chart.artist, type="artist")
        encoding = add(identification, "encoding")
        add(encoding, "software", f"drumchart-workbench {__version__}")
        for element in ("accidental", "beam", "stem"):
            add(encoding, "supports", element=element, type="no" if element == "accidental" else "yes")
        fields = add(identification, "miscellaneous")
        time_map = self.chart.time_map
        times = "|".join(" ".join(map(repr, b.beat_times_s)) for b in time_map.bars)
        if not self.options.repeats:
            add(fields, "miscellaneous-field", f"{times}|{time_map.end_s!r}", name=BEAT_TIMES_FIELD)
        if self.chart.kit_map:
            add(fields, "miscellaneous-field", json.dumps(to_data(self.chart.kit_map)), name=KIT_MAP_FIELD)
        if not len(fields):
            identification.remove(fields)

    def _part_list(self, root: etree._Element, names: list[str]) -> None:
        score_part = add(add(root, "part-list"), "score-part", id="P1")
        add(score_part, "part-name", "Drum Set", print_object="no")
        for name in names:
            declared = add(score_part, "score-instrument", id=f"I-{slug(name)}")
            add(declared, "instrument-name", self.chart.instrument(name).general_midi_name)
        for name in names:
            midi = add(score_part, "midi-instrument", id=f"I-{slug(name)}")
            add(midi, "midi-channel", "10")
            add(midi, "midi-program", "1")
            add(midi, "midi-unpitched", str(self.chart.instrument(name).musicxml_unpitched))

    # -- bars ----------------------------------------------------------------------

    def _measure(self, part: etree._Element, bar_index: int) -> etree._Element:
        bar = self.chart.time_map.bars[bar_index]
        measure = add(part, "measure", number=clean_text(self.numbers[bar_index]), id=bar_id(bar_index))
        if bar.is_pickup:
            measure.set("implicit", "yes")
        return measure

    def _open_style(self, printed: PrintedBar) -> int:
        return _STYLES.get(printed.kind, 0)

    def _attributes(self, measure: etree._Element, bar_index: int, printed: PrintedBar, k: int, before: int) -> None:
        meter = self.chart.time_map.bars[bar_index].meter
        attributes = etree.Element("attributes")
        first = self.meter is None
        if first or self.divisions is None:
            add(attributes, "divisions", str(self._bar_divisions(bar_index)))
        if meter != self.meter:
            time = add(attributes, "time")
            add(time, "beats", str(meter.beats))
            add(time, "beat-type", str(meter.unit))
            self.meter = meter
        if first:
            add(add(attributes, "clef"), "sign", "percussion")
            add(add(attributes, "staff-details"), "staff-lines", "5")
        if k == 0:
            self._measure_style(attributes, printed, before)
        if len(attributes):
            measure.append(attributes)

    def _measure_style(self, attributes: etree._Element, printed: PrintedBar, before: int) -> None:
        now = self._open_style(printed)
        if before > 0 and now != before:
            add(add(attributes, "measure-style"), "measure-repeat", type="stop")
        if before < 0 and now >= 0:
            add(add(attributes, "measure-style"), "slash", type="stop")
        if now > 0 and now != before:
            add(add(attributes, "measure-style"), "measure-repeat", str(now), type="start")
        if now < 0 and before >= 0:
            slash = add(add(attributes, "measure-style"), "slash", type="start", use_stems="no")
            add(slash, "slash-type", "quarter")
        if printed.rest_bars > 1:
            add(add(attributes, "measure-style"), "multiple-rest", str(printed.rest_bars))

    def _bar_divisions(self, bar_index: int) -> int:
        return self.divisions or self._divisions_of(bar_index)

    def _left_barline(self, measure: etree._Element, printed: PrintedBar) -> None:
        if not (printed.opens_repeat or printed.opens_ending):
            return
        barline = add(measure, "barline", location="left")
        if printed.opens_repeat:
            add(barline, "bar-style", "heavy-light")
        if printed.opens_ending:
            self._ending(barline, printed, "start")
        if printed.opens_repeat:
            add(barline, "repeat", direction="forward")

    def _ending(self, barline: etree._Element, printed: PrintedBar, kind: str) -> None:
        numbers = ", ".join(str(n) for n in printed.ending)
        text = " ".join(f"{n}." for n in printed.ending) if kind == "start" else None
        add(barline, "ending", text, number=numbers, type=kind)

    def _right_barline(self, measure: etree._Element, printed: PrintedBar, bar_index: int) -> None:
        is_last = printed is self.printed[-1]
        pickup = self.chart.time_map.bars[bar_index].is_pickup
        before_section = bar_index + 1 in self.sections and not pickup
        if not (is_last or before_section or printed.closes_repeat or printed.closes_ending):
            return
        barline = add(measure, "barline", location="right")
        heavy = is_last or printed.closes_repeat
        add(barline, "bar-style", "light-heavy" if heavy else "light-light" if before_section else "regular")
        if printed.closes_ending:
            self._ending(barline, printed, "stop" if printed.closes_repeat else "discontinue")
        if printed.closes_repeat:
            repeat = add(barline, "repeat", direction="backward")
            if printed.passes > 2:
                repeat.set("times", str(printed.passes))

    # -- directions ------------------------------------------------------------------

    def _directions(self, measure: etree._Element, bar_index: int) -> None:
        section = self.sections.get(bar_index)
        if section:
            self._section(measure, section)
        if bar_index in self.tempo_marks:
            self._tempo_and_feel(measure, bar_index)
        self._beat_tempos(measure, bar_index)
        repeats = [t for t in self.chart.texts if t.bar_index == bar_index and is_repeat(t.text)]
        for text in (*repeats, *cues_at_staff(self.chart, bar_index)):
            direction = add(measure, "direction", placement="above")
            if not write_direction(direction, text.text):
                _add_words(direction, text.text)
            self._offset(direction, bar_index, text.position)
            add_sound(direction, text.text)
        if self.options.doubts:
            self._doubts(measure, bar_index)
        self._hairpins(measure, bar_index)
        self._fill_brackets(measure, bar_index)

    def _doubts(self, measure: etree._Element, bar_index: int) -> None:
        """A ? by each stroke, or strokes together, of which the draft is not sure: hands above, feet below."""
        for voice in self.values[bar_index].voices:
            for event in voice.events:
                if doubted := [n for n in event.notes if is_doubtful(n, self.chart.doubt_below)]:
                    direction = add(measure, "direction", placement="above" if voice.stem == "up" else "below")
                    named = f"{DOUBT_ID}{note_id(bar_index, doubted[0])}"
                    _add_words(direction, "?", id=named, font_style="normal")
                    self._offset(direction, bar_index, event.position)

    def _hairpins(self, measure: etree._Element, bar_index: int) -> None:
        for k, (start, end, kind) in enumerate(self.hairpins):
            for (bar, position), what in ((end, "stop"), (start, kind)):
                if bar == bar_index:
                    direction = add(measure, "direction", placement="below")
                    # MusicXML 4.0, number-level: 1 to 16.
                    add(add(direction, "direction-type"), "wedge", type=what, number=str(k % 16 + 1))
                    self._offset(direction, bar, position)

    def _fill_brackets(self, measure: etree._Element, bar_index: int) -> None:
        """Where fills begin and end; their numbers tell which end belongs to which."""
        for k, (start, end, confirmed) in enumerate(self.fills):
            # MusicXML 4.0, number-level: 1 to 16.
            number, name = str(k % 16 + 1), f"{FILL_ID if confirmed else PROPOSED_FILL_ID}{k}"
            if start[0] == bar_index:
                if not says_fill(self.chart, bar_index):
                    words = add(measure, "direction", placement="above")
                    _add_words(words, "fill", id=f"{name}-word", font_style="italic")
                    self._offset(words, bar_index, start[1])
                self._bracket(measure, start, type="start", number=number, line_end="none", id=name)
            if end[0] == bar_index:
                self._bracket(measure, end, type="stop", number=number, line_end="down", id=f"{name}-end")

    def _bracket(self, measure: etree._Element, place: tuple[int, Fraction], **attributes: str) -> None:
        direction = add(measure, "direction", placement="above")
        add(add(direction, "direction-type"), "bracket", line_type="dashed", **attributes)
        self._offset(direction, *place)

    def _section(self, measure: etree._Element, section: Section) -> None:
        shown = [("name", section.name)]
        if section.label:
            shown = [("label", section.label), *shown] if section.name else [("label", section.label)]
        for k, (what, text) in enumerate(shown):
            direction = add(measure, "direction", placement="above")
            kind = add(direction, "direction-type")
            attributes = {"id": f"section-{section.bar_index}-{what}", "font-weight": "bold", _SPACE: "preserve"}
            element = etree.SubElement(kind, "rehearsal" if k == 0 else "words", attributes)
            element.text = clean_text(text)

    def _tempo_and_feel(self, measure: etree._Element, bar_index: int) -> None:
        mark = self.tempo_marks[bar_index]
        direction = add(measure, "direction", placement="above")
        if mark.words:
            _add_words(direction, mark.words)
        metronome = add(add(direction, "direction-type"), "metronome", parentheses="no")
        for tag in beat_unit(mark.beat):
            add(metronome, *tag)
        add(metronome, "per-minute", str(mark.tempo_bpm))
        self.tempo = now = self._quarter_tempos(bar_index)[0][1]
        add(direction, "sound", tempo=decimal(now))
        if self.chart.feel_told != "straight" and bar_index == 0:
            direction = add(measure, "direction", placement="above")
            _add_words(direction, self.chart.feel.capitalize(), id="feel")
            swing = add(add(direction, "sound"), "swing")
            ratio = self.chart.pocket.swing_ratio
            parts = Fraction(TRIPLETS if ratio == 0.5 else ratio).limit_denominator(_SWING_PARTS)
            add(swing, "first", str(parts.numerator))
            add(swing, "second", str(parts.denominator - parts.numerator))
            add(swing, "swing-type", _SWING[self.chart.feel])

    def _quarter_tempos(self, bar_index: int) -> list[tuple[Fraction, float]]:
        time_map = self.chart.time_map
        bar = time_map.bars[bar_index]
        times = (*bar.beat_times_s, time_map.bar_end_s(bar_index))
        return [
            (start, round(240.0 * float(length) / (times[k + 1] - times[k]), 6))
            for k, (start, length) in enumerate(bar.beat_spans())
        ]

    def _beat_tempos(self, measure: etree._Element, bar_index: int) -> None:
        for position, tempo in self._quarter_tempos(bar_index):
            if self.tempo is None or abs(tempo / self.tempo - 1) > 1e-6:
                sound = add(measure, "sound", tempo=decimal(tempo))
                self._offset(sound, bar_index, position)
                self.tempo = tempo

    def _offset(self, parent: etree._Element, bar_index: int, position: Fraction) -> None:
        if position:
            add(parent, "offset", self._duration(bar_index, position), sound="yes")

    def _duration(self, bar_index: int, length: Fraction) -> str:
        return duration_text(length, self._bar_divisions(bar_index))

    # -- notes -----------------------------------------------------------------------


_SPACE = "{http://www.w3.org/XML/1998/namespace}space"


def _last_place(chart: Chart, mark: Mark) -> tuple[int, Fraction]:
    """Where a mark ends, a bar line being the end of the bar before it."""
    k, position = mark.end
    return (k, position) if position else (k - 1, chart.time_map.bars[k - 1].length)


def _add_words(direction: etree._Element, text: str, **attributes: str) -> None:
    kind = add(direction, "direction-type")
    named = {k.replace("_", "-"): v for k, v in attributes.items()}
    words = etree.SubElement(kind, "words", {**named, _SPACE: "preserve"})
    words.text = clean_text(text)


def beat_unit(length: Fraction) -> list[tuple[str, ...]]:
    """MusicXML children that name a beat: ``beat-unit`` and its dot."""
    if length.numerator == 3:
        return [("beat-unit", TYPE_NAMES[length * 2 / 3]), ("beat-unit-dot",)]
    return [("beat-unit", TYPE_NAMES[length])]
