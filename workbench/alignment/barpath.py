"""The cheapest way through a chart and a recording, bar by bar.

The dynamic programming behind :mod:`workbench.alignment.align`: on a recording cut
into half beats every written bar is tried at every half beat.  A note without
a stroke costs one, a stroke without a note costs one, a note on another drum's
stroke less; jumps, bars left out and stretches without the chart cost what the
constants below say.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from workbench.alignment.alignedbars import AlignedBar
from workbench.chart import Chart
from workbench.chart.drumkit import instrument
from workbench.chart.events import Stroke

# Numbers whose origin is not named: chosen by trial, no source.
#: What a jump costs, in bars of average content; so much that one bar of
#: wrong notes is never explained away by jumping elsewhere and back.
JUMP_BARS = 1.1
#: What opening an extra stretch, or leaving out bars, costs, and each of its
#: bars beside, in bars of average content.  Not what these bars hold: else a
#: sparse bar near by would be left out for a full one.
OPENING_BARS, EXTRA_BARS = 0.15, 0.35
#: What beginning or ending inside the chart costs at most where nothing but a count-in, or a last stroke, lies beyond:
#: so much less than a jump that such a stroke is not explained by jumping to a far bar that has hardly more.
LOOSE_END_BARS = 0.55
#: So many strokes before or after the chart are a count-in or noise; more are bars.
COUNT_IN = 8

#: Families of instruments that are told apart.
DRUM_FAMILIES = ("kick", "snare", "hi-hat", "cymbal", "tom", "percussion")


#: Ways to reach a step of the recording and a bar of the chart, besides a jump from another bar: the beginning
#: of the recording, a stretch without the chart, the bar before.
FROM_START, FROM_EXTRA, FROM_BAR = -1, -2, -3


@dataclass(frozen=True)
class Resolution:
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


#: First the bars are found on a coarse resolution …
COARSE = Resolution(12, 0.25, 2.5, 0.5, False)
#: … then, on the beats fitted to the strokes, told apart on a fine one.
FINE = Resolution(48, 1.0, 5.0, 0.3, True)


def find_path(
    chart: Chart,
    heard: Sequence[Stroke],
    grid_s: np.ndarray,
    steps_a_beat: int,
    resolution: Resolution,
    round_and_round: bool = False,
) -> tuple[float, list[AlignedBar]]:
    """Cheapest way through chart and recording on one grid: cost and bars.

    ``round_and_round``: from the end of the chart to its beginning costs nothing.
    """
    per_step = resolution.ticks // steps_a_beat
    spans = [max(1, round(float(b.length / b.meter.beat_length) * steps_a_beat)) for b in chart.time_map.bars]
    steps, longest = len(grid_s) - 1, max(spans)
    roll, counts = _roll(heard, grid_s, per_step, longest * per_step, resolution)
    costs, matched = _bar_costs(chart, roll, counts, spans, per_step, steps, resolution)

    mass = len(heard) / max(1.0, steps / float(np.mean(spans))) + float(np.mean([len(b.notes) for b in chart.bars]))
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
    step_counts = counts[: steps * per_step].reshape(steps, per_step).sum(1)

    # Beginning or ending inside the chart costs the bars left out, at most a jump; less where nothing else is played.
    written = np.arange(n + 1) * extra_bar
    left = written[-1] - written
    skipped_start = np.minimum(jump, np.where(written > 0, written + opening, 0.0))
    skipped_end = np.minimum(jump, np.where(left > 0, left + opening, 0.0))
    loose_start, loose_end = (np.minimum(LOOSE_END_BARS * mass, skipped) for skipped in (skipped_start, skipped_end))

    value = np.full((steps + longest + 1, n + 1), np.inf)
    value[0] = loose_start
    # How each (step, bar) was reached: one of the ways above, or the bar jumped from.
    came = np.full(value.shape, FROM_START, np.int32)
    extra = np.full(n + 1, np.inf)
    extra_since = np.zeros(n + 1, np.int32)
    since = np.zeros(value.shape, np.int32)
    lead_in, sooner = 0.0, 1e-6
    for i in range(steps + 1):
        if i:
            lead_in += float(step_counts[i - 1])
            start = lead_in + (opening + skipped_start if lead_in > COUNT_IN else loose_start)
            fresh = start < value[i]
            value[i][fresh], came[i][fresh] = start[fresh], FROM_START
            opened = value[i - 1] + opening + sooner * (steps - i)
            opened += (skipped_start - loose_start) * (came[i - 1] == FROM_START)
            new = opened < extra
            extra_since[new] = i - 1
            extra = np.minimum(extra, opened) + extra_step
            longer = extra < value[i]
            value[i][longer], came[i][longer], since[i][longer] = extra[longer], FROM_EXTRA, extra_since[longer]
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
        if round_and_round and value[i, n] + sooner < value[i, 0]:
            value[i, 0], came[i, 0] = value[i, n] + sooner, n
        if i == steps:
            break
        after = value[i, :n] + costs[:, i]
        for span in set(spans):
            bars = np.flatnonzero(spans_ == span)
            better = after[bars] < value[i + span, bars + 1]
            value[i + span, bars[better] + 1] = after[bars[better]]
            came[i + span, bars[better] + 1] = FROM_BAR
    tail = np.concatenate([np.cumsum(step_counts[::-1])[::-1], np.zeros(longest + 1)])
    stopped = (tail <= COUNT_IN)[:, None] & _in_the_swing(chart, came, matched, spans)
    ends = value + (tail + opening * (tail > COUNT_IN))[:, None] + np.where(stopped, loose_end, skipped_end)
    row, column = divmod(int(np.argmin(ends)), ends.shape[1])
    return float(ends[row, column]), _put_back(chart, _walk_back(row, column, came, since, spans, grid_s))


def _in_the_swing(chart: Chart, came: np.ndarray, matched: np.ndarray, spans: Sequence[int]) -> np.ndarray:
    """Whether each (step, bar) was reached through two bars in a row of which at least half is heard: then the player
    may have stopped there, while one bar alone may be any."""
    heard = np.zeros(came.shape, bool)
    for k, (written, span) in enumerate(zip(chart.bars, spans)):
        enough = 2 * matched[k] >= max(1, len(written.notes))
        until = min(len(came), span + len(enough))
        heard[span:until, k + 1] = enough[: until - span] & (came[span:until, k + 1] == FROM_BAR)
    out = np.zeros(came.shape, bool)
    for k, span in enumerate(spans):
        out[span:, k + 1] = heard[span:, k + 1] & heard[: len(came) - span, k]
    return out


def _walk_back(
    i: int, b: int, came: np.ndarray, since: np.ndarray, spans: Sequence[int], grid_s: np.ndarray
) -> list[AlignedBar]:
    bars: list[AlignedBar] = []
    time_s = lambda k: (
        float(np.interp(k, np.arange(len(grid_s)), grid_s))
        + max(0, k - len(grid_s) + 1) * float(grid_s[-1] - grid_s[-2])
    )
    while came[i, b] != FROM_START:
        how = came[i, b]
        if how == FROM_BAR:
            b -= 1
            bars.append(AlignedBar(b, time_s(i - spans[b]), time_s(i)))
            i -= spans[b]
        elif how == FROM_EXTRA:
            bars.append(AlignedBar(None, time_s(since[i, b]), time_s(i)))
            i = int(since[i, b])
        else:
            b = int(how)
    return bars[::-1]


def _put_back(chart: Chart, bars: Sequence[AlignedBar]) -> list[AlignedBar]:
    """Bars left out where the recording has a stretch as long lie there, however wrong they are."""
    out: list[AlignedBar] = []
    for k, bar in enumerate(bars):
        before = out[-1].chart_bar if out else None
        after = bars[k + 1].chart_bar if k + 1 < len(bars) else None
        if bar.chart_bar is None and before is not None and after is not None and before + 1 < after:
            lengths = [float(b.length) for b in chart.time_map.bars[before + 1 : after]]
            usual = (out[-1].end_s - out[-1].start_s) / float(chart.time_map.bars[before].length)
            scale = (bar.end_s - bar.start_s) / sum(lengths)
            if abs(scale / usual - 1) < 0.1:
                edges = bar.start_s + scale * np.concatenate([[0.0], np.cumsum(lengths)])
                out += [AlignedBar(before + 1 + j, float(edges[j]), float(edges[j + 1])) for j in range(len(lengths))]
                continue
        out.append(bar)
    return out


def _roll(
    heard: Sequence[Stroke], grid_s: np.ndarray, per_step: int, beyond: int, resolution: Resolution
) -> tuple[np.ndarray, np.ndarray]:
    """Strokes on the grid's ticks: blurred per class and any (ticks, 7), and counts (ticks,)."""
    ticks = (len(grid_s) - 1) * per_step + beyond + 2
    roll = np.zeros((ticks, len(DRUM_FAMILIES) + 1), np.float32)
    counts = np.zeros(ticks, np.float32)
    times = np.array([s.time_s for s in heard])
    at = np.interp(times, grid_s, np.arange(len(grid_s))) * per_step
    for stroke, tick in zip(heard, at):
        c = DRUM_FAMILIES.index(instrument(stroke.instrument).family)
        for k in range(max(0, int(tick - resolution.far) + 1), min(ticks, int(tick + resolution.far) + 1)):
            near = min(1.0, (resolution.far - abs(k - tick)) / (resolution.far - resolution.near))
            roll[k, c] = max(roll[k, c], near)
            roll[k, -1] = max(roll[k, -1], near)
        # A stroke just before the bar line belongs to the bar it opens.
        counts[min(int(tick + resolution.ticks / 12), ticks - 1)] += 1.0
    return roll, counts


