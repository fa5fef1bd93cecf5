"""Are the sentences true that a reading of a draft tells plainly?

Drafts beside the truth, clause by clause of variations and fills.  The truth is written on the draft's own bars:
strokes within ±50 ms of a drafted note of their instrument (the window of mir_eval's onsets) take its place, the
others the nearest sixteenth or triplet; so bar lines are no part of the question.  A clause of a variation is true
if in each of its bars what it adds is played and what it takes away is not; ``otherwise`` says whether in its groove's
bar it is truly the other way round, which is a matter of the groove's own sentence.  A clause of a fill is true if the
same is said of the truth in the same place.  Run:

    python -m tests.benchmarks.bench_statements groove GROOVE_DIR --fonts FONT.sf2 ... [--split train] [--fit]
    python -m tests.benchmarks.bench_statements annotated FOLDER

``groove``: human performances of Groove MIDI (CC BY 4.0) rendered, two of three with other instruments; ``--fit``
prints the weights of ``workbench.reading.doubts``.  ``annotated``: recordings laid out as for ``workbench
evaluate``, for measuring only.
"""

from __future__ import annotations

import argparse
import hashlib
import pickle
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from importlib import resources
from pathlib import Path

import numpy as np
import pandas as pd

from tests.benchmarks.render import wheel_sound_font
from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.events import Stroke
from workbench.chart.ghosts import soft_limit
from workbench.checking.findings import HEARD_AS
from workbench.evaluation.evaluate import ONSET_WINDOW_S, SUBCLASSES, match
from workbench.files.annotations import read_labels
from workbench.files.audiosource import RECORDING_ENDINGS
from workbench.listening.draft import draft_chart
from workbench.reading.doubts import Grounds, HeardBars
from workbench.reading.fill_reading import Fill, read_fills
from workbench.reading.part_reading import PartReading
from workbench.reading.read import read_part
from workbench.training.bar_songs import accompany, compose, render
from workbench.training.groove_performances import GroovePerformance, read_performances

#: Share of the clauses told plainly that must be true.
LEAST_TRUE = 0.95
#: A second stroke of a drum so near another is its grace note, seconds.
FLAM_S = 0.07
#: A stroke so many times louder or softer than the limit of ghost notes may be called either.
GHOST_UNSURE = 1.4
#: Velocities that stand for ghost notes, for what may be called either, and for full strokes.
GHOST, EITHER, FULL = 1, 50, 100


@dataclass(frozen=True)
class Song:
    """A draft and the strokes that were truly played, as far as they are known."""

    name: str
    draft: Chart
    strokes: tuple[Stroke, ...]
    until_s: float = np.inf


def annotated(folder: Path, kind: str, cache: Path) -> Iterator[Song]:
    """Recordings of a kind, 'drum' or 'mix', with annotation."""
    for path in sorted(p for p in (folder / kind).iterdir() if p.suffix in RECORDING_ENDINGS):
        labels = read_labels(folder / "subclass" / f"{path.stem}.txt")
        known = (Stroke(t, SUBCLASSES[x], GHOST if x == "SDG" else FULL) for t, x in labels if x in SUBCLASSES)
        draft = kept(cache, f"{kind}-{path.stem}-{path.stat().st_size}", lambda path=path: draft_chart(path).chart)
        yield Song(f"{path.stem} ({kind})", draft, tuple(sorted(known)))


def rendered(folder: Path, split: str, count: int, fonts: Sequence[Path], cache: Path, seed: int = 5) -> Iterator[Song]:
    """Excerpts of performances, two of three with other instruments."""
    four = [
        p
        for p in read_performances(folder, (split,))
        if not p.is_fill and str(p.meter) == "4/4" and p.strokes and p.strokes[-1][0] / p.tempo_bpm * 60 >= 30
    ]
    for k, j in enumerate(np.random.default_rng(seed).permutation(len(four))[:count]):
        font, backed = fonts[k % len(fonts)], k % 3 != 0
        draw = lambda j=j, k=k, font=font, backed=backed: _rendered(seed * 1000 + k, four[j], backed, font)
        draft, strokes = kept(cache, f"{four[j].name}-{seed}-{k}-{font.name}-{backed}", draw)
        # Strokes after the last whole beat sound, but have no known time.
        yield Song(f"{four[j].name}{' with others' if backed else ''}", draft, strokes, strokes[-1].time_s)


def kept(cache: Path, what: str, make):
    """Something made once for each detector."""
    weights = resources.files("workbench.listening.weights").joinpath("detector.json").read_text()
    path = cache / f"{hashlib.sha256((what + weights).encode()).hexdigest()[:16]}.pickle"
    if not path.exists():
        cache.mkdir(parents=True, exist_ok=True)
        path.write_bytes(pickle.dumps(make()))
    return pickle.loads(path.read_bytes())  # our own file of a moment ago


