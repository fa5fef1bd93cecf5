"""Meter, bars and the time map: the only bridge between seconds and positions.

Conventions
-----------
* A *position* is an exact :class:`~fractions.Fraction` of a whole note counted
  from the bar line: beat 2 of any x/4 bar is ``1/4``, the first eighth-note
  triplet after it ``1/4 + 1/12``.  In 4/4 this equals the fraction of the bar.
  Positions are never floats; *played* places (:class:`Place`) are.
* A *beat* is the counted pulse: the quarter in x/4, the dotted quarter in 6/8,
  9/8 and 12/8 (common practice, no source).
* ``bar_index`` counts from 0; ``bar_number`` (what players say) from 1, or from
  0 where the first bar is a pick-up (MusicXML practice).
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property, lru_cache
from typing import NamedTuple, cast

import numpy as np

from workbench.errors import ChartError

#: Least time between two neighbouring beat times of a time map, in seconds.
SHORTEST_GAP_S = 0.005
#: Most bars of a time map (eleven hours of 4/4 at 120).
MOST_BARS = 20_000
#: Two bars whose tempi in quarters differ by more (natural logarithm) do not belong to one run.
TEMPO_JUMP = 0.25


@dataclass(frozen=True)
class Meter:
    """A time signature, such as 4/4 or 6/8.

    Raises
    ------
    ChartError
        If ``beats`` is not 1–32 or ``unit`` not 1, 2, 4, 8, 16 or 32.

    Examples
    --------
    >>> Meter(6, 8).beat_length, Meter(6, 8).counted_beats
    (Fraction(3, 8), 2)
    """

    beats: int = 4
    unit: int = 4

    def __post_init__(self) -> None:
        if not isinstance(self.beats, int) or not 1 <= self.beats <= 32:
            raise ChartError(f"A meter needs 1 to 32 beats, not {self.beats!r}.")
        if self.unit not in (1, 2, 4, 8, 16, 32):
            raise ChartError(f"A meter's lower number is 1, 2, 4, 8, 16 or 32, not {self.unit!r}.")

    @classmethod
    def parse(cls, text: str) -> Meter:
        """Read ``"7/8"``."""
        parts = text.split("/")
        if len(parts) != 2 or not all(p.strip().isdigit() for p in parts):
            raise ChartError(f"Write a meter like 4/4 or 6/8, not {text!r}.")
        return cls(int(parts[0]), int(parts[1]))

    def __str__(self) -> str:
        return f"{self.beats}/{self.unit}"

    @property
    def is_compound(self) -> bool:
        """Whether the beat divides in three (6/8, 9/8, 12/8, 6/16 …)."""
        return self.unit >= 8 and self.beats > 3 and self.beats % 3 == 0

    def swung_pair(self, feel: str) -> Fraction:
        """Which part of a beat two notes fill of which a feel has the second late; 0 where nothing swings.

        8ths swing where they come in pairs, so not in 6/8 and 7/8; 16ths swing in every 8th.

        Examples
        --------
        >>> [str(Meter(4, 4).swung_pair(f)) for f in ("swing 8ths", "swing 16ths", "straight")]
        ['1', '1/2', '0']
        >>> [str(Meter(6, 8).swung_pair(f)) for f in ("swing 8ths", "swing 16ths")]
        ['0', '1/3']
        """
        pair = {
            "swing 8ths": self.beat_length if self.unit <= 4 else 0,
            "swing 16ths": self.beat_length / 2 if self.unit <= 4 else Fraction(1, 8) if self.unit == 8 else 0,
        }
        return pair.get(feel, 0) / self.beat_length

    @cached_property
    def bar_length(self) -> Fraction:
        """Length of a full bar in whole notes."""
        return Fraction(self.beats, self.unit)

    @cached_property
    def beat_length(self) -> Fraction:
        """Length of a counted beat in whole notes."""
        return Fraction(3 if self.is_compound else 1, self.unit)

    @property
    def counted_beats(self) -> int:
        return self.beats // 3 if self.is_compound else self.beats

    def beat_positions(self, length: Fraction) -> tuple[Fraction, ...]:
        """Positions of the bar line and of the counted beats in a bar so long; a short one lacks its beginning.

        Examples
        --------
        >>> [str(p) for p in Meter(4, 4).beat_positions(Fraction(3, 8))]
        ['0', '1/8']
        """
        return _beat_positions(self, length)


@lru_cache(maxsize=1024)
def _beat_positions(meter: Meter, length: Fraction) -> tuple[Fraction, ...]:
    beat, missing = meter.beat_length, meter.bar_length - length
    first = -(-missing // beat) * beat - missing
    full = tuple(first + k * beat for k in range(-(-(length - first) // beat)))
    return full if first == 0 else (Fraction(0), *full)


class Place(NamedTuple):
    """Where a moment lies in the music: bar index and whole notes from its bar line.

    Unlike a written position this is played, so ``position`` is a float.
    """

    bar_index: int
    position: float


@dataclass(frozen=True)
class Bar:
    """One bar on the time line.

    Attributes
    ----------
    meter : Meter
    beat_times_s : tuple of float
        Time of the bar line and of each counted beat inside the bar, seconds,
        increasing; one for each of :meth:`beat_positions`.
    length : Fraction
        Length in whole notes; shorter than the meter's bar in a pick-up bar,
        which then lacks its beginning.
    fixed : bool
        A user has confirmed this bar's line; trackers must keep it.
    """

    meter: Meter
    beat_times_s: tuple[float, ...]
    length: Fraction = cast(Fraction, None)  # None: as long as the meter says
    fixed: bool = False

    def __post_init__(self) -> None:
        length = self.meter.bar_length if self.length is None else Fraction(self.length)
        object.__setattr__(self, "length", length)
        object.__setattr__(self, "beat_times_s", tuple(float(t) for t in self.beat_times_s))
        if not 0 < length <= self.meter.bar_length:
            raise ChartError(f"A {self.meter} bar cannot be {length} whole notes long.")
        if len(self.beat_times_s) != len(self.beat_positions()):
            raise ChartError(
                f"A {self.meter} bar of length {length} has {len(self.beat_positions())} "
                f"beat times, not {len(self.beat_times_s)}."
            )
        if not all(np.isfinite(self.beat_times_s)):
            raise ChartError("Beat times must be finite numbers of seconds.")

    @property
    def is_pickup(self) -> bool:
        return self.length < self.meter.bar_length

    @cached_property
    def missing(self) -> Fraction:
        """What a pick-up bar lacks at its beginning, in whole notes."""
        return self.meter.bar_length - self.length

    def beat_positions(self) -> tuple[Fraction, ...]:
        """Positions of the bar line and of the counted beats inside the bar."""
        return self.meter.beat_positions(self.length)

    def beat_spans(self) -> tuple[tuple[Fraction, Fraction], ...]:
        """(start, length) of each counted beat in the bar, whole notes."""
        starts = self.beat_positions()
        ends = (*starts[1:], self.length)
        return tuple((a, b - a) for a, b in zip(starts, ends))

    def share_of_beat(self, position: Fraction) -> Fraction:
        """Which part of its counted beat lies before a position, 0 to below 1."""
        return _share_of_beat(position, self.missing, self.meter.beat_length)

    def count(self, position: Fraction) -> tuple[int, Fraction]:
        """Beat number as players count it (from 1) and what lies past it."""
        absolute = position + self.missing
        number = absolute // self.meter.beat_length
        return int(number) + 1, absolute - number * self.meter.beat_length


@lru_cache(maxsize=4096)
def _share_of_beat(position: Fraction, missing: Fraction, beat: Fraction) -> Fraction:
    return (position + missing) % beat / beat


class TimeMap:
    """Bars laid along a recording; converts seconds to places and back.

    Time runs linearly between neighbouring beats.  Before the first bar line
    and after the end, the tempo of the nearest beat goes on, so every moment
    has a place (with a negative position, or one beyond the last bar's length).

    Parameters
    ----------
    bars : sequence of Bar
        At least one; beat times increase through all bars.
    end_s : float
        Time of the final bar line in seconds.

    Raises
    ------
    ChartError
        If there is no bar or more than :data:`MOST_BARS`, or two neighbouring beat times lie less than
        :data:`SHORTEST_GAP_S` apart.
    """

    __slots__ = ("bars", "end_s", "__dict__")

    def __init__(self, bars: Iterable[Bar], end_s: float) -> None:
        self.bars: tuple[Bar, ...] = tuple(bars)
        self.end_s = float(end_s)
        if not self.bars:
            raise ChartError("A time map needs at least one bar.")
        if len(self.bars) > MOST_BARS:
            raise ChartError(f"A time map has at most {MOST_BARS} bars, not {len(self.bars)}.")
        gaps = np.diff(self.anchor_times_s)
        if not np.isfinite(self.end_s) or not (gaps > SHORTEST_GAP_S).all():
            k = int(np.argmax(~(gaps > SHORTEST_GAP_S)))
            bar = bisect_right(self._first_anchor, k) - 1
            raise ChartError(
                f"Beat times must increase: bar {self.bar_number(bar)} has beats at "
                f"{self.anchor_times_s[k]:.3f} s and {self.anchor_times_s[k + 1]:.3f} s."
            )

    def __eq__(self, other: object) -> bool:
        return isinstance(other, TimeMap) and (self.bars, self.end_s) == (other.bars, other.end_s)

    def __hash__(self) -> int:
        return hash((self.bars, self.end_s))

    def __repr__(self) -> str:
        return f"<TimeMap {len(self.bars)} bars, {self.start_s:.2f}–{self.end_s:.2f} s>"

    def __len__(self) -> int:
        return len(self.bars)

    # -- making ---------------------------------------------------------------

    @classmethod
    def steady(cls, bar_count: int, tempo_bpm: float, meter: Meter = Meter(), start_s: float = 0.0) -> TimeMap:
        """Bars at one tempo (counted beats a minute)."""
        if not tempo_bpm > 0:
            raise ChartError(f"A tempo must be above zero, not {tempo_bpm!r}.")
        beat_s = 60.0 / tempo_bpm
        n = meter.counted_beats
        bars = [Bar(meter, tuple(start_s + (b * n + k) * beat_s for k in range(n))) for b in range(bar_count)]
        return cls(bars, start_s + bar_count * n * beat_s)

    # -- numbers --------------------------------------------------------------

    @property
    def start_s(self) -> float:
        return self.bars[0].beat_times_s[0]

    @cached_property
    def starts(self) -> tuple[Fraction, ...]:
        """Whole notes from the first bar line to each bar line, and to the end."""
        total, out = Fraction(0), []
        for bar in self.bars:
            out.append(total)
            total += bar.length
        return (*out, total)

    @cached_property
    def _first_anchor(self) -> list[int]:
        counts = np.cumsum([0] + [len(b.beat_times_s) for b in self.bars])
        return [int(c) for c in counts[:-1]]

    @cached_property
    def anchor_times_s(self) -> np.ndarray:
        """Times of all beats and of the end, (n,), seconds, increasing."""
        return np.array([t for b in self.bars for t in b.beat_times_s] + [self.end_s])

    @cached_property
    def _anchor_notes(self) -> np.ndarray:
        return np.array(
            [float(s + p) for s, b in zip(self.starts, self.bars) for p in b.beat_positions()]
            + [float(self.starts[-1])]
        )

    @cached_property
    def _bar_starts(self) -> list[float]:
        return [float(s) for s in self.starts[:-1]]

    def bar_number(self, bar_index: int) -> int:
        """Number that players use: 1 for the first full bar, 0 for a pick-up."""
        return bar_index if self.bars[0].is_pickup and len(self.bars) > 1 else bar_index + 1

    def bar_index(self, bar_number: int) -> int:
        """Inverse of :meth:`bar_number`.

        Raises
        ------
        ChartError
            If the chart has no bar of that number.
        """
        index = bar_number - self.bar_number(0)
        self.check_bar(index)
        return index

    def check_bar(self, bar_index: int) -> None:
        """Refuse a bar that is not there, with a ChartError."""
        if not 0 <= bar_index < len(self.bars):
            number, last = self.bar_number(0), self.bar_number(len(self.bars) - 1)
            first = f"{number} (the pick-up)" if self.bars[0].is_pickup else number
            raise ChartError(f"There is no bar {number + bar_index}; the bars run from {first} to {last}.")

    def within(self, bar_index: int, position: Fraction) -> tuple[int, Fraction]:
        """The place itself, or, behind its bar's end, the same place counted from the bar that it lies in."""
        self.check_bar(bar_index)
        while position > self.bars[bar_index].length and bar_index + 1 < len(self.bars):
            position -= self.bars[bar_index].length
            bar_index += 1
        return bar_index, min(position, self.bars[bar_index].length)

    # -- conversion -----------------------------------------------------------

    def seconds(self, bar_index: int, position: Fraction | float = 0) -> float:
        """Time of a place in a bar, in seconds."""
        self.check_bar(bar_index)
        return float(self.seconds_at(self._bar_starts[bar_index] + float(position)))

    def seconds_of(self, places: Sequence[tuple[int, Fraction]]) -> np.ndarray:
        """Times of many places (bar index, position), seconds."""
        starts = self._bar_starts
        return self.seconds_at(np.array([starts[k] + p.numerator / p.denominator for k, p in places]))

    def seconds_at(self, whole_notes: np.ndarray | float) -> np.ndarray:
        """Times of distances from the first bar line (whole notes → seconds)."""
        return _piecewise(whole_notes, self._anchor_notes, self.anchor_times_s)

    def whole_notes_at(self, times_s: np.ndarray | float) -> np.ndarray:
        """Distances from the first bar line of moments (seconds → whole notes)."""
        return _piecewise(times_s, self.anchor_times_s, self._anchor_notes)

    def place(self, time_s: float) -> Place:
        """Bar and (float) position of a moment."""
        notes = float(self.whole_notes_at(time_s))
        # A moment on a bar line belongs to the bar it opens, also when the
        # conversion lost a last binary digit.
        k = bisect_right(self._bar_starts, notes + 1e-12) - 1
        k = min(max(k, 0), len(self.bars) - 1)
        return Place(k, notes - self._bar_starts[k])

    def tempo_bpm(self, bar_index: int) -> float:
        """Mean tempo of a bar in counted beats a minute."""
        self.check_bar(bar_index)
        bar = self.bars[bar_index]
        seconds = self.bar_end_s(bar_index) - bar.beat_times_s[0]
        return 60.0 * float(bar.length / bar.meter.beat_length) / seconds

    @cached_property
    def _beats_before(self) -> np.ndarray:
        """Counted beats before each bar and the end, (n + 1,)."""
        return np.cumsum([0.0, *(float(b.length / b.meter.beat_length) for b in self.bars)])

    def mean_tempo_bpm(self, first_bar: int = 0, end: int | None = None) -> float:
        """Counted beats of a stretch (until bar ``end``) by the minutes they take: the tempo that is said of it."""
        end = len(self.bars) if end is None else end
        beats = self._beats_before[end] - self._beats_before[first_bar]
        return float(60.0 * beats / (self.bar_end_s(end - 1) - self.bar_start_s(first_bar)))

    def swings(self, feel: str) -> bool:
        """Whether a feel swings in any bar."""
        return any(meter.swung_pair(feel) for meter in {bar.meter for bar in self.bars})

    @cached_property
    def usual_meter(self) -> Meter:
        """The meter of most bars."""
        return Counter(bar.meter for bar in self.bars).most_common(1)[0][0]

    def quarter_tempo_bpm(self, bar_index: int) -> float:
        """Mean tempo of a bar in quarter notes a minute."""
        return self.tempo_bpm(bar_index) * float(self.bars[bar_index].meter.beat_length * 4)

    def tempo_step(self, bar_index: int) -> float:
        """Of the tempo of a bar to that of the one before, in quarters, natural logarithm."""
        return float(np.log(self.quarter_tempo_bpm(bar_index) / self.quarter_tempo_bpm(bar_index - 1)))

    @cached_property
    def runs(self) -> tuple[tuple[int, int], ...]:
        """Stretches of bars of one meter without a jump of the tempo: first and last bar of each."""
        bars = self.bars
        cuts = [
            k for k in range(1, len(bars)) if bars[k].meter != bars[k - 1].meter or abs(self.tempo_step(k)) > TEMPO_JUMP
        ]
        return tuple((a, b - 1) for a, b in zip([0, *cuts], [*cuts, len(bars)]))

    def bar_start_s(self, bar_index: int) -> float:
        """When a bar begins, seconds."""
        self.check_bar(bar_index)
        return self.bars[bar_index].beat_times_s[0]

    def bar_end_s(self, bar_index: int) -> float:
        """When a bar ends, seconds."""
        self.check_bar(bar_index)
        last = bar_index + 1 == len(self.bars)
        return self.end_s if last else self.bars[bar_index + 1].beat_times_s[0]


def _piecewise(x: np.ndarray | float, xs: np.ndarray, ys: np.ndarray) -> np.ndarray:
    """Piecewise linear map through (xs, ys), continued straight at both ends."""
    if isinstance(x, float):  # one moment: a tenth of the time of an array's functions
        j = min(max(bisect_right(xs, x) - 1, 0), len(xs) - 2)
        return ys[j] + (x - xs[j]) * ((ys[j + 1] - ys[j]) / (xs[j + 1] - xs[j]))
    x = np.asarray(x, dtype=float)
    k = np.clip(np.searchsorted(xs, x, side="right") - 1, 0, len(xs) - 2)
    slope = (ys[k + 1] - ys[k]) / (xs[k + 1] - xs[k])
    return ys[k] + (x - xs[k]) * slope
