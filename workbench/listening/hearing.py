"""What a recording says of its bars, kept beside its chart: other readings, and what laying them anew needs.

It lies in a folder :data:`FOLDER` beside the chart, named by the recording's checksum, so that renamed charts and
recordings find it.  The folder may be deleted at any time: the recording is then listened to again.
"""

from __future__ import annotations

import base64
import json
import os
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from workbench.chart import Chart
from workbench.chart.data import number_from_data, time_map_from_data, to_data
from workbench.chart.edits import LayBars
from workbench.chart.events import Stroke
from workbench.chart.meter import Meter, TimeMap
from workbench.chart.rebarring import NEIGHBOURS, kept_beat
from workbench.chart.rewriting import is_heard
from workbench.errors import AnalysisError, ChartError, FileFormatError
from workbench.files.safefile import write_whole
from workbench.files.untrusted import read_bytes
from workbench.listening.activations import Activations
from workbench.listening.barfaults import BarFault, find_bar_faults
from workbench.listening.harmony import Harmony, hear_harmony
from workbench.listening.readings import (
    SAME_LINE_S,
    BarReading,
    BarWish,
    bars_not_of,
    describe,
    percent,
    shared_bars,
    speaks_for,
    told_apart,
    track_readings,
    with_percent,
)
from workbench.listening.transcription import detect_recording
from workbench.progress import Progress, part

#: Folder of what was heard, and the most that is read of one recording, bytes (twelve hours have some 40 MB).
HEARD_FOLDER, LARGEST_HEARD_BYTES = ".workbench-bars", 64_000_000
#: Bars are tracked from so long before the first line that may not move, seconds (a slow bar).
LEAD_S = 4.0
#: Bars whose meter a user names go on in the tempo before them, within this factor (own choice: players push and drag
#: less).
GOES_ON = 1.1
#: Two readings are one if more than this share of lines agree.
SAME_READING_LINES = 0.7
#: From so likely on another reading disputes the chart's bars, if they are not as likely: likelier than not.
DISPUTES_FROM = 0.5


@dataclass(frozen=True)
class Hearing:
    """What a recording says of its bars.

    Attributes
    ----------
    activations : Activations
        Of beats and downbeats only; no instruments.
    harmony : Harmony
    readings : tuple of BarReading
        As drafted, the likeliest first.
    """

    activations: Activations
    harmony: Harmony
    readings: tuple[BarReading, ...] = ()

    def __post_init__(self) -> None:
        act = self.activations
        nothing = np.zeros((len(act.beat), 0), np.float32)
        kept = replace(act, instruments=(), onset=nothing, velocity=nothing, levels=None)
        object.__setattr__(self, "activations", kept)


@dataclass(frozen=True)
class BarLines:
    """How the bars of a chart lie.

    Attributes
    ----------
    now : BarReading
        As they are, with how likely that is beside the others, but for the bars that were set otherwise; 0 if it is
        none of the recording's readings.
    readings : dict of BarReading
        The others by number.
    told : dict of str
        What each of them says otherwise: "4/4 at 220", "the 1 a beat later".
    faults : tuple of BarFault
        Where lines and hits disagree, gravest first.
    likelier : int or None
        The number of the reading that is clearly likelier than the chart's bars, if there is one.
    set_bars : tuple of int
        Indices of bars that no reading has that is otherwise the chart's: nothing is known of how likely they are.
    """

    now: BarReading
    readings: dict[int, BarReading]
    told: dict[int, str]
    faults: tuple[BarFault, ...]
    likelier: int | None = None
    set_bars: tuple[int, ...] = ()

    @property
    def dispute(self) -> str:
        """What the recording speaks for instead, "the 1 seems to lie a beat later (80 %)"; "" if for these bars."""
        return "" if self.likelier is None else _dispute(self.now, self.readings[self.likelier])

    @property
    def now_words(self) -> str:
        """The bars as they are: "4/4 at 110 (80 %)"."""
        return with_percent(self.now, self.set_bars)

    @property
    def words(self) -> str:
        """ "4/4 at 110 (80 %); it may also be 4/4 at 220 (12 %)"."""
        return describe([self.now, *self.readings.values()], self.set_bars)


