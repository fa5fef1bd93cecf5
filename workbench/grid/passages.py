"""Cutting what a user listens to: some bars of the recording, the chart's own sound, a click.

All sources of a passage have exactly the same number of samples, so that a
loop of them stays in step for as long as it runs.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from workbench.chart import Chart
from workbench.chart.data import number_from_data
from workbench.chart.drumkit import instrument
from workbench.chart.drums import EXAMPLE_LEAD_S, EXAMPLE_S
from workbench.chart.meter import TimeMap
from workbench.errors import ChartError
from workbench.files.audio import Audio
from workbench.sound.frames import cut_out
from workbench.sound.rendering import Hit, click_positions, click_sample, hits_of, mix_hits, render_count_in
from workbench.sound.separation import Separation
from workbench.sound.stretch import stretch_audio

#: Speeds that can be listened to, in percent.
SLOWEST_PERCENT, FASTEST_PERCENT = 25, 150
#: Longest passage, seconds; it is made in memory.
LONGEST_PASSAGE_S = 3 * 3600.0
#: Sound before and after a passage that is stretched along, so that its edges are whole, seconds.
CONTEXT_S = 0.3
#: What of the recording can be heard: all of it, its drums, what is left without them.
PARTS = ("recording", "drums", "rest")
#: The page gets long passages in pieces: a short one to begin with, then longer ones, seconds.
FIRST_PIECE_S, PIECE_S = 4.0, 10.0
#: What is heard of a single hit, seconds.
HIT_S = 1.2
#: Silence between the examples of a drum, and how long each takes to come and to go, seconds.
GAP_S, COMES_S, GOES_S = 0.3, 0.01, 0.08
#: Longest ringing of a sound of the kit in its room that is kept, seconds.
RINGS_S = 5.0


@dataclass(frozen=True)
class Passage:
    """What the page wishes to hear.

    Attributes
    ----------
    start_s, end_s : float
        Stretch of the recording, seconds.
    speed_percent : float, 25–150
    loop : bool
        Whether it is played again and again (what rings over its end then
        sounds at its beginning).
    count_in_bars : int, 0–2
    """

    start_s: float
    end_s: float
    speed_percent: float = 100.0
    loop: bool = False
    count_in_bars: int = 0

    def __post_init__(self) -> None:
        numbers = (self.start_s, self.end_s, self.speed_percent)
        if not all(isinstance(x, (int, float)) and math.isfinite(x) for x in numbers):
            raise ChartError("A passage to listen to needs finite times and a speed.")
        if not self.start_s < self.end_s <= self.start_s + LONGEST_PASSAGE_S:
            hours = LONGEST_PASSAGE_S / 3600
            raise ChartError(f"A passage to listen to must end after it begins, and after {hours:g} hours at most.")
        if not SLOWEST_PERCENT <= self.speed_percent <= FASTEST_PERCENT:
            raise ChartError(f"Speeds go from {SLOWEST_PERCENT} to {FASTEST_PERCENT} %, not {self.speed_percent:g} %.")
        if self.count_in_bars not in (0, 1, 2):
            raise ChartError("A count-in has no, one or two bars.")

    @classmethod
    def from_message(cls, message: dict[str, Any]) -> Passage:
        """What a message of the page asks for; unknown fields are passed over."""
        numbers = ("start_s", "end_s", "speed_percent")
        found = {name: number_from_data(message[name]) for name in numbers if name in message}
        if not {"start_s", "end_s"} <= found.keys():
            raise ChartError("A passage to listen to needs a beginning and an end.")
        return cls(**found, loop=bool(message.get("loop")), count_in_bars=message.get("count_in_bars", 0))

    @property
    def speed(self) -> float:
        return self.speed_percent / 100

    def frames(self, sample_rate: int) -> int:
        """Samples that it lasts when played."""
        return max(round((self.end_s - self.start_s) * sample_rate / self.speed), 1)


def recording_sound(separation: Separation, passage: Passage, part: str = "recording") -> Iterator[np.ndarray]:
    """A passage of the recording, or of its drums or the rest, in pieces (frames, channels ≤ 2), float32.

    Where the passage lies outside the recording there is silence.  At the
    recording's own speed each piece is made when it is asked for, so that what
    comes first is heard while drums and rest of the rest are still taken apart.
    """
    rate = separation.sample_rate
    start, frames = round(passage.start_s * rate), passage.frames(rate)
    if passage.speed == 1.0:
        for first, last in piece_edges(frames, rate):
            yield _part_of(separation, start + first, start + last, part)
        return
    context = round(CONTEXT_S * rate)
    length = round((passage.end_s - passage.start_s) * rate)
    samples = Audio(_part_of(separation, start - context, start + length + context, part), rate)
    stretched = stretch_audio(samples, passage.speed).samples
    at = round(context / passage.speed)
    yield from in_pieces(cut_out(stretched, at, at + frames), rate)


def _part_of(separation: Separation, first: int, last: int, part: str) -> np.ndarray:
    """Samples *first* … *last* of a part of :data:`PARTS`."""
    if part == "recording":
        return separation.cut(first, last)[:, :2]
    return separation.apart(first, last)[PARTS.index(part) - 1][:, :2]


def examples_sound(separation: Separation, strokes_s: Sequence[float], part: str = "recording") -> np.ndarray:
    """Strokes at some times of a part of :data:`PARTS`, one after the other, (frames, channels ≤ 2)."""
    rate = separation.sample_rate
    frames, gap, comes, goes = (round(s * rate) for s in (EXAMPLE_S, GAP_S, COMES_S, GOES_S))
    shape = np.ones((frames, 1), np.float32)
    shape[:comes, 0] = np.linspace(0, 1, comes, endpoint=False)
    shape[frames - goes :, 0] = np.linspace(1, 0, goes)
    pieces = []
    for time_s in strokes_s:
        first = round((time_s - EXAMPLE_LEAD_S) * rate)
        piece = _part_of(separation, first, first + frames, part) * shape
        pieces += [piece, np.zeros((gap, piece.shape[1]), np.float32)]
    return np.concatenate(pieces)


def hit_sound(name: str, sample_rate: int) -> np.ndarray:
    """One loud stroke of an instrument, (frames, 2)."""
    return mix_hits([Hit(0.0, instrument(name).name, 127)], round(HIT_S * sample_rate), sample_rate)


def chart_sound(chart: Chart, passage: Passage, sample_rate: int) -> Iterator[np.ndarray]:
    """The chart as our kit plays it, in pieces (frames, 2), with the feel of the recording.

    A loop comes whole.  Otherwise each piece is sounded with what rings on from
    the pieces before, so a long song begins at once.
    """
    first, end = bars_of(chart.time_map, passage)
    origin_s = chart.time_map.bar_start_s(first) - passage.start_s
    length_s = (passage.end_s - passage.start_s) / passage.speed
    hits = [
        replace(
            b,
            time_s=(b.time_s + origin_s) / passage.speed,
            stop_s=None if b.stop_s is None else (b.stop_s + origin_s) / passage.speed,
        )
        for b in hits_of(chart, first, end)
    ]
    hits = [b for b in hits if -0.1 < b.time_s < length_s]
    frames = passage.frames(sample_rate)
    if passage.loop:
        yield mix_hits(hits, frames, sample_rate, loop=True)
        return
    hits = _with_hi_hat_stops(hits)
    ringing = np.zeros((round(RINGS_S * sample_rate), 2), np.float32)
    for start, stop in piece_edges(frames, sample_rate):
        start_s, stop_s = start / sample_rate, stop / sample_rate
        mine = [
            replace(b, time_s=b.time_s - start_s, stop_s=None if b.stop_s is None else b.stop_s - start_s)
            for b in hits
            if (b.time_s >= start_s or start == 0) and b.time_s < stop_s
        ]
        out = mix_hits(mine, stop - start + len(ringing), sample_rate)
        out[: len(ringing)] += ringing
        ringing = out[stop - start :]
        yield out[: stop - start]


def _with_hi_hat_stops(hits: list[Hit]) -> list[Hit]:
    """Each stroke of the hi-hat damped by the next, also across pieces."""
    out, next_s = [], None
    for hit in reversed(hits):
        if instrument(hit.instrument).family == "hi-hat":
            if next_s is not None and (hit.stop_s is None or hit.stop_s > next_s):
                out.append(replace(hit, stop_s=next_s))
            else:
                out.append(hit)
            next_s = hit.time_s
        else:
            out.append(hit)
    return out[::-1]


def bars_of(time_map: TimeMap, passage: Passage) -> tuple[int, int]:
    """Bars that a passage touches, end exclusive."""
    first = time_map.place(passage.start_s + 1e-6).bar_index
    last = time_map.place(max(passage.end_s - 1e-6, passage.start_s)).bar_index
    return first, last + 1


def click_sound(time_map: TimeMap, passage: Passage, sample_rate: int) -> np.ndarray:
    """A click on every counted beat of a passage, higher on 1, (frames, 1)."""
    out = np.zeros((passage.frames(sample_rate), 1), np.float32)
    for k in range(*bars_of(time_map, passage)):
        for position, accented in click_positions(time_map.bars[k], "quarter"):
            time_s = (time_map.seconds(k, position) - passage.start_s) / passage.speed
            at = round(time_s * sample_rate)
            if 0 <= at < len(out):
                click = click_sample(sample_rate, accented)[: len(out) - at]
                out[at : at + len(click), 0] += click
    return out


def count_in_sound(chart: Chart, passage: Passage, sample_rate: int) -> np.ndarray:
    """Clicks that count to the beginning of a passage, (frames, 1)."""
    bar_index, _ = bars_of(chart.time_map, passage)
    tempo_bpm = chart.time_map.tempo_bpm(bar_index) * passage.speed
    bar = chart.time_map.bars[bar_index]
    return render_count_in(bar, tempo_bpm, sample_rate, max(passage.count_in_bars, 1)).samples


def piece_edges(frames: int, sample_rate: int) -> Iterator[tuple[int, int]]:
    """First and last frame (exclusive) of each piece."""
    start, length = 0, round(FIRST_PIECE_S * sample_rate)
    while start < frames:
        stop = min(start + length, frames)
        yield start, stop
        start, length = stop, round(PIECE_S * sample_rate)


def in_pieces(samples: np.ndarray, sample_rate: int) -> Iterator[np.ndarray]:
    """Samples cut into pieces."""
    for start, stop in piece_edges(len(samples), sample_rate):
        yield samples[start:stop]


def as_16_bit(samples: np.ndarray) -> np.ndarray:
    """Samples as the page gets them: int16, little-endian."""
    out = np.multiply(samples, 32767, dtype=np.float32)
    np.rint(out, out=out)
    np.clip(out, -32767, 32767, out=out)
    return np.ascontiguousarray(out, dtype="<i2")
