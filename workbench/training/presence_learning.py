"""Learn how likely a written note was played of which no stroke was surely heard (:mod:`workbench.checking.presence`).

From human performances of the Groove MIDI data set (CC BY 4.0; J. Gillick et al., *Learning to groove with inverse
sequence transformations*, ICML 2019), rendered by FluidSynth, drums alone and with bass, chords and a lead, on the kits
of several sound fonts, and heard by the shipped detector.  Their charts are right; into them notes are written that
nobody played: anywhere, on another drum's stroke, where other bars have one, and one note in every bar.  Additive
logistic regression tells which notes without a sure stroke were played; each drum's right and invented notes weigh as
much as each other, so that what is learnt is the evidence, not how often charts err::

    python -m workbench.training.presence_learning workbench/checking/presence.json --groove groove-midi \\
        --fonts FluidR3_GM.sf2 MuseScore_General_Full.sf3 TimGM6mb.sf2

About five seconds of one core a song.  ``--test`` tells how well the points of the product do on other performances.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np
from scipy.optimize import minimize

from workbench.alignment.align import align_chart
from workbench.chart import Chart, Note
from workbench.chart.drumkit import DETECTED
from workbench.chart.ghosts import is_soft
from workbench.checking.findings import match_notes
from workbench.checking.presence import NOTE_MEASURES, PresencePoints, measure_notes, read_points
from workbench.listening.transcription import Transcription, transcribe
from workbench.training.bar_songs import FONT_KITS, accompany, compose, render
from workbench.training.groove_performances import performance_chart, read_performances

#: Shortest performance that is learnt from, seconds.
SHORTEST_PERFORMANCE_S = 30.0
#: Charts with invented notes made of each song: here and there, and one note again and again.
DRAWS_SPREAD, DRAWS_AGAIN = 4, 3
#: Share of bars into which a note is written.
SHARE_OF_BARS = 0.4
#: An invented note is so far from strokes of its drum, so near one of another or so far from any, seconds.
OWN_APART_S, ON_ANOTHER_S, ALONE_S = 0.12, 0.02, 0.06
#: Of a chart and its recording that agree less nothing is learnt: they are not lined up.
LINED_UP_FROM = 0.6
#: Softer strokes (MIDI velocity) nobody hears: whether they are found is neither right nor wrong.
SOFTEST_VELOCITY = 20
#: Measures whose points only rise, or only fall: the higher a drum's peak the likelier it was struck, the better the
#: rest of that drum is heard the likelier this note would be, too.
RISES = {
    **dict.fromkeys(("height", "above usual", "stands out", "kin unwritten", "heard at place"), 1),
    **dict.fromkeys(("away", "velocity", "heard of drum", "heard in bar"), -1),
}
#: Corners of a measure's line at most; strength of the L2 penalty on what a line rises from corner to corner; right and
#: invented notes of a drum before any is known.  Chosen by what is then told of the validation split.
MOST_CORNERS, POINTS_PENALTY, NOTES_BEFORE = 8, 3.0, 30.0
#: So much of what is learnt is believed of a song that nobody knows: what is heard of its notes has causes in common.
#: Chosen on the validation split, where right charts are then called wrong hardly oftener than without all this.
BELIEVED = 0.9


@dataclass(frozen=True)
class NoteRows:
    """Notes without a sure stroke.

    Attributes
    ----------
    measures : ndarray (n, :data:`~workbench.checking.presence.NOTE_MEASURES`)
    column : ndarray (n,), int, index in :data:`~workbench.chart.drumkit.DETECTED`
    right : ndarray (n,), bool
        Whether it was played.
    written : ndarray (2, drums)
        How many invented and how many right notes of each drum there are in all, with a sure stroke and without.
    """

    measures: np.ndarray
    column: np.ndarray
    right: np.ndarray
    written: np.ndarray


def hear_charts(
    folder: Path, split: str, fonts: Sequence[Path], count: int, seed: int
) -> Iterator[tuple[Chart, Transcription]]:
    """Performances as charts, every second pair of them as a score has them, with what was heard of them."""
    long = [
        p
        for p in read_performances(folder, (split,))
        if not p.is_fill
        and str(p.meter) == "4/4"
        and p.strokes
        and p.strokes[-1][0] / p.tempo_bpm * 60 >= SHORTEST_PERFORMANCE_S
    ]
    order = np.random.default_rng(seed).permutation(len(long))
    for k in range(count):
        rng, played = np.random.default_rng([seed, k]), long[order[k % len(long)]]
        song = compose(rng, played, played.meter, plain=True)
        kit = int(rng.choice(FONT_KITS)) if k % 3 else 0  # every third has the standard kit
        with tempfile.TemporaryDirectory() as scratch:
            path, backing = Path(scratch) / "song.wav", accompany(rng, song) if k % 2 else ()
            beats_s, _ = render(rng, song, backing, fonts[k % len(fonts)], path, plain=True, kit=kit)
            heard = transcribe(path)
        strokes = tuple(s for s in song.strokes if s[0] < song.beats[len(beats_s) - 1])
        yield performance_chart(replace(played, tempo_bpm=song.quarters_per_minute, strokes=strokes)), heard


def as_score(chart: Chart) -> Chart:
    """A chart without its feel, its notes loud or ghosts."""

    def bare(n: Note) -> Note:
        ghost = frozenset({"ghost"} if is_soft(n) else ())
        return replace(
            n, velocity=30 if ghost else 90, articulations=n.articulations - {"accent"} | ghost, deviation_s=0
        )

    return replace(chart, bars=tuple(replace(b, notes=tuple(map(bare, b.notes))) for b in chart.bars))


def invent(chart: Chart, rng: np.random.Generator, again: bool) -> tuple[Chart, set[tuple]]:
    """The chart with notes that nobody played, and which they are: bar index, position, drum.

    They are as loud and as late as notes of their drum, or of any where the chart has none.
    """
    notes = [n for _, n in chart.notes()]
    time_s = np.array([chart.note_time_s(k, n) for k, n in chart.notes()])
    name = np.array([n.instrument for n in notes])
    sixteenths = [Fraction(int(p), 16) for p in rng.permutation(16)]

    def fits(k: int, position: Fraction, drum: str, how: int) -> bool:
        if not chart.bars[k].notes or position >= chart.time_map.bars[k].length:
            return False
        apart = np.abs(time_s - chart.time_map.seconds(k, position))
        if apart[name == drum].min(initial=9.0) < OWN_APART_S:
            return False
        if how == 2:  # the custom
            return any(b.find(position, drum) is not None for b in chart.bars)
        other = apart[name != drum].min(initial=9.0)
        return bool(other < ON_ANOTHER_S if how else other > ALONE_S)

    def draw() -> tuple[str, int]:
        return str(rng.choice(DETECTED[:-1] if rng.random() < 0.5 else name)), int(rng.integers(3))

    one = draw()
    if again:
        best = max(sixteenths[:6], key=lambda p: sum(fits(k, p, *one) for k in range(len(chart))))
        sixteenths = [best]
    bars, invented = list(chart.bars), set()
    for k in range(len(chart)):
        if not again and rng.random() >= SHARE_OF_BARS:
            continue
        drum, how = one if again else draw()
        position = next((p for p in rng.permutation(sixteenths) if fits(k, p, drum, how)), None)
        if position is None or bars[k].find(position, drum) is not None:
            continue
        own = [n for n in notes if n.instrument == drum] or notes
        like = own[int(rng.integers(len(own)))]
        note = replace(like, instrument=drum, position=position, articulations=like.articulations & {"ghost"})
        bars[k] = bars[k].with_note(note)
        invented.add((k, *note.key))
    return replace(chart, bars=tuple(bars)), invented


def rows_of(songs: Iterable[tuple[Chart, Transcription]], seed: int = 7) -> Iterator[NoteRows]:
    """What is measured of right and of invented notes of songs."""
    for k, (chart, heard) in enumerate(songs):
        unheard = {(b, *n.key) for b, n in chart.notes() if n.velocity < SOFTEST_VELOCITY}
        right = as_score(chart) if k % 4 >= 2 else chart
        for draw in range(DRAWS_SPREAD + DRAWS_AGAIN):
            damaged, invented = invent(right, np.random.default_rng([seed, k, draw]), draw >= DRAWS_SPREAD)
            alignment = align_chart(damaged, heard.strokes, heard.beat_times_s, heard.duration_s)
            if alignment.agreement < LINED_UP_FROM:
                continue
            matched = match_notes(damaged, alignment, heard)
            keys = [(e.chart_bar, *e.note.key) for e in matched.expected]
            rows, measures = measure_notes(heard, matched.expected, matched.names, matched.sure_times_s)
            columns = np.array([DETECTED.index(n) if n in DETECTED else -1 for n in matched.names])
            wrong = np.array([key in invented for key in keys])
            known = np.array([key not in unheard for key in keys]) & (columns >= 0)
            counted = [
                np.bincount(columns[known & (wrong != is_right)], minlength=len(DETECTED)) for is_right in (0, 1)
            ]
            kept = known[rows]
            yield NoteRows(measures[kept], columns[rows][kept], ~wrong[rows][kept], np.array(counted))


def joined(rows: Sequence[NoteRows]) -> NoteRows:
    """All rows in one."""
    return NoteRows(
        *(np.concatenate([getattr(r, name) for r in rows]) for name in ("measures", "column", "right")),
        np.sum([r.written for r in rows], axis=0),
    )


def learn(rows: NoteRows) -> PresencePoints:
    """The points that make the notes likeliest, each drum's right and invented ones weighing alike in all."""
    weight = 1 / (rows.written[rows.right.astype(int), rows.column] + NOTES_BEFORE)
    weight *= len(weight) / weight.sum()
    corners = [_corners(values, weight) for values in rows.measures.T]
    rises = [(k, a, b) for k, at in enumerate(corners) for a, b in zip(at, at[1:])]
    parts = [np.clip((rows.measures[:, k] - a) / (b - a), 0, 1) for k, a, b in rises]
    inputs = np.column_stack([*parts, np.ones(len(weight))])
    ways = [RISES.get(NOTE_MEASURES[k], 0) for k, _, _ in rises]
    bounds = [(0.0 if way > 0 else None, 0.0 if way < 0 else None) for way in (*ways, 0)]

    def loss(b: np.ndarray) -> tuple[float, np.ndarray]:
        said = inputs @ b
        value = (weight * (np.logaddexp(0, said) - rows.right * said)).sum() + POINTS_PENALTY / 2 * (b[:-1] ** 2).sum()
        slope = inputs.T @ (weight * (1 / (1 + np.exp(-said)) - rows.right)) + POINTS_PENALTY * np.append(b[:-1], 0)
        return float(value), slope

    start = np.zeros(inputs.shape[1])
    b = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": 1000}).x
    ends = np.cumsum([len(at) - 1 for at in corners])
    points = tuple(BELIEVED * np.append(0.0, np.cumsum(part)) for part in np.split(b[:-1], ends[:-1]))
    return PresencePoints(tuple(corners), points, BELIEVED * float(b[-1]))