def hear(recording: str | os.PathLike, progress: Progress | None = None) -> Hearing:
    """Listen to a recording for its bars.

    Raises
    ------
    AudioError
        If the recording cannot be used; the message says why.
    """
    found = detect_recording(recording, part(progress, 0.0, 0.8))
    tell = part(progress, 0.8, 1.0)
    tell(0.0, "Finding the bars")
    harmony = hear_harmony(found.samples)
    readings = track_readings(found.activations, found.strokes, found.duration_s, harmony)
    tell(1.0, "Heard")
    return Hearing(found.activations, harmony, readings)


def hearing_for(
    chart: Chart, folder: str | os.PathLike, recording: str | os.PathLike | None, progress: Progress | None = None
) -> Hearing:
    """What is kept of a chart's recording in its folder; otherwise it is listened to, and kept.

    Raises
    ------
    AnalysisError
        If the chart has no recording, or it is not at hand.
    AudioError
        If it cannot be used.
    """
    of = chart.recording
    found = None if of is None else kept_hearing(folder, of.sha256)
    if found is not None:
        return found
    if of is None or recording is None:
        raise AnalysisError("Bars are found by ear only where the chart's recording is at hand.")
    found = hear(recording, progress)
    keep_hearing(found, folder, of.sha256)
    return found


# -- kept ------------------------------------------------------------------------------------------


def keep_hearing(hearing: Hearing, folder: str | os.PathLike, sha256: str) -> None:
    """Keep what was heard in a chart's folder; where nothing can be written, it is heard again when it is wanted."""
    act = hearing.activations
    data = {
        "frame_rate_hz": act.frame_rate_hz,
        "begins_s": act.begins_s,
        "beat": _packed(np.round(act.beat * 255), np.uint8),
        "downbeat": _packed(np.round(act.downbeat * 255), np.uint8),
        "harmony_rate_hz": hearing.harmony.frame_rate_hz,
        "harmony": _packed(hearing.harmony.pitch_classes, np.float16),
        "readings": [
            {
                "time_map": to_data(r.time_map),
                "probability": r.probability,
                "line_confidence": [round(float(c), 4) for c in r.line_confidence],
            }
            for r in hearing.readings
        ],
    }
    with suppress(OSError, FileFormatError):
        (Path(folder) / HEARD_FOLDER).mkdir(exist_ok=True)
        write_whole(_place(folder, sha256), json.dumps(data).encode())


def kept_hearing(folder: str | os.PathLike, sha256: str) -> Hearing | None:
    """What was heard of a recording, if it is kept in a chart's folder and whole."""
    path = _place(folder, sha256)
    if not path.is_file():
        return None
    try:
        data = json.loads(read_bytes(path, LARGEST_HEARD_BYTES))
        beat, downbeat = (_unpacked(data[name], np.uint8).astype(np.float32) / 255 for name in ("beat", "downbeat"))
        pitch_classes = _unpacked(data["harmony"], np.float16).astype(np.float32).reshape(-1, 24)
        nothing, begins_s = np.zeros((len(beat), 0), np.float32), data.get("begins_s")
        begins_s = None if begins_s is None else number_from_data(begins_s)
        rate_hz = number_from_data(data["frame_rate_hz"])
        return Hearing(
            Activations(rate_hz, (), nothing, nothing, beat, downbeat, begins_s=begins_s),
            Harmony(number_from_data(data["harmony_rate_hz"]), pitch_classes),
            tuple(_reading(r) for r in data["readings"]),
        )
    except (AnalysisError, ChartError, FileFormatError, KeyError, TypeError, ValueError, RecursionError):
        return None  # damaged: heard again when it is wanted


def _place(folder: str | os.PathLike, sha256: str) -> Path:
    return Path(folder) / HEARD_FOLDER / f"{sha256[:32]}.json"


def _packed(values: np.ndarray, kind: type) -> str:
    return base64.b64encode(values.astype(np.dtype(kind).newbyteorder("<")).tobytes()).decode()


