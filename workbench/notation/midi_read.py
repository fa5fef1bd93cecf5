"""Reading the drum part of a Standard MIDI File made by anyone.

Performances are written by the quantizer of drafts, files made from a score as they stand
(:mod:`workbench.chart.quantizer`); what a stroke lies off its place is kept as its deviation.
"""

from __future__ import annotations

import os
import re
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import replace
from fractions import Fraction
from io import BytesIO
from pathlib import Path

import mido
import numpy as np

from workbench.chart import Chart, Section, Text, WrittenBar
from workbench.chart.chart import ON_TIME_S
from workbench.chart.drumkit import KitLine, instrument, kit_for_keys, own_line
from workbench.chart.events import Stroke
from workbench.chart.ghosts import mark_dynamics
from workbench.chart.meter import MOST_BARS, Bar, Meter, TimeMap
from workbench.chart.ornaments import MOST_STROKES
from workbench.chart.playedbeats import beats_as_played, pocket_of
from workbench.chart.pocket import ON_THE_GRID
from workbench.chart.quantizer import Quantized, quantize
from workbench.errors import AnalysisError, ChartError, FileFormatError
from workbench.files.imports import USUAL, Imported, ImportOptions, Losses
from workbench.files.untrusted import MOST_NOTES, MOST_NOTES_IN_BAR, read_bytes, shown
from workbench.notation.midi import DRUM_CHANNEL
from workbench.notation.midi_notes import BarNotes, FileStroke, NoteStrokes, read_bar_events, told_apart

#: Names that programs give to tracks by themselves.
_NO_TITLE = re.compile(r"(take|track|midi|drums?|untitled|clip|channel|pattern|[\W\d_])*", re.IGNORECASE)
#: Words in the names of tracks that hold drums.
_DRUM_WORDS = ("drum", "perc", "kit", "battery", "schlagzeug")
#: A step so small that no stroke lies on one by chance, whole notes.
_NO_STEP = 1e-9
#: Silent whole notes kept at the end (sixteen bars of 4/4; no source).
_MOST_SILENCE = 16
#: A pad struck once may tell of it twice: a stroke of a drum so soon after another of it is none, seconds (no source).
DOUBLE_TRIGGER_S = 0.025
#: Fewer strokes do not tell whether they lie on a file's beats, and so much at least do those of a player who heard
#: them (see :func:`_on_beats`): of 102 performances of Groove MIDI's training split, played to a click, all from 0.20
#: up; on beats 0.6 to 1.6 times as fast, all but 4 % below 0.15.
FEWEST_TO_TELL, ASTRAY = 40, 0.15
#: Longer no take is, seconds (no source).
LONGEST_TAKE_S = 3600.0
#: Bytes: more than any drum part takes (no source).
_LONGEST_FILE = 4_000_000


#: Lays bars by strokes alone, in a meter.
LayBars = Callable[[Sequence[Stroke], Meter], TimeMap]


