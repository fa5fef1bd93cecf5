"""Where fills begin and end.

A beat is part of a fill where the fill model (:mod:`workbench.reading.fill_model`)
stands out against the same beat of the bars around it; runs of such beats are
found with the Viterbi algorithm over two states (groove, fill), leaving a fill
at a bar line being free.  The exact first stroke is then the first that
departs from the groove, so fills may begin on any sixteenth or triplet.

Fills that a user has marked and confirmed are taken as they are, and none is
found where a confirmed *groove* mark of at most two bars says there is none.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from fractions import Fraction

import numpy as np

from workbench.chart import Chart, Mark, Note
from workbench.chart.drumkit import HAND_DRUMS, TIMEKEEPING
from workbench.reading.fill_model import BARS_AROUND, CYMBAL_COLUMNS, DRUM_COLUMNS, bars_around, fill_logits
from workbench.reading.patterns import TICKS, VOICES, Patterns

_HANDS = [k for k, (name, _) in enumerate(VOICES) if name not in ("kick", "pedal hi-hat")]
_FULL_STROKES = [k for k, (name, _) in enumerate(VOICES) if name == "backbeat" or name.endswith(" tom")]

#: How far (log-odds) a beat must stand out against its neighbours, and its
#: absolute log-odds, to speak for a fill at all; of the latter this share is the
#: mean of its bar.  These and the prices below were chosen on songs made of the
#: Groove MIDI Dataset's training split (:mod:`workbench.training.fill_examples`),
#: with fills of one to four beats.
STANDS_OUT = 4.0
AT_LEAST = -2.0
BAR_SHARE = 0.5

#: Price (log-odds) of beginning a fill and of ending it before the bar line.
BEGIN_PRICE = 0.8
END_INSIDE_PRICE = 1.5

#: Reward (log-odds) of ending before a crash on 1 or where the drums stop, and of
#: ending a phrase of four bars counted from other fills and crashes.
LANDS_ON_CRASH = 0.8
ENDS_PHRASE = 0.8

#: What each beat says more (log-odds) of the half bar before the drums stop, if no cymbal sounds in it though most bars
#: have one there: whoever leaves the time-keeper just before a stop plays a fill (common practice, no source).
OFF_BEFORE_STOP = 2.0

#: What the last beat of a bar says at least (log-odds), if full strokes on snare or toms fill it, hardly a bar before
#: has such a beat, and it leads into a bar that a crash opens or another groove begins: the one-beat fill of the trade,
#: whether the time-keeper goes on above it or not (common practice, no source).
LEADS_IN = 1.0

#: Strokes fill a beat if none is farther from the next than this, in ticks: sixteenths do, and triplets.
FILLED_GAP = TICKS // 3

#: Of the bars up to this one at most this share may have such beats: if more have, they belong to the groove.
SELDOM = 0.4

#: Another groove begins at a bar line where bars this near on each side are alike, and none across it is (0-1).
ACROSS_BARS = 4
GROOVE_LASTS, GROOVE_BREAKS = 0.7, 0.6

#: What a beat of rest, or of feet alone, says (log-odds).
PAUSE = -0.6

#: A bar is taken up by fills if they cover at least this much of it.
MOST_OF_BAR = Fraction(1, 2)

#: Longer runs are no fills but sections or solos, in bars.
LONGEST_BARS = 2

#: A part of which fills would touch more than this share of the bars is a solo.
MOST_OF_PART = Fraction(1, 2)

#: A fill has at least this many strokes of hands on drums or cymbals.
FEWEST_FILL_STROKES = 2


def find_fills(patterns: Patterns) -> tuple[Mark, ...]:
    """Fills of a part to the beat, in order; confirmed ones exactly as marked."""
    chart = patterns.chart
    given = given_fills(chart)
    evidence = _evidence(patterns) + _off_before_stops(patterns)
    leading = _leading_in(patterns)
    evidence[leading] = np.maximum(evidence[leading], LEADS_IN)
    lines = _line_bonus(patterns, {s.end[0] for s in given})
    found = _runs(patterns, evidence, lines)
    # A second look, with the phrases that the first found fills mark.
    ends = {int(np.searchsorted(patterns.first_beat, end)) for _, end in found if end in patterns.first_beat}
    lines = _line_bonus(patterns, ends | {s.end[0] for s in given})
    spans = []
    barred = [
        (m.start, m.end)
        for m in chart.marks
        if m.confirmed and (m.kind == "fill" or m.kind == "groove" and _bars_long(chart, m) <= LONGEST_BARS)
    ]
    for first, end in _runs(patterns, evidence, lines):
        span = Mark("fill", _beat_start(patterns, first), _beat_end(patterns, end - 1))
        if any(a < span.end and span.start < b for a, b in barred):
            continue
        if len(span.bars) > LONGEST_BARS + 1 or _bars_long(chart, span) > LONGEST_BARS:
            continue
        if _hand_drum_strokes(chart, span) >= FEWEST_FILL_STROKES:
            spans.append(span)
    return tuple(sorted([*given, *_without_solos(chart, spans)], key=lambda s: s.start))


def _without_solos(chart: Chart, spans: list[Mark]) -> list[Mark]:
    """Fills that follow one another for more than :data:`LONGEST_BARS` bars are a
    solo, and so is a part that would be fills for the most part."""
    chains: list[list[Mark]] = []
    for span in sorted(spans, key=lambda s: s.start):
        if chains:
            starts, last = chart.time_map.starts, chains[-1][-1]
            gap = starts[span.start[0]] + span.start[1] - starts[last.end[0]] - last.end[1]
            if gap <= chart.time_map.bars[span.start[0]].meter.beat_length:
                chains[-1].append(span)
                continue
        chains.append([span])
    kept = [
        s for chain in chains if _bars_long(chart, replace(chain[0], end=chain[-1].end)) <= LONGEST_BARS for s in chain
    ]
    taken = len({k for s in kept for k in s.bars})
    sounding = sum(bool(b.notes) for b in chart.bars)
    return [] if taken > LONGEST_BARS and taken > MOST_OF_PART * sounding else kept


def given_fills(chart: Chart) -> tuple[Mark, ...]:
    """Fills a user has marked and confirmed."""
    return tuple(m for m in chart.marks if m.kind == "fill" and m.confirmed)


def _evidence(patterns: Patterns) -> np.ndarray:
    """What each beat says for (> 0) or against a fill, in log-odds."""
    logits = fill_logits(patterns)
    usual = np.full(len(logits), -6.0)
    for meter, index in patterns.sounding_by_meter.items():
        beside, near = bars_around(index)
        for q in range(meter.counted_beats):
            values = logits[patterns.first_beat[index] + q][beside]
            table = np.where(near & np.isfinite(values), values, np.nan)
            heard = np.isfinite(table).any(axis=1)
            median = np.full(len(index), -6.0)
            median[heard] = np.nanmedian(table[heard], axis=1)
            usual[patterns.first_beat[index] + q] = median
    usual = np.minimum(usual, -3.5)
    absolute = (1 - BAR_SHARE) * logits + BAR_SHARE * _bar_means(patterns, logits)
    out = np.minimum(logits - usual - STANDS_OUT, absolute - AT_LEAST)
    out = np.where(np.isfinite(out), np.clip(out, -6.0, 4.0), PAUSE)
    # Feet alone neither make a fill nor break one.
    feet_alone = ~patterns.beats[:, _HANDS].any(axis=(1, 2))
    return np.where(feet_alone, np.minimum(out, PAUSE), out)


def _bar_means(patterns: Patterns, logits: np.ndarray) -> np.ndarray:
    """Mean of the sounding beats of each beat's bar, (beats,); 0 in silent bars."""
    heard = np.isfinite(logits)
    begins = patterns.first_beat[:-1]
    total = np.add.reduceat(np.where(heard, logits, 0.0), begins)
    number = np.add.reduceat(heard.astype(int), begins)
    return np.repeat(total / np.maximum(number, 1), np.diff(patterns.first_beat))


