"""How a chart was played: figures about a take.

The take is aligned on the chart like a draft on a recording, but here the chart
is right and the playing is looked at: strokes missed and added, early or late
against the click or against the player's own tempo, rushing and dragging over
bars and in fills, dynamics, and how alike the same bar comes out each time.

What the figures mean is said in :mod:`workbench.checking.take_words`; the spread of a
drummer's strokes is set beside that of working drummers playing to a click
(:data:`WORKING_DRUMMERS_SPREAD_MS`).

Conventions
-----------
Deviations are played minus written time, so early is negative; milliseconds
in the results, seconds inside.  *Spread* is the standard deviation.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np

from workbench.alignment.align import align_chart
from workbench.alignment.alignedbars import AlignedBar, Alignment, aligned_time_s
from workbench.chart import Chart, Mark
from workbench.chart.counting import and_list
from workbench.chart.drumkit import TIMEKEEPING, drum_key_order
from workbench.chart.events import Stroke
from workbench.chart.ghosts import ghost_limit, is_ghost
from workbench.checking.differing import DifferingStroke, differing_strokes, is_missed
from workbench.checking.findings import (
    NOT_HEARD,
    TOGETHER_S,
    Expected,
    Finding,
    Matched,
    are_easily_confused,
    match_notes,
)
from workbench.checking.judging import judge_notes
from workbench.errors import AnalysisError
from workbench.listening.transcription import Transcription
from workbench.reading.fills import find_fills
from workbench.reading.patterns import Patterns

# Numbers whose origin is not named: chosen by eye, no source.
#: Whose tempo is apart from the click's by more than this share, bar for bar, did not play to that click.
ANOTHER_TEMPO = 0.08
#: Tempi that a click may have, beats a minute.
CLICK_BPM = (20, 400)
#: Half the bars further from the click than this share of a beat, or bars wandering about it by more than
#: so many seconds (robust standard deviation): the click was lost, or it is not this one.  Of 279 performances of
#: the Groove MIDI data set, played to a click, none wanders by more than 28 ms.
LOST_CLICK, WANDERING_S = 0.25, 0.045
#: Bars further than this from where the others lie to the click are off it, seconds: a stretch, and no slips.
OFF_CLICK_S = 0.05
#: Spread of working drummers on eighth-note places, to a click: a quarter of
#: performances lies below the first number, half below the second, three
#: quarters below the third.  Measured over 302 performances of the Groove MIDI
#: data set (J. Gillick et al., ICML 2019; CC BY 4.0) by tests/benchmarks/bench_take.py.
WORKING_DRUMMERS_SPREAD_MS = (13.5, 15.6, 18.5)

#: Below this agreement the take is of something else; below this, it may be.
LEAST_TAKE_AGREEMENT, USUAL_TAKE_AGREEMENT = 0.4, 0.6
#: Strokes so many robust spreads from where the player is in this bar and its neighbours are slips, not feel.
SLIP_SPREADS = 4.0
#: The least deviation that may count as a slip, seconds.
LEAST_SLIP_S = 0.03
#: Bars on each side that say where the player is.
NEAR_BARS = 1
#: The time-keeping hand is the zero of a bar only if it has so many strokes near it.
FEWEST_ZERO = 6
#: Strokes of a fill are no closer to a straight line than this, seconds, however few they are.
FINEST_FILL_S = 0.008
#: Fewest strokes from which a mean and a spread are told.
FEWEST_STROKES = 5
#: … which must be this share of the written ones: what is heard of a badly heard
#: drum is no fair sample of it.
LEAST_SHARE = 0.7
#: Loudness of ghost notes against full strokes where the chart does not say.
GHOST_RATIO = 0.45
#: Fewest times a bar must come again for its consistency to be told.
FEWEST_REPEATS = 3


@dataclass(frozen=True)
class Click:
    """What the player heard.

    Attributes
    ----------
    tempo_bpm : float
        Counted beats a minute.
    start_s : float or None
        Time of a click in the recording, if known.  Without it the strokes
        are taken to lie on the click on average.
    """

    tempo_bpm: float
    start_s: float | None = None

    def __post_init__(self) -> None:
        low, high = CLICK_BPM
        if not low <= self.tempo_bpm <= high:
            raise AnalysisError(
                f"A click of {self.tempo_bpm:g} beats a minute is none: give its tempo in counted "
                f"beats a minute, {low} to {high}."
            )
        if self.start_s is not None and not 0 <= self.start_s < np.inf:
            raise AnalysisError(
                f"A click cannot begin at {self.start_s:g} s: give the time of one of its clicks in "
                "the recording, in seconds from the beginning."
            )


@dataclass(frozen=True)
class InstrumentTiming:
    """How one instrument was played: counts, and deviations in milliseconds (None if too few).

    ``missed`` and ``added`` count what is sure; ``unsure`` are written strokes
    of which it cannot be told.
    """

    instrument: str
    written: int
    played: int
    missed: int
    unsure: int
    added: int
    mean_ms: float | None
    spread_ms: float | None
    slips: int

    @property
    def mean_error_ms(self) -> float:
        """Standard error of the mean, milliseconds; 0 where there is none."""
        return 0.0 if self.spread_ms is None else self.spread_ms / max(1, self.played - self.slips) ** 0.5


@dataclass(frozen=True)
class BarTiming:
    """One played bar: mean deviation of its strokes (ms), its own tempo (None if too few strokes)."""

    bar_index: int
    bar_number: int
    start_s: float
    end_s: float
    offset_ms: float | None
    tempo_bpm: float | None
    missed: int
    added: int


@dataclass(frozen=True)
class FillTiming:
    """A fill beside the two bars before it, counted on.

    Attributes
    ----------
    tempo_change, error : float
        Its tempo over theirs, less one (+0.05: five per cent faster); standard error.
    early_ms, landing_ms : float
        Where the second half of its strokes, and the stroke that it lands on, come by their tempo (early is
        negative); None if the landing is not heard.
    """

    bar_number: int
    start_s: float
    tempo_change: float
    error: float = 0.0
    early_ms: float = 0.0
    landing_ms: float | None = None


@dataclass(frozen=True)
class GhostNotes:
    """Ghost notes of one instrument: written, heard, and their loudness over that of its full strokes, played
    and wanted (0–1); 0 where too few are heard."""

    instrument: str
    written: int
    count: int
    ratio: float
    wanted: float


@dataclass(frozen=True)
class OffClick:
    """Bars in a row that lie off the click: their numbers, and where they lie (ms, early is negative)."""

    bar_numbers: tuple[int, ...]
    mean_ms: float


@dataclass(frozen=True)
class RepeatedBar:
    """How alike a bar comes out each time: spread of the same note's time (ms) and loudness."""

    bar_numbers: tuple[int, ...]
    spread_ms: float
    loudness_spread: float


