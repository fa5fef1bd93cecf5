"""Laying a chart on a recording: which bar is played when.

Nothing is assumed about offset, tempo, repeats or the number of bars; they
are found by dynamic programming over bars, as an edit distance between what is
written and what is heard (after R. A. Wagner, M. J. Fischer, *The
string-to-string correction problem*, J. ACM 1974):

* the recording is cut into half beats, once by the beats tracked in it and
  once by the chart's own bars at the offset where the two agree best, and
  either may run at half, double or triple the written pulse;
* every written bar is tried at every half beat; each stroke without a note and
  each note without a stroke costs one, a note that falls on another drum's
  stroke costs less;
* between bars the reader may jump (a repeat, a bar left out) and the recording
  may go on without the chart (an extra bar, a count-in), each at a price.

Then the time of each bar is fitted to the strokes that agree, robustly, so
that a few wrong notes do not bend it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from workbench.chart import Chart
from workbench.compare import compare_strokes
from workbench.drumkit import instrument
from workbench.errors import AnalysisError
from workbench.events import Stroke

#: Grid steps of the recording that a written beat may span; two is the tracked pulse.
STEPS_A_BEAT = (2, 1, 4, 3, 6)
#: Beats by which the grid reaches beyond the last stroke.
LONGEST_BAR_BEATS = 8
#: What a jump costs, in bars of average content; so much that one bar of
#: wrong notes is never explained away by jumping elsewhere and back.
JUMP_BARS = 1.1
#: What opening an extra stretch, or leaving out bars, costs, and each of its
#: bars beside, in bars of average content.  Not what these bars hold: else a
#: sparse bar near by would be left out for a full one.
OPENING_BARS, EXTRA_BARS = 0.1, 0.3
#: So many strokes before or after the chart are a count-in or noise; more are bars.
COUNT_IN = 8
#: Smallest advantage of another pulse or grid over the one tried before it.
BETTER_BY = 1.02
#: Bars on each side whose strokes help to place a bar in time.
FIT_BARS = 2
#: Strokes further from their note than this do not count in the fit, seconds.
FIT_WITHIN_S = 0.09
#: Finest spread of strokes about the fitted time, seconds.
FIT_SPREAD_S = 0.008
#: A grid on which the differences are fewer than this share of the strokes needs no other.
SETTLED = 0.3
#: How far the tempo of a bar may lie from that of its run, as a share.
FIT_TEMPO = 0.03

_CLASSES = ("kick", "snare", "hi-hat", "cymbal", "tom", "percussion")


@dataclass(frozen=True)
class _Ruler:
    """How finely notes and strokes are compared.

    ``ticks`` of a counted beat (divisible by 12: halves, thirds and quarters
    are exact); a stroke counts fully within ``near`` ticks of a note and not
    at all beyond ``far``; ``any_drum`` is the share of a match that any stroke
    at the right time earns; ``feel`` says whether a note's deviation counts.
    """

    ticks: int
    near: float
    far: float
    any_drum: float
    feel: bool


#: First the bars are found on a coarse ruler …
COARSE = _Ruler(12, 0.25, 2.5, 0.5, False)
#: … then, on the beats fitted to the strokes, told apart on a fine one.
FINE = _Ruler(48, 1.0, 5.0, 0.3, True)
#: Passes on the fine ruler, at most.
FINE_PASSES = 2


@dataclass(frozen=True)
class LaidBar:
    """One bar as the recording plays it.

    Attributes
    ----------
    chart_bar : int or None
        Index of the written bar; None for a stretch that the chart lacks.
    start_s, end_s : float
        Where it lies in the recording, seconds.
    """

    chart_bar: int | None
    start_s: float
    end_s: float


@dataclass(frozen=True)
class Laying:
    """A chart laid on a recording.

    Attributes
    ----------
    bars : tuple of LaidBar
        In order of the recording; written bars may come again or be left out.
    agreement : float
        Share of notes and strokes that agree, 0–1: below about a half the
        recording may be of something else.
    """

    bars: tuple[LaidBar, ...]
    agreement: float

    @cached_property
    def left_out(self) -> frozenset[int]:
        """Written bars before the last one laid that the recording never plays."""
        played = {b.chart_bar for b in self.bars if b.chart_bar is not None}
        return frozenset(range(max(played, default=-1))) - played


def lay_chart(chart: Chart, strokes: Sequence[Stroke], beat_times_s: Sequence[float],
              duration_s: float | None = None) -> Laying:
    """Find which written bar is played when.

    Parameters
    ----------
    chart : Chart
    strokes : sequence of Stroke
        As heard in the recording.
    beat_times_s : sequence of float, seconds, increasing
        Beats tracked in the recording; may be empty, then only the chart's own
        tempo is tried.
    duration_s : float, optional
        Length of the recording; the last stroke's time by default.

    Raises
    ------
    AnalysisError
        If the chart has no notes or no strokes were heard.
    """
    if not any(b.notes for b in chart.bars):
        raise AnalysisError("The chart has no notes, so it cannot be laid on a recording.")
    if not strokes:
        raise AnalysisError("No drum strokes were heard in the recording, so no chart can be laid on it.")
    heard = sorted(strokes)
    end_s = max(duration_s or 0.0, heard[-1].time_s + 0.5)
    best: tuple[float, list[LaidBar]] | None = None
    for grid_s, steps_a_beat in _grids(chart, heard, np.asarray(beat_times_s, float), end_s):
        for steps in steps_a_beat:
            cost, bars = _lay(chart, heard, grid_s, steps, COARSE)
            if best is None or cost * BETTER_BY < best[0]:
                best = cost, bars
        if best is not None and best[0] < SETTLED * len(heard):
            break
    assert best is not None
    bars = fit_times(chart, best[1], heard)
    for _ in range(FINE_PASSES):
        grid_s = _halves(_extended(_beats_of(chart, bars), end_s))
        cost, finer = _lay(chart, heard, grid_s, 2, FINE)
        if not finer:
            break
        finer = fit_times(chart, finer, heard)
        settled = [b.chart_bar for b in finer] == [b.chart_bar for b in bars]
        best, bars = (cost, finer), finer
        if settled:
            break
    return Laying(tuple(bars), _agreement(chart, bars, heard))


def _agreement(chart: Chart, bars: Sequence[LaidBar], heard: Sequence[Stroke]) -> float:
    """Notes and strokes that agree, another drum at the right time counting a third, over all."""
    if not bars:
        return 0.0
    laid = [(b.chart_bar, b) for b in bars if b.chart_bar is not None]
    notes = [Stroke(laid_time_s(chart.note_time_s(k, n), _span(chart, k), b), n.instrument)
             for k, b in laid for n in chart.bars[k].notes]
    inside = [s for s in heard if bars[0].start_s - 0.05 <= s.time_s < bars[-1].end_s]
    found = compare_strokes(notes, inside)
    return (2 * len(found.same) + 2 / 3 * len(found.renamed)) / max(1, len(notes) + len(inside))


# -- grids -------------------------------------------------------------------------------

def _grids(chart: Chart, heard: Sequence[Stroke], beats_s: np.ndarray, end_s: float):
    """Candidate cuts of the recording into half beats, with the pulses to try on each."""
    own = chart.time_map.anchor_times_s
    own = own + _best_offset(chart, heard)
    yield _halves(_extended(own, end_s)), STEPS_A_BEAT[:1]
    beats_s = beats_s[np.concatenate([[True], np.diff(beats_s) > 0])] if len(beats_s) else beats_s
    if len(beats_s) >= 4:
        yield _halves(_extended(beats_s, end_s)), STEPS_A_BEAT


def _extended(beats_s: np.ndarray, end_s: float) -> np.ndarray:
    """Beats continued evenly from before the recording's start to past its end."""
    gaps = np.diff(beats_s)
    first, last = (float(np.median(g)) for g in (gaps[:8], gaps[-8:]))
    before = np.arange(int(np.ceil(beats_s[0] / first)) + 1, 0, -1) if beats_s[0] > 0 else np.array([])
    # The last bar may end after the last stroke.
    after = np.arange(1, max(0, int(np.ceil((end_s - beats_s[-1]) / last))) + LONGEST_BAR_BEATS + 1)
    out = np.concatenate([beats_s[0] - first * before, beats_s, beats_s[-1] + last * after])
    return out[(out > -2 * first) & (out < end_s + (LONGEST_BAR_BEATS + 1) * last)]


