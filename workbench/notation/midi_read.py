"""Reading the drum part of a Standard MIDI File made by anyone.

Performances are written by the quantizer of drafts, files made from a score as they stand
(:mod:`workbench.chart.quantizer`); what a stroke lies off its place is kept as its deviation.
"""

from __future__ import annotations

import os
from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from io import BytesIO
from pathlib import Path

import mido
import numpy as np

from workbench.chart import Chart, Section, Text
from workbench.chart.drumkit import instrument, instrument_for_midi_note
from workbench.chart.events import Stroke
from workbench.chart.ghosts import mark_ghosts
from workbench.chart.meter import MOST_BARS, Bar, Meter, TimeMap
from workbench.chart.quantizer import Quantized, quantize
from workbench.errors import ChartError, FileFormatError
from workbench.files.untrusted import MOST_NOTES, MOST_NOTES_IN_BAR, Imported, read_bytes, shown
from workbench.notation.midi import DRUM_CHANNEL
from workbench.notation.midi_notes import BarNotes, FileStroke, NoteStrokes, read_bar_events, told_apart

#: Keys beside General MIDI that electronic kits send for the rims of their pads
#: (drum mapping of the Groove MIDI Dataset, Google LLC, CC BY 4.0; from memory).
_RIM_KEYS = {22: "closed hi-hat", 26: "open hi-hat", 58: "floor tom"}
#: Silent whole notes kept at the end (sixteen bars of 4/4; no source).
_MOST_SILENCE = 16
#: Bytes: more than any drum part takes (no source).
_LONGEST_FILE = 4_000_000


def read_midi(path: str | os.PathLike) -> Imported:
    """Read the drum part of a MIDI file made by anyone.

    Notes on channel 10 are taken; without any, all notes of tracks named like
    drums, and if there is only one track, all its notes.  Soft snare strokes of a
    performance are written as ghost notes.

    Raises
    ------
    FileFormatError
        If the file is missing, too long, no MIDI file, or has no drum notes.
    """
    path = Path(path)
    midi = _open(path)
    if midi.ticks_per_beat <= 0:
        raise FileFormatError(f"{shown(path.name)} counts time in film frames, not beats; export it with beats.")
    problems: list[str] = []
    changes = _read_changes(midi)
    notes, unknown = _drum_notes(midi, path, problems)
    told_bars = read_bar_events(midi)
    told, rest = told_apart(told_bars, notes)
    if told_bars:
        # A file of ours: as many bars as it tells of, and what others have added after them.
        last = max([bar.tick for bar in told_bars] + [n[0] for n in rest])
    else:
        # Bars go on to the end of the track, but not far into silence.
        last = max(n[0] for n in notes)
        ends = [sum(m.time for m in track) for track in midi.tracks]
        last = max(last, min(max(ends), last + 4 * midi.ticks_per_beat * _MOST_SILENCE) - 1)
    bars, starts = _lay_bars(changes, midi.ticks_per_beat, last, problems)
    for key, count in sorted(unknown.items()):
        left_out = _count(count, "stroke was", "strokes were")
        problems.append(f"MIDI note {key} is not in the drum key; {left_out} left out.")
    _check_density(starts, notes, path)
    try:
        time_map = _time_map(bars, starts, changes, midi.ticks_per_beat)
    except ChartError as error:
        raise FileFormatError(f"{shown(path.name)} has tempi that no part is played at: {error}") from None
    known, others = _told_notes(time_map, starts, told, midi.ticks_per_beat)
    feel = next((bar.feel for bar in told_bars if bar.feel), "straight" if told_bars else None)
    found = _quantized(time_map, sorted(rest + others), midi.ticks_per_beat, problems, known, feel)
    subdivisions = {Fraction(bar.tick): bar.subdivisions for bar in told_bars}
    written = tuple(
        replace(bar, subdivisions=subdivisions.get(start, bar.subdivisions)) for bar, start in zip(found.bars, starts)
    )
    sections = _sections(changes["marker"], starts)
    title = _decoded(changes["name"]) or path.stem
    chart = Chart(
        time_map,
        written,
        title=title,
        sections=sections,
        texts=_texts(changes["text"], starts, midi.ticks_per_beat) if told_bars else (),
        feel=found.feel,
    )
    if not told_bars and not found.exact:
        chart = mark_ghosts(chart)
    return Imported(chart, tuple(problems))


def _count(count: int, one: str, many: str) -> str:
    return f"{count} {one if count == 1 else many}"


def _open(path: Path) -> mido.MidiFile:
    name = shown(path.name)
    data = read_bytes(path, _LONGEST_FILE)
    if data[:4] != b"MThd":
        raise FileFormatError(f"{name} is not a Standard MIDI File.")
    try:
        return mido.MidiFile(file=BytesIO(data), charset="latin-1", clip=True)
    except Exception:  # mido raises many kinds on damaged data
        raise FileFormatError(f"{name} is damaged: its MIDI data end or break off too soon.") from None


def _decoded(name: str) -> str:
    try:
        return name.encode("latin-1", "replace").decode("utf-8")
    except UnicodeDecodeError:
        return name