def _bar_costs(
    chart: Chart,
    roll: np.ndarray,
    counts: np.ndarray,
    spans: Sequence[int],
    per_step: int,
    steps: int,
    resolution: Resolution,
) -> tuple[np.ndarray, np.ndarray]:
    """What each written bar costs at each grid step, and how much of it is heard, (bars, steps)."""
    known: dict = {}
    totals = np.concatenate([[0.0], np.cumsum(counts)])
    starts = np.arange(steps) * per_step
    out, agreed = (np.empty((len(spans), steps), np.float32) for _ in range(2))
    for k, (written, timed, span) in enumerate(zip(chart.bars, chart.time_map.bars, spans)):
        beat = float(timed.meter.beat_length)
        beat_s = 60.0 / chart.time_map.tempo_bpm(k)
        key: tuple = (
            span,
            *sorted(
                (
                    round((float(n.position) / beat + resolution.feel * n.deviation_s / beat_s) * resolution.ticks),
                    DRUM_FAMILIES.index(instrument(n.instrument).family),
                )
                for n in written.notes
            ),
        )
        if key not in known:
            matched = np.zeros(steps, np.float32)
            for tick, c in key[1:]:
                at = np.clip(starts + tick, 0, len(roll) - 1)
                matched += (1 - resolution.any_drum) * roll[at, c] + resolution.any_drum * roll[at, -1]
            played = totals[starts + span * per_step] - totals[starts]
            known[key] = len(written.notes) + played - 2 * np.minimum(matched, played), matched
        out[k], agreed[k] = known[key]
    return out, agreed
