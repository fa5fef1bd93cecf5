"""How a chart was played: figures about a take.

The take is aligned on the chart like a draft on a recording, but here the chart
is right, but for the hits that it doubts itself, and the playing is looked at: strokes missed and added, early or late
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
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from workbench.alignment.align import align_chart
from workbench.alignment.alignedbars import AlignedBar, Alignment, aligned_time_s, bar_span, runs_of
from workbench.chart import Chart, Mark, Note, is_doubtful
from workbench.chart.counting import and_list, bar_list, percent_said
from workbench.chart.drumkit import TIMEKEEPING, drum_key_order
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
from workbench.checking.way import with_bars_again
from workbench.errors import AnalysisError
from workbench.facts import facts
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
#: A stroke is called missed or added from this certainty on; the chart is right, so less is asked than of a check.
SURE_FROM = 0.6
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
    of which it cannot be told, ``doubtful`` among them those of which the chart
    itself is not sure.
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
    doubtful: int = 0

    @property
    def vouched(self) -> int:
        """Written strokes that a player can be held to."""
        return self.written - self.doubtful

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
    bar_count : int
        Of the bars that it touches.
    """

    bar_number: int
    start_s: float
    tempo_change: float
    error: float = 0.0
    early_ms: float = 0.0
    landing_ms: float | None = None
    bar_count: int = 1


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

    @property
    def vouched(self) -> int:
        """Written strokes that the player can be held to."""
        return sum(i.vouched for i in self.instruments)

    @property
    def unchecked_bars(self) -> tuple[int, ...]:
        """Indices of the bars played that are a draft which nobody has checked."""
        return tuple(k for k in self.chart.unchecked_bars if k in self.alignment.played)

    @property
    def bars_played(self) -> str:
        """The bars that were looked for, as "bars 5–8"; empty if all."""
        if self.only_bars is None:
            return ""
        first, last = self.only_bars
        return bar_list(self.chart.time_map, range(first, last + 1))

    def to_data(self) -> dict:
        """The figures as what JSON can hold."""
        told = "what position instrument instead time_s"
        return facts(
            self,
            "against zero tempo_bpm chart_bpm drift_percent written played "
            "instruments bars fills ghosts repeats off_click bars_played",
            title=self.chart.title,
            agreement=self.alignment.agreement,
            strokes=[facts(s, told, bar=s.bar_number) for s in self.strokes],
        )


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
            f"The take hardly agrees with the chart ({percent_said(alignment.agreement)}); make sure that "
            "it is a recording of this part."
        )
    alignment = with_bars_again(chart, alignment, heard)
    if click:
        _refuse_another_tempo(chart, alignment, click)
    matched = match_notes(chart, alignment, heard)
    # The ear may take a drum for one that sounds alike; then it was played all the same.
    played = [
        *((i, j) for i, j in matched.pairs.same if i not in matched.dubious),
        *(
            (i, j)
            for i, j in matched.pairs.renamed
            if not heard.known
            and are_easily_confused(matched.expected[i].note.instrument, matched.strokes[j].instrument)
            and abs(matched.expected[i].stroke.time_s - matched.strokes[j].time_s) <= TOGETHER_S
        ),
    ]
    half_heard = matched.half_heard - {i for i, _ in played}
    # What the chart doubts itself is never held against the player.
    doubtful = {i for i, e in enumerate(matched.expected) if is_doubtful(e.note, chart.doubt_below)}
    not_held = {
        (e.aligned_index, e.note.position, e.note.instrument)
        for e in (matched.expected[i] for i in half_heard | matched.dubious | doubtful)
    }
    sure = [
        f
        for f in judge_notes(chart, alignment, heard, matched, places=False).findings
        if f.probability >= SURE_FROM and (f.aligned_index, f.position, f.instrument) not in not_held
    ]
    lines = _click_lines(chart, alignment, click) if click else None
    measured = _measured(chart, matched, played, lines)
    lost_s = None
    if click and (off_s := _lost_click_s(measured, click)) is not None:
        click, lost_s = None, off_s
        measured = _measured(chart, matched, played)
    zero = ""
    if click is None or click.start_s is None:
        measured, zero = _from_the_time_keeping_hand(measured, own_tempo=click is None)
    off_click = _off_click(chart, measured) if click else ()
    off = {n for stretch in off_click for n in stretch.bar_numbers}
    measured["off_click"] = [chart.time_map.bar_number(e.chart_bar) in off for e in measured["note"]]
    bars = _bars(chart, alignment, measured, sure)
    tempi = [b.tempo_bpm for b in bars if b.tempo_bpm is not None] or [chart.time_map.tempo_bpm(0)]
    strokes = differing_strokes(chart, matched, {i for i, _ in played} | half_heard, sure)
    return Playing(
        chart,
        alignment,
        "the click" if click else "your own tempo",
        float(np.median(tempi)),
        _drift(bars),
        _instruments(matched, measured, half_heard, strokes),
        bars,
        _fills(chart, alignment, measured),
        _ghosts(chart, matched, measured),
        _repeats(chart, measured),
        tuple(zip(measured["name"], measured["time_s"], 1000 * measured["seconds"])),
        strokes,
        lost_s,
        only_bars,
        zero,
        off_click,
    )


