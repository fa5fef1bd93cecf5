"""Reading drum parts in MusicXML, our own and those of other programs.

What is written twice (repeats, endings, D.C. and D.S.) is unfolded to the
order heard.  What cannot be understood is listed in
:attr:`~workbench.midi.Imported.problems`, one sentence each, and never left
out silently.
"""

from __future__ import annotations

import math
import os
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

from lxml import etree

from workbench.chart import ARTICULATIONS, Chart, Note, Section, Text, WrittenBar
from workbench.drumkit import Notehead
from workbench.errors import ChartError, FileFormatError
from workbench.kitnames import instrument_for_declaration, instrument_for_place
from workbench.meter import Bar, Meter, TimeMap
from workbench.midi import Imported
from workbench.musicxml import BEAT_TIMES_FIELD, FULL_VELOCITY
from workbench.untrusted import parse_xml, read_score_bytes

_MOST_BARS = 20_000
_DEFAULT_VELOCITY = {"ghost": 40, "accent": 110, "": 80}
_SWING_TYPES = {"eighth": "swing 8ths", "16th": "swing 16ths"}
_BEAT_UNITS = {"whole": Fraction(1), "half": Fraction(1, 2), "quarter": Fraction(1, 4),
               "eighth": Fraction(1, 8), "16th": Fraction(1, 16)}
#: Signs that say nothing of a stroke, or are read elsewhere.
_KNOWN_SIGNS = {"tuplet", "tied", "accent", "strong-accent", "tremolo", "half-muted", "fingering",
                "other-articulation", "other-notation", "open", "open-string", "stopped", "ornaments",
                "articulations", "technical"}


@dataclass
class _Measure:
    """One written measure."""

    number: str
    meter: Meter
    length: Fraction
    notes: list[Note] = field(default_factory=list)
    attacks: dict[tuple, float] = field(default_factory=dict)  # note key → quarters early or late
    label: str | None = None
    name: str | None = None
    texts: list[tuple[Fraction, str]] = field(default_factory=list)
    tempos: list[tuple[Fraction, float]] = field(default_factory=list)
    feel: str | None = None
    implicit: bool = False
    repeat_forward: bool = False
    repeat_backward: int = 0
    ending: tuple[int, ...] = ()
    simile_of: int = 0
    jumps: dict[str, str] = field(default_factory=dict)


def read_musicxml(path: str | os.PathLike) -> Imported:
    """Read the drum part of a MusicXML score (``.musicxml``, ``.xml`` or ``.mxl``).

    Raises
    ------
    FileFormatError
        If the file is missing, damaged, no MusicXML, tries to trick the
        reader, or holds no drum part.
    """
    path = Path(path)
    return read_musicxml_bytes(read_score_bytes(path), path.name)


def read_musicxml_bytes(data: bytes, name: str = "The score") -> Imported:
    """Read a MusicXML score from memory (see :func:`read_musicxml`)."""
    root = parse_xml(data, name)
    kind = etree.QName(root).localname
    if kind == "score-timewise":
        raise FileFormatError(f"{name} is a timewise score; export it as the usual partwise MusicXML.")
    if kind != "score-partwise":
        raise FileFormatError(f"{name} is no MusicXML score (it begins with <{kind}>).")
    for e in root.iter("{*}*"):
        if isinstance(e.tag, str) and "}" in e.tag:
            e.tag = etree.QName(e).localname
    try:
        return _Reader(root, name).read()
    except (ValueError, ZeroDivisionError, OverflowError) as error:
        raise FileFormatError(f"{name} holds a number that makes no sense ({error}).") from None


def _whole(text: str | None, default: int = 0) -> int:
    """A whole number as people write them ("2", "2.0")."""
    return int(float(text)) if text and text.strip() else default