@dataclass(frozen=True)
class Playing:
    """Figures about a take.

    Attributes
    ----------
    against : str
        'the click' or 'your own tempo': what deviations refer to.
    zero : str
        Where no click says what is early: the time-keeping hand, as "your closed hi-hat", on which it is
        measured then.  Empty where the click's place is known.
    lost_click_s : float or None
        If a click was named but the take does not keep to it: how far off it
        is, half the bars further; then deviations refer to the own tempo.
    tempo_bpm, drift_percent : float
        Median tempo in counted beats a minute; change of tempo from beginning
        to end, in per cent (positive: faster).
    deviations : tuple of (str, float, float)
        Of every stroke that was written: instrument, time in the recording
        (seconds), deviation (ms).
    strokes : tuple of DifferingStroke
        Strokes missed, unsure and added, in order of time.
    only_bars : (int, int) or None
        The bars that were looked for, if not all.
    """

    chart: Chart
    alignment: Alignment
    against: str
    tempo_bpm: float
    drift_percent: float
    instruments: tuple[InstrumentTiming, ...]
    bars: tuple[BarTiming, ...]
    fills: tuple[FillTiming, ...]
    ghosts: tuple[GhostNotes, ...]
    repeats: tuple[RepeatedBar, ...]
    deviations: tuple[tuple[str, float, float], ...]
    strokes: tuple[DifferingStroke, ...] = ()
    lost_click_s: float | None = None
    only_bars: tuple[int, int] | None = None
    zero: str = ""
    off_click: tuple[OffClick, ...] = ()

    @property
    def chart_bpm(self) -> float:
        """Tempo of the part, counted beats a minute: the median of the bars played."""
        return float(np.median([self.chart.time_map.tempo_bpm(b.bar_index) for b in self.bars] or [self.tempo_bpm]))

    @property
    def played(self) -> int:
        return sum(i.played for i in self.instruments)

    @property
    def written(self) -> int:
        return sum(i.written for i in self.instruments)

    def to_data(self) -> dict:
        """The figures as what JSON can hold."""
        tables = {
            name: [asdict(x) for x in getattr(self, name)]
            for name in ("instruments", "bars", "fills", "ghosts", "repeats", "off_click")
        }
        return {
            "title": self.chart.title,
            "against": self.against,
            "zero": self.zero,
            "agreement": round(self.alignment.agreement, 3),
            "tempo_bpm": round(self.tempo_bpm, 2),
            "chart_bpm": round(self.chart_bpm, 2),
            "drift_percent": round(self.drift_percent, 2),
            "written": self.written,
            "played": self.played,
            "strokes": [
                {
                    "what": s.what,
                    "bar": s.bar_number,
                    "position": str(s.position),
                    "instrument": s.instrument,
                    "instead": s.instead,
                    "time_s": round(s.time_s, 4),
                }
                for s in self.strokes
            ],
            **tables,
        }


