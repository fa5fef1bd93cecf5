"""Ways to read the bars of a song, the likeliest first.

The pulse and steady grids (:mod:`workbench.listening.grids`) are laid in bars of
every meter and phase and weighed (:mod:`workbench.listening.chooser`); readings that
are the same to a user are one, and their probabilities add up.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property

import numpy as np
from scipy.special import expit, logit

from workbench.chart.counting import bar_list, bars_told, beats_said, place_in_bar, the_bar
from workbench.chart.events import Stroke
from workbench.chart.meter import Meter, TimeMap
from workbench.errors import AnalysisError
from workbench.listening.activations import Activations
from workbench.listening.bar_reader import likelihood
from workbench.listening.beats import SLOWEST_BPM, cover, draw_to_lines, lay_time_map, refine_beats, track_pulse
from workbench.listening.chooser import COUNTED_EIGHTHS_BPM, KNOWN_METERS, SONG_METERS, Candidate, Heard, candidates
from workbench.listening.grids import Grid, candidate_grids, distance_s, of_strokes
from workbench.listening.harmony import Harmony

#: Activations above this show that there is music.
LEAST_MUSIC = 0.15

#: Two bar lines as near as this are one, seconds (the tolerance of mir_eval.beat).
SAME_LINE_S = 0.07

#: Tempi as near as this are one, natural log of their ratio.
SAME_PULSE = 0.05

#: Tempi that one is taken for, and how they are told.
TIMES_AS_FAST = {2.0: "twice as fast", 0.5: "half as fast", 1.5: "three for two", 2 / 3: "two for three"}

#: Log odds of a line of the first reading, from those by the sum of likelihoods: slope, and how much more, as they are
#: in 853 songs in folds (:mod:`workbench.training.bar_chooser`).
FIRST_LINES = (0.86, 0.73)

#: So much of a beat after the last stroke is still music.
LAST_STROKE = 0.2

#: Tempi that may be named, counted beats a minute.
SLOWEST_NAMED, FASTEST_NAMED = 20, 500
#: Other readings less likely than this are not kept, and no more of them than this.
LEAST_LIKELY, MOST_READINGS = 0.01, 6
#: A sentence names no more other readings than this.
MOST_OTHERS = 3


@dataclass(frozen=True)
class BarReading:
    """One way to read the bars of a song.

    Attributes
    ----------
    time_map : TimeMap
    probability : float
        That beats and bar lines are these.
    line_confidence : tuple of float
        For each bar: how likely a bar begins there, whatever the reading.
    """

    time_map: TimeMap
    probability: float
    line_confidence: tuple[float, ...] = ()

    def __str__(self) -> str:
        return f"{self.meter} at {self.tempo_bpm:.0f}"

    @property
    def words(self) -> str:
        """Meter and tempo, and where they are others: "4/4 at 110, 3/4 from bar 5"."""
        return bars_told(self.time_map)

    @property
    def meter(self) -> Meter:
        """Of most bars."""
        return self.time_map.usual_meter

    @cached_property
    def tempo_bpm(self) -> float:
        """Of the whole song, in counted beats."""
        return self.time_map.mean_tempo_bpm()

    def shift_from(self, other: BarReading, bars: Collection[int] | None = None) -> int:
        """By how many half beats the 1 lies later than in another reading at the same tempo, mostly; in those bars of
        the other, if any are named."""
        mine = [bar.beat_times_s[0] for bar in self.time_map.bars]
        beat_s, bar_halves = 60.0 / other.tempo_bpm, 2 * other.meter.counted_beats
        theirs = np.array([bar.beat_times_s[0] for bar in other.time_map.bars])
        before = np.maximum(np.searchsorted(theirs, np.array(mine) + 0.15 * beat_s) - 1, 0)
        shifts = np.round(2 * (mine - theirs[before]) / beat_s).astype(int) % bar_halves
        meant = shifts if bars is None else shifts[np.isin(before, list(bars))]
        return int(np.bincount(meant).argmax()) if len(meant) else 0


@dataclass(frozen=True)
class BarWish:
    """What a user knows of the bars before they are tracked.

    Attributes
    ----------
    lines_s : tuple of float, seconds
        Bar lines; each stays exactly where it is.
    meter : Meter, optional
    tempo_bpm : (float, float), optional
        Lowest and highest counted tempo.

    Raises
    ------
    AnalysisError
        If bars of the meter are not tracked.
    """

    lines_s: tuple[float, ...] = ()
    meter: Meter | None = None
    tempo_bpm: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        if self.meter is not None and self.meter not in KNOWN_METERS:
            known = ", ".join(map(str, KNOWN_METERS))
            raise AnalysisError(f"Bars are tracked in {known}; draft without a meter and set {self.meter} in the grid.")


NOTHING_KNOWN = BarWish()


def tempo_range(tempo_bpm: float | tuple[float, float] | None) -> tuple[float, float] | None:
    """Lowest and highest of a tempo that a user names, one number meaning about that."""
    if tempo_bpm is None:
        return None
    about = 1.04 if isinstance(tempo_bpm, (int, float)) else 1.0
    slowest, fastest = (tempo_bpm, tempo_bpm) if isinstance(tempo_bpm, (int, float)) else tempo_bpm
    if not SLOWEST_NAMED <= slowest <= fastest <= FASTEST_NAMED:
        raise AnalysisError(
            f"Name a tempo from {SLOWEST_NAMED} to {FASTEST_NAMED} beats a minute, or two, the lower first, "
            f"not {tempo_bpm!r}."
        )
    return max(slowest / about, SLOWEST_NAMED), min(fastest * about, FASTEST_NAMED)


def describe(readings: Sequence[BarReading], set_bars: Sequence[int] = ()) -> str:
    """Readings in words: "4/4 at 110 (80 %); it may also be 4/4 at 220 (12 %), the 1 a beat later (8 %)".

    No more than :data:`MOST_OTHERS` others are named, the rest counted.
    Where all others are under 1 %, the likeliest of them is named, so that it is known what can be taken.
    ``set_bars`` as for :func:`with_percent`.
    """
    first, *others = readings
    likely = [r for r in others if r.probability >= LEAST_LIKELY]
    kept = likely or others[:1]
    told = [f"{words} ({percent(r)})" for words, r in zip(told_apart(first, kept), kept)]
    more = f" and {len(told) - MOST_OTHERS} more" if len(told) > MOST_OTHERS else ""
    said = with_percent(first, set_bars)
    return (
        f"{said}; {'it may also be' if likely else 'also kept:'} {', '.join(told[:MOST_OTHERS])}{more}"
        if told
        else said
    )


def with_percent(first: BarReading, set_bars: Sequence[int] = ()) -> str:
    """The bars as they are, and how likely, unless they are none of the recording's readings.

    Examples
    --------
    >>> with_percent(BarReading(TimeMap.steady(8, 110), 0.8), [4, 5])
    '4/4 at 110 (80 %; bars 5–6 as set, not as heard)'
    """
    if not first.probability:
        return first.words
    aside = f"; {bar_list(first.time_map, set_bars)} as set, not as heard" if set_bars else ""
    return f"{first.words} ({percent(first)}{aside})"


def percent(reading: BarReading) -> str:
    """How likely a reading is, in words: "12 %"."""
    return f"{min(round(100 * reading.probability), 99)} %" if reading.probability >= LEAST_LIKELY else "under 1 %"


def told_apart(first: BarReading, others: Sequence[BarReading]) -> list[str]:
    """What each of some other readings says otherwise than the first: "4/4 at 220", "the 1 a beat later".

    Several at another meter or tempo that they share are told apart by where each first has its 1 among the first's
    bars: "4/4 at 220, counted from 3 in bar 1".
    """
    told = []
    for other in others:
        alike = [r for r in others if r.meter == other.meter and _at_one_tempo(r, other)]
        words = against(first, other)
        if words == str(other) and len(alike) > 1:
            words = f"{alike[0]}, counted from {_first_one(first.time_map, other.time_map)}"
        told.append(words)
    return _without_namesakes(told, others)


def _without_namesakes(told: Sequence[str], others: Sequence[BarReading]) -> list[str]:
    """The words of readings, those of one name told apart by the first bar line that the others have not."""
    lines_s = [np.array([bar.beat_times_s[0] for bar in other.time_map.bars]) for other in others]
    out = []
    for k, words in enumerate(told):
        alike = [j for j, other in enumerate(told) if other == words and j != k]
        if alike:
            theirs_s = np.concatenate([lines_s[j] for j in alike])
            own_s = (t for t in lines_s[k] if np.abs(theirs_s - t).min() > SAME_LINE_S)
            first_s = next(own_s, None)
            words += f", {len(lines_s[k])} bars" if first_s is None else f", with a bar line at {first_s:.1f} s"
        out.append(words)
    return out


def _first_one(time_map: TimeMap, other: TimeMap) -> str:
    """Where the first 1 of other bars lies in the bars of a time map, to half a count: "the & of 3 in bar 1"."""
    lines_s = [bar.beat_times_s[0] for bar in other.bars if not bar.is_pickup] or [other.start_s]
    early_s = 15.0 / time_map.tempo_bpm(0)  # half of half a beat
    place = time_map.place(next((t for t in lines_s if t > time_map.start_s - early_s), lines_s[-1]))
    step = Fraction(1, 2 * time_map.bars[place.bar_index].meter.unit)
    bar_index, position = time_map.within(place.bar_index, max(round(place.position / float(step)), 0) * step)
    if position == time_map.bars[bar_index].length and bar_index + 1 < len(time_map):
        bar_index, position = bar_index + 1, Fraction(0)
    return place_in_bar(time_map, bar_index, position) if position else the_bar(time_map.bar_number(bar_index))


def _at_one_tempo(one: BarReading, other: BarReading) -> bool:
    return bool(abs(np.log(one.tempo_bpm / other.tempo_bpm)) <= SAME_PULSE)


def shared_bars(one: BarReading, other: BarReading) -> float:
    """Share of a reading's bars that are another's, too; 0 if meter or tempo differ."""
    if one.meter != other.meter or not _at_one_tempo(one, other):
        return 0.0
    a, b = (np.array([bar.beat_times_s[0] for bar in r.time_map.bars if not bar.is_pickup]) for r in (one, other))
    a = a[(a > other.time_map.start_s - SAME_LINE_S) & (a < other.time_map.end_s)]
    return float((distance_s(a, b) < SAME_LINE_S).mean()) if len(a) and len(b) else 0.0


def bars_not_of(one: BarReading, other: BarReading) -> set[int]:
    """Indices of a reading's bars that another has not, by line, end or meter, where the other has bars at all."""
    lines = {k: bar.beat_times_s[0] for k, bar in enumerate(one.time_map.bars) if not bar.is_pickup}
    theirs = other.time_map.bars
    theirs_s = np.array([bar.beat_times_s[0] for bar in theirs])
    inside = {k: s for k, s in lines.items() if theirs_s[0] - SAME_LINE_S < s < other.time_map.end_s - SAME_LINE_S}
    out = set()
    for k, line_s in inside.items():
        nearest = int(np.abs(theirs_s - line_s).argmin())
        after_s, theirs_after_s = lines.get(k + 1), theirs_s[nearest + 1 : nearest + 2]
        moved = abs(theirs_s[nearest] - line_s) >= SAME_LINE_S
        ends_elsewhere = after_s and len(theirs_after_s) and abs(theirs_after_s[0] - after_s) >= SAME_LINE_S
        if moved or ends_elsewhere or theirs[nearest].meter != one.time_map.bars[k].meter:
            out.add(k)
    return out


