"""Where bar lines and hits of a chart disagree, and the one act that mends it.

Nothing is listened to: the strokes as they were heard and corrected are laid on the bars as they are and as they would
be after an act (:mod:`workbench.chart.edits`), and both are weighed as the tracker weighs bars
(:class:`workbench.listening.bars.BarEvidence`): how well do they fit what drummers play in such bars, how often does
the meter change, how often does the tempo jump.  An act is offered for a run of bars of one meter and tempo, for all
bars from there on, or for a single line.  Bars whose line a user has fixed are right: nothing is said of them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import astuple, dataclass
from fractions import Fraction
from typing import NamedTuple

import numpy as np

from workbench.chart import Chart, edits
from workbench.chart.barcount import last_as_one, lasts_as_two, usual_length
from workbench.chart.counting import beats_said, capital
from workbench.chart.edits import Rebar
from workbench.chart.events import Stroke
from workbench.chart.meter import TEMPO_JUMP, Meter, TimeMap
from workbench.chart.quantizer import WORST_MISFIT
from workbench.chart.rewriting import is_heard
from workbench.errors import ChartError
from workbench.listening.bars import LONGEST, METER_CHANGE, METERS, ROLES, TEMPO_WEIGHT, BarEvidence, roles_of
from workbench.listening.chooser import KNOWN_METERS, RARE, SONG_METERS
from workbench.listening.grids import distance_s
from workbench.listening.readings import LEAST_LIKELY, SAME_LINE_S, BarReading, shared_bars, speaks_for, told_apart

#: Natural log of how likely the tempo jumps so from one bar to the next; a meter of no song, and a bar of no meter.
JUMP, UNKNOWN_METER = -8.0, -6.0
#: Natural log, a second, of how likely bars are that are all alike, against bars that have nothing in common.
REPEATS = 2.0
#: An act is offered if the bars are so much likelier after it, natural logarithm, and so much more for each bar; an
#: other 1 or tempo for the whole song more, as the tracker has heard more than the strokes, unless the tracker says so.
#: Chosen on performances of Groove MIDI's training split.
LEAST_GAIN, LEAST_GAIN_A_BAR, SONG_GAIN_A_BAR = 10.0, 0.25, 2.0
#: The same for each line moved that a user has fixed, and how near to it a line is the same, seconds.
FIXED, FIXED_WITHIN_S = 8.0, 0.02
#: Faults no more bars apart than this have one cause.
TOUCHES = 2
#: So many runs are looked at: music without a beat has none that can be mended.
MOST_STRETCHES = 40
#: The 1 may be lost within a run of at least so many bars, so many from either end; told from this gain on: of 135
#: performances of Groove MIDI with one bar shortened, 76 % (to one beat), 43 % (two) and 68 % (three) are seen, of the
#: same as they are one, of 140 drafts none.
LOST_IN, LOST_FROM_END, LEAST_LOST = 12, 3, 2.0
#: A line is off its neighbours by so many seconds before it is tried where they say.
LINE_OFF_S = 0.09
#: Strokes so far before a line belong to the bar it opens, seconds.
EARLY_S = 0.03
#: How far players stray from the written place by feel, seconds.
FEEL_S = 0.03
#: Fewer heard strokes say nothing; of a song, about a line.
FEWEST_HEARD, FEWEST_ABOUT_A_LINE = 24, 3


@dataclass(frozen=True)
class BarFault:
    """Bars that disagree with the hits.

    Attributes
    ----------
    first_bar, last_bar : int
    words : str
        What is wrong: "the 1 lies half a beat early".
    mends : str
        What the act does: "The 1 half a beat later".
    edit : Rebar
        The act.
    gain : float
        By how much likelier the bars are after it, natural logarithm.
    """

    first_bar: int
    last_bar: int
    words: str
    mends: str
    edit: Rebar
    gain: float

    def leave(self, bar_count: int) -> edits.Edit:
        """The edit by which a user says that these lines are right: those about the run are fixed."""
        lines = _about(self.first_bar, self.last_bar, bar_count)
        return edits.CompositeEdit(tuple(edits.FixLine(k, True) for k in lines), "lines are right")


class _Stretch(NamedTuple):
    """Bars of one meter and tempo, both ends included."""

    first: int
    last: int


def find_bar_faults(
    chart: Chart, now: BarReading | None = None, others: Sequence[BarReading] = (), own: Sequence[BarReading] = ()
) -> tuple[BarFault, ...]:
    """Where lines and hits disagree, gravest first; no two faults share a bar.

    Parameters
    ----------
    chart : Chart
        Charts of no recording have none.
    now : BarReading, optional
        Its bars, with how likely they are.
    others : sequence of BarReading
        How the recording may be read otherwise; the likeliest is tried if it is likelier than its own bars.
    own : sequence of BarReading
        Readings of the recording that its bars follow, for the most part at least.
    """
    song = _Heard.of(chart)
    if song is None:
        return ()
    before = song.score(chart.time_map)
    found = []
    fixed = [b.fixed for b in chart.time_map.bars]
    weighed = [(*act, 0.0) for act in _acts(chart, song)]
    # Bars that are two, or two that are one, are mended by themselves: no other meter of the song wins by them.
    odd = list(_odd_lengths(chart.time_map))
    mended = chart.time_map
    for act, words, mends, span in reversed(odd):
        mended = act.lay(mended, *astuple(act)).time_map
        gain = song.score(act.rebarring(chart).time_map) - before
        if gain > 0 and not all(fixed[k] for k in _about(*span, len(chart))):
            found.append(BarFault(span.first, span.last, words, mends, act, gain))
    best = max(before, song.score(mended)) if odd else before
    # Where the recording speaks clearly for other bars, most of the song is not laid in some that it knows nothing of.
    clear = LEAST_LIKELY if any(r.probability > 0.5 for r in others) else 0.0
    for act, words, mends, span, heard in (*_likelier(chart, now, others), *weighed):
        if all(fixed[k] for k in _about(*span, len(chart))):
            continue
        try:
            after = act.rebarring(chart).time_map
        except ChartError:
            continue
        bars = min(span.last - span.first + 1, len(after))
        whole = span.last - span.first + 1 == len(chart) and not isinstance(act, edits.SetMeter) and not heard
        doubt = bars * (SONG_GAIN_A_BAR if whole else LEAST_GAIN_A_BAR) + FIXED * _let_go(chart.time_map, after)
        wide = 2 * (span.last - span.first + 1) > len(chart)
        if wide and now is not None and _likely(after, (*own, *others)) < max(now.probability, clear):
            continue
        gain = song.score(after) - (best if wide else before) + song.nearer(chart.time_map, after) + heard - doubt
        if gain > LEAST_GAIN:
            found.append(BarFault(span.first, span.last, words, mends, act, gain))
    for act, gain in _where_lost(chart, song):
        if gain > LEAST_LOST:
            found.append(BarFault(act.first_bar, len(chart) - 1, *_shift_words(act.beats), act, gain))
    if any(isinstance(f.edit, edits.LayBars) for f in found):  # what else the whole song may be was not heard so
        found = [f for f in found if isinstance(f.edit, edits.LayBars) or f.last_bar - f.first_bar + 1 < len(chart)]
    out: list[BarFault] = []
    for fault in sorted(found, key=lambda f: -f.gain):  # what touches another may be mended with it
        if not any(fault.first_bar <= o.last_bar + TOUCHES and o.first_bar <= fault.last_bar + TOUCHES for o in out):
            out.append(fault)
    return tuple(out)


def _likely(time_map: TimeMap, readings: Sequence[BarReading]) -> float:
    """How likely one of these bars is by some readings, on average."""
    return sum(r.probability * shared_bars(BarReading(time_map, 0.0), r) for r in readings)


def _let_go(before: TimeMap, after: TimeMap) -> int:
    """How many fixed lines an act would move."""
    lines = np.array([b.beat_times_s[0] for b in after.bars])
    return sum(b.fixed and float(np.abs(lines - b.beat_times_s[0]).min()) > FIXED_WITHIN_S for b in before.bars)


@dataclass(frozen=True)
class _Heard:
    """The strokes of a chart, as bars are weighed by them."""

    strokes: Sequence[Stroke]
    times_s: np.ndarray
    roles: np.ndarray
    places: np.ndarray

    @property
    def marking_s(self) -> np.ndarray:
        """Strokes that mark beats, seconds."""
        return self.times_s[np.isin(self.roles, [ROLES.index(r) for r in ("kick", "backbeat", "crash")])]

    @classmethod
    def of(cls, chart: Chart) -> _Heard | None:
        starts = chart.time_map.starts
        heard = sorted(
            (
                Stroke(chart.note_time_s(k, n), n.instrument, n.velocity, 1.0 if n.confirmed else n.confidence),
                float(starts[k] + n.position),
            )
            for k, n in chart.notes()
            if is_heard(chart, n)
        )
        if len(heard) < FEWEST_HEARD:
            return None
        strokes = [s for s, _ in heard]
        times_s, places = np.array([s.time_s for s in strokes]), np.array([p for _, p in heard])
        return cls(strokes, times_s, roles_of(strokes), places)

    def nearer(self, before: TimeMap, after: TimeMap) -> float:
        """How much nearer the strokes lie to their written places where only the beats are bent, natural log."""
        if before.starts != after.starts:
            return 0.0
        off_s = np.array([self.times_s - m.seconds_at(self.places) for m in (before, after)])
        misfit = np.minimum(np.square((off_s - np.median(off_s[0])) / FEEL_S) / 2, WORST_MISFIT)
        return float(misfit[0].sum() - misfit[1].sum())

    def off_s(self, time_map: TimeMap, bar_index: int) -> float:
        """By how much the strokes written about a line lie behind it, seconds, against all others."""
        at = float(time_map.starts[bar_index])
        reach = float(time_map.bars[bar_index].meter.beat_length) / 2
        about = np.abs(self.places - at) <= reach
        off_s = self.times_s - time_map.seconds_at(self.places)
        return float(np.median(off_s[about]) - np.median(off_s)) if about.sum() >= FEWEST_ABOUT_A_LINE else 0.0

    def struck(self, time_map: TimeMap) -> TimeMap:
        """Bars up to that of the last stroke: an act may lay another behind it."""
        last = int(np.searchsorted([b.beat_times_s[0] for b in time_map.bars], self.times_s[-1] + EARLY_S))
        return time_map if last in (0, len(time_map)) else TimeMap(time_map.bars[:last], time_map.bar_start_s(last))

    def where_lost(self, time_map: TimeMap, run: _Stretch) -> Iterator[tuple[Fraction, int]]:
        """By how many beats the 1 may belong later from which bar of a run on, where a bar that is shorter or longer
        than its neighbours was read as one like them: for each number of beats the likeliest bar, by what drummers
        play in such bars and by how alike all bars are then."""
        bars = time_map.bars[run.first : run.last + 1]
        meter, n = bars[0].meter, bars[0].meter.counted_beats
        if len(bars) < LOST_IN or meter not in KNOWN_METERS or any(len(bar.beat_times_s) != n for bar in bars[1:]):
            return
        lead = n - len(bars[0].beat_times_s)
        beats_s = np.array([t for bar in bars for t in bar.beat_times_s])
        a, b = np.searchsorted(self.times_s, (beats_s[0] - EARLY_S, time_map.bar_end_s(run.last) - EARLY_S))
        evidence = BarEvidence(beats_s, self.strokes[a:b], np.full(len(beats_s), 0.5), roles=self.roles[a:b])
        fit = evidence.score(meter, METERS.get(meter, RARE))[LONGEST:]
        played = np.pad(evidence.counts, ((0, n), (0, 0), (0, 0))).reshape(len(beats_s) + n, -1)
        count = len(bars) - 2
        opens = np.arange(1, count + 1) * n - lead
        of_bars = [np.hstack([played[opens + shift + k] for k in range(n)]) for shift in range(n)]
        of_bars = [rows / np.maximum(np.linalg.norm(rows, axis=1, keepdims=True), 1e-9) for rows in of_bars]
        before = np.cumsum(np.pad(of_bars[0], ((1, 0), (0, 0))), axis=0)
        long_s = beats_s[-1] - beats_s[0]
        for shift in range(1, n):
            after = of_bars[shift].sum(axis=0) - np.cumsum(np.pad(of_bars[shift], ((1, 0), (0, 0))), axis=0)
            alike = np.square(before + after).sum(axis=1) / count**2
            gain = np.concatenate([[0.0], np.cumsum(fit[opens] - fit[opens + shift])])
            likely = (REPEATS * alike * long_s + gain)[LOST_FROM_END : count - LOST_FROM_END + 1]
            k = LOST_FROM_END + int(likely.argmax())
            yield Fraction(shift if 2 * shift <= n else shift - n), run.first + 1 + k

    def score(self, time_map: TimeMap) -> float:
        """How likely bars are by the strokes and by themselves, natural log."""
        runs = [_Stretch(*run) for run in time_map.runs]
        scores, seconds = 0.0, 0.0
        lasts: dict[Meter, float] = {}
        played: dict[Meter, list[np.ndarray]] = {}
        for run in runs:
            bars = time_map.bars[run.first : run.last + 1]
            meter, begin_s, end_s = bars[0].meter, bars[0].beat_times_s[0], time_map.bar_end_s(run.last)
            lasts[meter] = lasts.get(meter, 0.0) + end_s - begin_s
            if meter not in KNOWN_METERS:
                continue
            beats = [t for bar in bars for t in bar.beat_times_s]
            if len(beats) == 1:
                beats.append(end_s)
            a, b = np.searchsorted(self.times_s, (begin_s - EARLY_S, end_s - EARLY_S))
            evidence = BarEvidence(np.array(beats), self.strokes[a:b], np.full(len(beats), 0.5), roles=self.roles[a:b])
            opens = LONGEST + np.cumsum([0] + [len(bar.beat_times_s) for bar in bars[:-1]])
            opens -= [meter.counted_beats - len(bar.beat_times_s) for bar in bars]  # a pick-up lacks its beginning
            whole = np.pad(evidence.counts, ((0, meter.counted_beats), (0, 0), (0, 0)))
            of_bars = np.lib.stride_tricks.sliding_window_view(whole, meter.counted_beats, axis=0)
            inside = opens[(opens >= LONGEST) & (opens - LONGEST < len(beats))] - LONGEST
            played.setdefault(meter, []).append(of_bars[inside].reshape(len(inside), math.prod(of_bars.shape[1:])))
            scores += float(evidence.score(meter, METERS.get(meter, RARE))[opens].sum())
            seconds += end_s - begin_s
        if not seconds:
            return -np.inf
        mostly = max(lasts, key=lambda m: lasts[m])
        prior = METERS.get(mostly, RARE)
        tempo = float(np.median([time_map.tempo_bpm(k) for k, b in enumerate(time_map.bars) if b.meter == mostly]))
        changes = sum(time_map.bars[r.first].meter != time_map.bars[r.first - 1].meter for r in runs[1:])
        jumps = sum(abs(time_map.tempo_step(r.first)) > TEMPO_JUMP for r in runs[1:])
        unknown = sum(time_map.bars[r.first].meter not in SONG_METERS for r in runs)
        rows = np.concatenate(played.get(mostly, [np.zeros((0, 1))]))
        rows = rows / np.maximum(np.linalg.norm(rows, axis=1, keepdims=True), 1e-9)
        alike = float(np.square(rows.sum(axis=0)).sum()) / len(time_map) ** 2  # mean over all pairs of bars
        return (
            REPEATS * alike * (time_map.end_s - time_map.start_s)
            + scores / seconds * (time_map.end_s - time_map.start_s)
            + prior.log_likely
            + TEMPO_WEIGHT * prior.log_tempo(tempo)
            + METER_CHANGE * changes
            + JUMP * jumps
            + UNKNOWN_METER * unknown
        )


def _about(first_bar: int, last_bar: int, bar_count: int) -> list[int]:
    """Bars whose lines, all fixed, vouch for a run: the outer ones and the next, of one bar the one before, too."""
    lines = {first_bar - (first_bar == last_bar), first_bar, last_bar, last_bar + 1}
    return sorted(lines & set(range(bar_count)))


def _acts(chart: Chart, song: _Heard) -> Iterator[tuple[Rebar, str, str, _Stretch]]:
    """Acts that may mend something, in words, and the bars they are for."""
    time_map = chart.time_map
    runs = [_Stretch(*run) for run in time_map.runs]
    end = len(time_map) - 1
    longer = [r for r in runs if r.last > r.first or len(runs) == 1]
    for run in sorted(longer, key=lambda r: r.first - r.last)[:MOST_STRETCHES]:
        # What is left over of a stretch that was moved is a bar of its own behind it.
        rest = [_Stretch(run.first, r.last) for r in runs if r.first == r.last == run.last + 1]
        for span in dict.fromkeys([run, *rest, _Stretch(run.first, end)]):
            yield from _for_run(time_map, span)
    for k in range(1, len(time_map)):
        for time_s in _line_may_lie(time_map, k, song):
            off_s = time_map.bar_start_s(k) - time_s
            way = ("late", "earlier") if off_s > 0 else ("early", "later")
            far = f"{abs(off_s) * 1000:.0f} ms"
            act = edits.MoveBarLine(k, time_s)
            yield act, f"its line lies {far} {way[0]}", f"Line {far} {way[1]}", _Stretch(k, k)


def _where_lost(chart: Chart, song: _Heard) -> Iterator[tuple[edits.ShiftOne, float]]:
    """Acts that give back a 1 lost within a run, and how much likelier, natural logarithm, the bars are after it than
    as they are, and than with another 1 from the beginning of the run on."""

    def score(act: edits.ShiftOne) -> float:
        try:
            after = act.rebarring(chart).time_map
        except ChartError:  # the 1 cannot move past the line before it
            return -math.inf
        return song.score(song.struck(after)) - FIXED * _let_go(chart.time_map, after)

    before = song.score(song.struck(chart.time_map))
    fixed = [bar.fixed for bar in chart.time_map.bars]
    for run in map(_Stretch._make, chart.time_map.runs):
        for beats, k in song.where_lost(chart.time_map, run):
            if not all(fixed[j] for j in _about(k, len(chart) - 1, len(chart))):
                act = edits.ShiftOne(beats, k)
                yield act, score(act) - max(before, score(edits.ShiftOne(beats, run.first)))


def _likelier(
    chart: Chart, now: BarReading | None, others: Sequence[BarReading]
) -> Iterator[tuple[Rebar, str, str, _Stretch, float]]:
    """The likeliest reading of the recording where it is likelier than the chart's bars; of one at another meter or
    tempo by how much, natural logarithm."""
    if now is None:
        return
    other, words = max(zip(others, told_apart(now, others)), key=lambda o: o[0].probability, default=(now, ""))
    if other.probability > max(now.probability, LEAST_LIKELY):
        # Bars that are partly its own are rather mended where they part.
        apart = told_apart(now, [other]) == [str(other)] and _same_bars(chart.time_map, other.time_map) <= 0.5
        heard = math.log(other.probability / max(now.probability, LEAST_LIKELY)) if apart else 0.0
        yield edits.LayBars(other.time_map), speaks_for(now, other), capital(words), _Stretch(0, len(chart) - 1), heard


def _same_bars(one: TimeMap, other: TimeMap) -> float:
    """Share of bars that begin and end as some of the other time map."""
    edges_s = np.array([*(b.beat_times_s[0] for b in one.bars), one.end_s])
    lines_s = np.array([*(b.beat_times_s[0] for b in other.bars), other.end_s])
    near = distance_s(edges_s, lines_s) < SAME_LINE_S
    between = np.diff(np.searchsorted(lines_s, edges_s + SAME_LINE_S))
    return float((near[:-1] & near[1:] & (between == 1)).mean())


def _odd_lengths(time_map: TimeMap) -> Iterator[tuple[Rebar, str, str, _Stretch]]:
    """Bars that are as long as two of those around them, two that are as long as one, and two of which one is longer
    by what the other is shorter: a line is missing, or one too many, or lies beside its place."""
    bars, first = time_map.bars, int(time_map.bars[0].is_pickup)
    for k in range(first, len(bars) - 1 if len(bars) - first > 2 else 0):
        one, two = bars[k].length, bars[k].length + bars[k + 1].length
        if one == 2 * usual_length(time_map, k, k) and lasts_as_two(time_map, k):
            yield edits.SplitBar(k, one / 2), "as long as two bars", "Two bars", _Stretch(k, k)
        elif two == usual_length(time_map, k, k + 1) and last_as_one(time_map, k):
            yield edits.JoinBars(k), "as long as one bar", "One bar", _Stretch(k, k + 1)
        elif k and two == 2 * usual_length(time_map, k, k + 1) and one != two / 2:
            # A bar too long beside one that is too short by as much: the line between them lies beside its place.
            later = two / 2 - one
            beats, said = later / bars[k + 1].meter.beat_length, later / time_map.usual_meter.beat_length
            if (2 * beats).denominator == 1:
                wrong, mends = (words.replace("he 1", "he line between") for words in _shift_words(said))
                yield edits.ShiftOne(beats, k + 1, k + 1), wrong, mends, _Stretch(k, k + 1)


def _line_may_lie(time_map: TimeMap, bar_index: int, song: _Heard) -> Iterator[float]:
    """Where else the line of a bar may lie: where its neighbours say; one that was moved, half a beat beside."""
    bar, before = time_map.bars[bar_index], time_map.bars[bar_index - 1]
    here_s = time_map.bar_start_s(bar_index)
    between_s = (time_map.bar_start_s(bar_index - 1) + time_map.bar_end_s(bar_index)) / 2
    if abs(here_s - between_s) > LINE_OFF_S and bar.meter == before.meter and bar.length == before.length:
        yield between_s
    off_s = song.off_s(time_map, bar_index)
    if abs(off_s) > LINE_OFF_S:
        yield here_s + off_s
    if bar.fixed:
        half_s = 30.0 / time_map.tempo_bpm(bar_index)
        for time_s in (here_s - half_s, here_s + half_s):
            near = song.marking_s[np.abs(song.marking_s - time_s) < half_s / 2]
            if len(near):
                yield float(near[np.abs(near - time_s).argmin()])


def _for_run(time_map: TimeMap, run: _Stretch) -> Iterator[tuple[Rebar, str, str, _Stretch]]:
    meter = time_map.bars[run.first].meter
    stretch = (run.first, run.last)
    for halves in range(1, 2 * meter.counted_beats):
        beats = Fraction(halves, 2)
        beats -= meter.counted_beats if beats > Fraction(meter.counted_beats, 2) else 0
        yield edits.ShiftOne(beats, *stretch), *_shift_words(beats), run
    for factor, words, mends in (
        (Fraction(2), "counted at half tempo", "Double tempo"),
        (Fraction(1, 2), "counted at double tempo", "Half tempo"),
        (Fraction(3, 2), "two beats counted for three", "3 beats for 2"),
        (Fraction(2, 3), "three beats counted for two", "2 beats for 3"),
    ):
        yield edits.ChangeLevel(factor, *stretch), words, mends, run
    for other in SONG_METERS:
        if other != meter:
            yield edits.SetMeter(other, *stretch), f"barred in {meter}", f"Bars of {other}", run


def _shift_words(beats: Fraction) -> tuple[str, str]:
    """What is wrong where the 1 belongs so many beats later, and what mends it."""
    early, said = beats > 0, beats_said(abs(beats))
    return f"the 1 lies {said} {'early' if early else 'late'}", f"The 1 {said} {'later' if early else 'earlier'}"