def _read_changes(midi: mido.MidiFile) -> dict:
    found: dict = {"tempo": [(0, 500_000)], "meter": [(0, Meter())], "marker": [], "text": [], "name": ""}
    for track in midi.tracks:
        tick = 0
        for m in track:
            tick += m.time
            if m.type == "set_tempo":
                found["tempo"].append((tick, max(m.tempo, 1)))
            elif m.type == "time_signature":
                try:
                    found["meter"].append((tick, Meter(m.numerator, m.denominator)))
                except Exception:
                    found["meter"].append((tick, Meter()))
            elif m.type == "marker":
                found["marker"].append((tick, _decoded(m.text)))
            elif m.type == "text":
                found["text"].append((tick, _decoded(m.text)))
            elif m.type == "track_name" and not found["name"]:
                found["name"] = m.name.strip("\0 ")
    for kind in ("tempo", "meter", "marker", "text"):
        found[kind].sort(key=lambda c: c[0])
    return found


def _drum_notes(midi: mido.MidiFile, path: Path, problems: list[str]) -> tuple[list[FileStroke], Counter[int]]:
    """(tick, key, velocity) of drum strokes, and unknown keys with their counts."""
    on_ten, by_track = [], []
    total = 0
    for track in midi.tracks:
        tick, own = 0, []
        for m in track:
            tick += m.time
            if m.type == "note_on" and m.velocity > 0:
                total += 1
                if total > MOST_NOTES:
                    raise FileFormatError(f"{shown(path.name)} has more than {MOST_NOTES} notes; no drum part has.")
                own.append((tick, m.note, m.velocity))
                if m.channel == DRUM_CHANNEL:
                    on_ten.append(own[-1])
        by_track.append((track.name or "", own))
    found = on_ten
    if not found:
        named = [
            notes
            for name, notes in by_track
            if notes and any(w in name.lower() for w in ("drum", "perc", "kit", "battery", "schlagzeug"))
        ]
        filled = [notes for _, notes in by_track if notes]
        chosen = named or (filled if len(filled) == 1 else [])
        found = [n for notes in chosen for n in notes]
        if found:
            problems.append("No notes on channel 10; the notes of the only drum-like track were taken.")
    if not found:
        raise FileFormatError(f"{shown(path.name)} has no drum notes (none on MIDI channel 10, no track named drums).")
    unknown = Counter(key for _, key, _ in found if _instrument(key) is None)
    known = sorted(n for n in found if n[1] not in unknown)
    if not known:
        raise FileFormatError(f"{shown(path.name)} has no note that the drum key knows.")
    return known, unknown


def _instrument(key: int) -> str | None:
    """Name of the instrument that a key means."""
    found = instrument_for_midi_note(key)
    return found.name if found else _RIM_KEYS.get(key)


def _lay_bars(
    changes: dict, ppq: int, last_tick: int, problems: list[str]
) -> tuple[list[tuple[Meter, Fraction | None]], list[Fraction]]:
    """Meters of the bars (with their true lengths) and the ticks they start at."""
    meters = dict(changes["meter"])
    ticks = sorted(meters)
    bars: list[tuple[Meter, Fraction | None]] = []
    starts, at, k = [], Fraction(0), 0
    while at <= last_tick:
        if len(bars) == MOST_BARS:
            raise FileFormatError(f"The MIDI file lasts longer than {MOST_BARS} bars; no drum part does.")
        while k + 1 < len(ticks) and ticks[k + 1] <= at:
            k += 1
        meter = meters[ticks[k]]
        cut = None
        end = at + meter.bar_length * 4 * ppq
        if k + 1 < len(ticks) and ticks[k + 1] < end:
            cut = Fraction(ticks[k + 1] - at, 4 * ppq)
            problems.append(f"Bar {len(bars) + 1} is cut short by a change of meter.")
            end = Fraction(ticks[k + 1])
        bars.append((meter, cut))
        starts.append(at)
        at = end
    # A short first bar in its own meter, then the real one: a pick-up.
    if (
        len(bars) > 1
        and bars[0][1] is None
        and bars[0][0] != bars[1][0]
        and (bars[0][0].bar_length < bars[1][0].bar_length)
        and starts[1] in meters
    ):
        bars[0] = (bars[1][0], bars[0][0].bar_length)
    starts.append(at)
    return bars, starts


def _check_density(starts: Sequence[Fraction], notes: Sequence[FileStroke], path: Path) -> None:
    in_bars = np.searchsorted(np.array(starts, float), [float(tick) for tick, _, _ in notes], side="right") - 1
    bar = int(np.bincount(in_bars).argmax())
    if np.count_nonzero(in_bars == bar) > MOST_NOTES_IN_BAR:
        raise FileFormatError(
            f"{shown(path.name)} has more than {MOST_NOTES_IN_BAR} strokes in bar {bar + 1}; no drummer plays so many."
        )