def against(first: BarReading, other: BarReading) -> str:
    """What another reading says otherwise: "4/4 at 220", "the 1 a beat later", "3/4 in bars 2–20"."""
    if other.meter != first.meter or not _at_one_tempo(first, other):
        return str(other)
    halves = other.shift_from(first)
    if halves:
        return _shift_said(halves, other.meter)
    if other.words != str(other):
        return other.words.removeprefix(f"{other}, ")
    if first.words != str(first):
        return f"{other} all through"
    elsewhere = sorted(bars_not_of(first, other))
    halves = other.shift_from(first, elsewhere)
    said = _shift_said(halves, other.meter) if halves else "other bar lines"
    return f"{said} in {bar_list(first.time_map, elsewhere)}" if elsewhere else said


def _shift_said(halves: int, meter: Meter) -> str:
    later = halves <= meter.counted_beats
    said = beats_said(Fraction(halves if later else 2 * meter.counted_beats - halves, 2))
    return f"the 1 {said} {'later' if later else 'earlier'}"


def speaks_for(first: BarReading, other: BarReading) -> str:
    """What seems to be so where another reading is likelier: "the 1 seems to lie a beat later".

    Examples
    --------
    >>> four = BarReading(TimeMap.steady(8, 110), 0.2)
    >>> speaks_for(four, BarReading(TimeMap.steady(16, 220), 0.7))
    'the beats seem to go twice as fast, 4/4 at 220'
    >>> speaks_for(four, BarReading(TimeMap.steady(8, 110, Meter(3, 4)), 0.7))
    'the bars seem to be of 3/4'
    """
    if first.words != str(first) and other.words == str(other):
        return f"it seems to be {other} all through"
    if other.meter != first.meter:
        return f"the bars seem to be of {other.meter if _at_one_tempo(first, other) else other}"
    if not _at_one_tempo(first, other):
        factor = other.tempo_bpm / first.tempo_bpm
        said = next((words for of, words in TIMES_AS_FAST.items() if abs(np.log(factor / of)) <= SAME_PULSE), None)
        return f"the beats seem to go {said}, {other}" if said else f"the tempo seems to be {other}"
    words = against(first, other)
    shift = words.removeprefix("the 1 ")
    if shift != words:
        return f"the 1 seems to lie {shift}"
    changes = other.words != str(other)
    return f"some bars seem to be of another meter: {other.words}" if changes else f"there seem to be {words}"