# -- time ---------------------------------------------------------------------------------


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


def _bar_offsets(measured: pd.DataFrame) -> pd.Series:
    """Median deviation of each aligned bar's strokes, seconds."""
    return measured.groupby("bar")["seconds"].median()


def _spread_of(values: pd.Series) -> float:
    """Standard deviation estimated from the median, which outliers do not bend."""
    return 1.4826 * float((values - values.median()).abs().median())


def _lost_click_s(measured: pd.DataFrame, click: Click) -> float | None:
    """How far half the bars lie from the click, or further, where that is no playing to it; else None."""
    offsets = _bar_offsets(measured)
    if click.start_s is None:
        offsets -= offsets.median()
    far_s = float(offsets.abs().median())
    lost = far_s > LOST_CLICK * 60 / click.tempo_bpm or _spread_of(offsets) > WANDERING_S
    return far_s if lost else None


def _from_the_time_keeping_hand(measured: pd.DataFrame, own_tempo: bool) -> tuple[pd.DataFrame, str]:
    """Deviations from those of the time-keeping hand, and what it plays.

    Who plays without a click sets the zero himself, and the tempo fitted to all strokes lies between the drums:
    a kick that is 20 ms early would pull it along.  Beside the own tempo the hand's strokes near each bar count,
    so that a fit that leans to other drums in some bars does not matter.
    """
    keeping = measured[measured["name"].isin(TIMEKEEPING) & ~measured["slip"]]
    if len(keeping) < FEWEST_ZERO:
        keeping = measured[~measured["slip"]]
    shift = pd.Series(keeping["seconds"].median() if len(keeping) else 0.0, measured.index)
    for k in measured["bar"].unique() if own_tempo else ():
        near = keeping.loc[keeping["bar"].between(k - NEAR_BARS, k + NEAR_BARS), "seconds"]
        if len(near) >= FEWEST_ZERO:
            shift[measured["bar"] == k] = near.mean()
    used = Counter(keeping.loc[keeping["name"].isin(TIMEKEEPING), "name"]).most_common(2)
    names = [n for n, count in used if count >= 0.2 * len(keeping)]
    shifted = measured.assign(seconds=measured["seconds"] - shift)
    return shifted, f"your {and_list(names)}" if names else ""