def _line_bonus(patterns: Patterns, fill_ends: set[int]) -> np.ndarray:
    """What speaks for a fill that ends at each bar line: a crash that opens the bar, a stop,
    other fills and crashes four, eight … bars away; (bars + 1,), log-odds."""
    count = len(patterns.sounding)
    crashed = _crashed(patterns)
    marked = crashed.copy()
    marked[[k for k in fill_ends if k <= count]] = True
    bonus = np.where(crashed | _stops(patterns), LANDS_ON_CRASH, 0.0)
    marks = np.flatnonzero(marked)
    for k in range(count + 1):
        away = np.abs(marks - k)
        near = (away > 0) & (away <= 16)
        if near.sum() >= 2 and (away[near] % 4 == 0).sum() >= 2 / 3 * near.sum():
            bonus[k] += ENDS_PHRASE
    return bonus


def _crashed(patterns: Patterns) -> np.ndarray:
    """Bar lines on which a crash falls and none did a bar before, (bars + 1,), bool."""
    crashed = np.array([patterns.crash_opens(k) for k in range(len(patterns.sounding))] + [False])
    crashed[1:] &= ~crashed[:-1]
    return crashed


def _stops(patterns: Patterns) -> np.ndarray:
    """Bar lines at which the drums stop, (bars + 1,), bool."""
    sounding = np.array([False, *patterns.sounding, False])
    return sounding[:-1] & ~sounding[1:]


