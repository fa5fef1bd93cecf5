"""Reading drum parts in MusicXML, our own and those of other programs.

What is written twice (repeats, endings, D.C. and D.S.) is unfolded to the
order heard.  What cannot be understood is listed in
:attr:`~workbench.files.imports.Imported.problems`, one sentence each, and never
left out silently.
"""

from __future__ import annotations

import json
import math
import os
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

from lxml import etree

from workbench.chart import Chart, Mark, Note, Section, Text, WrittenBar
from workbench.chart.data import kit_line_from_data, list_from_data
from workbench.chart.drumkit import KitLine
from workbench.chart.meter import MOST_BARS, Bar, Meter, TimeMap
from workbench.chart.pocket import Pocket
from workbench.errors import ChartError, FileFormatError
from workbench.files.imports import USUAL, Imported, ImportOptions
from workbench.files.untrusted import MOST_NOTES, MOST_NOTES_IN_BAR, BadNumberError, parse_xml, read_score_bytes
from workbench.notation.fillsigns import FILL_ID
from workbench.notation.musicxml import BEAT_TIMES_FIELD, KIT_MAP_FIELD
from workbench.notation.musicxml_part import Log, Measure, PartReader
from workbench.notation.notevalues import is_writable
from workbench.notation.roadsigns import HAIRPINS, jump_of, play_cues, repeat_cues


def read_musicxml(path: str | os.PathLike, options: ImportOptions = USUAL) -> Imported:
    """Read the drum part of a MusicXML score (``.musicxml``, ``.xml`` or ``.mxl``).

    Parameters
    ----------
    path : path
    options : ImportOptions

    Raises
    ------
    FileFormatError
        If the file is missing, damaged, no MusicXML, tries to trick the
        reader, or holds no drum part.
    """
    path = Path(path)
    return read_musicxml_bytes(read_score_bytes(path), path.name, options)


def read_musicxml_bytes(data: bytes, name: str = "The score", options: ImportOptions = USUAL) -> Imported:
    """Read a MusicXML score from memory (see :func:`read_musicxml`)."""
    root = parse_xml(data, name)
    kind = etree.QName(root).localname
    if kind not in ("score-partwise", "score-timewise"):
        raise FileFormatError(f"{name} is no MusicXML score (it begins with <{kind}>).")
    for e in root.iter("{*}*"):
        if isinstance(e.tag, str) and "}" in e.tag:
            e.tag = etree.QName(e).localname
    if kind == "score-timewise":
        _by_parts(root)
    try:
        return _Reader(root, name, options).read()
    except BadNumberError as error:
        raise FileFormatError(f"{name} holds a number that makes no sense: {error}") from None
    except ChartError as error:
        raise FileFormatError(f"{name} makes no chart: {error}") from None


def _by_parts(root: etree._Element) -> None:
    """Lay a timewise score out by parts (MusicXML 4.0: the same elements, parts within measures)."""
    parts: dict[str, etree._Element] = {}
    for measure in root.findall("measure"):
        for part in measure.findall("part"):
            own = parts.setdefault(part.get("id", ""), etree.Element("part", id=part.get("id", "")))
            bar = etree.SubElement(own, "measure", dict(measure.attrib))
            bar.extend(list(part))
        root.remove(measure)
    root.extend(parts.values())


#: On which places a bar is written that has no note values, whole notes.
_GRID = Fraction(1, 64)