def measure_playing(
    chart: Chart, heard: Transcription, click: Click | None = None, only_bars: tuple[int, int] | None = None
) -> Playing:
    """Measure how a chart was played, from the strokes heard.

    Parameters
    ----------
    chart : Chart
    heard : Transcription
        Strokes at their exact times (:func:`workbench.listening.onsets.refine_onsets`).
    click : Click, optional
        If the take was played to a click; otherwise deviations refer to the
        player's own tempo.
    only_bars : (int, int), optional
        First and last index of the bars that were played, once or round and
        round; the whole chart by default.

    Raises
    ------
    AnalysisError
        If the chart has no notes, the recording is of something else, or
        the take was clearly not played at the click's tempo.
    """
    alignment = align_chart(chart, heard.strokes, heard.beat_times_s, heard.duration_s, only_bars)
    if not any(b.chart_bar is not None for b in alignment.bars) or alignment.agreement < LEAST_TAKE_AGREEMENT:
        raise AnalysisError(
            f"The take hardly agrees with the chart ({alignment.agreement:.0%}); make sure that "
            "it is a recording of this part."
        )
    if click:
        _refuse_another_tempo(chart, alignment, click)
    matched = match_notes(chart, alignment, heard)
    # The ear may take a drum for one that sounds alike; then it was played all the same.
    played = [
        *matched.pairs.same,
        *(
            (i, j)
            for i, j in matched.pairs.renamed
            if are_easily_confused(matched.expected[i].note.instrument, matched.strokes[j].instrument)
            and abs(matched.expected[i].stroke.time_s - matched.strokes[j].time_s) <= TOGETHER_S
        ),
    ]
    sure = [f for f in judge_notes(chart, alignment, heard, matched, places=False).findings if f.verdict == "wrong"]
    lines = _click_lines(chart, alignment, click) if click else None
    measured = _deviations(chart, matched, played, lines)
    lost_s = None
    if click and (off_s := _lost_click_s(measured, click)) is not None:
        click, lost_s = None, off_s
        measured = _deviations(chart, matched, played)
    zero = ""
    if click is None or click.start_s is None:
        measured, zero = _from_the_time_keeping_hand(measured, own_tempo=click is None)
    off_click = _off_click(chart, measured) if click else ()
    off = {n for stretch in off_click for n in stretch.bar_numbers}
    steady = np.array([chart.time_map.bar_number(e.chart_bar) not in off for e in measured.notes], bool)
    bars = _bars(chart, alignment, measured, sure)
    tempi = [b.tempo_bpm for b in bars if b.tempo_bpm is not None] or [chart.time_map.tempo_bpm(0)]
    deviations = (
        (e.note.instrument, s.time_s, float(1000 * d))
        for e, s, d in zip(measured.notes, measured.strokes, measured.seconds)
    )
    strokes = differing_strokes(chart, matched, {i for i, _ in played}, sure)
    return Playing(
        chart,
        alignment,
        "the click" if click else "your own tempo",
        float(np.median(tempi)),
        _drift(bars),
        _instruments(matched, measured, steady, strokes),
        bars,
        _fills(chart, alignment, measured),
        _ghosts(chart, matched, measured),
        _repeats(chart, measured),
        tuple(deviations),
        strokes,
        lost_s,
        only_bars,
        zero,
        off_click,
    )