def _unpacked(text: str, kind: type) -> np.ndarray:
    return np.frombuffer(base64.b64decode(text, validate=True), np.dtype(kind).newbyteorder("<"))


def _reading(data: Any) -> BarReading:
    time_map = time_map_from_data(data["time_map"])
    confidence = tuple(number_from_data(c) for c in data["line_confidence"])
    return BarReading(time_map, number_from_data(data["probability"]), confidence)


# -- readings against the chart --------------------------------------------------------------------


def as_read(time_map: TimeMap, readings: Sequence[BarReading] = ()) -> BarReading:
    """The bars of a chart as a reading: how likely one of its bars is by the recording's readings, on average."""
    own = BarReading(time_map, 0.0)
    return replace(own, probability=sum(r.probability * shared_bars(own, r) for r in readings))


def alike(one: BarReading, other: BarReading) -> bool:
    """Whether two readings are the same to a user: meter, tempo and most bar lines."""
    return shared_bars(one, other) > SAME_READING_LINES


def other_readings(chart: Chart, readings: Sequence[BarReading]) -> dict[int, BarReading]:
    """Readings, by their index, that are not the chart's own bars and keep its fixed lines; the likeliest first."""
    now = BarReading(chart.time_map, 0.0)
    out = {}
    for k, reading in enumerate(readings):
        if not alike(now, reading):
            with suppress(ChartError):
                out[k] = replace(reading, time_map=LayBars(reading.time_map).rebarring(chart).time_map)
    return dict(sorted(out.items(), key=lambda item: -item[1].probability))


def is_laid_so(chart: Chart, readings: Sequence[BarReading], number: int) -> bool:
    """Whether the bars of a chart are already those of a reading, by its index."""
    return 0 <= number < len(readings) and alike(BarReading(chart.time_map, 0.0), readings[number])


def likelier_reading(now: BarReading, others: Mapping[int, BarReading]) -> int | None:
    """The number of a reading that is clearly likelier than the bars as they are, if there is one."""
    first = max(others, key=lambda k: others[k].probability, default=None)
    disputed = first is not None and others[first].probability >= DISPUTES_FROM > now.probability
    return first if disputed else None


def kept_dispute(chart: Chart, folder: str | os.PathLike) -> str:
    """What a kept recording speaks for against a chart's bars, as a sentence for who reads beats by number; else ""."""
    of = chart.recording
    found = None if of is None else kept_hearing(folder, of.sha256)
    if found is None:
        return ""
    now, others = as_read(chart.time_map, found.readings), other_readings(chart, found.readings)
    first = likelier_reading(now, others)
    if first is None:
        return ""
    return (
        f"The bars are in dispute: by the recording {_dispute(now, others[first])}, so that what is said of beats by "
        "number may be shifted. Settle it first, in the grid or with workbench bars."
    )


def _dispute(now: BarReading, other: BarReading) -> str:
    return f"{speaks_for(now, other)} ({percent(other)})"


def look_at_bars(chart: Chart, readings: Sequence[BarReading] = ()) -> BarLines:
    """How the bars of a chart lie, given the readings of its recording."""
    now, others = as_read(chart.time_map, readings), other_readings(chart, readings)
    told = dict(zip(others, told_apart(now, list(others.values()))))
    # Readings that are the chart's own bars are not among the others: what is said adds up.
    own = [r for r in readings if alike(now, r)]
    faults = find_bar_faults(chart, now, list(others.values()), own)
    likelier = likelier_reading(now, others)
    set_bars = tuple(sorted(set.intersection(*(bars_not_of(now, r) for r in own)))) if own else ()
    now = replace(now, probability=sum(r.probability for r in own))
    return BarLines(now, others, told, faults, likelier, set_bars)


# -- anew ------------------------------------------------------------------------------------------