def song_grids(
    activations: Activations,
    strokes: Sequence[Stroke] = (),
    duration_s: float | None = None,
    tempo_bpm: tuple[float, float] | None = None,
) -> list[Grid]:
    """All grids of beats that a song may have, each over the whole of its music."""
    duration_s = activations.duration_s if duration_s is None else duration_s
    pulse = track_pulse(activations.beat, activations.frame_rate_hz)
    if len(pulse) < 3:
        pulse = np.arange(0.0, max(duration_s, 2.0), 0.5)
    span = _music_span(activations, strokes, duration_s)
    slowest, fastest = tempo_bpm or (SLOWEST_BPM, COUNTED_EIGHTHS_BPM[1])
    struck = of_strokes(strokes, len(activations.beat), activations.frame_rate_hz)
    found = candidate_grids(pulse, activations.beat, struck, activations.frame_rate_hz, slowest, fastest)
    return [Grid(cover(g.beats_s, *span), g.steady) for g in found]


def track_readings(
    activations: Activations,
    strokes: Sequence[Stroke] = (),
    duration_s: float | None = None,
    harmony: Harmony | None = None,
    wish: BarWish = NOTHING_KNOWN,
) -> tuple[BarReading, ...]:
    """Ways to read the bars of a song, the likeliest first.

    Parameters
    ----------
    activations : Activations
    strokes : sequence of Stroke, in order of time
    duration_s : float, optional
        Length of the recording; the activations' if left out.
    harmony : Harmony, optional
        Of the recording: chords change on bar lines.
    wish : BarWish
        What the user knows.

    Returns
    -------
    tuple of BarReading
        The likeliest first; one at another tempo is among the first three, if there is any.  Each
        from the first music to the last; a song that begins inside a bar begins with a pick-up
        bar.  Bars that open at a fixed line are marked.

    Raises
    ------
    AnalysisError
        If the recording is too short to hold a bar, fixed lines lie closer
        together than a beat, or nothing fits what the user knows.
    """
    duration_s = activations.duration_s if duration_s is None else duration_s
    if duration_s < 1.0:
        raise AnalysisError("The recording is too short to find bars in; it needs at least one second.")
    heard = Heard(activations, strokes, harmony)
    lines = np.sort(np.asarray(wish.lines_s, dtype=float))
    grids = []
    for grid in song_grids(activations, strokes, duration_s, wish.tempo_bpm):
        drawn = draw_to_lines(grid.beats_s, lines)
        if drawn is not None:
            grids.append((Grid(drawn[0], grid.steady), drawn[1].tolist()))
    if not grids:
        raise AnalysisError("Two of the fixed bar lines lie closer together than a beat; move one of them.")
    found = candidates(heard, grids, SONG_METERS if wish.meter is None else (wish.meter,))
    if not found:
        raise AnalysisError("No bars fit that meter, tempo and those bar lines together; leave one of them out.")
    likely = likelihood(heard, found)
    order = np.argsort(-likely, kind="stable")
    line_s = [_lines(c) for c in found]
    groups: list[list[int]] = []
    for k in order:
        same = next((g for g in groups if _alike(found, line_s, g[0], k)), None)
        if same is not None:
            same.append(k)
        elif len(groups) < 2 * MOST_READINGS:
            groups.append([k])
    groups.sort(key=lambda g: -likely[g].sum())
    kept = [g for n, g in enumerate(groups[:MOST_READINGS]) if n == 0 or likely[g].sum() >= LEAST_LIKELY]
    # Half and double tempo are what is wrong most often, however sure it seemed: one other tempo is always kept.
    log_tempo = [float(np.log(found[g[0]].grid.tempo_bpm)) for g in groups]
    another = next((g for g, t in zip(groups, log_tempo) if abs(t - log_tempo[0]) > SAME_PULSE), None)
    if another is not None and another not in kept:
        kept = [*kept[: MOST_READINGS - 1], another]
    begin_s, end_s = _music_span(activations, strokes, duration_s)
    begin_s = min(min((s.time_s for s in strokes), default=0.0), begin_s)
    out: list[BarReading] = []
    for group in kept:
        # Beats in two or in three may be the same beats (4/4, 12/8): the likelier name, and of that the likeliest.
        named: dict[Meter, float] = defaultdict(float)
        for k in group:
            named[found[k].meter] += likely[k]
        chosen = next(found[k] for k in group if found[k].meter == max(named, key=named.__getitem__))
        fixed = next(at for grid, at in grids if grid is chosen.grid)
        beats = refine_beats(chosen.grid.beats_s, strokes, keep=fixed)
        # A stroke on the last bar line, alone, still has its bar.
        last_s = max(end_s, max((s.time_s for s in strokes), default=0.0) + LAST_STROKE * (beats[-1] - beats[-2]))
        time_map = lay_time_map(beats, chosen.path, set(fixed), begin_s, last_s)
        lines_s = np.array([bar.beat_times_s[0] for bar in time_map.bars])
        confidence = np.zeros(len(lines_s))
        for k in np.flatnonzero(likely > 1e-4):
            confidence += likely[k] * (distance_s(lines_s, line_s[k]) < SAME_LINE_S)
        confidence = confidence if out else honest(confidence)
        out.append(BarReading(time_map, float(likely[group].sum()), tuple(confidence.tolist())))
    return tuple(_with_another_tempo(out))