def _rendered(seed: int, played: GroovePerformance, backed: bool, font: Path) -> tuple[Chart, tuple[Stroke, ...]]:
    rng = np.random.default_rng(seed)
    song = compose(rng, played, played.meter)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "song.wav"
        beats_s, _ = render(rng, song, accompany(rng, song) if backed else (), font, path)
        draft = draft_chart(path).chart
    quarters = song.beats[: len(beats_s)]
    limit = soft_limit([v for _, name, v in song.strokes if name == "snare"])

    def loudness(name: str, velocity: int) -> int:
        if name != "snare" or velocity > GHOST_UNSURE * limit:
            return FULL
        return GHOST if velocity * GHOST_UNSURE < limit else EITHER

    return draft, tuple(
        sorted(
            Stroke(float(np.interp(at, quarters, beats_s)), HEARD_AS.get(name, name), loudness(name, velocity))
            for at, name, velocity in song.strokes
            if quarters[0] <= at <= quarters[-1]
        )
    )


# -- the truth on the draft's bars ---------------------------------------------------------


def true_chart(song: Song) -> Chart:
    """What was played, written on the bars of the draft."""
    draft = song.draft
    placed = [(draft.note_time_s(k, n), k, n) for k, n in draft.notes()]
    bars: list[dict] = [{} for _ in draft.bars]
    left: list[Stroke] = []
    for name in {s.instrument for s in song.strokes}:
        strokes = [s for s in song.strokes if s.instrument == name]
        notes = sorted((p for p in placed if p[2].instrument == name), key=lambda p: p[0])
        pairs = match([s.time_s for s in strokes], [t for t, _, _ in notes], ONSET_WINDOW_S)
        found, graces = {i for i, _ in pairs}, set()
        times = np.array([s.time_s for s in strokes])
        for i, j in pairs:
            _, k, note = notes[j]
            near = np.flatnonzero((np.abs(times - times[i]) < FLAM_S) & (np.arange(len(times)) != i))
            graces |= {int(m) for m in near if m not in found}
            said = note.articulations - (set() if len(near) else {"flam", "drag"})
            if name == "snare" and strokes[i].velocity != EITHER:
                said = said - {"ghost"} | ({"ghost"} if strokes[i].velocity == GHOST else set())
            bars[k][note.key] = replace(note, articulations=frozenset(said))
        left += [s for i, s in enumerate(strokes) if i not in found | graces]
    for s in left:
        place = _place(draft, s, placed)
        if place is not None:
            k, position = place
            ghost = frozenset({"ghost"} if s.velocity == GHOST and s.instrument == "snare" else ())
            note = Note(position, s.instrument, 40 if ghost else 100, ghost)
            bars[k].setdefault(note.key, note)
    return replace(draft, bars=tuple(WrittenBar(tuple(b.values())) for b in bars))


def _place(draft: Chart, stroke: Stroke, placed: list) -> tuple[int, Fraction] | None:
    """Where a stroke that the draft lacks would be written; None outside its bars."""
    whole, starts = float(draft.time_map.whole_notes_at(stroke.time_s)), [float(s) for s in draft.time_map.starts]
    k = int(np.searchsorted(starts, whole + 1e-6, side="right")) - 1
    if not 0 <= k < len(draft) or stroke.time_s > draft.time_map.end_s:
        return None
    near = [n.position for t, j, n in placed if j == k and abs(t - stroke.time_s) <= ONSET_WINDOW_S / 2]
    exact = whole - starts[k]
    nearest = min((Fraction(round(exact * p), p) for p in (16, 24)), key=lambda p: abs(float(p) - exact))
    position = near[0] if near else max(nearest, Fraction(0))
    if position < draft.time_map.bars[k].length:
        return k, position
    return (k + 1, Fraction(0)) if k + 1 < len(draft) else None


# -- clauses -------------------------------------------------------------------------------


def clauses(song: Song, reading: PartReading, truth: Chart) -> Iterator[dict]:
    """Every clause of variations and fills: what it says, how, and whether it is true."""
    contents = [b.content for b in truth.bars]
    ends_s = [bar.beat_times_s[0] for bar in song.draft.time_map.bars[1:]] + [song.draft.time_map.end_s]
    known = lambda bars: ends_s[max(bars)] <= song.until_s

    def row(kind: str, text: str, bars: Sequence[int], true: bool, grounds: Grounds) -> dict:
        how = "plain" if grounds.is_plain else "left out" if grounds.is_left_out else "marked"
        return {
            "song": song.name,
            "kind": kind,
            "text": text,
            "bars": tuple(bars),
            "true": true,
            "how": how,
            "certainty": grounds.certainty,
        }

    for g in reading.grooves:
        true = all(truth.bars[k].pattern == song.draft.bars[k].pattern for k in g.groove.base_bars)
        yield row("groove", g.text, g.groove.bar_indices, true, g.grounds)
    for v in reading.variations:
        own = reading.groove_at(v.bars[0])
        assert own is not None
        for change in v.changes:
            if not (change.added or change.removed) or not known(v.bars):
                continue
            true = all(change.added <= contents[k] and not change.removed & contents[k] for k in v.bars)
            bases = {own.groove.base_of(k) for k in v.bars}
            otherwise = all(change.removed <= contents[k] and not change.added & contents[k] for k in bases)
            yield row("variation", change.text, v.bars, true, v.grounds) | {"otherwise": true and otherwise}
    for fill in (f for f in reading.fills if known(f.span.bars)):
        truly = _by_name(read_fills(truth, [fill.span])[0])
        for name, (text, grounds) in _by_name(fill).items():
            yield row(f"fill: {name}", text, fill.span.bars, text == truly.get(name, ("",))[0], grounds)