def _halves(beats_s: np.ndarray) -> np.ndarray:
    return np.interp(np.arange(2 * len(beats_s) - 1) / 2, np.arange(len(beats_s)), beats_s)


def _beats_of(chart: Chart, bars: Sequence[LaidBar]) -> np.ndarray:
    """Beats of the recording that the laid bars imply."""
    beats: list[float] = []
    last_s = 0.5
    for bar in bars:
        if bar.chart_bar is None:
            count = max(1, round((bar.end_s - bar.start_s) / last_s))
            own = [bar.start_s + k * (bar.end_s - bar.start_s) / count for k in range(count)]
        else:
            span = _span(chart, bar.chart_bar)
            own = [laid_time_s(t, span, bar) for t in chart.time_map.bars[bar.chart_bar].beat_times_s]
            last_s = (bar.end_s - bar.start_s) / len(own)
        beats += [t for t in own if not beats or t > beats[-1] + last_s / 4]
    if bars[-1].end_s > beats[-1]:
        beats.append(bars[-1].end_s)
    return np.array(beats)


def _best_offset(chart: Chart, heard: Sequence[Stroke], frame_s: float = 0.01) -> float:
    """Seconds to add to the chart's own times so that most notes meet strokes."""
    written = [(chart.note_time_s(k, n), n.instrument) for k, n in chart.notes()]
    low = min(t for t, _ in written)
    played_low = heard[0].time_s
    length = int((max(max(t for t, _ in written) - low, heard[-1].time_s - played_low)) / frame_s) + 20
    size = 1 << (2 * length - 1).bit_length()
    total = np.zeros(size)
    for name in _CLASSES:
        a, b = np.zeros(size), np.zeros(size)
        a[[int((t - low) / frame_s) for t, i in written if instrument(i).family == name]] = 1.0
        b[[int((s.time_s - played_low) / frame_s) for s in heard
           if instrument(s.instrument).family == name]] = 1.0
        total += np.fft.irfft(np.fft.rfft(b) * np.conj(np.fft.rfft(a)), size)
    smooth = total + np.roll(total, 1) + np.roll(total, -1) + 0.5 * (np.roll(total, 2) + np.roll(total, -2))
    lag = int(np.argmax(smooth))
    lag = lag - size if lag > size // 2 else lag
    return lag * frame_s + played_low - low