# -- time ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Measured:
    """Notes and the strokes that play them, in order of time; deviations in seconds; which are slips."""

    notes: tuple[Expected, ...]
    strokes: tuple[Stroke, ...]
    seconds: np.ndarray
    slips: np.ndarray


def _refuse_another_tempo(chart: Chart, alignment: Alignment, click: Click) -> None:
    """Against a click that nobody heard every figure would be wrong, and the advice absurd."""
    bars = [
        (aligned, chart.time_map.bars[aligned.chart_bar]) for aligned in alignment.bars if aligned.chart_bar is not None
    ]
    tempo = float(
        np.median(
            [
                60.0 * float(timed.length / timed.meter.beat_length) / (aligned.end_s - aligned.start_s)
                for aligned, timed in bars
            ]
        )
    )
    if abs(tempo / click.tempo_bpm - 1) > ANOTHER_TEMPO:
        raise AnalysisError(
            f"The take was played at about {tempo:.0f} counted beats a minute, not to a click of "
            f"{click.tempo_bpm:.0f}. Give the click's true tempo in counted beats, or none if there was no click."
        )


def _bar_offsets(measured: _Measured) -> dict[int, float]:
    """Median deviation of each aligned bar's strokes, seconds."""
    by_bar: dict[int, list[float]] = {}
    for e, seconds in zip(measured.notes, measured.seconds):
        by_bar.setdefault(e.aligned_index, []).append(seconds)
    return {k: float(np.median(found)) for k, found in by_bar.items()}


def _spread_of(values: np.ndarray) -> float:
    """Standard deviation estimated from the median, which outliers do not bend."""
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def _lost_click_s(measured: _Measured, click: Click) -> float | None:
    """How far half the bars lie from the click, or further, where that is no playing to it; else None."""
    offsets = np.array(list(_bar_offsets(measured).values()))
    if click.start_s is None:
        offsets -= np.median(offsets)
    far_s = float(np.median(np.abs(offsets)))
    lost = far_s > LOST_CLICK * 60 / click.tempo_bpm or _spread_of(offsets) > WANDERING_S
    return far_s if lost else None


def _from_the_time_keeping_hand(measured: _Measured, own_tempo: bool) -> tuple[_Measured, str]:
    """Deviations from those of the time-keeping hand, and what it plays.

    Who plays without a click sets the zero himself, and the tempo fitted to all strokes lies between the drums:
    a kick that is 20 ms early would pull it along.  Beside the own tempo the hand's strokes near each bar count,
    so that a fit that leans to other drums in some bars does not matter.
    """
    keeping = np.array([e.note.instrument in TIMEKEEPING for e in measured.notes], bool) & ~measured.slips
    if keeping.sum() < FEWEST_ZERO:
        keeping = ~measured.slips
    used = Counter(e.note.instrument for e, k in zip(measured.notes, keeping) if k and e.note.instrument in TIMEKEEPING)
    index = np.array([e.aligned_index for e in measured.notes])
    shift = np.full(len(index), float(np.median(measured.seconds[keeping])) if keeping.any() else 0.0)
    if own_tempo:
        for k in set(index.tolist()):
            near = keeping & (np.abs(index - k) <= NEAR_BARS)
            if near.sum() >= FEWEST_ZERO:
                shift[index == k] = measured.seconds[near].mean()
    names = [n for n, count in used.most_common(2) if count >= 0.2 * keeping.sum()]
    return replace(measured, seconds=measured.seconds - shift), f"your {and_list(names)}" if names else ""


def _off_click(chart: Chart, measured: _Measured) -> tuple[OffClick, ...]:
    """Stretches of bars that lie off the click."""
    offsets = _bar_offsets(measured)
    if not offsets:
        return ()
    middle = float(np.median(list(offsets.values())))
    bar_of = {e.aligned_index: chart.time_map.bar_number(e.chart_bar) for e in measured.notes}
    runs: list[list[int]] = []
    for k in sorted(offsets):
        if abs(offsets[k] - middle) > OFF_CLICK_S:
            same = runs and runs[-1][-1] == k - 1 and (offsets[k] > middle) == (offsets[k - 1] > middle)
            runs[-1].append(k) if same else runs.append([k])
    return tuple(
        OffClick(tuple(bar_of[k] for k in run), 1000 * float(np.mean([offsets[k] - middle for k in run])))
        for run in runs
    )