def _by_name(fill: Fill) -> dict[str, tuple[str, Grounds]]:
    """Clauses of a fill; not every fill has groups, and drums."""
    (rhythm, grounds), *between, feet = fill.clauses
    rhythm, _, groups = rhythm.removesuffix(", syncopated").partition(" in groups of ")
    named = {"rhythm": (rhythm, grounds)} | ({"groups": (groups, grounds)} if groups else {})
    for text, own in between:
        groups = text.removeprefix("in groups of ")
        named["way" if groups == text else "groups"] = (groups, own)
    return named | {"feet": feet}


# -- fitting -------------------------------------------------------------------------------


def stroke_rows(reading: PartReading, truth: Chart) -> tuple[list[tuple], list[tuple]]:
    """Hits and silences of every groove: their features (see ``doubts``), and whether they are true."""
    hits, silences = [], []
    for g in reading.grooves:
        bars = g.groove.bar_indices
        heard = HeardBars(reading.chart, bars)
        for key in {n.key for k in bars for n in reading.chart.bars[k].notes}:
            for k in bars:
                there = truth.bars[k].find(*key) is not None
                if heard.confidence(k, key):
                    hits.append((*heard.hit_features(k, key), there))
                else:
                    silences.append((*heard.silence_features(k, key), not there))
    return hits, silences


def fit(rows: list[tuple]) -> str:
    """Weights of logistic regression, the constant last."""
    from sklearn.linear_model import LogisticRegression

    table = np.array(rows, float)
    found = LogisticRegression(C=10).fit(table[:, :-1], table[:, -1])
    return ", ".join(f"{w:.2f}" for w in (*found.coef_[0], found.intercept_[0]))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=("groove", "annotated"))
    parser.add_argument("folder", type=Path)
    parser.add_argument("--fonts", type=Path, nargs="+", default=[wheel_sound_font()])
    parser.add_argument("--split", default="validation")
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--fit", action="store_true")
    parser.add_argument("--show", action="store_true", help="print what is told plainly and untrue")
    parser.add_argument("--cache", type=Path, default=Path("/tmp/bench_statements"))
    args = parser.parse_args()
    failed = False
    for kind in ("drum", "mix") if args.what == "annotated" else (args.split,):
        songs = (
            annotated(args.folder, kind, args.cache)
            if args.what == "annotated"
            else rendered(args.folder, args.split, args.count, args.fonts, args.cache)
        )
        rows, hits, silences = [], [], []
        for song in songs:
            reading, truth = read_part(song.draft), true_chart(song)
            rows += clauses(song, reading, truth)
            found = stroke_rows(reading, truth)
            hits, silences = hits + found[0], silences + found[1]
        table = pd.DataFrame(rows)
        print(f"\n{kind}: {table['song'].nunique()} songs, {len(table)} clauses")
        print(table.groupby(["kind", "how"])["true"].agg(["mean", "size"]).round(3).unstack().to_string())
        table = table[table["kind"] != "groove"]  # told in any case, from here on of variations and fills alone
        for how in ("plain", "marked", "left out"):
            here = table[table["how"] == how]
            print(
                f"{how}: {len(here)} of {len(table)}, true {here['true'].mean():.1%}"
                f" (variations: otherwise than their groove, too, {here['otherwise'].mean():.1%})"
            )
        bins = pd.cut(table["certainty"], [0, 0.3, 0.5, 0.7, 0.8, 0.85, 0.9, 0.93, 0.95, 0.97, 1])
        print(table.groupby(bins, observed=True)[["certainty", "true"]].agg(["mean", "size"]).round(3).to_string())
        if args.show:
            wrong = table[(table["how"] == "plain") & ~table["true"]]
            print(wrong[["song", "kind", "text", "bars", "certainty"]].to_string())
        plain = table[table["how"] == "plain"]
        failed |= plain["true"].mean() < LEAST_TRUE
        if args.fit:
            print("HIT_WEIGHTS =", fit(hits), " SILENCE_WEIGHTS =", fit(silences))
    if failed:
        raise SystemExit(f"Of the clauses told plainly fewer than {LEAST_TRUE:.0%} are true.")


if __name__ == "__main__":
    main()