def honest(likely: np.ndarray) -> np.ndarray:
    """How often lines of the first reading are right that are this likely by all readings together."""
    slope, more = FIRST_LINES
    return expit(slope * logit(np.clip(likely, 1e-3, 1 - 1e-3)) + more)


def _with_another_tempo(readings: list[BarReading]) -> list[BarReading]:
    """The readings, the likeliest at another tempo third where the first three share theirs: three shifts of one
    wrong pulse are of no use."""
    log_tempo = np.log([r.tempo_bpm for r in readings])
    others = np.flatnonzero(np.abs(log_tempo - log_tempo[0]) > SAME_PULSE)
    if len(others) and others[0] > 2:
        readings.insert(2, readings.pop(others[0]))
    return readings


def _lines(candidate: Candidate) -> np.ndarray:
    """Times of the bar lines of a reading that open within its beats."""
    beats = candidate.grid.beats_s
    return beats[[k for k in candidate.path.starts if 0 <= k < len(beats)]]


def _alike(found: Sequence[Candidate], lines_s: Sequence[np.ndarray], one: int, other: int) -> bool:
    """Whether two readings are the same to a user: counted beats, tempo and most bar lines."""
    a, b = found[one], found[other]
    if a.meter.counted_beats != b.meter.counted_beats or abs(np.log(a.grid.tempo_bpm / b.grid.tempo_bpm)) > SAME_PULSE:
        return False
    if not (len(lines_s[one]) and len(lines_s[other])):  # a recording of a beat or two: no line to differ by
        return True
    return float((distance_s(lines_s[one], lines_s[other]) < SAME_LINE_S).mean()) > 0.7


def _music_span(activations: Activations, strokes: Sequence[Stroke], duration_s: float) -> tuple[float, float]:
    """First and last moment with a stroke or a beat."""
    heard = np.flatnonzero(activations.beat > LEAST_MUSIC) / activations.frame_rate_hz
    times = np.concatenate([heard, [s.time_s for s in strokes]])
    if not len(times):
        return 0.0, duration_s
    return float(times.min()), float(times.max())