def _click_lines(chart: Chart, alignment: Alignment, click: Click) -> list[AlignedBar]:
    """Where the click has the bars: each bar line on a click, following bars counted on."""
    beat_s = 60.0 / click.tempo_bpm
    beats = [float(b.length / b.meter.beat_length) for b in chart.time_map.bars]
    start = click.start_s
    if start is None:
        phases = np.array([b.start_s for b in alignment.bars]) / beat_s * 2 * np.pi
        start = float(np.angle(np.exp(1j * phases).mean())) / (2 * np.pi) * beat_s
    lines: list[AlignedBar] = []
    for k, aligned in enumerate(alignment.bars):
        before = alignment.bars[k - 1] if k else None
        follows = (
            before is not None
            and before.chart_bar is not None
            and aligned.chart_bar is not None
            and before.chart_bar + 1 == aligned.chart_bar
        )
        line = lines[-1].end_s if follows else start + round((aligned.start_s - start) / beat_s) * beat_s
        length = (aligned.end_s - aligned.start_s) if aligned.chart_bar is None else beats[aligned.chart_bar] * beat_s
        lines.append(replace(aligned, start_s=line, end_s=line + length))
    return lines


def _written_s(chart: Chart, expected: Expected) -> float:
    """When the chart wants a note, in its own seconds: as written, or with its feel if it is swung."""
    k = expected.chart_bar
    if chart.feel == "straight":
        return chart.time_map.seconds(k, expected.note.position)
    return chart.note_time_s(k, expected.note)


def _deviations(
    chart: Chart, matched: Matched, played: Sequence[tuple[int, int]], lines: Sequence[AlignedBar] | None = None
) -> _Measured:
    """How far strokes lie from where a click has the bars, or from the player's own tempo."""
    notes = tuple(matched.expected[i] for i, _ in sorted(played))
    strokes = tuple(matched.strokes[j] for _, j in sorted(played))
    out = []
    for e, stroke in zip(notes, strokes):
        k = e.chart_bar
        if lines is None:
            span = (chart.time_map.bar_start_s(k), chart.time_map.bar_end_s(k))
            wanted = aligned_time_s(_written_s(chart, e), span, e.aligned)
        else:
            line = lines[e.aligned_index]
            length = chart.time_map.bars[k].length
            share = float(e.note.position / length)
            if chart.feel != "straight":
                bar_s = chart.time_map.bar_end_s(k) - chart.time_map.bar_start_s(k)
                share += e.note.deviation_s / bar_s
            wanted = line.start_s + share * (line.end_s - line.start_s)
        out.append(stroke.time_s - wanted)
    seconds = np.array(out)
    return _Measured(notes, strokes, seconds, _slips(notes, seconds))


def _slips(notes: Sequence[Expected], seconds: np.ndarray) -> np.ndarray:
    """Strokes far from where the player is just then: who is ahead of the click for some bars does not slip."""
    names, index = np.array([e.note.instrument for e in notes]), np.array([e.aligned_index for e in notes])
    rest = seconds.copy()
    for name in set(names.tolist()):
        rest[names == name] -= np.median(seconds[names == name])
    here = {k: np.median(rest[np.abs(index - k) <= NEAR_BARS]) for k in set(index.tolist())}
    away = np.abs(rest - np.array([here[k] for k in index.tolist()]))
    slips = np.zeros(len(seconds), bool)
    for name in set(names.tolist()):
        mine = names == name
        slips[mine] = away[mine] > max(LEAST_SLIP_S, SLIP_SPREADS * 1.4826 * float(np.median(away[mine])))
    return slips


