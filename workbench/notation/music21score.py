"""The chart as a score of music21 (M. S. Cuthbert, C. Ariza, ISMIR 2010), for analysis with that library, and back.

Every hit is an ``Unpitched`` with the place and notehead of the drum key, an instrument that names its General
MIDI key, and its velocity; what no sign of music21 says (deviation, confidence, sticking, choke, half open) stands
in its ``editorial``, and the times of the beats in that of its measure, so that the way back loses only marks.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import Any

from music21 import (
    articulations,
    clef,
    duration,
    expressions,
    instrument,
    metadata,
    meter,
    note,
    percussion,
    repeat,
    stream,
    tempo,
)
from music21.midi.percussion import MIDIPercussionException, PercussionMapper

from workbench.chart import Chart, Note, Section, Text, WrittenBar
from workbench.chart.drumkit import Instrument as Drum
from workbench.chart.drumkit import instrument as drum
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.errors import ChartError, FileFormatError
from workbench.notation.kitnames import instrument_for_declaration, instrument_for_place
from workbench.notation.musicxml_read import grid_that_holds
from workbench.notation.notevalues import BarValues, VoiceElement, figure_rests, write_bar
from workbench.notation.scoresigns import grace_chords, written_head

#: Quarter notes a minute where a score gives no tempo.
USUAL_TEMPO_BPM = 120.0


def to_music21(chart: Chart) -> stream.Score:
    """See :func:`workbench.to_music21`."""
    kit = {name: _instrument(chart.instrument(name)) for name in chart.instruments_used()}
    part = stream.Part(id="drums")
    part.partName = "Drum set"
    rests = figure_rests(chart)
    for k in range(len(chart)):
        part.append(_measure(chart, k, kit, write_bar(chart, k, rests=rests)))
    score = stream.Score([part])
    score.metadata = metadata.Metadata(title=chart.title, composer=chart.artist)
    score.editorial.feel = chart.feel
    return score


def _instrument(own: Drum) -> instrument.Instrument:
    try:
        made = PercussionMapper().midiPitchToInstrument(own.midi_note)
    except MIDIPercussionException:  # it maps drums, hi-hats and crashes only
        made = instrument.UnpitchedPercussion()
    made.instrumentName, made.percMapPitch, made.midiChannel = own.name, own.midi_note, 9
    return made


def _measure(chart: Chart, k: int, kit: dict[str, instrument.Instrument], written: BarValues) -> stream.Measure:
    timed, before = chart.time_map.bars[k], chart.time_map.bars[k - 1] if k else None
    out = stream.Measure(number=chart.time_map.bar_number(k))
    out.editorial.beat_times_s, out.editorial.end_s = timed.beat_times_s, chart.time_map.bar_end_s(k)
    if before is None:
        out.insert(0, clef.PercussionClef())
    if before is None or before.meter != timed.meter:
        out.insert(0, meter.TimeSignature(str(timed.meter)))
    out.paddingLeft = _quarters(timed.missing)
    mark = tempo.MetronomeMark(number=chart.time_map.quarter_tempo_bpm(k), referent=duration.Duration(1))
    mark.style.hideObjectOnPrint = k > 0
    out.insert(0, mark)
    for section in (s for s in chart.sections if s.bar_index == k):
        sign = expressions.RehearsalMark(section.name or section.label)
        sign.editorial.name, sign.editorial.label = section.name, section.label
        out.insert(0, sign)
    for text in (t for t in chart.texts if t.bar_index == k):
        out.insert(_quarters(text.position), expressions.TextExpression(text.text))
    for voice in written.voices:
        own = stream.Voice(id="1" if voice.stem == "up" else "2")
        for element in voice.events:
            for made in _written(element, voice.stem, kit):
                own.insert(_quarters(element.position), made)
        out.insert(0, own)
    if not written.voices:
        out.insert(0, note.Rest(quarterLength=_quarters(timed.length)))
    return out


def _written(element: VoiceElement, stem: str, kit: dict) -> Iterator[note.GeneralNote]:
    """A chord, note or rest with its length, after its grace notes."""
    length = duration.Duration(quarterLength=_quarters(element.value.length))
    if not element.notes:
        rest = note.Rest(duration=length)
        rest.style.hideObjectOnPrint = not element.shown
        yield rest
        return
    for before in grace_chords(element.notes):
        grace = _struck([_hit(n, kit, stem, plain=True) for n in before])
        yield grace.getGrace()
    struck = _struck([_hit(n, kit, stem) for n in element.notes])
    struck.duration = length
    yield struck


def _struck(hits: list[note.Unpitched]) -> note.GeneralNote:
    return hits[0] if len(hits) == 1 else percussion.PercussionChord(hits)


def _hit(n: Note, kit: dict, stem: str, plain: bool = False) -> note.Unpitched:
    own = drum(n.instrument)
    hit = note.Unpitched(displayName=f"{own.staff_step}{own.staff_octave}")
    hit.storedInstrument = kit[n.instrument]
    head, _ = written_head(n, own)
    hit.notehead, hit.stemDirection = str(head), stem
    hit.volume.velocity = n.velocity
    if plain:
        return hit
    hit.noteheadParenthesis = "ghost" in n.articulations
    if "accent" in n.articulations:
        hit.articulations.append(articulations.Accent())
    if "roll" in n.articulations:
        hit.expressions.append(expressions.Tremolo())
    hit.editorial.update(
        articulations=tuple(sorted(n.articulations)),
        deviation_s=n.deviation_s,
        confidence=n.confidence,
        confirmed=n.confirmed,
        sticking=n.sticking,
    )
    return hit


# -- and back -------------------------------------------------------------------------------


def from_music21(score: stream.Stream) -> Chart:
    """See :func:`workbench.from_music21`."""
    part = _drum_part(score)
    measures = list(part.getElementsByClass(stream.Measure))
    if not measures:
        raise FileFormatError("The drum part of this music21 score has no measures; call makeMeasures on it first.")
    time_map = _time_map(measures)
    bars = tuple(_bar(m, timed) for m, timed in zip(measures, time_map.bars))
    sections = [
        Section(k, mark.editorial.get("name", str(mark.content)), mark.editorial.get("label", ""))
        for k, m in enumerate(measures)
        for mark in m.getElementsByClass(expressions.RehearsalMark)[:1]
    ]
    texts = [
        Text(k, _whole(t.offset), t.content)
        for k, m in enumerate(measures)
        for t in m.getElementsByClass(expressions.TextExpression)
    ]
    heading = score.metadata or metadata.Metadata()
    return Chart(
        time_map,
        bars,
        title=heading.title or "",
        artist=heading.composer or "",
        sections=tuple(sections),
        texts=tuple(texts),
        feel=score.editorial.get("feel", "straight"),
    )


def _drum_part(score: stream.Stream) -> stream.Stream:
    parts: list[stream.Stream] = list(score.getElementsByClass(stream.Part)) or [score]
    signs = (note.Unpitched, percussion.PercussionChord, clef.PercussionClef)
    drums = (p for p in parts if any(p[sign].first() for sign in signs))
    part = next(drums, None)
    if part is None:
        raise FileFormatError("This music21 score has no drum part (no unpitched notes, no percussion clef).")
    return part.expandRepeats() if any(part[repeat.RepeatMark]) else part


def _time_map(measures: list[stream.Measure]) -> TimeMap:
    """Bars by the beat times that came from a chart, where all measures have them, else by tempo marks."""
    shapes, signature = [], Meter()
    for m in measures:
        if m.timeSignature is not None:
            signature = Meter(m.timeSignature.numerator, m.timeSignature.denominator)
        length = signature.bar_length - _whole(m.paddingLeft + m.paddingRight)
        shapes.append((m, signature, length, signature.beat_positions(length)))
    try:
        bars = [Bar(sign, m.editorial["beat_times_s"], length) for m, sign, length, _ in shapes]
        return TimeMap(bars, measures[-1].editorial["end_s"])
    except (KeyError, ChartError):
        pass  # written or changed elsewhere
    now_s, quarter_s, bars = 0.0, 60.0 / USUAL_TEMPO_BPM, []
    for m, sign, length, positions in shapes:
        mark = next(iter(m[tempo.MetronomeMark]), None)
        quarter_s = 60.0 / (mark.getQuarterBPM() or USUAL_TEMPO_BPM) if mark is not None else quarter_s
        bars.append(Bar(sign, tuple(now_s + 4 * float(p) * quarter_s for p in positions), length))
        now_s += 4 * float(length) * quarter_s
    return TimeMap(bars, now_s)


def _bar(measure: stream.Measure, timed: Bar) -> WrittenBar:
    found: dict[tuple[Fraction, str], Note] = {}
    graces: dict[tuple[Fraction, str], int] = {}
    for struck in measure.recurse().notes:
        position = _whole(struck.getOffsetInHierarchy(measure))
        for hit in getattr(struck, "notes", [struck]):
            name = _name(hit)
            if name is None or position >= timed.length:
                continue
            if struck.duration.isGrace:
                graces[position, name] = graces.get((position, name), 0) + 1
            else:
                found[position, name] = _note(hit, struck, position, name, graces.get((position, name), 0))
    return WrittenBar(tuple(found.values()), grid_that_holds(timed, list(found.values())))


def _name(hit: Any) -> str | None:
    """The drum key's instrument: by the hit's own instrument, else by its place and notehead."""
    own, found = getattr(hit, "storedInstrument", None), None
    if own is not None:
        key = getattr(own, "percMapPitch", None)
        found = instrument_for_declaration(key, own.instrumentName or "", getattr(own, "instrumentSound", "") or "")
    if found is None and isinstance(hit, note.Unpitched):
        found = instrument_for_place(hit.displayStep, hit.displayOctave, hit.notehead or "normal")
    return None if found is None else found.name


def _note(hit: Any, struck: Any, position: Fraction, name: str, graces: int) -> Note:
    more = hit.editorial
    signs = {"flam": graces == 1, "drag": graces > 1, "ghost": bool(hit.noteheadParenthesis)}
    said = (*hit.articulations, *struck.articulations)
    signs["accent"] = any(isinstance(a, articulations.Accent) for a in said)
    signs["roll"] = any(isinstance(e, expressions.Tremolo) for e in (*hit.expressions, *struck.expressions))
    signs["rim shot"] = hit.notehead == "slashed"
    read = {sign for sign, there in signs.items() if there} | set(more.get("articulations", ()))
    velocity = hit.volume.velocity or struck.volume.velocity or 80
    return Note(
        position,
        name,
        min(max(int(velocity), 1), 127),
        frozenset(read),
        more.get("deviation_s", 0.0),
        more.get("confidence", 1.0),
        more.get("confirmed", False),
        more.get("sticking", ""),
    )


def _quarters(whole_notes: Fraction) -> Fraction:
    return 4 * whole_notes


def _whole(quarters: float | Fraction) -> Fraction:
    """music21 keeps offsets as exact fractions where floats are not."""
    return Fraction(quarters).limit_denominator(1 << 16) / 4
