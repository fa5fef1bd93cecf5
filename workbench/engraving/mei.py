"""Lines of music as MEI, the form in which it is handed to the engraver.

MEI (Music Encoding Initiative, version 5) can say what a printed drum part
needs and MusicXML cannot say so that it survives: simile signs without their
notes, multi-bar rests that keep their heading, staff places without pitch.
Both are written from the same note values (:mod:`workbench.notation.notevalues`) and
abbreviations, so the page and the MusicXML file agree.

Texts are set as character data only; nothing in a chart can become markup.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from functools import lru_cache

from lxml import etree

from workbench.chart import Chart, Note, is_doubtful
from workbench.chart.counting import counts_said
from workbench.chart.drumkit import Instrument, Notehead
from workbench.notation.abbreviations import CARRIED_ON, BarKind, PrintedBar
from workbench.notation.fillsigns import FillSign, fill_signs, stretches
from workbench.notation.notevalues import FigureRest, NoteValue, Voice, VoiceElement, figure_rests, write_bar
from workbench.notation.roadsigns import HAIRPINS, cues_at_staff, mei_element
from workbench.notation.scoresigns import ScoreOptions, bar_id, clean_text, grace_chords, note_id, slug, written_head

_HATS = ("closed hi-hat", "open hi-hat")
NAMESPACE = "http://www.music-encoding.org/ns/mei"
_ID = "{http://www.w3.org/XML/1998/namespace}id"
#: Ids of brackets that say "fill" begin so.
WORDED_FILL = "worded-fill"
#: Type of notes whose heads are triangles.
TRIANGLE = "triangle"
#: Only heads for which the music font has glyphs for every note value.
_HEADS = {
    Notehead.X: "x",
    Notehead.CIRCLE_X: "U+E0B3",
    Notehead.DIAMOND: "diamond",
    Notehead.TRIANGLE: "isotriangle",
    "slashed": "U+E0CF",
}
#: Where rests stand, alone and in a bar of two voices (MEI ``loc``).
_MIDDLE_LINE = 4
_REST_PLACES = {"up": 8, "down": 0}
#: So many flags make a rest so tall that those of two voices would meet: it stands further out.
_TALL = {"up": 4, "down": 3}
#: How far rests reach over and under that place, in lines and spaces, by their flags (outlines of Bravura); quarter and
#: longer ones as one without.
_REST_REACH = {0: (3, 3), 1: (2, 2), 2: (2, 4), 3: (4, 4), 4: (4, 6), 5: (6, 6)}
#: Lines and spaces from the middle of a head to its edge, and to that of its parentheses.
_HEAD_REACH, _PARENTHESIS_REACH = 1, 2
_STEPS = {step: k for k, step in enumerate("CDEFGAB")}
#: A head this soon after a rest may still lie under it, whole notes.
_REST_REACHES_TO = Fraction(1, 48)
_BOTTOM_LINE = 4 * 7 + _STEPS["E"]


def staff_place(own: Instrument) -> int:
    """Lines and spaces above the bottom line of the staff (MEI ``loc``)."""
    return own.staff_octave * 7 + _STEPS[own.staff_step] - _BOTTOM_LINE


def lines_mei(chart: Chart, lines: Sequence[Sequence[PrintedBar]], options: ScoreOptions, *, show_meter: bool) -> str:
    """Lines of printed bars as an MEI document in which each begins a page.

    Parameters
    ----------
    chart : Chart
    lines : sequence of sequence of PrintedBar
    options : ScoreOptions
    show_meter : bool
        Print the time signature at the start of the first line.
    """
    meter = chart.time_map.bars[lines[0][0].bar_index].meter
    section = _document(meter.beats if show_meter else None, meter.unit)
    sections = {s.bar_index for s in chart.sections}
    rests = figure_rests(chart, options.one_voice)
    for line in lines:
        _add(section, "pb")
        parent, measures = section, []
        for k, printed in enumerate(line):
            own = chart.time_map.bars[printed.bar_index].meter
            if own != meter:
                _add(section, "scoreDef", meter_count=str(own.beats), meter_unit=str(own.unit))
                meter = own
            if printed.opens_ending or (k == 0 and printed.ending):
                parent = _add(
                    section,
                    "ending",
                    n=" ".join(f"{n}." for n in printed.ending),
                    lendsym="angledown" if printed.closes_repeat else "none",
                )
            measure = _measure(chart, printed, options, rests, parent)
            _set_bar_lines(chart, printed, measure, sections)
            measures.append(measure)
            if printed.closes_ending:
                parent = section
        for sign in fill_signs(chart, line, options.fills):
            _fill(chart, line, measures[sign.first], sign)
        for kind in HAIRPINS:
            for sign in stretches(chart, line, [m for m in chart.marks if m.kind == kind]):
                _hairpin(chart, line, measures[sign.first], sign, kind)
    return etree.tostring(section.getroottree(), encoding="unicode")


def _set_bar_lines(chart: Chart, printed: PrintedBar, measure: etree._Element, sections: set[int]) -> None:
    if printed.opens_repeat:
        measure.set("left", "rptstart")
    if printed.closes_repeat:
        measure.set("right", "rptend")
    elif printed.heard[-1] == len(chart) - 1:
        measure.set("right", "end")
    elif printed.bar_index + printed.rest_bars in sections and not chart.time_map.bars[printed.bar_index].is_pickup:
        measure.set("right", "dbl")


@lru_cache(maxsize=1024)
def _place_and_head(own: Instrument) -> dict[str, str]:
    """Attributes of an instrument's notes."""
    head = {"head.shape": _HEADS[own.notehead]} if own.notehead in _HEADS else {}
    kind = {"type": TRIANGLE} if own.notehead is Notehead.TRIANGLE else {}
    return {"loc": str(staff_place(own)), **head, **kind}