def read_midi(path: str | os.PathLike, options: ImportOptions = USUAL, lay_bars: LayBars | None = None) -> Imported:
    """Read the drum part of a MIDI file made by anyone.

    Notes on channel 10 are taken; without any, all notes of tracks named like
    drums.  Soft snare strokes of a performance are written as ghost notes.

    Parameters
    ----------
    path : path
    options : ImportOptions
    lay_bars : callable, optional
        Lays the bars of a performance that was not played to the file's beats; without one these stay.

    Raises
    ------
    FileFormatError
        If the file is missing, too long, no MIDI file, or has no drum notes.
    """
    path = Path(path)
    midi = _open(path)
    problems: list[str] = []
    changes = _read_changes(midi)
    notes = _drum_notes(midi, path, options.part, problems)
    told_bars = read_bar_events(midi)
    kit_map = next((bar.kit_map for bar in told_bars if bar.kit_map), ())
    names, kit_map = kit_for_keys(frozenset(key for _, key, _ in notes), options.kit_map or kit_map)
    told, rest = told_apart(told_bars, notes, {line.instrument: line.applied().midi_note for line in kit_map})
    if told_bars:
        # A file of ours: as many bars as it tells of, and what others have added after them.
        last = max([bar.tick for bar in told_bars] + [n[0] for n in rest])
    else:
        # Bars go on to the end of the track, but not far into silence.
        last = max(n[0] for n in notes)
        ends = [sum(m.time for m in track) for track in midi.tracks]
        last = max(last, min(max(ends), last + 4 * midi.ticks_per_beat * _MOST_SILENCE) - 1)
    bars, starts = _lay_bars(changes, midi.ticks_per_beat, last, problems)
    for key, name in names.items():
        if name == own_line("percussion", key):
            problems.append(f"General MIDI has no percussion on key {key}; its strokes have a line of their own.")
    _check_density(starts, notes, path)
    try:
        time_map = _time_map(bars, starts, changes, midi.ticks_per_beat)
    except ChartError as error:
        raise FileFormatError(f"{shown(path.name)} has tempi that no part is played at: {error}") from None
    feel = next((bar.feel for bar in told_bars if bar.feel), "straight" if told_bars else None)
    pocket = next((bar.pocket for bar in told_bars if bar.pocket), ON_THE_GRID)
    silent = Chart.empty(time_map, feel=feel or "straight", pocket=pocket)
    known, others = _told_notes(silent, starts, told, midi.ticks_per_beat)
    losses = Losses()
    strokes = [(tick, names[key], velocity) for tick, key, velocity in rest] + others
    played, doubled = _played(time_map, sorted(strokes), midi.ticks_per_beat)
    tick = 0.25 / midi.ticks_per_beat
    found = quantize(played, time_map, feel, tick, None if told_bars else options.finest)
    remarks: tuple[str, ...] = ()
    markers = [(_bar_at(starts, tick), text) for tick, text in changes["marker"]]
    if not told_bars and not found.exact:
        clicks = time_map
        if goes_astray(played, clicks):
            time_map = _laid_anew(played, clicks, lay_bars, problems)
        if time_map is not clicks:
            lines_s = np.array([bar.beat_times_s[0] for bar in time_map.bars])
            markers = [(int(np.abs(lines_s - clicks.bar_start_s(k)).argmin()), text) for k, text in markers]
            known = [{} for _ in lines_s]
            found = quantize(played, time_map, feel, _NO_STEP, options.finest)
        laid, _ = beats_as_played(time_map, found.bars, found.feel, found.swing_ratio)
        furthest_s = np.abs(laid.anchor_times_s - time_map.anchor_times_s).max()
        if time_map is clicks:
            remarks = (f"The beats follow the player, up to {1000 * furthest_s:.0f} ms from those of the file.",)
        # Between these beats the file's steps lie anywhere: no place is exact.
        time_map, found = laid, quantize(played, laid, feel, _NO_STEP, options.finest)
        found = replace(found, bars=tuple(_as_heard(bar) for bar in found.bars))
        pocket = pocket_of(time_map, found.bars, found.feel, found.swing_ratio)
    for stroke in doubled:
        _lose(stroke, time_map, losses)
    found = _joined(found, played, time_map, known, problems, losses)
    subdivisions = {Fraction(bar.tick): bar.subdivisions for bar in told_bars}
    written = found.bars
    if told_bars:
        written = tuple(replace(b, subdivisions=subdivisions.get(s, b.subdivisions)) for b, s in zip(written, starts))
    title = _title(midi) or ("" if told_bars else path.stem)
    chart = Chart(
        time_map,
        written,
        title=title,
        sections=_sections(markers),
        texts=_texts(changes["text"], starts, midi.ticks_per_beat) if told_bars else (),
        feel=found.feel,
        kit_map=kit_map,
        pocket=pocket,
    )
    if not told_bars and not found.exact:
        chart = mark_dynamics(chart)
    return Imported(chart, tuple(problems), losses, remarks=remarks)