# -- dynamic programming -------------------------------------------------------------------

def _lay(chart: Chart, heard: Sequence[Stroke], grid_s: np.ndarray, steps_a_beat: int,
         ruler: _Ruler) -> tuple[float, list[LaidBar]]:
    """Cheapest way through chart and recording on one grid: cost and bars."""
    per_step = ruler.ticks // steps_a_beat
    spans = [max(1, round(float(b.length / b.meter.beat_length) * steps_a_beat)) for b in chart.time_map.bars]
    steps, longest = len(grid_s) - 1, max(spans)
    roll, counts = _roll(heard, grid_s, per_step, longest * per_step, ruler)
    costs, matched = _bar_costs(chart, roll, counts, spans, per_step, steps, ruler)

    mass = len(heard) / max(1.0, steps / np.mean(spans)) + np.mean([len(b.notes) for b in chart.bars])
    jump, opening, extra_bar = JUMP_BARS * mass, OPENING_BARS * mass, EXTRA_BARS * mass
    extra_step = extra_bar / float(np.mean(spans))
    n = len(chart.bars)
    # A bar of which nothing is heard is as good as left out.
    noted = np.array([len(b.notes) > 0 for b in chart.bars])
    costs += opening * (noted[:, None] & (matched < 0.5))
    # A jump lands rather where a section begins, and of equal ways the latest counts.
    landing = np.full(n + 1, jump)
    landing[[s.bar_index for s in chart.sections]] *= 0.9
    spans_ = np.array(spans)
    step_counts = counts[:steps * per_step].reshape(steps, per_step).sum(1)

    # Beginning or ending inside the chart costs the bars left out, at most a jump.
    written = np.arange(n + 1) * extra_bar
    left = written[-1] - written
    skipped_start = np.minimum(jump, np.where(written > 0, written + opening, 0.0))
    skipped_end = np.minimum(jump, np.where(left > 0, left + opening, 0.0))

    value = np.full((steps + longest + 1, n + 1), np.inf)
    value[0] = skipped_start
    # How each (step, bar) was reached: −1 start, −2 lead-in or extra step,
    # −3 a bar, otherwise the bar jumped from.
    came = np.full(value.shape, -1, np.int32)
    extra = np.full(n + 1, np.inf)
    extra_since = np.zeros(n + 1, np.int32)
    since = np.zeros(value.shape, np.int32)
    lead_in, sooner = 0.0, 1e-6
    for i in range(steps + 1):
        if i:
            lead_in += float(step_counts[i - 1])
            start = lead_in + opening * (lead_in > COUNT_IN) + skipped_start
            fresh = start < value[i]
            value[i][fresh], came[i][fresh] = start[fresh], -1
            opened = value[i - 1] + opening + sooner * (steps - i)
            new = opened < extra
            extra_since[new] = i - 1
            extra = np.minimum(extra, opened) + extra_step
            longer = extra < value[i]
            value[i][longer], came[i][longer], since[i][longer] = extra[longer], -2, extra_since[longer]
        # Leaving out a bar or a few costs their notes …
        ahead = value[i] - written
        lowest = np.minimum.accumulate(ahead)
        reached = np.maximum.accumulate(np.where(ahead == lowest, np.arange(n + 1), 0))
        skipped = lowest + opening + written + sooner * (steps - i)
        left_out = skipped < value[i]
        value[i][left_out], came[i][left_out] = skipped[left_out], reached[left_out]
        # … a jump to anywhere (a repeat, a long cut) always the same.
        source = int(np.argmin(value[i]))
        landed = value[i, source] + landing + sooner * (steps - i)
        jumped = landed < value[i]
        value[i][jumped], came[i][jumped] = landed[jumped], source
        if i == steps:
            break
        after = value[i, :n] + costs[:, i]
        for span in set(spans):
            bars = np.flatnonzero(spans_ == span)
            better = after[bars] < value[i + span, bars + 1]
            value[i + span, bars[better] + 1] = after[bars[better]]
            came[i + span, bars[better] + 1] = -3
    tail = np.concatenate([np.cumsum(step_counts[::-1])[::-1], np.zeros(longest + 1)])
    ends = value + (tail + opening * (tail > COUNT_IN))[:, None] + skipped_end
    i, b = np.unravel_index(int(np.argmin(ends)), ends.shape)
    bars = _walk_back(int(i), int(b), came, since, spans, grid_s)
    return float(ends[i, b]), _put_back(chart, bars)