def _document(beats: int | None, unit: int) -> etree._Element:
    root = etree.Element("mei", nsmap={None: NAMESPACE}, meiversion="5.0")
    _add(root, "meiHead")
    score = _add(_add(_add(_add(root, "music"), "body"), "mdiv"), "score")
    definition = _add(score, "scoreDef")
    if beats:
        definition.set("meter.count", str(beats))
        definition.set("meter.unit", str(unit))
    staff = _add(_add(definition, "staffGrp"), "staffDef", n="1", lines="5")
    _add(staff, "clef", shape="perc")
    return _add(score, "section")


def _add(parent: etree._Element, tag: str, text: str | None = None, **attributes: str) -> etree._Element:
    names = {k.replace("_", "."): v for k, v in attributes.items()}
    element = etree.SubElement(parent, tag, names)
    if text is not None:
        element.text = clean_text(text)
    return element


def _measure(
    chart: Chart, printed: PrintedBar, options: ScoreOptions, rests: frozenset[FigureRest], parent: etree._Element
) -> etree._Element:
    k = printed.bar_index
    bar = chart.time_map.bars[k]
    measure = _add(parent, "measure", n=str(chart.time_map.bar_number(k)))
    measure.set(_ID, bar_id(k))
    if bar.is_pickup:
        measure.set("metcon", "false")
    staff = _add(measure, "staff", n="1")
    if printed.kind in (BarKind.SIMILE, BarKind.SIMILE_OF_TWO, BarKind.SIMILE_OF_FOUR, *CARRIED_ON):
        layer = _add(staff, "layer", n="1")
        # The signs of two and four bars are drawn on their bar line by the page.
        _add(layer, "mRpt", num_visible="false") if printed.kind is BarKind.SIMILE else _add(layer, "mSpace")
        _keep_room(staff, bar.length, 5)
    elif printed.kind is BarKind.SLASHES:
        layer = _add(staff, "layer", n="1")
        for _, length in bar.beat_spans():
            _slash(layer, length)
    elif printed.kind is BarKind.REST and printed.rest_bars > 1:
        _add(_add(staff, "layer", n="1"), "multiRest", num=str(printed.rest_bars))
        _keep_room(staff, bar.length, 6)
    elif not chart.bars[k].notes:
        layer = _add(staff, "layer", n="1")
        _add(layer, "mSpace" if bar.is_pickup else "mRest")
    else:
        _BarWriter(chart, k, options, staff, measure).write(write_bar(chart, k, options.one_voice, rests).voices)
    for text in cues_at_staff(chart, k):
        tstamp = f"{1 + float(text.position * bar.meter.unit):g}"
        if sign := mei_element(text.text):
            words = text.text if sign[0] == "dynam" else None
            _add(measure, sign[0], words, staff="1", tstamp=tstamp, **sign[1])
            continue
        cue = _add(measure, "dir", staff="1", place="above", tstamp=tstamp)
        _add(cue, "rend", text.text, fontstyle="italic")
    if printed.closes_repeat and printed.passes > 2 and not printed.ending:
        times = _add(measure, "dir", staff="1", place="above", tstamp=f"{float(bar.length * bar.meter.unit):g}")
        _add(times, "rend", f"{printed.passes}×", fontstyle="normal", fontweight="bold")
    return measure