class _Reader:
    def __init__(self, root: etree._Element, name: str, options: ImportOptions) -> None:
        self.root, self.log, self.options = root, Log(name), options
        self.lines: dict[str, KitLine] = {}
        self.remarks: list[str] = []
        self.headings = {p.get("id"): p for p in reversed(root.findall("part-list/score-part"))}

    def read(self) -> Imported:
        parts = self._drum_parts()
        kit_map, ours = self.options.kit_map, self._own_kit_map()
        measures: list[Measure] = []
        for part in parts:
            reader = PartReader(self.log, part, self.headings.get(part.get("id")), kit_map or ours, bool(ours))
            own = reader.read()
            self.lines |= reader.kit.lines
            measures = own if not measures else self._merge(measures, own)
        if not measures:
            raise FileFormatError(f"{self.log.name} has a drum part without bars.")
        heard = _heard_order(measures, self.log.problems)
        order = list(range(len(measures))) if self.options.as_written else heard
        self._fill_similes(measures)
        if heard != list(range(len(measures))):
            self.remarks.append(
                f"Read as written, {len(measures)} bars: its repeats, endings and jumps are kept as signs."
                if self.options.as_written
                else f"Read as played: with its repeats and jumps {len(measures)} written bars became {len(heard)}."
            )
        if sum(len(measures[k].notes) for k in order) > MOST_NOTES:
            raise FileFormatError(f"{self.log.name} has more than {MOST_NOTES} strokes; no drum part has.")
        chart = self._chart(measures, order)
        if self.log.lost.counts and not any(bar.notes for bar in chart.bars):
            self.log.problems.append("The drum part holds no stroke.")
        if self.log.too_fine:
            bars = ", ".join(sorted(self.log.too_fine))
            self.log.problems.append(f"Places finer than any note value were rounded, in bars {bars}.")
        for sign, count in sorted(self.log.ignored.items()):
            self.log.problems.append(f"The sign <{sign}> means nothing in a chart and was left out ({count} times).")
        # Bars are numbered as written, or as played: then a repeat takes numbers of its own.
        played = {k: place for place, k in reversed(list(enumerate(heard)))}
        counted = [k for k, m in enumerate(measures) if not m.implicit and m.number.isdecimal() and k in played]
        for k, following in zip(counted, counted[1:]):
            one, after = int(measures[k].number), int(measures[following].number)
            if after > one + max(1, played[following] - played[k]):
                here = chart.time_map.bar_number(order.index(following))
                self.log.problems.append(
                    f"By the numbers in the file, bar {after} comes after bar {one}: what is between is not in it. "
                    + (f"Here it is bar {here}." if here != after else "Here it keeps its number.")
                )
        numbers = tuple(measures[k].number for k in order)
        if _are_their_own(numbers, order, chart.time_map):
            chart = replace(chart, printed_numbers=numbers)
        first, last = chart.time_map.bar_number(0), chart.time_map.bar_number(len(chart) - 1)
        if self.options.as_written and (numbers[0], numbers[-1]) != (str(first), str(last)):
            self.remarks.append(
                f"On its pages the bars are numbered {numbers[0]} to {numbers[-1]}; here they are {first} to {last}."
            )
        return Imported(chart, tuple(self.log.problems), self.log.lost, numbers, tuple(self.remarks))

    def _own_kit_map(self) -> tuple[KitLine, ...]:
        """The kit map of a file of ours."""
        try:
            data = json.loads(self._field(KIT_MAP_FIELD) or "[]")
            return tuple(kit_line_from_data(line) for line in list_from_data(data))
        except (ValueError, RecursionError, ChartError):
            return ()

    def _field(self, name: str) -> str:
        fields = self.root.findall("identification/miscellaneous/miscellaneous-field")
        return next((f.text for f in fields if f.get("name") == name and f.text), "")

    # -- parts -----------------------------------------------------------------------

    def _drum_parts(self) -> list:
        parts = self.root.findall("part")
        drums = [p for p in parts if p.find("measure/note/unpitched") is not None]
        if not drums:  # some programs write pitches under a percussion clef
            drums = [p for p in parts if {c.text for c in p.findall("measure/attributes/clef/sign")} == {"percussion"}]
        names = [self._part_name(p) for p in drums]
        if self.options.part:
            drums = [p for p, name in zip(drums, names) if name == self.options.part]
        if not drums:
            there = f"it has {', '.join(names)}" if names else "no unpitched notes, no percussion clef"
            asked = f" {self.options.part!r}" if self.options.part and names else ""
            raise FileFormatError(f"{self.log.name} has no drum part{asked} ({there}).")
        if len(drums) > 1:
            self.log.problems.append(
                f"{len(drums)} percussion parts were read together; to read one, name it: {', '.join(names)}."
            )
        return drums

    def _part_name(self, part: etree._Element) -> str:
        heading = self.headings.get(part.get("id"))
        return (heading.findtext("part-name") if heading is not None else "") or part.get("id") or "part"

    def _merge(self, measures: list[Measure], more: list[Measure]) -> list[Measure]:
        if len(more) > len(measures):
            measures, more = more, measures
        for a, b in zip(measures, more):
            taken = {n.key for n in a.notes}
            for n in b.notes:
                if n.key in taken:
                    self.log.lost.add(f"Two parts have the same {n.instrument} stroke", a.number)
                elif n.position < a.length:
                    a.notes.append(n)
                    a.attacks.update({n.key: b.attacks[n.key]} if n.key in b.attacks else {})
            if len(a.notes) > MOST_NOTES_IN_BAR:
                raise FileFormatError(
                    f"{self.log.name} has more than {MOST_NOTES_IN_BAR} strokes in bar {a.number}; "
                    "no drummer plays so many."
                )
        return measures

    def _fill_similes(self, measures: list[Measure]) -> None:
        for k, m in enumerate(measures):
            if m.simile_of and not m.notes and k >= m.simile_of:
                source = measures[k - m.simile_of]
                m.notes = [n for n in source.notes if n.position < m.length]

    # -- chart -----------------------------------------------------------------------

    def _chart(self, measures: Sequence[Measure], order: Sequence[int]) -> Chart:
        heard = [measures[k] for k in order]
        time_map = self._time_map(heard)
        bars, sections, texts, marks = [], {}, [], []
        opened: dict[str, tuple[tuple[int, Fraction], str]] = {}
        feel, ratio = next(((m.feel, m.swing_ratio) for m in measures if m.feel), ("straight", 0.5))
        for k, m in enumerate(heard):
            quarter_s = 60.0 / time_map.quarter_tempo_bpm(k)
            notes = [self._with_deviation(n, m.attacks.get(n.key, 0.0) * quarter_s) for n in m.notes]
            if not is_writable(time_map.bars[k], notes):
                notes = self._on_the_grid(notes, m)
            bars.append(WrittenBar(tuple(notes), grid_that_holds(time_map.bars[k], notes)))
            if m.label is not None or m.name is not None:
                sections[k] = Section(k, m.name or "", m.label or "")
            texts += [
                Text(k, min(position, m.length), text)
                for position, text in m.texts
                if self.options.as_written or not jump_of(text)  # as played it is followed
            ]
            if self.options.as_written:
                cues = repeat_cues(m.repeat_forward, m.repeat_backward, m.ending)
                texts += [Text(k, Fraction(0), cue) for cue in cues]
            for b in sorted(m.brackets, key=lambda b: (b.position, b.opens)):
                place = (k, b.position) if b.position < time_map.bars[k].length else (k + 1, Fraction(0))
                if b.opens:
                    texts += _unended(opened.pop(b.number, None), time_map)
                    opened[b.number] = (place, b.name if b.name in HAIRPINS else "fill")
                elif b.number in opened and opened[b.number][0] < place:
                    start, kind = opened.pop(b.number)
                    marks.append(Mark(kind, start, place, "", kind != "fill" or b.name.startswith(FILL_ID)))
        texts += [text for begun in opened.values() for text in _unended(begun, time_map)]
        said = {k: [t.text for t in texts if t.bar_index == k] for k in {t.bar_index for t in texts}}
        texts += [Text(k, Fraction(0), cue) for k, cue in play_cues([m.slashes for m in heard], said)]
        return Chart(
            time_map,
            tuple(bars),
            title=self._title(),
            artist=self._artist(),
            sections=tuple(sections.values()),
            texts=tuple(texts),
            marks=tuple(marks),
            feel=feel,
            pocket=Pocket(ratio),
            kit_map=tuple(self.lines.values()),
        )

    def _on_the_grid(self, notes: Sequence[Note], m: Measure) -> list[Note]:
        """Notes that no values fit, on the nearest sixty-fourths."""
        self.log.too_fine.add(m.number)
        last = m.length - m.length % _GRID or Fraction(0)
        found: dict[tuple, Note] = {}
        for n in notes:
            moved = replace(n, position=min(round(n.position / _GRID) * _GRID, last))
            if moved.key in found:
                self.log.lost.add(f"A {n.instrument} stroke fell together with another", m.number)
            found.setdefault(moved.key, moved)
        return [n for n in found.values() if n.position < m.length]

    def _with_deviation(self, n: Note, deviation_s: float) -> Note:
        if not deviation_s:
            return n
        return Note(n.position, n.instrument, n.velocity, n.articulations, deviation_s, sticking=n.sticking)

    def _title(self) -> str:
        return self.root.findtext("work/work-title") or self.root.findtext("movement-title") or ""

    def _artist(self) -> str:
        creators = self.root.findall("identification/creator")
        ranked = sorted(
            creators,
            key=lambda c: ("artist", "composer").index(c.get("type")) if c.get("type") in ("artist", "composer") else 2,
        )
        return (ranked[0].text or "") if ranked else ""

    def _time_map(self, heard: Sequence[Measure]) -> TimeMap:
        shapes = [_shape(m) for m in heard]
        exact = self._exact_times(shapes)
        if exact:
            return exact
        if not any(m.tempos for m in heard):
            self.log.problems.append("The score has no tempo; 120 quarter notes a minute were assumed.")
        tempo, now, bars = 120.0, 0.0, []
        for m, (meter, length, positions) in zip(heard, shapes):
            changes = sorted(t for t in m.tempos if t[0] < length)
            times = []
            at = Fraction(0)
            tempo_at = dict(changes)
            for mark in sorted({*positions, *(p for p, _ in changes), length}):
                now += float(mark - at) * 240.0 / tempo
                at = mark
                if mark in positions:
                    times.append(now)
                tempo = tempo_at.get(mark, tempo)
            bars.append(Bar(meter, tuple(times), length))
        return TimeMap(bars, now)

    def _exact_times(self, shapes: Sequence[tuple[Meter, Fraction, tuple[Fraction, ...]]]) -> TimeMap | None:
        """Beat times from our own field, if it still fits the bars."""
        try:
            *told, end = self._field(BEAT_TIMES_FIELD).split("|")
            times = [tuple(float(t) for t in b.split()) for b in told]
            if [len(t) for t in times] == [len(p) for _, _, p in shapes]:
                return TimeMap([Bar(meter, t, length) for t, (meter, length, _) in zip(times, shapes)], float(end))
        except (ValueError, ChartError):
            pass
        return None