def _walk_back(i: int, b: int, came: np.ndarray, since: np.ndarray, spans: Sequence[int],
               grid_s: np.ndarray) -> list[LaidBar]:
    bars: list[LaidBar] = []
    time_s = lambda k: float(np.interp(k, np.arange(len(grid_s)), grid_s)) + max(
        0, k - len(grid_s) + 1) * float(grid_s[-1] - grid_s[-2])
    while came[i, b] != -1:
        how = came[i, b]
        if how == -3:
            b -= 1
            bars.append(LaidBar(b, time_s(i - spans[b]), time_s(i)))
            i -= spans[b]
        elif how == -2:
            bars.append(LaidBar(None, time_s(since[i, b]), time_s(i)))
            i = int(since[i, b])
        else:
            b = int(how)
    return bars[::-1]


def _put_back(chart: Chart, bars: Sequence[LaidBar]) -> list[LaidBar]:
    """Bars left out where the recording has a stretch as long lie there, however wrong they are."""
    out: list[LaidBar] = []
    for k, bar in enumerate(bars):
        before = out[-1].chart_bar if out else None
        after = bars[k + 1].chart_bar if k + 1 < len(bars) else None
        if bar.chart_bar is None and before is not None and after is not None and before + 1 < after:
            lengths = [float(b.length) for b in chart.time_map.bars[before + 1:after]]
            usual = (out[-1].end_s - out[-1].start_s) / float(chart.time_map.bars[before].length)
            scale = (bar.end_s - bar.start_s) / sum(lengths)
            if abs(scale / usual - 1) < 0.1:
                edges = bar.start_s + scale * np.concatenate([[0.0], np.cumsum(lengths)])
                out += [LaidBar(before + 1 + j, float(edges[j]), float(edges[j + 1]))
                        for j in range(len(lengths))]
                continue
        out.append(bar)
    return out