def read_strokes(path: str | os.PathLike, kit_map: tuple[KitLine, ...] = ()) -> tuple[Stroke, ...]:
    """The drum strokes of a MIDI file as they were played, seconds from its beginning, none written anywhere.

    Parameters
    ----------
    path : path
    kit_map : tuple of KitLine
        What the keys mean; otherwise General MIDI or, by its keys, the usual electronic kit.

    Raises
    ------
    FileFormatError
        As :func:`read_midi`.
    """
    path = Path(path)
    midi = _open(path)
    notes = _drum_notes(midi, path, "", [])
    names, _ = kit_for_keys(frozenset(key for _, key, _ in notes), kit_map)
    clock = _Clock(_read_changes(midi)["tempo"], midi.ticks_per_beat)
    if clock.seconds(notes[-1][0]) > LONGEST_TAKE_S:
        raise FileFormatError(f"{shown(path.name)} lasts longer than {LONGEST_TAKE_S // 60:.0f} minutes; no take does.")
    out: list[Stroke] = []
    last_s: dict[str, float] = {}
    for tick, key, velocity in notes:
        name, time_s = names[key], clock.seconds(tick)
        if time_s - last_s.get(name, -1.0) > DOUBLE_TRIGGER_S:
            out.append(Stroke(time_s, name, velocity))
        last_s[name] = time_s
    return tuple(sorted(out))


def _count(count: int, one: str, many: str) -> str:
    return f"{count} {one if count == 1 else many}"


def _open(path: Path) -> mido.MidiFile:
    name = shown(path.name)
    data = read_bytes(path, _LONGEST_FILE)
    if data[:4] != b"MThd":
        raise FileFormatError(f"{name} is not a Standard MIDI File.")
    try:
        midi = _parsed(data)
    except Exception:  # mido raises many kinds on damaged data
        raise FileFormatError(f"{name} is damaged: its MIDI data end or break off too soon.") from None
    if midi.ticks_per_beat <= 0:
        raise FileFormatError(f"{name} counts time in film frames, not beats; export it with beats.")
    return midi


def _parsed(data: bytes) -> mido.MidiFile:
    try:
        return mido.MidiFile(file=BytesIO(data), charset="latin-1", clip=True)
    except mido.KeySignatureError:  # drums have no key: such an event may say anything
        nameless = re.sub(rb"\xff\x59\x02(..)", lambda m: b"\xff\x7f\x02" + m[1], data, flags=re.DOTALL)
        return mido.MidiFile(file=BytesIO(nameless), charset="latin-1", clip=True)


def _decoded(name: str) -> str:
    try:
        return name.encode("latin-1", "replace").decode("utf-8")
    except UnicodeDecodeError:
        return name


def _read_changes(midi: mido.MidiFile) -> dict:
    found: dict = {"tempo": [(0, 500_000)], "meter": [(0, Meter())], "marker": [], "text": []}
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
    for kind in ("tempo", "meter", "marker", "text"):
        found[kind].sort(key=lambda c: c[0])
    return found


def _title(midi: mido.MidiFile) -> str:
    """The name of the song: that of the first track (Standard MIDI Files 1.0, meta event 03), unless it is a program's
    own name for any track."""
    name = _decoded((midi.tracks[0].name or "") if midi.tracks else "").strip("\0 ")
    return "" if _NO_TITLE.fullmatch(name) else name