def _are_their_own(numbers: Sequence[str], order: Sequence[int], time_map: TimeMap) -> bool:
    """Whether a score numbers its measures, heard in this order, neither as we count what is heard nor one by one."""
    places = sorted({k: place for place, k in reversed(list(enumerate(order)))}.values())
    begin, shown = time_map.bar_number(0), [numbers[place] for place in places]
    counted = ([str(begin + place) for place in places], [str(begin + k) for k in range(len(places))])
    return shown not in counted


def _unended(begun: tuple[tuple[int, Fraction], str] | None, time_map: TimeMap) -> list[Text]:
    """A hairpin without an end, as a word."""
    if not begun or begun[1] not in HAIRPINS:
        return []
    (k, position), kind = begun
    return [Text(k, position, HAIRPINS[kind]) if k < len(time_map) else Text(k - 1, Fraction(0), HAIRPINS[kind])]


def _shape(m: Measure) -> tuple[Meter, Fraction, tuple[Fraction, ...]]:
    """Meter, length and beat positions of a measure."""
    return m.meter, m.length, m.meter.beat_positions(m.length)


def grid_that_holds(bar: Bar, notes: Sequence[Note]) -> tuple[int, ...]:
    """Grid parts of each beat that hold all notes; empty if sixteenths do."""
    default = 6 if bar.meter.is_compound else 4
    spans = bar.beat_spans()
    starts = [start for start, _ in spans]
    parts = [1] * len(spans)
    for n in notes:
        k = bisect_right(starts, n.position) - 1
        start, length = spans[k]
        parts[k] = math.lcm(parts[k], ((n.position - start - length) / bar.meter.beat_length).denominator)
    out = [default if default % p == 0 else min(p, 24) for p in parts]
    return () if all(p == default for p in out) else tuple(out)