def _roll(heard: Sequence[Stroke], grid_s: np.ndarray, per_step: int, beyond: int,
          ruler: _Ruler) -> tuple[np.ndarray, np.ndarray]:
    """Strokes on the grid's ticks: blurred per class and any (ticks, 7), and counts (ticks,)."""
    ticks = (len(grid_s) - 1) * per_step + beyond + 2
    roll = np.zeros((ticks, len(_CLASSES) + 1), np.float32)
    counts = np.zeros(ticks, np.float32)
    times = np.array([s.time_s for s in heard])
    at = np.interp(times, grid_s, np.arange(len(grid_s))) * per_step
    for stroke, tick in zip(heard, at):
        c = _CLASSES.index(instrument(stroke.instrument).family)
        for k in range(max(0, int(tick - ruler.far) + 1), min(ticks, int(tick + ruler.far) + 1)):
            near = min(1.0, (ruler.far - abs(k - tick)) / (ruler.far - ruler.near))
            roll[k, c] = max(roll[k, c], near)
            roll[k, -1] = max(roll[k, -1], near)
        # A stroke just before the bar line belongs to the bar it opens.
        counts[min(int(tick + ruler.ticks / 12), ticks - 1)] += stroke.confidence
    return roll, counts


def _bar_costs(chart: Chart, roll: np.ndarray, counts: np.ndarray, spans: Sequence[int], per_step: int,
               steps: int, ruler: _Ruler) -> tuple[np.ndarray, np.ndarray]:
    """What each written bar costs at each grid step, and how much of it is heard, (bars, steps)."""
    known: dict = {}
    totals = np.concatenate([[0.0], np.cumsum(counts)])
    starts = np.arange(steps) * per_step
    out, agreed = (np.empty((len(spans), steps), np.float32) for _ in range(2))
    for k, (written, timed, span) in enumerate(zip(chart.bars, chart.time_map.bars, spans)):
        beat = float(timed.meter.beat_length)
        beat_s = 60.0 / chart.time_map.tempo_bpm(k)
        key: tuple = (span, *sorted(
            (round((float(n.position) / beat + ruler.feel * n.deviation_s / beat_s) * ruler.ticks),
             _CLASSES.index(instrument(n.instrument).family)) for n in written.notes))
        if key not in known:
            matched = np.zeros(steps, np.float32)
            for tick, c in key[1:]:
                at = np.clip(starts + tick, 0, len(roll) - 1)
                matched += (1 - ruler.any_drum) * roll[at, c] + ruler.any_drum * roll[at, -1]
            played = totals[starts + span * per_step] - totals[starts]
            known[key] = len(written.notes) + played - 2 * np.minimum(matched, played), matched
        out[k], agreed[k] = known[key]
    return out, agreed


# -- fitting times ---------------------------------------------------------------------------