def _instruments(
    matched: Matched, measured: _Measured, steady: np.ndarray, strokes: Sequence[DifferingStroke]
) -> tuple[InstrumentTiming, ...]:
    """Each instrument, its mean and spread where the player keeps to the click (``steady``, of each stroke)."""
    counts = Counter((s.what, s.instrument) for s in strokes)
    names = {e.note.instrument for e in matched.expected} | {n for what, n in counts if what == "added"}
    out = []
    for name in sorted(names - NOT_HEARD, key=drum_key_order):
        written = sum(e.note.instrument == name for e in matched.expected)
        mine = np.array([e.note.instrument == name for e in measured.notes], bool)
        good = measured.seconds[mine & steady & ~measured.slips] * 1000
        enough = len(good) >= FEWEST_STROKES and mine.sum() >= LEAST_SHARE * written
        out.append(
            InstrumentTiming(
                name,
                written,
                int(mine.sum()),
                counts["missed", name],
                counts["unsure", name],
                counts["added", name],
                float(good.mean()) if enough else None,
                float(good.std()) if enough else None,
                int((mine & measured.slips).sum()),
            )
        )
    return tuple(out)


def _bars(chart: Chart, alignment: Alignment, measured: _Measured, sure: Sequence[Finding]) -> tuple[BarTiming, ...]:
    places: dict[int, list[int]] = {}
    for p, e in enumerate(measured.notes):
        if not measured.slips[p]:
            places.setdefault(e.aligned_index, []).append(p)
    out = []
    for index, aligned in enumerate(alignment.bars):
        k = aligned.chart_bar
        if k is None:
            continue
        mine = places.get(index, [])
        offset = float(measured.seconds[mine].mean()) * 1000 if len(mine) >= 3 else None
        here = [f for f in sure if f.aligned_index == index]
        points = [(_written_s(chart, measured.notes[p]), measured.strokes[p].time_s) for p in mine]
        slope = _slope(points)
        tempo = None if slope is None else chart.time_map.tempo_bpm(k) / slope
        out.append(
            BarTiming(
                k,
                chart.time_map.bar_number(k),
                aligned.start_s,
                aligned.end_s,
                offset,
                tempo,
                sum(map(is_missed, here)),
                sum(f.kind == "missing" for f in here),
            )
        )
    return tuple(out)


def _slope(points: Sequence[tuple[float, float]]) -> float | None:
    """Played over written time of some strokes, or None if they are too few or too close."""
    if len(points) < 4:
        return None
    x, y = np.array(points).T
    if x.max() - x.min() < 0.4:
        return None
    return float(np.polyfit(x - x.mean(), y, 1)[0])


def _drift(bars: Sequence[BarTiming]) -> float:
    """Change of tempo from the first bar to the last by a straight line, per cent."""
    known = [(b.start_s, b.tempo_bpm) for b in bars if b.tempo_bpm is not None]
    if len(known) < 4:
        return 0.0
    x, y = np.array(known).T
    # Single bars err by about a per cent; medians of pairs do not bend to outliers.
    slopes = [(y[j] - y[i]) / (x[j] - x[i]) for i in range(len(x)) for j in range(i + 1, len(x))]
    return float(100 * np.median(slopes) * (x[-1] - x[0]) / np.median(y))


def _fills(chart: Chart, alignment: Alignment, measured: _Measured) -> tuple[FillTiming, ...]:
    by_aligned: dict[int, list[tuple[Expected, float]]] = {}
    for e, stroke in zip(measured.notes, measured.strokes):
        by_aligned.setdefault(e.aligned_index, []).append((e, stroke.time_s))
    out = []
    for span in find_fills(Patterns.of(chart)):
        for k, aligned in enumerate(alignment.bars):
            if aligned.chart_bar == span.start[0]:
                timing = _fill_timing(chart, by_aligned, span, k)
                if timing is not None:
                    out.append(timing)
    return tuple(sorted(out, key=lambda f: f.start_s))