class _Reader:
    def __init__(self, root, name: str) -> None:
        self.root, self.name = root, name
        self.problems: list[str] = []
        self.ignored: Counter = Counter()
        self.lost: Counter = Counter()

    def read(self) -> Imported:
        parts = self._drum_parts()
        measures: list[_Measure] = []
        for part in parts:
            own = _PartReader(self, part).read()
            measures = own if not measures else self._merge(measures, own)
        if not measures:
            raise FileFormatError(f"{self.name} has a drum part without bars.")
        order = _heard_order(measures, self.problems)
        self._fill_similes(measures)
        chart = self._chart(measures, order)
        for what, count in sorted(self.lost.items()):
            self.problems.append(f"{what} ({count} note{'s' if count > 1 else ''} left out).")
        for sign, count in sorted(self.ignored.items()):
            self.problems.append(f"The sign <{sign}> means nothing in a chart and was left out ({count} times).")
        return Imported(chart, tuple(self.problems))

    # -- parts -----------------------------------------------------------------------

    def _drum_parts(self) -> list:
        parts = self.root.findall("part")
        drums = [p for p in parts if p.find("measure/note/unpitched") is not None]
        if not drums:
            drums = [p for p in parts if "percussion" in [s.text for s in p.findall("measure/attributes/clef/sign")]]
        if not drums:
            raise FileFormatError(f"{self.name} has no drum part (no unpitched notes, no percussion clef).")
        if len(drums) > 1:
            self.problems.append(f"{len(drums)} percussion parts were read together as one drum part.")
        return drums

    def declared(self, part) -> dict[str, tuple]:
        """Instrument of each id that a part declares: (instrument or None, name)."""
        out: dict[str, tuple] = {}
        for score_part in self.root.findall("part-list/score-part"):
            if score_part.get("id") != part.get("id"):
                continue
            midi = {}
            for m in score_part.findall("midi-instrument"):
                number = _whole(m.findtext("midi-unpitched"))
                if number:
                    midi[m.get("id")] = number - 1
            for i in score_part.findall("score-instrument"):
                name, sound = i.findtext("instrument-name") or "", i.findtext("instrument-sound") or ""
                found = instrument_for_declaration(midi.get(i.get("id")), name, sound)
                out[i.get("id")] = (found, name)
        return out

    def _merge(self, measures: list[_Measure], more: list[_Measure]) -> list[_Measure]:
        if len(more) > len(measures):
            measures, more = more, measures
        for a, b in zip(measures, more):
            taken = {n.key for n in a.notes}
            for n in b.notes:
                if n.key in taken:
                    self.lost[f"Two parts have the same {n.instrument} stroke"] += 1
                elif n.position < a.length:
                    a.notes.append(n)
                    a.attacks.update({n.key: b.attacks[n.key]} if n.key in b.attacks else {})
        return measures

    def _fill_similes(self, measures: list[_Measure]) -> None:
        for k, m in enumerate(measures):
            if m.simile_of and not m.notes and k >= m.simile_of:
                source = measures[k - m.simile_of]
                m.notes = [n for n in source.notes if n.position < m.length]

    # -- chart -----------------------------------------------------------------------

    def _chart(self, measures: Sequence[_Measure], order: Sequence[int]) -> Chart:
        heard = [measures[k] for k in order]
        time_map = self._time_map(heard)
        bars, sections, texts = [], {}, []
        feel = next((m.feel for m in measures if m.feel), "straight")
        for k, m in enumerate(heard):
            quarter_s = 60.0 / time_map.quarter_tempo_bpm(k)
            notes = [self._with_deviation(n, m.attacks.get(n.key, 0.0) * quarter_s) for n in m.notes]
            bars.append(WrittenBar(tuple(notes), _subdivisions(time_map.bars[k], notes)))
            if m.label is not None or m.name is not None:
                sections[k] = Section(k, m.name or "", m.label or "")
            texts += [Text(k, position, text) for position, text in m.texts]
        return Chart(time_map, tuple(bars), title=self._title(), artist=self._artist(),
                     sections=tuple(sections.values()), texts=tuple(texts), feel=feel)

    def _with_deviation(self, n: Note, deviation_s: float) -> Note:
        if not deviation_s:
            return n
        return Note(n.position, n.instrument, n.velocity, n.articulations, deviation_s, sticking=n.sticking)

    def _title(self) -> str:
        return (self.root.findtext("work/work-title") or self.root.findtext("movement-title") or "")

    def _artist(self) -> str:
        creators = self.root.findall("identification/creator")
        ranked = sorted(creators, key=lambda c: ("artist", "composer").index(c.get("type"))
                        if c.get("type") in ("artist", "composer") else 2)
        return (ranked[0].text or "") if ranked else ""

    def _time_map(self, heard: Sequence[_Measure]) -> TimeMap:
        shapes = [_shape(m) for m in heard]
        exact = self._exact_times(shapes)
        if exact:
            return exact
        if not any(m.tempos for m in heard):
            self.problems.append("The score has no tempo; 120 quarter notes a minute were assumed.")
        tempo, now, bars = 120.0, 0.0, []
        for m, (meter, length, positions) in zip(heard, shapes):
            changes = sorted(t for t in m.tempos if t[0] < length)
            times = []
            at = Fraction(0)
            for mark in sorted({*positions, *(p for p, _ in changes), length}):
                now += float(mark - at) * 240.0 / tempo
                at = mark
                if mark in positions:
                    times.append(now)
                tempo = next((bpm for p, bpm in reversed(changes) if p == mark), tempo)
            bars.append(Bar(meter, tuple(times), length))
        return TimeMap(bars, now)

    def _exact_times(self, shapes) -> TimeMap | None:
        """Beat times from our own field, if it still fits the bars."""
        for f in self.root.findall("identification/miscellaneous/miscellaneous-field"):
            if f.get("name") != BEAT_TIMES_FIELD or not f.text:
                continue
            try:
                *bars, end = f.text.split("|")
                times = [tuple(float(t) for t in b.split()) for b in bars]
                if [len(t) for t in times] != [len(p) for _, _, p in shapes]:
                    continue
                return TimeMap([Bar(meter, t, length) for t, (meter, length, _) in zip(times, shapes)], float(end))
            except (ValueError, ChartError):
                continue
        return None