def _fill(chart: Chart, line: Sequence[PrintedBar], measure: etree._Element, sign: FillSign) -> None:
    """The bracket over a fill, from its first stroke to its last; over one stroke the word alone."""
    first, last = line[sign.first], line[sign.last]
    begun = [n for n in _printed_notes(chart, first) if n.position >= sign.start]
    ended = [
        n
        for n in _printed_notes(chart, last)
        if n.position < sign.end and (sign.first < sign.last or n.position >= sign.start)
    ]
    where = (
        {"startid": f"#{note_id(first.bar_index, begun[0])}"}
        if begun
        else {"tstamp": f"{1 + float(sign.start * chart.time_map.bars[first.bar_index].meter.unit):g}"}
    )
    if sign.first == sign.last and (not ended or begun[0].position == ended[-1].position):
        if sign.worded:
            _add(_add(measure, "dir", staff="1", place="above", **where), "rend", "fill", fontstyle="italic")
        return
    bracket = _add(
        measure,
        "bracketSpan",
        staff="1",
        place="above",
        func="analytical",
        lform="dashed",
        lstartsym="angledown" if sign.opens else "none",
        lendsym="angledown" if sign.closes else "none",
        **where,
    )
    if sign.worded:
        bracket.set(_ID, f"{WORDED_FILL}-{bar_id(first.bar_index)}-{sign.start.numerator}_{sign.start.denominator}")
    if ended:
        bracket.set("endid", f"#{note_id(last.bar_index, ended[-1])}")
    else:
        beat = 1 + float(sign.end * chart.time_map.bars[last.bar_index].meter.unit)
        bracket.set("tstamp2", f"{sign.last - sign.first}m+{beat:g}")


def _hairpin(chart: Chart, line: Sequence[PrintedBar], measure: etree._Element, sign: FillSign, kind: str) -> None:
    first, last = (chart.time_map.bars[line[k].bar_index].meter.unit for k in (sign.first, sign.last))
    _add(
        measure,
        "hairpin",
        form="cres" if kind == "crescendo" else "dim",
        staff="1",
        place="below",
        tstamp=f"{1 + float(sign.start * first):g}",
        tstamp2=f"{sign.last - sign.first}m+{1 + float(sign.end * last):g}",
    )


def _printed_notes(chart: Chart, printed: PrintedBar) -> tuple[Note, ...]:
    return chart.bars[printed.bar_index].notes if printed.kind is BarKind.NOTES else ()


def _keep_room(staff: etree._Element, length: Fraction, moments: int) -> None:
    """Unseen beats that keep a sign's bar from becoming too narrow."""
    layer = _add(staff, "layer", n="2")
    left = length
    step = Fraction(1, 4) if length >= Fraction(1, 2) else Fraction(1, 16)
    while left >= step:
        _add(layer, "space", dur=str(step.denominator))
        left -= step