def _fill_timing(chart: Chart, by_aligned: dict, span: Mark, k: int) -> FillTiming | None:
    """How a fill, up to the stroke after it, goes with the two bars before."""
    inside, before, landing = [], [], []
    for index in range(max(0, k - 2), k + 1 + len(span.bars)):
        for e, time_s in by_aligned.get(index, []):
            place, point = (e.chart_bar, e.note.position), (_written_s(chart, e), time_s)
            if place < span.start and index <= k:
                before.append(point)
            elif span.start <= place < span.end and index >= k:
                inside.append(point)
            elif place == span.end and index >= k:
                landing.append(point)
    first, second = _slope(before), _slope([*inside, *landing])
    if first is None or second is None or not inside:
        return None
    x, y = np.array(before).T
    expected = lambda points: np.array([y.mean() + first * (t - x.mean()) for t, _ in points])
    late_ms = lambda points: 1000 * float(np.mean(np.array(points)[:, 1] - expected(points)))
    errors = [_slope_error(points, slope) for points, slope in ((before, first), ([*inside, *landing], second))]
    return FillTiming(
        chart.time_map.bar_number(span.start[0]),
        inside[0][1],
        first / second - 1.0,
        float(np.hypot(errors[0] / first, errors[1] / second)),
        late_ms(sorted(inside)[len(inside) // 2 :]),
        late_ms(landing) if landing else None,
    )


def _slope_error(points: Sequence[tuple[float, float]], slope: float) -> float:
    """Standard error of the slope of a straight line through some strokes."""
    x, y = np.array(points).T
    rest = y - y.mean() - slope * (x - x.mean())
    spread = max(FINEST_FILL_S, float(np.sqrt((rest**2).sum() / max(1, len(x) - 2))))
    return spread / float(np.sqrt(((x - x.mean()) ** 2).sum()))


# -- loudness and likeness --------------------------------------------------------------------


def _ghosts(chart: Chart, matched: Matched, measured: _Measured) -> tuple[GhostNotes, ...]:
    out, limit = [], ghost_limit(chart)
    for name in ("snare", "floor tom", "mid tom", "high tom"):
        wanted_notes = sum(e.note.instrument == name and is_ghost(e.note, limit) for e in matched.expected)
        soft: list[tuple[int, int]] = []
        full: list[tuple[int, int]] = []
        for e, stroke in zip(measured.notes, measured.strokes):
            if e.note.instrument == name:
                (soft if is_ghost(e.note, limit) else full).append((e.note.velocity, stroke.velocity))
        if len(soft) >= FEWEST_STROKES and len(full) >= FEWEST_STROKES:
            written, played = np.median(soft, axis=0) / np.median(full, axis=0)
            # A score says only "ghost": then both are written equally loud.
            wanted = float(written) if written < 0.8 else GHOST_RATIO
            out.append(GhostNotes(name, wanted_notes, len(soft), float(played), wanted))
        elif wanted_notes >= FEWEST_STROKES and len(full) >= FEWEST_STROKES:
            out.append(GhostNotes(name, wanted_notes, len(soft), 0.0, GHOST_RATIO))
    return tuple(out)


def _repeats(chart: Chart, measured: _Measured) -> tuple[RepeatedBar, ...]:
    """Bars that come again often enough, most even first."""
    by_bar: dict[int, list[tuple[Expected, float, int]]] = {}
    for e, stroke, seconds, slip in zip(measured.notes, measured.strokes, measured.seconds, measured.slips):
        if not slip:
            by_bar.setdefault(e.aligned_index, []).append((e, seconds, stroke.velocity))
    groups: dict[tuple[int, ...], dict] = {}
    times: dict[tuple[int, ...], int] = {}
    for found in by_bar.values():
        alike = chart.repeats_of(found[0][0].chart_bar)
        middle = np.median([s for _, s, _ in found])  # drift is told elsewhere
        notes = groups.setdefault(alike, {})
        times[alike] = times.get(alike, 0) + 1
        for e, seconds, velocity in found:
            notes.setdefault(e.note.key, []).append((seconds - middle, velocity))
    out = []
    played = {e.chart_bar for e in measured.notes}
    for alike, notes in groups.items():
        often = [np.array(v) for v in notes.values() if len(v) >= FEWEST_REPEATS]
        if times[alike] >= FEWEST_REPEATS and len(often) >= 3:
            # Unbiased: each note's own mean costs one of its repeats.
            spread = np.sqrt(sum(v[:, 0].var() * len(v) for v in often) / sum(len(v) - 1 for v in often))
            loud = np.mean([v[:, 1].std(ddof=1) / max(v[:, 1].mean(), 1.0) for v in often])
            numbers = tuple(chart.time_map.bar_number(k) for k in alike if k in played)
            out.append(RepeatedBar(numbers, float(1000 * spread), float(loud)))
    return tuple(sorted(out, key=lambda r: r.spread_ms))