def _corners(values: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Where a measure's line may bend: between any two lie as many of the notes."""
    order = np.argsort(values)
    share = np.cumsum(weight[order]) / weight.sum()
    places = np.searchsorted(share, np.linspace(0, 1, MOST_CORNERS)).clip(0, len(values) - 1)
    return np.unique(np.round(values[order][places], 3))


def report(rows: NoteRows, points: PresencePoints) -> None:
    """Print how well right and invented notes are told apart: shares of all written, with a sure stroke or without."""
    said = points.probabilities(rows.measures)
    invented, right = rows.written.sum(axis=1)
    print(f"{int(invented)} invented notes, {int(right)} right ones; presence below: of the invented, of the right")
    for limit in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 0.7, 0.8, 0.9):
        below = [(said[rows.right == is_right] < limit).sum() for is_right in (False, True)]
        print(f"  {limit:4.2f}: {below[0] / invented:6.1%} {below[1] / right:6.2%}")


def write_points(points: PresencePoints, file: Path) -> None:
    """As plain numbers, a line for each measure."""
    lines = zip(NOTE_MEASURES, points.corners, points.points, strict=True)
    measures = ",\n".join(
        f"  {json.dumps(name)}: " + json.dumps({"corners": np.round(at, 3).tolist(), "points": np.round(p, 3).tolist()})
        for name, at, p in lines
    )
    made = '"made_by": "python -m workbench.training.presence_learning"'
    data = '"data": "Groove MIDI Dataset (Gillick et al., ICML 2019), CC BY 4.0, training split"'
    constant = f'"constant": {points.constant:.3f}'
    file.write_text(f'{{\n {made},\n {data},\n {constant},\n "measures": {{\n{measures}\n }}\n}}\n')


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("file", type=Path, help="workbench/checking/presence.json")
    parser.add_argument("--groove", type=Path, required=True, help="folder of the Groove MIDI data set")
    parser.add_argument("--fonts", type=Path, nargs="+", required=True)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=14001)
    parser.add_argument("--test", action="store_true", help="test the points on the validation split")
    args = parser.parse_args()
    split = "validation" if args.test else "train"
    rows = joined(list(rows_of(hear_charts(args.groove, split, args.fonts, args.count, args.seed))))
    if not args.test:
        write_points(learn(rows), args.file)
    report(rows, read_points() if args.test else learn(rows))


if __name__ == "__main__":
    main()