def _off_before_stops(patterns: Patterns) -> np.ndarray:
    """:data:`OFF_BEFORE_STOP` for the beats that it holds for, (beats,)."""
    drums, cymbals = np.array([patterns.beats[:, c].max(axis=(1, 2)) for c in (DRUM_COLUMNS, CYMBAL_COLUMNS)]) > 0
    out = np.zeros(len(patterns.beats))
    bars = [range(a, b) for a, b in zip(patterns.first_beat, patterns.first_beat[1:])]
    halves = [bar[(len(bar) + 1) // 2 :] for bar in bars]
    off = np.array([drums[half].any() and not cymbals[half].any() for half in halves])
    if off.sum() < MOST_OF_PART * patterns.sounding.sum():
        before_stop = _stops(patterns)[1:]
        going_on = {patterns.beats[bars[k]].tobytes() for k in np.flatnonzero(off & ~before_stop)}
        for k in np.flatnonzero(off & before_stop):
            if patterns.beats[bars[k]].tobytes() not in going_on:  # else it belongs to the groove
                out[halves[k]] = OFF_BEFORE_STOP
    return out


def _leading_in(patterns: Patterns) -> np.ndarray:
    """The beats of which :data:`LEADS_IN` holds, (n,)."""
    last = patterns.first_beat[1:] - 1
    filled = _filled(patterns.beats[:, _FULL_STROKES].max(axis=1))
    leads = filled[last] & (_crashed(patterns) | _new_grooves(patterns))[1:]
    sounding = np.flatnonzero(patterns.sounding)
    has_filled = np.logical_or.reduceat(filled, patterns.first_beat[:-1])[sounding]
    beside, near = bars_around(sounding)
    near[:, BARS_AROUND + 1 :] = False  # what comes after the line may be another groove
    seldom = (has_filled[beside] & near).sum(axis=1) <= SELDOM * near.sum(axis=1)
    found = last[sounding[leads[sounding] & seldom]].tolist()
    for b in found:  # with the filled beats that run into it
        if b and filled[b - 1] and b - 1 not in found:
            found.append(b - 1)
    return np.array(found, int)


def _filled(strokes: np.ndarray) -> np.ndarray:
    """Beats that strokes fill from beginning to end; ``strokes`` (beats, TICKS), 0 or 1."""
    places = [np.flatnonzero(beat) for beat in strokes]
    return np.array([len(p) > 0 and p[0] == 0 and max(np.diff(p, append=TICKS)) <= FILLED_GAP for p in places])


def _new_grooves(patterns: Patterns) -> np.ndarray:
    """Bar lines at which another groove begins, (bars + 1,), bool; the bar before may be a fill and says nothing."""
    alike, count = patterns.likeness, len(patterns.sounding)
    out = np.zeros(count + 1, bool)
    for k in range(ACROSS_BARS, count - 1):
        before, after = range(k - ACROSS_BARS, k - 1), range(k + 1, min(k + ACROSS_BARS, count))
        goes_on = max(alike[k, n] for n in after) >= GROOVE_LASTS
        went_on = alike[k - 2, k - 3] >= GROOVE_LASTS or alike[k - 2, k - 4] >= GROOVE_LASTS
        across = max(alike[a, b] for a in before for b in (k, *after))
        out[k] = patterns.sounding[k] and goes_on and went_on and across < GROOVE_BREAKS
    return out


def _runs(patterns: Patterns, evidence: np.ndarray, lines: np.ndarray) -> list[tuple[int, int]]:
    """Runs of fill beats (first, end) by the Viterbi algorithm."""
    at_line = np.zeros(len(evidence) + 1)
    at_line[patterns.first_beat] = lines
    opens_bar = np.zeros(len(evidence) + 1, bool)
    opens_bar[patterns.first_beat] = True
    heard = np.any(patterns.beats, axis=(1, 2)).tolist()
    groove, fill = 0.0, -np.inf
    back: list[tuple[bool, bool]] = []
    for b, e in enumerate(evidence.tolist()):
        leave = fill + (at_line[b] if opens_bar[b] else -END_INSIDE_PRICE)
        enter = groove - BEGIN_PRICE if heard[b] else -np.inf
        from_fill_to_groove, from_groove_to_fill = leave > groove, enter > fill
        groove, fill = max(groove, leave), max(fill, enter) + e
        back.append((from_fill_to_groove, from_groove_to_fill))
    in_fill = fill + at_line[-1] > groove
    states = []
    for to_groove_from_fill, to_fill_from_groove in reversed(back):
        states.append(in_fill)
        in_fill = (not to_fill_from_groove) if in_fill else to_groove_from_fill
    states.reverse()
    runs, start = [], None
    for b, state in enumerate([*states, False]):
        if state and start is None:
            start = b
        elif not state and start is not None:
            end = b
            while end > start and not heard[end - 1]:
                end -= 1
            runs.append((start, end))
            start = None
    return runs


def _beat_start(patterns: Patterns, beat: int) -> tuple[int, Fraction]:
    bar = int(np.searchsorted(patterns.first_beat, beat, side="right")) - 1
    return bar, patterns.chart.time_map.bars[bar].beat_spans()[beat - patterns.first_beat[bar]][0]


def _beat_end(patterns: Patterns, beat: int) -> tuple[int, Fraction]:
    bar = int(np.searchsorted(patterns.first_beat, beat, side="right")) - 1
    timed = patterns.chart.time_map.bars[bar]
    start, length = timed.beat_spans()[beat - patterns.first_beat[bar]]
    return (bar + 1, Fraction(0)) if start + length >= timed.length else (bar, start + length)


def _bars_long(chart: Chart, span: Mark) -> float:
    return float(span.length(chart.time_map) / chart.time_map.bars[span.start[0]].meter.bar_length)


def filled_bars(chart: Chart, spans: Iterable[Mark]) -> frozenset[int]:
    """Bars that fills take up."""
    return frozenset(
        k
        for span in spans
        for k, start, end in span.pieces(chart.time_map)
        if end - start >= MOST_OF_BAR * chart.time_map.bars[k].length
    )


def notes_between(chart: Chart, start: tuple[int, Fraction], end: tuple[int, Fraction]) -> list[tuple[int, Note]]:
    """Notes from one place to another (exclusive), in order, with their bar index."""
    bars = range(start[0], min(end[0] + 1, len(chart)))
    return [(k, n) for k in bars for n in chart.bars[k].notes if start <= (k, n.position) < end]


def _hand_drum_strokes(chart: Chart, span: Mark) -> int:
    # Clicks of the sticks that count a song in are no fill.
    drums = HAND_DRUMS - {"side stick"}
    return sum(n.instrument in drums for _, n in notes_between(chart, span.start, span.end))


# -- the exact first stroke ---------------------------------------------------------


def refine_fill(chart: Chart, span: Mark, base_at: Mapping[int, frozenset]) -> Mark | None:
    """Begin a fill with the first stroke that departs from the groove, and end it where it lands.

    Parameters
    ----------
    chart : Chart
    span : Mark
        Found to the beat.
    base_at : mapping
        Bar index → pattern (position, instrument) of the groove there.

    Returns
    -------
    Mark or None
        None where nothing but left-out strokes tells it from the groove.
    """
    if span.confirmed:
        return span
    first_bar, first = span.start
    last = span.end[0]
    # What is struck on the 1 and not after it is what the fill leads to, though the part end there.
    if last > first_bar and not any(n.position for _, n in notes_between(chart, (last, Fraction(0)), span.end)):
        span = replace(span, end=(last, Fraction(0)))
    meter = chart.time_map.bars[first_bar].meter
    earliest = max(first - meter.beat_length / 2, Fraction(0))
    new = [
        (k, n)
        for k, n in notes_between(chart, (first_bar, earliest), span.end)
        if n.instrument in HAND_DRUMS and n.key not in base_at.get(k, frozenset())
    ]
    if len(new) < FEWEST_FILL_STROKES or (new[-1][0], new[-1][1].position) < span.start:
        return None
    start = (new[0][0], new[0][1].position)
    # New strokes just before, the hands already off the timekeeper.
    for k, n in reversed(notes_between(chart, (first_bar, Fraction(0)), start)):
        kept = any(n.position < p < start[1] and name in TIMEKEEPING for p, name in base_at.get(k, ()))
        if start[0] != k or start[1] - n.position > meter.beat_length and not kept:
            break
        if n.instrument in TIMEKEEPING:
            break
        if n.instrument in HAND_DRUMS and n.key not in base_at.get(k, frozenset()):
            start = (k, n.position)
    # Strokes of the groove (a backbeat, say) that the fill runs on from: taken
    # in where the hands had already left the timekeeper, or where it goes on through the fill.
    goes_on = any(n.instrument in TIMEKEEPING for _, n in notes_between(chart, start, span.end))
    for k, n in reversed(notes_between(chart, (first_bar, earliest), start)):
        if n.instrument not in HAND_DRUMS or start[0] != k:
            continue
        timekeepers = {m.instrument for m in chart.bars[k].notes if m.position == n.position} & TIMEKEEPING
        gap = start[1] - n.position
        if timekeepers and not goes_on or gap > meter.beat_length / (3 if goes_on else 2):
            break
        start = (k, n.position)
    return replace(span, start=start)