def _drum_notes(midi: mido.MidiFile, path: Path, part: str, problems: list[str]) -> list[FileStroke]:
    """(tick, key, velocity) of drum strokes, in order."""
    tracks: list[tuple[str, list[FileStroke], list[FileStroke]]] = []  # its name, strokes on channel 10, on others
    total = 0
    for number, track in enumerate(midi.tracks, start=1):
        tick = 0
        on_ten: list[FileStroke] = []
        elsewhere: list[FileStroke] = []
        for m in track:
            tick += m.time
            if m.type == "note_on" and m.velocity > 0:
                total += 1
                if total > MOST_NOTES:
                    raise FileFormatError(f"{shown(path.name)} has more than {MOST_NOTES} notes; no drum part has.")
                (on_ten if m.channel == DRUM_CHANNEL else elsewhere).append((tick, m.note, m.velocity))
        tracks.append((_decoded(track.name or "").strip("\0 ") or f"track {number}", on_ten, elsewhere))
    if part:
        chosen = [on_ten or elsewhere for name, on_ten, elsewhere in tracks if name == part]
    else:
        chosen = [on_ten for _, on_ten, _ in tracks if on_ten]
        named = [name for name, on_ten, _ in tracks if on_ten]
        if len(named) > 1:
            problems.append(
                f"{len(named)} tracks of drums were read together; to read one, name it: "
                f"{', '.join(sorted(set(named)))}."
            )
        if not chosen:
            chosen = [notes for name, _, notes in tracks if any(w in name.lower() for w in _DRUM_WORDS)]
            if any(chosen):
                problems.append("No notes on channel 10; the notes of the tracks named like drums were taken.")
    found = sorted(n for notes in chosen for n in notes)
    if not found:
        others = sorted({name for name, on_ten, elsewhere in tracks if on_ten or elsewhere})
        raise FileFormatError(
            f"{shown(path.name)} has no drum notes {f'in a track {part!r}' if part else '(none on MIDI channel 10)'}; "
            f"if one of its tracks holds drums, name it as the part: {', '.join(others) or 'but all are empty'}."
        )
    return found


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
    silent: Chart, starts: Sequence[Fraction], told: Sequence[tuple[BarNotes, NoteStrokes, int]], ppq: int
) -> tuple[list[dict], list[tuple[int, str, int]]]:
    """The written notes of each bar that the file itself tells of, and the strokes of those whose
    bar is not there any more (another program has changed the meter); the chart has no notes yet."""
    whole, time_map = 4 * ppq, silent.time_map
    index = {start: k for k, start in enumerate(starts[:-1])}
    bars: list[dict] = [{} for _ in time_map.bars]
    others = []
    for bar, strokes, velocity in told:
        k, note, tick = index.get(Fraction(bar.tick)), strokes.note, strokes.ticks[0]
        if k is None or note.position >= time_map.bars[k].length:
            others.append((bar.tick + tick, note.instrument, velocity))
            continue
        off = tick - note.position * whole
        at = float(time_map.starts[k] + note.position)
        written, struck, later = time_map.seconds_at(np.array([at, at + float(off) / whole, at + 1 / whole]))
        # Half a tick is lost in rounding a place that no tick meets; what lies where such a note usually does was never
        # heard.
        deviation_s = float(struck - written)
        unheard = abs(deviation_s - silent.usual_s(k, note)) <= 0.501 * float(later - written)
        deviation_s = 0.0 if unheard else deviation_s or ON_TIME_S
        bars[k][note.key] = replace(note, velocity=velocity, deviation_s=deviation_s)
    return bars, others


def _as_heard(bar: WrittenBar) -> WrittenBar:
    """A bar all of whose notes were heard, those exactly on their places too."""
    return replace(bar, notes=tuple(n if n.deviation_s else replace(n, deviation_s=ON_TIME_S) for n in bar.notes))


def goes_astray(strokes: Sequence[Stroke], time_map: TimeMap) -> bool:
    """Whether strokes lie anywhere between these beats, as those of a player who did not hear them do."""
    return len(strokes) >= FEWEST_TO_TELL and _on_beats(strokes, time_map) < ASTRAY


def _on_beats(strokes: Sequence[Stroke], time_map: TimeMap) -> float:
    """How much strokes gather about one phase of the sixteenths, or of the triplets: 0, anywhere, to 1 (the length of
    the mean direction, K. V. Mardia, P. E. Jupp, *Directional Statistics*, 2000)."""
    at = time_map.whole_notes_at(np.array([s.time_s for s in strokes]))
    return float(max(abs(np.exp(2j * np.pi * parts * at).mean()) for parts in (16, 12)))