def _heard_order(measures: Sequence[Measure], problems: list[str]) -> list[int]:
    """Measures in the order in which they are played."""
    order: list[int] = []
    start, run, k = 0, 1, 0
    jumped = False
    passes, has_later_ending = _endings(measures)
    coda = next((j for j, x in enumerate(measures) if "coda" in x.jumps), None)
    while k < len(measures):
        m = measures[k]
        if m.repeat_forward and k != start:
            start, run = k, 1
        if m.ending and (has_later_ending[k] if jumped else run not in m.ending):
            k += 1
            continue
        order.append(k)
        if len(order) > MOST_BARS:
            raise FileFormatError(f"The score's repeats lead to more than {MOST_BARS} bars; it was not read.")
        if jumped and ("fine" in m.jumps or ("tocoda" in m.jumps and coda is None)):
            break
        if jumped and "tocoda" in m.jumps and coda is not None:
            k = coda
            continue
        if m.repeat_backward and not jumped:
            if run < max(m.repeat_backward, passes[k]):
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


def _endings(measures: Sequence[Measure]) -> tuple[list[int], list[bool]]:
    """For each measure: how often a repeat that closes there is played, by the endings from there on;
    whether another ending follows its own."""
    passes, later = [2] * len(measures), [False] * len(measures)
    for k in range(len(measures) - 1, -1, -1):
        own = measures[k].ending
        following = measures[k + 1].ending if k + 1 < len(measures) else ()
        if own:
            passes[k] = max(2, *own, passes[k + 1] if following else 2)
            later[k] = later[k + 1] if following == own else bool(following)
    return passes, later