def _shape(m: _Measure) -> tuple[Meter, Fraction, tuple[Fraction, ...]]:
    """Meter, length and beat positions of a measure."""
    missing, beat = m.meter.bar_length - m.length, m.meter.beat_length
    at = -(-missing // beat) * beat - missing
    positions = [] if at == 0 else [Fraction(0)]
    while at < m.length:
        positions.append(at)
        at += beat
    return m.meter, m.length, tuple(positions)


def _subdivisions(bar: Bar, notes: Sequence[Note]) -> tuple[int, ...]:
    """Grid parts of each beat that hold all notes; empty if sixteenths do."""
    default = 6 if bar.meter.is_compound else 4
    out = []
    for start, length in bar.beat_spans():
        inside = [(n.position - start - length) / bar.meter.beat_length
                  for n in notes if start <= n.position < start + length]
        parts = math.lcm(1, *(x.denominator for x in inside))
        fits = default % parts == 0
        out.append(default if fits else parts if parts <= 24 else 24)
    return () if all(p == default for p in out) else tuple(out)


def _heard_order(measures: Sequence[_Measure], problems: list[str]) -> list[int]:
    """Measures in the order in which they are played."""
    order: list[int] = []
    start, run, k = 0, 1, 0
    jumped = False
    while k < len(measures):
        m = measures[k]
        if m.repeat_forward and k != start:
            start, run = k, 1
        if m.ending and (run not in m.ending if not jumped else _has_later_ending(measures, k)):
            k += 1
            continue
        order.append(k)
        if len(order) > _MOST_BARS:
            raise FileFormatError("The score's repeats lead to more than 20000 bars; it was not read.")
        if jumped and ("fine" in m.jumps or ("tocoda" in m.jumps and _coda(measures) is None)):
            break
        if jumped and "tocoda" in m.jumps:
            k = _coda(measures)
            continue
        if m.repeat_backward and not jumped:
            if run < max(m.repeat_backward, _passes(measures, k)):
                run += 1
                k = start
                continue
            start, run = k + 1, 1
        elif m.ending and not (k + 1 < len(measures) and measures[k + 1].ending):
            start, run = k + 1, 1
        if not jumped and ("dacapo" in m.jumps or "dalsegno" in m.jumps):
            jumped = True
            segno = next((j for j, x in enumerate(measures) if "segno" in x.jumps), 0)
            k = 0 if "dacapo" in m.jumps else segno
            continue
        k += 1
    return order


def _passes(measures: Sequence[_Measure], k: int) -> int:
    """How often the repeat that closes at ``k`` is played, by its endings."""
    if not measures[k].ending:
        return 2
    j, last = k, 0
    while j < len(measures) and measures[j].ending:
        last = max(last, *measures[j].ending)
        j += 1
    return max(last, 2)


def _has_later_ending(measures: Sequence[_Measure], k: int) -> bool:
    own = measures[k].ending
    while k < len(measures) and measures[k].ending == own:
        k += 1
    return k < len(measures) and bool(measures[k].ending)


def _coda(measures: Sequence[_Measure]) -> int | None:
    return next((j for j, x in enumerate(measures) if "coda" in x.jumps), None)


class _PartReader:
    """Reads the measures of one part."""

    def __init__(self, score: _Reader, part) -> None:
        self.score, self.part = score, part
        self.declared = score.declared(part)
        self.divisions = Fraction(1)
        self.meter = Meter()
        self.simile = 0
        self.ending: tuple[int, ...] = ()
        self.places: set = set()
        self.drum_clef = "percussion" in [s.text for s in part.findall("measure/attributes/clef/sign")]
        self.one_instrument = self._means_one_instrument()

    def _means_one_instrument(self) -> bool:
        """Whether the declared instrument tells nothing: one for many places."""
        places = {(n.findtext("unpitched/display-step"), n.findtext("unpitched/display-octave"),
                   n.findtext("notehead")) for n in self.part.findall("measure/note")
                  if n.find("unpitched") is not None}
        ids = {i.get("id") for i in self.part.findall("measure/note/instrument")}
        return len(places) > 1 and len(ids or self.declared) <= 1

    def read(self) -> list[_Measure]:
        out = []
        if not self.declared:
            self.score.problems.append(
                f"The part {self._part_name()!r} lists no instruments; its notes were read by their "
                "place on the staff.")
        for element in self.part.findall("measure"):
            out.append(self._measure(element, first=not out))
            if len(out) > _MOST_BARS:
                raise FileFormatError(f"{self.score.name} has more than {_MOST_BARS} bars; no drum part has.")
        return out

    def _part_name(self) -> str:
        names = [p.findtext("part-name") for p in self.score.root.findall("part-list/score-part")
                 if p.get("id") == self.part.get("id")]
        return names[0] or "" if names else ""

    def _measure(self, element, first: bool) -> _Measure:
        self.at = self.reach = Fraction(0)
        self.onset = Fraction(0)
        self.graces: dict[str, list[str]] = {}
        self.chord_graces: Counter = Counter()
        self.raw: dict[tuple, Note] = {}
        self.attacks: dict[tuple, float] = {}
        m = _Measure(element.get("number", "?"), self.meter, Fraction(0),
                     implicit=element.get("implicit") == "yes")
        self.m = m
        for child in element:
            read = getattr(self, "_" + str(child.tag).replace("-", "_") + "_element", None)
            if read is not None:
                read(child)
        self._settle_graces()
        for voice, names in self.graces.items():
            for name in names:
                self.score.lost[f"A grace note ({name}) leads to no note in bar {m.number}"] += 1
        m.meter = self.meter
        m.length = self._length(m, first)
        m.notes = [n for n in self.raw.values() if n.position < m.length]
        for n in self.raw.values():
            if n.position >= m.length:
                self.score.lost[f"Bar {m.number} holds notes beyond its end"] += 1
        m.attacks = self.attacks
        m.simile_of = self.simile
        m.ending = self.ending or m.ending
        if getattr(self, "ending_stops", False):
            self.ending, self.ending_stops = (), False
        return m

    def _length(self, m: _Measure, first: bool) -> Fraction:
        full = self.meter.bar_length
        if self.reach == full or not self.reach:
            return full
        if self.reach < full:
            return self.reach if m.implicit or first else full
        wider = Meter(self.reach.numerator, self.reach.denominator) if (
            self.reach.denominator <= 32 and self.reach.numerator <= 32) else None
        if wider is None:
            self.score.problems.append(f"Bar {m.number} is longer than its meter {self.meter} says.")
            return full
        self.score.problems.append(
            f"Bar {m.number} is longer than its meter {self.meter} says; it was read as {wider}.")
        m.meter = wider
        return self.reach

    # -- elements of a measure ---------------------------------------------------------

    def _attributes_element(self, e) -> None:
        divisions = e.findtext("divisions")
        if divisions:
            self.divisions = Fraction(divisions.strip())
            if self.divisions <= 0:
                raise ValueError("divisions of 0")
        time = e.find("time")
        if time is not None and time.find("senza-misura") is None:
            self._time(time)
        for style in e.findall("measure-style"):
            repeat, slash, beat = style.find("measure-repeat"), style.find("slash"), style.find("beat-repeat")
            if repeat is not None:
                self.simile = _whole(repeat.text, 1) if repeat.get("type") == "start" else 0
            if beat is not None and beat.get("type") == "start":
                self.score.problems.append(f"Bar {self.m.number} uses beat repeat signs, which were not read.")
            del slash  # bars of slashes keep whatever notes they carry

    def _time(self, time) -> None:
        try:
            beats = sum(int(b) for part in time.findall("beats") for b in (part.text or "").split("+"))
            self.meter = Meter(beats, int(time.findtext("beat-type") or 4))
        except (ValueError, ChartError):
            self.score.problems.append(f"The meter of bar {self.m.number} was not understood; {self.meter} goes on.")
        self.m.meter = self.meter

    def _backup_element(self, e) -> None:
        self.at = max(self.at - self._duration(e), Fraction(0))

    def _forward_element(self, e) -> None:
        self.at += self._duration(e)
        self.reach = max(self.reach, self.at)

    def _duration(self, e) -> Fraction:
        return Fraction((e.findtext("duration") or "0").strip()) / self.divisions / 4

    def _barline_element(self, e) -> None:
        repeat, ending = e.find("repeat"), e.find("ending")
        if repeat is not None:
            if repeat.get("direction") == "forward":
                self.m.repeat_forward = True
            else:
                self.m.repeat_backward = _whole(repeat.get("times"), 2)
        if ending is not None:
            numbers = tuple(int(x) for x in (ending.get("number") or "").replace(".", ",").replace(" ", ",").split(",")
                            if x.strip().isdigit())
            if ending.get("type") == "start":
                self.ending = numbers
            else:
                self.m.ending = self.ending or numbers
                self.ending_stops = True

    def _sound_element(self, e, at: Fraction | None = None) -> None:
        position = self._with_offset(self.at if at is None else at, e)
        if e.get("tempo"):
            tempo = float(e.get("tempo"))
            if tempo > 0 and math.isfinite(tempo):
                self.m.tempos.append((max(position, Fraction(0)), tempo))
        for jump in ("dacapo", "dalsegno", "segno", "coda", "tocoda", "fine"):
            if e.get(jump):
                self.m.jumps[jump] = e.get(jump)
        swing = e.find("swing")
        if swing is not None and swing.find("straight") is None:
            self.m.feel = _SWING_TYPES.get(swing.findtext("swing-type") or "eighth", "swing 8ths")

    def _with_offset(self, position: Fraction, e) -> Fraction:
        offset = e.findtext("offset")
        return position + Fraction(offset.strip()) / self.divisions / 4 if offset else position

    def _direction_element(self, e) -> None:
        position = self._with_offset(self.at, e)
        sound = e.find("sound")
        if sound is not None:
            self._sound_element(sound, position)
        for kind in e.findall("direction-type"):
            for sign in kind:
                self._sign(sign, position, has_sound=sound is not None)

    def _sign(self, sign, position: Fraction, has_sound: bool) -> None:
        name, text = sign.get("id", ""), sign.text or ""
        if sign.tag == "rehearsal":
            if name.endswith("-name") or (not name.endswith("-label") and len(text.strip()) > 3):
                self.m.name = text
            else:
                self.m.label = text
        elif sign.tag == "words":
            bold_title = sign.get("font-weight") == "bold" and self.m.label is not None and position == 0
            if name.startswith("section-") or (bold_title and self.m.name is None):
                self.m.name = text
            elif name != "feel" and text.strip():
                self.m.texts.append((max(position, Fraction(0)), text))
        elif sign.tag == "metronome":
            tempo, unit = sign.findtext("per-minute"), _BEAT_UNITS.get(sign.findtext("beat-unit") or "")
            try:
                bpm = float(tempo or "")
            except ValueError:
                return
            if unit and not has_sound and bpm > 0:
                dots = Fraction(3, 2) if sign.find("beat-unit-dot") is not None else 1
                self.m.tempos.append((max(position, Fraction(0)), bpm * float(unit * dots * 4)))
        elif sign.tag in ("segno", "coda"):
            self.m.jumps.setdefault(sign.tag, sign.tag)
        else:
            self.score.ignored[sign.tag] += 1

    # -- notes -------------------------------------------------------------------------

    def _note_element(self, e) -> None:
        if e.find("rest") is not None:
            self._settle_graces()
            self._advance(e)
            return
        if e.find("grace") is not None:
            self._grace(e)
            return
        chord = e.find("chord") is not None
        if not chord:
            self._settle_graces()
            self.onset = self.at
            self.chord_graces = Counter(self.graces.pop(e.findtext("voice") or "1", []))
            self._advance(e)
        if e.find("cue") is not None:
            self.score.lost[f"Bar {self.m.number} holds cue notes"] += 1
            return
        if any(t.get("type") == "stop" for t in e.findall("tie")):
            return  # the same stroke still sounding
        name = self._instrument(e)
        if name is None:
            return
        note = self._stroke(e, name)
        if note.key in self.raw:
            self.score.lost[f"Bar {self.m.number} holds the same {name} stroke twice"] += 1
            if self.raw[note.key].velocity >= note.velocity:
                return
        self.raw[note.key] = note

    def _advance(self, e) -> None:
        if e.find("chord") is None:
            self.at += self._duration(e)
            self.reach = max(self.reach, self.at)

    def _grace(self, e) -> None:
        name = self._instrument(e)
        if name is not None:
            self.graces.setdefault(e.findtext("voice") or "1", []).append(name)

    def _settle_graces(self) -> None:
        """Grace notes of instruments that the chord after them does not strike."""
        for name, count in self.chord_graces.items():
            if count > 0:
                self.score.lost[f"A grace note ({name}) in bar {self.m.number} leads to another instrument"] += count
        self.chord_graces = Counter()

    def _place(self, e) -> tuple[str, int, str]:
        where = e.find("unpitched")
        if where is not None:
            step, octave = where.findtext("display-step") or "", where.findtext("display-octave")
        else:
            step, octave = e.findtext("pitch/step") or "", e.findtext("pitch/octave")
        head = e.find("notehead")
        return step, _whole(octave, -1), (head.text or "normal") if head is not None else "normal"

    def _instrument(self, e) -> str | None:
        step, octave, head = self._place(e)
        if head == "slash":
            self.score.lost[f"Bar {self.m.number} holds slashes instead of notes"] += 1
            return None
        ref = e.find("instrument")
        key = ref.get("id") if ref is not None else next(iter(self.declared), None) if len(self.declared) == 1 else None
        found, declared_name = self.declared.get(key, (None, ""))
        by_place = instrument_for_place(step, octave, head) if step else None
        if self.one_instrument:
            found = by_place
        chosen = found or by_place
        if chosen is None:
            what = declared_name or f"{step}{octave if octave >= 0 else ''} with head '{head}'"
            self.score.lost[f"No instrument of the drum key matches {what!r}"] += 1
            return None
        name = chosen.name
        if name in ("closed hi-hat", "open hi-hat"):
            technical = e.find("notations/technical")
            signs = {s.tag for s in technical} if technical is not None else set()
            if signs & {"open", "open-string"} or head == "circle-x":
                name = "open hi-hat"
            elif "stopped" in signs:
                name = "closed hi-hat"
        return name

    def _stroke(self, e, name: str) -> Note:
        said: set[str] = set()
        sticking = ""
        head = e.find("notehead")
        if head is not None:
            if head.get("parentheses") == "yes":
                said.add("ghost")
            if head.text == "slashed":
                said.add("rim shot")
            if head.text == Notehead.CIRCLE_X.value and name == "pedal hi-hat":
                said.add("foot splash")
        graces = self.chord_graces.pop(name, 0)
        if graces:
            said.add("flam" if graces == 1 else "drag")
        for sign in e.findall("notations//*"):
            sticking = self._notation(sign, said) or sticking
        if not sticking:
            letters = [t.strip() for t in e.xpath("lyric/text/text()") if t.strip() in ("R", "L")]
            sticking = letters[0] if letters else ""
        velocity = self._velocity(e, said)
        note = Note(self.onset, name, velocity, frozenset(said), sticking=sticking)
        if e.get("attack"):
            self.attacks[note.key] = float(Fraction(e.get("attack")) / self.divisions)
        return note

    def _velocity(self, e, said: set[str]) -> int:
        if e.get("dynamics"):
            return min(max(round(float(e.get("dynamics")) * FULL_VELOCITY / 100), 1), 127)
        return next((v for what, v in _DEFAULT_VELOCITY.items() if what in said or not what))

    def _notation(self, sign, said: set[str]) -> str:
        """Read one sign of a note; returns a sticking letter if it is one."""
        text = (sign.text or "").strip()
        if sign.tag in ("accent", "strong-accent"):
            said.add("accent")
        elif sign.tag == "tremolo":
            said.add("roll")
        elif sign.tag == "half-muted":
            said.add("half open")
        elif sign.tag in ("other-articulation", "other-notation") and text.removeprefix("sticking ") in ("R", "L"):
            return text[-1]
        elif sign.tag in ("other-articulation", "other-notation") and text in ARTICULATIONS:
            said.add(text)
        elif sign.tag == "fingering" and text in ("R", "L"):
            return text
        elif sign.tag == "fingering" or sign.tag not in _KNOWN_SIGNS or sign.tag.startswith("other-"):
            if sign.getparent().tag != "tuplet" and sign.getparent().getparent().tag != "tuplet":
                self.score.ignored[sign.tag] += 1
        return ""