def _laid_anew(strokes: Sequence[Stroke], time_map: TimeMap, lay_bars: LayBars | None, problems: list[str]) -> TimeMap:
    """Bars laid by the strokes, where these lie on them better than on the file's."""
    meters, tempo_bpm = {bar.meter for bar in time_map.bars}, time_map.tempo_bpm(0)
    said = f"The strokes do not lie on the beats of the file ({tempo_bpm:.0f} a minute from bar 1)"
    if lay_bars is not None and len(meters) == 1:
        try:
            laid = lay_bars(strokes, *meters)
        except AnalysisError:
            laid = time_map
        if _on_beats(strokes, laid) > 2 * ASTRAY:
            bpm = float(np.median([laid.tempo_bpm(k) for k in range(len(laid))]))
            problems.append(
                f"{said}; bars were laid by the strokes, at about {bpm:.0f} a minute: check where bar 1 begins."
            )
            return laid
    problems.append(f"{said}; set its tempo and first bar line by ear, or read it beside its recording.")
    return time_map


def _played(time_map: TimeMap, notes: Sequence[tuple[int, str, int]], ppq: int) -> tuple[list[Stroke], list[Stroke]]:
    """The strokes of a file (tick, instrument, velocity), one of an instrument at a time, and those left out for it."""
    times_s = time_map.seconds_at(np.array([tick / (4 * ppq) for tick, _, _ in notes]))
    strokes: dict[tuple[int, str], Stroke] = {}
    doubled = []
    for (tick, name, velocity), time_s in zip(notes, times_s):
        before = strokes.get((tick, name))
        if before is not None:
            doubled.append(before)
        strokes[tick, name] = Stroke(float(time_s), name, max(velocity, before.velocity if before else 0))
    return list(strokes.values()), doubled


def _lose(stroke: Stroke, time_map: TimeMap, losses: Losses) -> None:
    what = f"A {instrument(stroke.instrument).label} stroke fell together with another; the louder was kept"
    losses.add(what, str(time_map.bar_number(time_map.place(stroke.time_s).bar_index)))


def _joined(
    found: Quantized,
    strokes: Sequence[Stroke],
    time_map: TimeMap,
    known: list[dict],
    problems: list[str],
    losses: Losses,
) -> Quantized:
    """The bars as quantized beside what is known of them already."""
    left = set(strokes)
    signs, bars = 0, []
    for k, (own, bar) in enumerate(zip(known, found.bars)):
        for note in bar.notes:
            group = found.groups[k, note.key]
            left.difference_update(group.strokes)
            signs += bool(group.sign)
            spare = sorted({*group.strokes} - {group.stroke}, key=lambda s: s.velocity)
            for stroke in spare[: len(group.strokes) - MOST_STROKES.get(group.sign, 1)]:
                _lose(stroke, time_map, losses)
            if note.key in own:
                _lose(group.stroke, time_map, losses)
            if note.key not in own or note.velocity > own[note.key].velocity:
                own[note.key] = note
        bars.append(replace(bar, notes=tuple(own.values())))
    for stroke in left:
        _lose(stroke, time_map, losses)
    if signs:
        problems.append(
            _count(
                signs,
                "group of close strokes of a drum was read as a flam, drag, double stroke or roll.",
                "groups of close strokes of a drum were read as flams, drags, double strokes or rolls.",
            )
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


def _sections(markers: Sequence[tuple[int, str]]) -> tuple[Section, ...]:
    """Of markers (bar index, text)."""
    out: dict[int, Section] = {}
    for k, text in markers:
        label, _, name = text.partition(" ")
        if len(label) > 2 or not label.isupper():
            label, name = "", text
        if text:
            out.setdefault(k, Section(k, name, label))
    return tuple(out.values())