def _off_click(chart: Chart, measured: pd.DataFrame) -> tuple[OffClick, ...]:
    """Stretches of bars that lie off the click."""
    offsets = _bar_offsets(measured)
    offsets -= offsets.median()
    far = offsets[offsets.abs() > OFF_CLICK_S]
    number = {e.aligned_index: chart.time_map.bar_number(e.chart_bar) for e in measured["note"]}
    # Bars that follow each other on one side are one stretch.
    parted = (far.index.to_series().diff() != 1) | (np.sign(far).diff() != 0)
    return tuple(
        OffClick(tuple(number[k] for k in run.index), 1000 * float(run.mean()))
        for _, run in far.groupby(parted.cumsum())
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
    """When the chart wants a note, in its own seconds: as written, and swung where the song swings."""
    k = expected.chart_bar
    return chart.time_map.seconds(k, expected.note.position) + _swung_s(chart, k, expected.note)


def _swung_s(chart: Chart, k: int, note: Note) -> float:
    """How much later than the beats say a song that swings has a note: by its ratio, or as it was heard where no ratio
    is known."""
    if chart.feel == "straight":
        return 0.0
    return chart.swing_s(k, note.position) if chart.pocket.swing_ratio > 0.5 else note.deviation_s


def _wanted_s(chart: Chart, e: Expected, lines: Sequence[AlignedBar] | None) -> float:
    """When a note should come in the recording: by the click's bars, or by the player's own tempo."""
    k = e.chart_bar
    if lines is None:
        return aligned_time_s(_written_s(chart, e), bar_span(chart, k), e.aligned)
    share = float(e.note.position / chart.time_map.bars[k].length)
    if chart.feel != "straight":
        start_s, end_s = bar_span(chart, k)
        share += _swung_s(chart, k, e.note) / (end_s - start_s)
    line = lines[e.aligned_index]
    return line.start_s + share * (line.end_s - line.start_s)


def _measured(
    chart: Chart, matched: Matched, played: Sequence[tuple[int, int]], lines: Sequence[AlignedBar] | None = None
) -> pd.DataFrame:
    """Notes and the strokes that play them, a row each in order of time.

    ``note`` is the :class:`Expected`, ``bar`` the number of its aligned bar, ``seconds`` how far the stroke lies from
    where a click has the note, or the player's own tempo; ``slip`` says whether that is no feel any more.
    """
    rows = []
    for i, j in sorted(played):
        e, s = matched.expected[i], matched.strokes[j]
        off_s = s.time_s - _wanted_s(chart, e, lines)
        rows.append((e, e.aligned_index, e.note.instrument, _written_s(chart, e), s.time_s, s.velocity, off_s))
    out = pd.DataFrame(rows, columns=["note", "bar", "name", "written_s", "time_s", "velocity", "seconds"])
    out["seconds"] = out["seconds"].astype(float)
    # A slip is far from what is usual for its drum and from where the player is just then: who is ahead of the click
    # for some bars does not slip.
    rest = out["seconds"] - out.groupby("name")["seconds"].transform("median")
    here = {k: rest[out["bar"].between(k - NEAR_BARS, k + NEAR_BARS)].median() for k in out["bar"].unique()}
    slip = pd.Series(True, out.index)
    for away in (rest.abs(), (rest - out["bar"].map(here)).abs()):
        spread = 1.4826 * away.groupby(out["name"]).transform("median")
        slip &= away > np.maximum(LEAST_SLIP_S, SLIP_SPREADS * spread)
    return out.assign(slip=slip)


def _instruments(
    matched: Matched, measured: pd.DataFrame, half_heard: Collection[int], strokes: Sequence[DifferingStroke]
) -> tuple[InstrumentTiming, ...]:
    """Each instrument, its mean and spread where the player keeps to the click."""
    counts = Counter((s.what, s.instrument) for s in strokes)
    doubtful = Counter(s.instrument for s in strokes if s.doubtful)
    written = Counter(e.note.instrument for e in matched.expected)
    out = []
    for name in sorted({*written, *(n for what, n in counts if what == "added")} - NOT_HEARD, key=drum_key_order):
        mine = measured[measured["name"] == name]
        also = sum(matched.expected[i].note.instrument == name for i in half_heard)
        good = 1000 * mine.loc[~mine["slip"] & ~mine["off_click"], "seconds"]
        enough = len(good) >= FEWEST_STROKES and len(mine) >= LEAST_SHARE * written[name]
        out.append(
            InstrumentTiming(
                name,
                written[name],
                len(mine) + also,
                counts["missed", name],
                counts["unsure", name],
                counts["added", name],
                float(good.mean()) if enough else None,
                float(good.std(ddof=0)) if enough else None,
                int(mine["slip"].sum()),
                doubtful[name],
            )
        )
    return tuple(out)


def _bars(chart: Chart, alignment: Alignment, measured: pd.DataFrame, sure: Sequence[Finding]) -> tuple[BarTiming, ...]:
    steady = measured[~measured["slip"]]
    out = []
    for index, aligned in enumerate(alignment.bars):
        k = aligned.chart_bar
        if k is None:
            continue
        mine = steady[steady["bar"] == index]
        here = [f for f in sure if f.aligned_index == index]
        slope = _slope(mine)
        out.append(
            BarTiming(
                k,
                chart.time_map.bar_number(k),
                aligned.start_s,
                aligned.end_s,
                1000 * float(mine["seconds"].mean()) if len(mine) >= 3 else None,
                None if slope is None else chart.time_map.tempo_bpm(k) / slope,
                sum(map(is_missed, here)),
                sum(f.kind == "missing" for f in here),
            )
        )
    return tuple(out)


def _slope(strokes: pd.DataFrame) -> float | None:
    """Played over written time of some strokes, or None if they are too few or too close."""
    x, y = strokes["written_s"].to_numpy(float), strokes["time_s"].to_numpy(float)
    if len(x) < 4 or np.ptp(x) < 0.4:
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


def _fills(chart: Chart, alignment: Alignment, measured: pd.DataFrame) -> tuple[FillTiming, ...]:
    places = pd.Series([(e.chart_bar, e.note.position) for e in measured["note"]], measured.index, dtype=object)
    out = []
    run_of = {k: run for run in runs_of(alignment.bars) for k in run}
    for span in find_fills(Patterns.of(chart)):
        for k, aligned in enumerate(alignment.bars):
            # Bars from elsewhere in the part say nothing of the tempo here.
            near = measured["bar"].between(k - 2, k + len(span.bars)) & measured["bar"].isin(run_of.get(k, ()))
            if aligned.chart_bar == span.start[0] and near.any():
                timing = _fill_timing(chart, measured[near].assign(place=places[near]), span, k)
                out += [timing] if timing is not None else []
    return tuple(sorted(out, key=lambda f: f.start_s))


def _fill_timing(chart: Chart, near: pd.DataFrame, span: Mark, k: int) -> FillTiming | None:
    """How a fill, up to the stroke after it, goes with the two bars before."""
    came = near["place"].map(lambda place: place < span.start).astype(bool)
    before = near[came & (near["bar"] <= k)]
    after = near[~came & (near["bar"] >= k)]
    inside = after[after["place"].map(lambda place: place < span.end).astype(bool)]
    landing = after[after["place"].map(lambda place: place == span.end).astype(bool)]
    fill = pd.concat([inside, landing])
    first, second = _slope(before), _slope(fill)
    if first is None or second is None or not len(inside):
        return None

    def late_ms(strokes: pd.DataFrame) -> float:
        expected = before["time_s"].mean() + first * (strokes["written_s"] - before["written_s"].mean())
        return 1000 * float((strokes["time_s"] - expected).mean())

    return FillTiming(
        chart.time_map.bar_number(span.start[0]),
        float(inside["time_s"].iloc[0]),
        first / second - 1.0,
        float(np.hypot(_slope_error(before, first) / first, _slope_error(fill, second) / second)),
        late_ms(inside.sort_values(["written_s", "time_s"])[len(inside) // 2 :]),
        late_ms(landing) if len(landing) else None,
        len(span.bars),
    )


def _slope_error(strokes: pd.DataFrame, slope: float) -> float:
    """Standard error of the slope of a straight line through some strokes."""
    x, y = (strokes[column] - strokes[column].mean() for column in ("written_s", "time_s"))
    spread = max(FINEST_FILL_S, float(np.sqrt(((y - slope * x) ** 2).sum() / max(1, len(x) - 2))))
    return spread / float(np.sqrt((x**2).sum()))


# -- loudness and likeness --------------------------------------------------------------------


def _ghosts(chart: Chart, matched: Matched, measured: pd.DataFrame) -> tuple[GhostNotes, ...]:
    out, limit = [], ghost_limit(chart)
    sure = np.array([not is_doubtful(e.note, chart.doubt_below) for e in measured["note"]], bool)
    expected = [e.note for e in matched.expected if not is_doubtful(e.note, chart.doubt_below)]
    ghosts = Counter(n.instrument for n in expected if is_ghost(n, limit))
    softly = np.array([is_ghost(e.note, limit) for e in measured["note"]], bool)
    loudness = measured.assign(written=[e.note.velocity for e in measured["note"]])[["written", "velocity"]]
    for name in ("snare", "floor tom", "mid tom", "high tom"):
        mine = measured["name"] == name
        soft, full = loudness[mine & softly & sure], loudness[mine & ~softly & sure]
        if len(soft) >= FEWEST_STROKES and len(full) >= FEWEST_STROKES:
            written, played = soft.median() / full.median()
            # A score says only "ghost": then both are written equally loud.
            wanted = float(written) if written < 0.8 else GHOST_RATIO
            out.append(GhostNotes(name, ghosts[name], len(soft), float(played), wanted))
        elif ghosts[name] >= FEWEST_STROKES and len(full) >= FEWEST_STROKES:
            out.append(GhostNotes(name, ghosts[name], len(soft), 0.0, GHOST_RATIO))
    return tuple(out)


def _repeats(chart: Chart, measured: pd.DataFrame) -> tuple[RepeatedBar, ...]:
    """Bars that come again often enough, most even first."""
    steady = measured[~measured["slip"]]
    alike = [chart.repeats_of(e.chart_bar) for e in steady["note"]]
    keys = [e.note.key for e in steady["note"]]
    drift = steady.groupby("bar")["seconds"].transform("median")  # told elsewhere
    steady = steady.assign(alike=alike, key=keys, off=steady["seconds"] - drift)
    played = {e.chart_bar for e in measured["note"]}
    out = []
    for bars, found in steady.groupby("alike", sort=False):
        notes = found.groupby("key").agg(
            count=("off", "size"), off=("off", "var"), loud=("velocity", "std"), mean=("velocity", "mean")
        )
        often = notes[notes["count"] >= FEWEST_REPEATS]
        if found["bar"].nunique() >= FEWEST_REPEATS and len(often) >= 3:
            # Unbiased: each note's own mean costs one of its repeats.
            free = often["count"] - 1
            spread_s = np.sqrt((often["off"] * free).sum() / free.sum())
            loud = float((often["loud"] / often["mean"].clip(lower=1.0)).mean())
            numbers = tuple(chart.time_map.bar_number(k) for k in bars if k in played)
            out.append(RepeatedBar(numbers, float(1000 * spread_s), loud))
    return tuple(sorted(out, key=lambda r: r.spread_ms))
