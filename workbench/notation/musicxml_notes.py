"""Writing the notes, chords and rests of a bar in MusicXML 4.0."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from lxml import etree

from workbench.chart import Chart, Note
from workbench.chart.counting import counts_said
from workbench.chart.drumkit import Notehead
from workbench.notation.notevalues import BarValues, VoiceElement
from workbench.notation.scoresigns import ScoreOptions, clean_text, grace_chords, note_id, slug, written_head

#: ``dynamics="100"`` is MIDI velocity 90 (MusicXML 4.0, attribute *dynamics* of note).
FULL_VELOCITY = 90


def add(parent: etree._Element, tag: str, text: str | None = None, **attributes: str) -> etree._Element:
    """A new element under another, its text cleaned; "_" in attribute names stands for "-"."""
    e = etree.SubElement(parent, tag, {k.replace("_", "-"): v for k, v in attributes.items()})
    if text is not None:
        e.text = clean_text(text)
    return e


def decimal(x: float) -> str:
    """A float as an XML decimal (no exponent), read back as the same float."""
    text = repr(float(x))
    return text if "e" not in text else format(float(x), ".20f").rstrip("0").rstrip(".")


def duration_text(length: Fraction, divisions: int) -> str:
    """A length in divisions; always whole, as the divisions fit the bar."""
    units = 4 * length * divisions
    assert units.denominator == 1
    return str(units.numerator)


class NoteWriter:
    """Writes the voices of one bar into its ``measure``.

    Parameters
    ----------
    chart : Chart
    bar_index : int
    options : ScoreOptions
    divisions : int
        Of a quarter note, in this bar.
    """

    def __init__(self, chart: Chart, bar_index: int, options: ScoreOptions, divisions: int) -> None:
        self.chart, self.bar_index, self.options, self.divisions = chart, bar_index, options, divisions
        struck = (n.position for n in chart.bars[bar_index].notes)
        self.counts = counts_said(chart.time_map.bars[bar_index], struck, options.count_system)

    def write(self, measure: etree._Element, values: BarValues) -> None:
        """Write a bar's notes and rests into its measure."""
        if not values.voices:
            note = add(measure, "note")
            add(note, "rest", measure="yes")
            add(note, "duration", self._duration(values.length))
            add(note, "voice", "1")
            return
        for k, voice in enumerate(values.voices):
            if k:
                add(add(measure, "backup"), "duration", self._duration(values.length))
            number = "1" if voice.stem == "up" else "2"
            for j, event in enumerate(voice.events):
                tuplet = _tuplet_edges(voice.events, j)
                if event.notes:
                    self._graces(measure, event, number, voice.stem)
                    self._chord(measure, event, number, voice.stem, tuplet)
                else:
                    self._rest(measure, event, number, tuplet)

    def _duration(self, length: Fraction) -> str:
        return duration_text(length, self.divisions)

    def _rest(self, measure: etree._Element, event: VoiceElement, voice: str, tuplet: tuple[bool, bool, bool]) -> None:
        if not event.shown and event.tuplet is None:
            forward = add(measure, "forward")
            add(forward, "duration", self._duration(event.value.length))
            add(forward, "voice", voice)
            return
        note = add(measure, "note")
        if not event.shown:
            note.set("print-object", "no")
        add(note, "rest")
        self._timing(note, event, voice)
        if any(tuplet):
            _add_tuplet(add(note, "notations"), tuplet)

    def _timing(self, note: etree._Element, event: VoiceElement, voice: str) -> None:
        add(note, "duration", self._duration(event.value.length))
        add(note, "voice", voice)
        self._type(note, event)

    def _type(self, note: etree._Element, event: VoiceElement) -> None:
        add(note, "type", event.value.type_name)
        for _ in range(event.value.dots):
            add(note, "dot")
        if event.value.actual > 1:
            modification = add(note, "time-modification")
            add(modification, "actual-notes", str(event.value.actual))
            add(modification, "normal-notes", str(event.value.normal))

    def _graces(self, measure: etree._Element, event: VoiceElement, voice: str, stem: str) -> None:
        chords = grace_chords(event.notes)
        for k, chord in enumerate(chords):
            for j, n in enumerate(chord):
                note = add(measure, "note")
                add(note, "grace", slash="yes" if len(chords) == 1 else "no")
                if j:
                    add(note, "chord")
                self._unpitched(note, n)
                add(note, "instrument", id=f"I-{slug(n.instrument)}")
                add(note, "voice", voice)
                add(note, "type", "eighth" if len(chords) == 1 else "16th")
                add(note, "stem", stem)
                self._notehead(note, self.chart.instrument(n.instrument).notehead, False)
                if len(chords) > 1 and j == 0:
                    value = "begin" if k == 0 else "end" if k == len(chords) - 1 else "continue"
                    for level in ("1", "2"):
                        add(note, "beam", value, number=level)

    def _unpitched(self, note: etree._Element, n: Note) -> None:
        unpitched = add(note, "unpitched")
        own = self.chart.instrument(n.instrument)
        add(unpitched, "display-step", own.staff_step)
        add(unpitched, "display-octave", str(own.staff_octave))

    def _notehead(self, note: etree._Element, head: Notehead | str, ghost: bool) -> None:
        value = head.value if isinstance(head, Notehead) else head
        if value != "normal" or ghost:
            element = add(note, "notehead", value)
            if ghost:
                element.set("parentheses", "yes")

    def _chord(
        self, measure: etree._Element, event: VoiceElement, voice: str, stem: str, tuplet: tuple[bool, bool, bool]
    ) -> None:
        drawn: set[str] = set()
        for j, n in enumerate(event.notes):
            note = add(measure, "note", id=note_id(self.bar_index, n))
            note.set("dynamics", decimal(round(n.velocity * 100 / FULL_VELOCITY, 4)))
            if attack := round(self._attack(n), 9):
                note.set("attack", decimal(attack))
            if j:
                add(note, "chord")
            self._unpitched(note, n)
            add(note, "duration", self._duration(event.value.length))
            add(note, "instrument", id=f"I-{slug(n.instrument)}")
            add(note, "voice", voice)
            self._type(note, event)
            add(note, "stem", stem)
            head, hidden = written_head(n, self.chart.instrument(n.instrument))
            self._notehead(note, head, "ghost" in n.articulations)
            if j == 0:
                for level, beam in enumerate(event.beams, start=1):
                    add(note, "beam", beam, number=str(level))
            self._notations(note, n, hidden, drawn, tuplet if j == 0 else (False, False, False))
            if j == 0 and self.options.counts and (said := self.counts.pop(event.position, "")):
                _add_lyric(note, 1, "count", said)
            if n.sticking and self.options.sticking:
                # Letters of one chord stand under each other.
                row = 1 + self.options.counts + sum(1 for other in event.notes[:j] if other.sticking)
                _add_lyric(note, row, "sticking", n.sticking)

    def _attack(self, n: Note) -> float:
        """Played deviation in divisions, at the tempo of the bar."""
        tempo = self.chart.time_map.quarter_tempo_bpm(self.bar_index)
        return n.deviation_s * tempo / 60.0 * self.divisions

    def _notations(
        self, note: etree._Element, n: Note, hidden: set[str], drawn: set[str], tuplet: tuple[bool, bool, bool]
    ) -> None:
        said = n.articulations
        hidden = set(hidden)
        if {"flam", "drag"} <= said:
            hidden.add("flam")
        if {"double", "roll"} <= said:
            hidden.add("double")
        for once in ("accent", "double", "roll", "half open", "choke"):
            if once in said and once in drawn:
                hidden.add(once)
        draws = (said - hidden) & {"accent", "double", "roll", "half open", "choke"}
        drawn |= draws
        if n.sticking and not self.options.sticking:
            hidden.add(f"sticking {n.sticking}")
        if not (draws or hidden or any(tuplet)):
            return
        notations = add(note, "notations")
        if any(tuplet):
            _add_tuplet(notations, tuplet)
        if draws & {"double", "roll"}:
            add(add(notations, "ornaments"), "tremolo", "3" if "roll" in draws else "1", type="single")
        if "half open" in draws:
            add(add(notations, "technical"), "half-muted", smufl="guitarHalfOpenPedal", placement="above")
        if draws & {"accent", "choke"}:
            articulations = add(notations, "articulations")
            if "accent" in draws:
                add(articulations, "accent")
            if "choke" in draws:
                add(articulations, "other-articulation", "choke", smufl="pictChokeCymbal", placement="above")
        for name in sorted(hidden):
            add(notations, "other-notation", name, type="single", print_object="no")


def _add_lyric(note: etree._Element, row: int, name: str, text: str) -> None:
    lyric = add(note, "lyric", number=str(row), name=name)
    add(lyric, "syllabic", "single")
    add(lyric, "text", text)


def _add_tuplet(notations: etree._Element, tuplet: tuple[bool, bool, bool]) -> None:
    starts, stops, bracket = tuplet
    if starts:
        add(notations, "tuplet", type="start", number="1", bracket="yes" if bracket else "no")
    if stops:
        add(notations, "tuplet", type="stop", number="1")


def _tuplet_edges(events: Sequence[VoiceElement], k: int) -> tuple[bool, bool, bool]:
    """(starts, stops, needs a bracket) of the tuplet at an event."""
    tuplet = events[k].tuplet
    if tuplet is None:
        return False, False, False
    starts = k == 0 or events[k - 1].tuplet != tuplet
    stops = k + 1 == len(events) or events[k + 1].tuplet != tuplet
    members = [e for e in events if e.tuplet == tuplet]
    return starts, stops, not all(e.beams for e in members)