def fit_times(chart: Chart, bars: Sequence[LaidBar], heard: Sequence[Stroke]) -> list[LaidBar]:
    """Place each laid bar by the strokes that agree with its notes and its neighbours'.

    Within a run of bars that follow each other in chart and recording, the
    recording's time is a straight line over the chart's time, fitted bar by
    bar to the strokes of :data:`FIT_BARS` bars on each side with Tukey's
    biweight, so that strokes played or written wrongly do not count.
    """
    by_name: dict[str, np.ndarray] = {}
    for s in heard:
        by_name.setdefault(s.instrument, []).append(s.time_s)  # type: ignore[arg-type]
    by_name = {k: np.sort(np.array(v)) for k, v in by_name.items()}
    out = list(bars)
    for run in runs_of(bars):
        spans = [_span(chart, bars[k].chart_bar) for k in run]
        notes = [[(chart.note_time_s(bars[k].chart_bar, n), n.instrument)
                  for n in chart.bars[bars[k].chart_bar].notes] for k in run]
        tempo = (bars[run[-1]].end_s - bars[run[0]].start_s) / (spans[-1][1] - spans[0][0])
        for _ in range(3):
            pairs = [_pairs(notes[j], spans[j], out[k], by_name) for j, k in enumerate(run)]
            fitted = []
            for j, k in enumerate(run):
                near = np.concatenate(pairs[max(0, j - FIT_BARS):j + FIT_BARS + 1])
                fitted.append(_fit(near, spans[j], out[k], tempo))
            for j, k in enumerate(run):
                # Neighbouring fits meet in the middle of their difference.
                start = fitted[j][0] if j == 0 else (fitted[j - 1][1] + fitted[j][0]) / 2
                end = fitted[j][1] if j + 1 == len(run) else (fitted[j][1] + fitted[j + 1][0]) / 2
                if end > start:
                    out[k] = replace(out[k], start_s=start, end_s=end)
    return out


def runs_of(bars: Sequence[LaidBar]) -> list[list[int]]:
    """Indices of laid bars in runs that follow each other in the chart without a jump."""
    runs: list[list[int]] = []
    for k, bar in enumerate(bars):
        if bar.chart_bar is None:
            continue
        before = bars[k - 1].chart_bar if k else None
        if before is not None and runs and before + 1 == bar.chart_bar:
            runs[-1].append(k)
        else:
            runs.append([k])
    return runs


def _pairs(notes, span: tuple[float, float], bar: LaidBar, by_name: dict[str, np.ndarray]) -> np.ndarray:
    """(chart time, stroke time) of a bar's notes and the nearest strokes of their instruments."""
    found = []
    for chart_s, name in notes:
        times = by_name.get(name)
        if times is None:
            continue
        expected = laid_time_s(chart_s, span, bar)
        k = int(np.searchsorted(times, expected))
        nearest = min((times[j] for j in (k - 1, k) if 0 <= j < len(times)), key=lambda t: abs(t - expected))
        if abs(nearest - expected) <= FIT_WITHIN_S:
            found.append((chart_s, nearest))
    return np.array(found).reshape(-1, 2)


def _span(chart: Chart, bar_index: int) -> tuple[float, float]:
    """Start and end of a written bar in the chart's own seconds."""
    return chart.time_map.bar_start_s(bar_index), chart.time_map.bar_end_s(bar_index)


def laid_time_s(chart_s: float, span: tuple[float, float], bar: LaidBar) -> float:
    """Recording time of a chart time, given the bar's span in both."""
    return bar.start_s + (chart_s - span[0]) * (bar.end_s - bar.start_s) / (span[1] - span[0])


def _fit(pairs: np.ndarray, span: tuple[float, float], bar: LaidBar, tempo: float) -> tuple[float, float]:
    middle, length = (span[0] + span[1]) / 2, span[1] - span[0]
    if len(pairs) < 3:
        return bar.start_s, bar.end_s
    x, y = pairs[:, 0] - middle, pairs[:, 1]
    # Start from the bar as laid; the line is y = offset + slope x.
    slope = tempo
    offset = float(np.median(y - slope * x))
    for _ in range(8):
        rest = y - offset - slope * x
        spread = max(FIT_SPREAD_S, 1.4826 * float(np.median(np.abs(rest))))
        weight = np.clip(1 - (rest / (4.685 * spread)) ** 2, 0, None) ** 2
        total = weight.sum()
        if total <= 0:
            break
        centre = (weight @ x) / total
        prior = (spread / FIT_TEMPO) ** 2
        residual = y - tempo * x
        slope = tempo + (weight * (x - centre)) @ residual / ((weight * (x - centre) ** 2).sum() + prior)
        offset = float((weight @ (y - slope * x)) / total)
    return float(offset - slope * length / 2), float(offset + slope * length / 2)