def lay_anew(
    chart: Chart, hearing: Hearing, first_bar: int = 0, meter: Meter | None = None, tempo_bpm: tuple | None = None
) -> TimeMap:
    """Track the bars from a bar on again, by what was heard and the strokes as they are corrected.

    The bars before it stay, but for the end of the last where the line between moves, and every fixed line from it
    on; fixed lines of one meter keep it.  Bars of another meter begin on the line, in the pulse of those before it.

    Parameters
    ----------
    chart : Chart
    hearing : Hearing
    first_bar : int
        Its own line may move unless it is fixed; 0: the whole song.
    meter, tempo_bpm
        As :class:`~workbench.listening.readings.BarWish` takes them.

    Raises
    ------
    AnalysisError
        If no bars fit.
    """
    time_map = chart.time_map
    time_map.check_bar(first_bar)
    asked = first_bar
    if first_bar and meter is not None:
        if tempo_bpm is None:
            with suppress(AnalysisError):  # else at any tempo
                return lay_anew(chart, hearing, first_bar, meter, _pulse_before(time_map, first_bar, meter))
    elif first_bar and not time_map.bars[first_bar].fixed and not time_map.bars[first_bar - 1].is_pickup:
        first_bar -= 1  # the last line that is not in question
    fixed = [k for k in range(first_bar, len(time_map)) if time_map.bars[k].fixed]
    begin_s = time_map.bar_start_s(first_bar) if first_bar else 0.0
    lines = sorted({time_map.bar_start_s(k) for k in ([first_bar] if first_bar else []) + fixed})
    strokes = sorted(
        Stroke(chart.note_time_s(k, n), n.instrument, n.velocity, 1.0 if n.confirmed else n.confidence)
        for k, n in chart.notes()
        if is_heard(chart, n)
    )
    if meter is None and fixed:
        kept = {time_map.bars[k].meter for k in fixed if not time_map.bars[k].is_pickup}
        meter = kept.pop() if len(kept) == 1 else None
    # Heard from a little before, so that a bar may lie before the first line.
    from_s = max(begin_s - LEAD_S, 0.0)
    heard = _from(hearing, from_s)
    moved = [replace(s, time_s=s.time_s - from_s) for s in strokes if s.time_s >= from_s]
    wish = BarWish(tuple(t - from_s for t in lines), meter, tempo_bpm)
    new = track_readings(heard.activations, moved, heard.activations.duration_s, heard.harmony, wish)[0].time_map
    bars = [replace(b, beat_times_s=tuple(t + from_s for t in b.beat_times_s), fixed=False) for b in new.bars]
    at = {time_map.bar_start_s(k) for k in fixed}
    bars = [replace(b, fixed=any(abs(b.beat_times_s[0] - t) < 1e-6 for t in at)) for b in bars]
    first = next((k for k, b in enumerate(bars) if b.beat_times_s[0] >= begin_s - 1e-6), 0)
    line_s = time_map.bar_start_s(asked)
    near = first + 1
    if first_bar < asked and near < len(bars) and abs(bars[near].beat_times_s[0] - line_s) < SAME_LINE_S:
        bars[near] = replace(bars[near], beat_times_s=(line_s, *bars[near].beat_times_s[1:]))
        first_bar, first = asked, near  # the line between was right
    return TimeMap([*time_map.bars[:first_bar], *bars[first:]], new.end_s + from_s)


def _pulse_before(time_map: TimeMap, bar_index: int, meter: Meter) -> tuple[float, float]:
    """Tempi of bars of a meter, lowest and highest, whose beats go on as those before a bar."""
    near = range(max(bar_index - NEIGHBOURS, 0), bar_index)
    beat = kept_beat(time_map.bars[bar_index - 1].meter, meter)
    tempo_bpm = float(np.median([time_map.quarter_tempo_bpm(k) for k in near])) / float(4 * beat)
    return tempo_bpm / GOES_ON, tempo_bpm * GOES_ON


def _from(hearing: Hearing, begin_s: float) -> Hearing:
    """What was heard from a moment on."""
    act, harmony = hearing.activations, hearing.harmony
    k, h = round(begin_s * act.frame_rate_hz), round(begin_s * harmony.frame_rate_hz)
    begins_s = None if k else act.begins_s
    rows = {name: getattr(act, name)[k:] for name in ("onset", "velocity", "beat", "downbeat")}
    cut = replace(act, **rows, begins_s=begins_s)
    return Hearing(cut, replace(harmony, pitch_classes=harmony.pitch_classes[h:]))