def _slash(layer: etree._Element, length: Fraction) -> None:
    dots = 1 if length.numerator == 3 else 0
    base = length * Fraction(2, 3) if dots else length
    if base.numerator != 1 or base.denominator & (base.denominator - 1):
        _add(layer, "space", dur="16")
        return
    _add(layer, "note", dur=str(base.denominator), dots=str(dots), loc="4", head_shape="slash", stem_visible="false")


class _BarWriter:
    """Writes the voices of one bar as layers with their beams and tuplets."""

    def __init__(
        self, chart: Chart, bar_index: int, options: ScoreOptions, staff: etree._Element, measure: etree._Element
    ) -> None:
        self.chart, self.bar_index, self.options = chart, bar_index, options
        self.staff, self.measure = staff, measure

    def write(self, voices: Sequence[Voice]) -> None:
        shown: set = set()
        self.two_voices = len(voices) > 1
        timed, struck = self.chart.time_map.bars[self.bar_index], self.chart.bars[self.bar_index].notes
        self.counts = counts_said(timed, (n.position for n in struck), self.options.count_system)
        for voice in voices:
            layer = _add(self.staff, "layer", n="1" if voice.stem == "up" else "2")
            if not any(e.shown for e in voice.events):
                _add(layer, "mSpace")
                continue
            self._layer(layer, voice, shown)

    def _layer(self, layer: etree._Element, voice: Voice, shown: set) -> None:
        events = voice.events
        # What is wider stands outside; a tuplet stands around a beam as long as itself.
        groups = [(first, -last, True) for first, last in _beam_spans(events).items()]
        edges = {_tuplet_edges(events, k) for k, e in enumerate(events) if e.tuplet is not None}
        groups += [(first, -last, False) for first, last in edges]
        open_groups: list[tuple[int, etree._Element, bool]] = []
        for k, event in enumerate(events):
            while open_groups and open_groups[-1][0] < k:
                open_groups.pop()
            parent = open_groups[-1][1] if open_groups else layer
            in_beam = any(is_beam for *_, is_beam in open_groups)
            begun = sorted(g for g in groups if g[0] == k and not (in_beam and g[2]))
            # Grace notes stand before the beam or tuplet that they lead into.
            if begun and event.notes:
                self._graces(parent, voice, event)
            for _, minus_last, is_beam in begun:
                last = -minus_last
                parent = _add(parent, "beam") if is_beam else self._tuplet(parent, voice, range(k, last + 1), shown)
                open_groups.append((last, parent, is_beam))
            self._event(parent, voice, event, graces=not begun)

    def _tuplet(self, parent: etree._Element, voice: Voice, members: range, shown: set) -> etree._Element:
        events = [voice.events[j] for j in members]
        value = events[0].value
        place = (events[0].position, events[-1].end, value.actual, value.normal)
        beamed = all(e.beams for e in events)
        # The hands' number is enough where the feet play the same tuplet.
        visible = place not in shown
        shown.add(place)
        side = "above" if voice.stem == "up" else "below"
        return _add(
            parent,
            "tuplet",
            num=str(value.actual),
            numbase=str(value.normal),
            num_place=side,
            bracket_place=side,
            num_visible="true" if visible else "false",
            bracket_visible="true" if visible and not beamed else "false",
        )

    def _event(self, parent: etree._Element, voice: Voice, event: VoiceElement, graces: bool) -> None:
        if not event.notes:
            rest = etree.SubElement(parent, "rest" if event.shown else "space", _timing(event.value))
            if event.shown:
                rest.set("loc", str(self._rest_place(voice.stem, event)))
            return
        if graces:
            self._graces(parent, voice, event)
        signs = frozenset().union(*(n.articulations for n in event.notes))
        slashes = 3 if "roll" in signs else 1 if "double" in signs else 0
        timing = {**_timing(event.value), "stem.dir": voice.stem}
        if slashes:
            parent = _add(parent, "bTrem", unitdur="32")
            timing["stem.mod"] = f"{slashes}slash"
        holder = parent
        if len(event.notes) > 1:
            holder = parent = etree.SubElement(parent, "chord", timing)
            timing = {}
        for n in event.notes:
            own = self.chart.instrument(n.instrument)
            if self.options.hats == "signs" and own.notehead is Notehead.CIRCLE_X:
                own = replace(own, notehead=Notehead.X)
            attributes = {**timing, **_place_and_head(own), _ID: note_id(self.bar_index, n)}
            note = etree.SubElement(parent, "note", attributes)
            if n.articulations:
                head, _ = written_head(n, own)
                if head in _HEADS:
                    note.set("head.shape", _HEADS[head])
            if "ghost" in n.articulations and not self._stands_beside(n, event):
                note.set("head.mod", "paren")
            if len(event.notes) == 1:
                holder = note
        self._under(holder, event)
        if self.options.hats == "signs" and (hat := self._hat_sign(event)):
            signs |= {hat}
        doubted = self.options.doubts and any(is_doubtful(n, self.chart.doubt_below) for n in event.notes)
        if signs or doubted:
            if "accent" in signs:
                _add(holder, "artic", artic="acc", place="above" if voice.stem == "up" else "below")
            self._over(voice, event, signs, doubted)

    def _hat_sign(self, event: VoiceElement) -> str:
        """o over an open hi-hat, + over the closed one that follows it."""
        hats = [
            n for n in self.chart.bars[self.bar_index].notes if n.instrument in _HATS and n.position <= event.position
        ]
        here = [n for n in hats if n.position == event.position]
        if not here:
            return ""
        if here[0].instrument == "open hi-hat":
            return "o"
        before = [n for n in hats if n.position < event.position]
        return "+" if before and before[-1].instrument == "open hi-hat" else ""

    def _stands_beside(self, n: Note, event: VoiceElement) -> bool:
        """Whether another head of the chord stands at a note's place, so that there is no room for parentheses."""
        place = staff_place(self.chart.instrument(n.instrument))
        return any(
            o is not n and abs(staff_place(self.chart.instrument(o.instrument)) - place) <= 2 for o in event.notes
        )

    def _rest_place(self, stem: str, event: VoiceElement) -> int:
        """Where a rest stands: in the middle, or clear of what the other voice strikes over or under it."""
        if not self.two_voices:
            return _MIDDLE_LINE
        over, under = _REST_REACH[min(event.value.flags, 5)]
        outwards = 2 if stem == "up" else -2
        place = _REST_PLACES[stem] + outwards * (event.value.flags >= _TALL[stem])
        for n in self.chart.bars[self.bar_index].notes:
            if event.position <= n.position <= event.position + _REST_REACHES_TO:
                own = self.chart.instrument(n.instrument)
                reach = _PARENTHESIS_REACH if "ghost" in n.articulations else _HEAD_REACH
                if stem == "down" and not own.is_foot:
                    place = min(place, (staff_place(own) - reach - over) // 2 * 2)
                elif stem == "up" and own.is_foot:
                    place = max(place, -((-staff_place(own) - reach - under) // 2) * 2)
        return place

    def _graces(self, parent: etree._Element, voice: Voice, event: VoiceElement) -> None:
        chords = grace_chords(event.notes)
        if not chords:
            return
        group = _add(parent, "graceGrp", grace="unacc")
        if len(chords) > 1:
            group = _add(group, "beam")
        timing = {"dur": "8" if len(chords) == 1 else "16", "grace": "unacc", "stem.dir": voice.stem}
        if len(chords) == 1:
            timing["stem.mod"] = "1slash"
        for chord in chords:
            holder, own = group, dict(timing)
            if len(chord) > 1:
                holder, own = etree.SubElement(group, "chord", timing), {}
            for n in chord:
                etree.SubElement(holder, "note", {**own, **_place_and_head(self.chart.instrument(n.instrument))})

    def _under(self, holder: etree._Element, event: VoiceElement) -> None:
        """Count syllables and sticking letters, in rows under the staff."""
        row = 1
        if self.options.counts:
            if said := self.counts.pop(event.position, ""):
                _add(_add(holder, "verse", n=str(row)), "syl", said)
            row += 1
        if self.options.sticking and any(n.sticking for n in event.notes):
            # Both hands at once stand one over the other, as their notes do.
            struck = sorted(event.notes, key=lambda n: -staff_place(self.chart.instrument(n.instrument)))
            for k, letter in enumerate(n.sticking for n in struck if n.sticking):
                _add(_add(holder, "verse", n=str(row + k)), "syl", letter)

    def _over(self, voice: Voice, event: VoiceElement, said: frozenset[str], doubted: bool) -> None:
        words = [
            word for name, word in (("half open", "ø"), ("o", "o"), ("+", "+"), ("choke", "choke")) if name in said
        ]
        hidden = {name for n in event.notes for name in written_head(n, self.chart.instrument(n.instrument))[1]}
        words += sorted(hidden) + ["?"] * doubted
        for word in words:
            first: Note = event.notes[0]
            mark = _add(
                self.measure,
                "dir",
                staff="1",
                startid=f"#{note_id(self.bar_index, first)}",
                place="above" if voice.stem == "up" else "below",
            )
            short = len(word) == 1
            fontstyle, fontsize = ("normal", "medium") if short else ("italic", "small")
            _add(mark, "rend", word, fontstyle=fontstyle, fontsize=fontsize)


def _timing(value: NoteValue) -> dict[str, str]:
    timing = {"dur": str(value.base.denominator)}
    if value.dots:
        timing["dots"] = str(value.dots)
    return timing


def _beam_spans(events: Sequence[VoiceElement]) -> dict[int, int]:
    """First to last event of each beam, widened to whole tuplets that it cuts."""
    spans: dict[int, int] = {}
    start = 0
    for k, e in enumerate(events):
        if e.beams and e.beams[0] == "begin":
            start = k
        elif e.beams and e.beams[0] == "end":
            spans[start] = k
    out: dict[int, int] = {}
    for first, last in spans.items():
        if events[first].tuplet != events[last].tuplet:
            first, last = _tuplet_edges(events, first)[0], _tuplet_edges(events, last)[1]
        out[first] = last
    return out


def _tuplet_edges(events: Sequence[VoiceElement], k: int) -> tuple[int, int]:
    """First and last event of the tuplet around an event; the event itself outside tuplets."""
    own = events[k].tuplet
    inside = [j for j, e in enumerate(events) if own is not None and e.tuplet == own]
    return (inside[0], inside[-1]) if inside else (k, k)


def legend_mei(entries: Sequence[tuple[Instrument, bool]]) -> str:
    """The drum key as one line: the place and head of each instrument, or the sign of its ghost notes.

    Parameters
    ----------
    entries : sequence of (Instrument, bool)
        Instrument, and whether it is its ghost notes.
    """
    section = _document(None, 4)
    _add(section, "pb")
    measure = _add(section, "measure", n="1", right="invis")
    layer = _add(_add(measure, "staff", n="1"), "layer", n="1")
    for own, ghost in entries:
        note = etree.SubElement(
            layer, "note", {"dur": "4", "stem.visible": "false", **_place_and_head(own), _ID: key_id(own, ghost)}
        )
        if ghost:
            note.set("head.mod", "paren")
    return etree.tostring(section.getroottree(), encoding="unicode")


def key_id(own: Instrument, ghost: bool) -> str:
    """Id of an entry of the drum key."""
    return f"note-key-{'ghost-' if ghost else ''}{slug(own.name)}"