def _time_map(
    bars: Sequence[tuple[Meter, Fraction | None]], starts: Sequence[Fraction], changes: dict, ppq: int
) -> TimeMap:
    clock = _Clock(changes["tempo"], ppq)
    out = []
    for (meter, length), start in zip(bars, starts):
        whole = Fraction(length) if length is not None else meter.bar_length
        positions = meter.beat_positions(whole)
        out.append(Bar(meter, tuple(clock.seconds(start + p * 4 * ppq) for p in positions), whole))
    return TimeMap(out, clock.seconds(starts[-1]))


class _Clock:
    """Ticks to seconds through the tempo changes of a file, the first of which stands at tick 0."""

    def __init__(self, tempos: Sequence[tuple[int, int]], ppq: int) -> None:
        self.ppq = ppq
        self.ticks = [tick for tick, _ in tempos]
        self.points: list[tuple[float, int]] = []
        seconds, last, us = 0.0, 0, 500_000
        for tick, new in tempos:
            seconds += (tick - last) * us / 1e6 / ppq
            self.points.append((seconds, new))
            last, us = tick, new

    def seconds(self, tick: Fraction | float) -> float:
        k = bisect_right(self.ticks, tick) - 1
        seconds, us = self.points[k]
        return seconds + float(tick - self.ticks[k]) * us / 1e6 / self.ppq


def _told_notes(
    time_map: TimeMap, starts: Sequence[Fraction], told: Sequence[tuple[BarNotes, NoteStrokes, int]], ppq: int
) -> tuple[list[dict], list[FileStroke]]:
    """The written notes of each bar that the file itself tells of, and the strokes of those whose
    bar is not there any more (another program has changed the meter)."""
    whole = 4 * ppq
    index = {start: k for k, start in enumerate(starts[:-1])}
    bars: list[dict] = [{} for _ in time_map.bars]
    others = []
    for bar, strokes, velocity in told:
        k, note, tick = index.get(Fraction(bar.tick)), strokes.note, strokes.ticks[0]
        if k is None or note.position >= time_map.bars[k].length:
            others.append((bar.tick + tick, instrument(note.instrument).midi_note, velocity))
            continue
        # Half a tick is lost in rounding a place that no tick meets.
        off = tick - note.position * whole
        at = float(time_map.starts[k] + note.position)
        written, struck = time_map.seconds_at(np.array([at, at + float(off) / whole]))
        deviation_s = float(struck - written) if abs(off) > Fraction(1, 2) else 0.0
        bars[k][note.key] = replace(note, velocity=velocity, deviation_s=deviation_s)
    return bars, others


def _quantized(
    time_map: TimeMap, notes: Sequence[FileStroke], ppq: int, problems: list[str], known: list[dict], feel: str | None
) -> Quantized:
    """The bars with the strokes of a file beside what is known of them already."""
    loudest: dict[tuple[int, str], int] = {}
    for tick, key, velocity in notes:
        if name := _instrument(key):
            loudest[tick, name] = max(velocity, loudest.get((tick, name), 0))
    times_s = time_map.seconds_at(np.array([tick / (4 * ppq) for tick, _ in loudest]))
    strokes = [Stroke(float(t), name, v) for t, ((_, name), v) in zip(times_s, loudest.items())]
    found = quantize(strokes, time_map, feel, tick=0.25 / ppq)
    bars, lost = [], len(notes)
    for own, bar in zip(known, found.bars):
        for note in bar.notes:
            lost -= note.key not in own
            if note.key not in own or note.velocity > own[note.key].velocity:
                own[note.key] = note
        bars.append(replace(bar, notes=tuple(own.values())))
    signs = [len(g.strokes) - 1 for g in found.groups.values() if g.sign]
    lost -= sum(signs)
    if signs:
        problems.append(
            _count(
                len(signs),
                "group of close strokes of a drum was read as a flam or drag.",
                "groups of close strokes of a drum were read as flams or drags.",
            )
        )
    if lost:
        problems.append(
            _count(lost, "stroke", "strokes") + " fell on the place of another of the same instrument; "
            "the louder one was kept."
        )
    return replace(found, bars=tuple(bars))


def _bar_at(starts: Sequence[Fraction], tick: int) -> int:
    """Index of the bar in which a tick lies; what lies beyond the end belongs to the last one."""
    return min(bisect_right(starts, tick), len(starts) - 1) - 1


def _texts(texts: Sequence[tuple[int, str]], starts: Sequence[Fraction], ppq: int) -> tuple[Text, ...]:
    out = []
    for tick, words in texts:
        k = _bar_at(starts, tick)
        out.append(Text(k, Fraction(tick - starts[k]) / (4 * ppq), words))
    return tuple(out)


def _sections(markers: Sequence[tuple[int, str]], starts: Sequence[Fraction]) -> tuple[Section, ...]:
    out: dict[int, Section] = {}
    for tick, text in markers:
        k = _bar_at(starts, tick)
        label, _, name = text.partition(" ")
        if len(label) > 2 or not label.isupper():
            label, name = "", text
        if text:
            out.setdefault(k, Section(k, name, label))
    return tuple(out.values())
