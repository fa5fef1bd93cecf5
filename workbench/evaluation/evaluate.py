"""How good drafts are: accuracy on a folder of annotated recordings.

Layout of a data set folder: ``drum/NAME.*`` (drums alone) and ``mix/NAME.*``
(full mix) recordings; ``class/NAME.txt`` (time, one of KD SD TT HH CY, anything
else is left out), ``subclass/NAME.txt`` (time, finer label),
``beats/NAME.txt`` (time, number in the bar).  What is missing is not reported.

Conventions: events match within ±50 ms, beats within ±70 ms, by mir_eval
(C. Raffel et al., *mir_eval: a transparent implementation of common MIR
metrics*, ISMIR 2014), one to one.  Pooled figures add up the counts of all
recordings; beats are means over recordings.  What is measured is the drafted
chart as a user gets it, each note at the time it was heard.
"""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple

import mir_eval
import numpy as np
import pandas as pd

from workbench.chart import Chart
from workbench.chart.drumkit import drum_key_order, instrument
from workbench.chart.events import Beat, Stroke
from workbench.chart.ornaments import play_note
from workbench.errors import FileFormatError
from workbench.facts import plain
from workbench.files.annotations import read_beat_labels, read_labels
from workbench.files.audiosource import RECORDING_ENDINGS
from workbench.listening.draft import draft_chart
from workbench.progress import Progress, part
from workbench.reading.doubts import expected_corrections, quality
from workbench.reading.questions import Doubt, doubts_of, questions

#: Matching windows in seconds (the usual ones, as in mir_eval's defaults).
ONSET_WINDOW_S, BEAT_WINDOW_S = 0.05, 0.07

#: The five classes and the families of the drum key they stand for.
CLASSES: dict[str, str] = {"KD": "kick", "SD": "snare", "HH": "hi-hat", "CY": "cymbal", "TT": "tom"}

#: Finer labels of the MDB Drums data set (C. Southall et al., ISMIR 2017) in the drum key.
SUBCLASSES: dict[str, str] = {
    "KD": "kick",
    "SD": "snare",
    "SDB": "snare",
    "SDD": "snare",
    "SDF": "snare",
    "SDG": "snare",
    "SDNS": "snare",
    "SST": "side stick",
    "CHH": "closed hi-hat",
    "OHH": "open hi-hat",
    "PHH": "pedal hi-hat",
    "RDC": "ride",
    "RDB": "ride bell",
    "CRC": "crash",
    "CHC": "crash",
    "SPC": "crash",
    "HIT": "high tom",
    "MHT": "mid tom",
    "HFT": "floor tom",
    "LFT": "floor tom",
    "TMB": "tambourine",
}
#: Cymbals that are struck like a crash count as one.
_AS_CRASH = {"second crash", "splash", "china"}

#: Labels of ghost notes, and of strokes that are none.
GHOST_LABELS, NORMAL_LABELS = {"SDG"}, {"SD", "SDNS"}

#: Columns of a table of counts, a row for each name.
COUNTED = ("matched", "expected", "found")


@dataclass(frozen=True)
class Visits:
    """What stepping through a draft's doubts and possible hits finds (:func:`visit_doubts`).

    Attributes
    ----------
    visits : int
    reached : int
        Corrections to be made at them.
    errors : int
        Corrections to be made in all.
    """

    visits: int = 0
    reached: int = 0
    errors: int = 0

    def __add__(self, other: Visits) -> Visits:
        return Visits(self.visits + other.visits, self.reached + other.reached, self.errors + other.errors)


@dataclass(frozen=True)
class RecordingScores:
    """Scores of one recording heard one way.

    Attributes
    ----------
    name, audio : str
        ``audio`` is 'drum' or 'mix'.
    classes, instruments : pandas.DataFrame
        Events matched, expected and found, by class label and by drum-key name.
    beats_f, downbeats_f : float
        NaN without beat annotation.
    ghost_velocities, normal_velocities : tuple of int
        Drafted velocities of snare strokes annotated as ghost and as normal.
    inserts, deletes, relabels : int
        CorrectionCounts from the draft to the annotation.
    bars : int
        Annotated bars.
    duration_s : float
    confidences : tuple of (float, bool)
        Of every drafted hit: its confidence and whether it is right.
    doubts : Visits
    expected_corrections : float
        How many corrections the draft itself expected.
    """

    name: str
    audio: str
    classes: pd.DataFrame
    instruments: pd.DataFrame
    beats_f: float = float("nan")
    downbeats_f: float = float("nan")
    ghost_velocities: tuple[int, ...] = ()
    normal_velocities: tuple[int, ...] = ()
    inserts: int = 0
    deletes: int = 0
    relabels: int = 0
    bars: int = 0
    duration_s: float = 0.0
    confidences: tuple[tuple[float, bool], ...] = ()
    doubts: Visits = Visits()
    expected_corrections: float = 0.0


# -- matching ------------------------------------------------------------------------


def match(
    expected_s: Sequence[float], found_s: Sequence[float], window_s: float = ONSET_WINDOW_S
) -> list[tuple[int, int]]:
    """Largest one-to-one matching of two event lists: pairs of indices."""
    if not len(expected_s) or not len(found_s):
        return []
    return mir_eval.util.match_events(np.asarray(expected_s), np.asarray(found_s), window_s)


def count_by(
    expected: Iterable[tuple[float, str]], found: Iterable[tuple[float, str]], names: Iterable[str]
) -> pd.DataFrame:
    """Events of each name that are matched, expected and found (:data:`COUNTED`)."""
    rows, expected, found = {}, sorted(expected), sorted(found)
    for name in names:
        a, b = ([t for t, n in events if n == name] for events in (expected, found))
        rows[name] = len(match(a, b)), len(a), len(b)
    return pd.DataFrame.from_dict(rows, orient="index", columns=list(COUNTED), dtype=int)


def rates(counts: pd.DataFrame) -> pd.DataFrame:
    """F-measure, precision and recall of counted events; NaN where nothing is expected or found.

    Examples
    --------
    >>> rates(pd.DataFrame({"matched": [8], "expected": [10], "found": [16]})).f.round(3).item()
    0.615
    """
    matched, expected, found = (counts[column] for column in COUNTED)
    shares = {"f": 2 * matched / (expected + found), "precision": matched / found, "recall": matched / expected}
    return pd.DataFrame(shares | {"expected": expected, "found": found})


@dataclass(frozen=True)
class CorrectionCounts:
    """What it takes to get from found to expected events.

    Attributes
    ----------
    inserts, deletes, relabels : int
    right : tuple of bool
        For each found event, in order of time.
    becomes : tuple of str
        The name that each of them is to have, "" for one that is to go.
    missed : tuple of (seconds, name)
        Expected events that are not found under their name.
    """

    inserts: int = 0
    deletes: int = 0
    relabels: int = 0
    right: tuple[bool, ...] = ()
    becomes: tuple[str, ...] = ()
    missed: tuple[tuple[float, str], ...] = ()


def corrections(expected: Sequence[tuple[float, str]], found: Sequence[tuple[float, str]]) -> CorrectionCounts:
    """Fewest inserts, deletes and relabels that make found events the expected ones.

    A relabel gives a stroke within ±50 ms another instrument.
    """
    expected, found = sorted(expected), sorted(found)
    names = {n for _, n in (*expected, *found)}
    used_expected, used_found = set(), set()
    for name in names:
        a = [i for i, (_, n) in enumerate(expected) if n == name]
        b = [i for i, (_, n) in enumerate(found) if n == name]
        for i, j in match([expected[i][0] for i in a], [found[j][0] for j in b]):
            used_expected.add(a[i])
            used_found.add(b[j])
    right = tuple(j in used_found for j in range(len(found)))
    missed = tuple(event for i, event in enumerate(expected) if i not in used_expected)
    extra = [j for j in range(len(found)) if j not in used_found]
    relabels = {extra[j]: missed[i][1] for i, j in match([t for t, _ in missed], [found[j][0] for j in extra])}
    becomes = tuple(n if right[j] else relabels.get(j, "") for j, (_, n) in enumerate(found))
    unpaired = len(missed) - len(relabels), len(extra) - len(relabels)
    return CorrectionCounts(*unpaired, len(relabels), right, becomes, missed)


class Answer(NamedTuple):
    """What is right for a doubt: the names that its strokes are to have ("" for one that is to go), and how many of
    them are wrong or missing."""

    becomes: frozenset[str] = frozenset()
    errors: int = 0


def right_answers(expected: Sequence[tuple[float, str]], chart: Chart) -> tuple[CorrectionCounts, dict[Doubt, Answer]]:
    """What corrects a chart, and what is right for each of its doubts, in the order of the music."""
    strokes = sorted(
        (s.time_s, _as_key(s.instrument), k, n.key) for k, n in chart.notes() for s in play_note(chart, k, n)
    )
    fixes = corrections(expected, [event[:2] for event in strokes])
    answers = dict.fromkeys(doubts_of(chart), Answer())
    written = {(d.bar_index, (d.position, d.instrument)): d for d in answers if d.hit is None}
    for (_, name, k, key), becomes in zip(strokes, fixes.becomes):
        if doubt := written.get((k, key)):
            known = answers[doubt]
            answers[doubt] = Answer(known.becomes | {becomes}, known.errors + (becomes != name))
    possible = [(d, d.hit.time_s, _as_key(d.instrument)) for d in answers if d.hit]
    for name in {name for *_, name in possible}:
        theirs = [(d, time_s) for d, time_s, n in possible if n == name]
        for _, j in match([t for t, n in fixes.missed if n == name], [time_s for _, time_s in theirs]):
            answers[theirs[j][0]] = Answer(frozenset({name}), 1)
    return fixes, answers


def visit_doubts(expected: Sequence[tuple[float, str]], chart: Chart) -> Visits:
    """Corrections that stepping through a chart's questions leads to.

    A visited place reaches the wrong doubtful hits there and the missing events that a possible hit names; a wrong
    hit in a missing one's place is one correction, as in :func:`corrections`.  A question in several bars is asked at
    the first of its places; the others need no visit if the same answer is right for all: they are kept, go, are
    written, or are given to the same drum.  If not, it takes one visit for itself, and one for each of them.

    Parameters
    ----------
    expected : sequence of (seconds, name)
    chart : Chart
    """
    fixes, answers = right_answers(expected, chart)
    visited, again = set(), 0
    for question in questions(chart, answers):
        is_one = len({answers[d].becomes for d in question}) == 1
        visited |= {d.place for d in (question[:1] if is_one else question)}
        again += not is_one
    at: dict[object, list[int]] = defaultdict(lambda: [0, 0])
    for doubt, answer in answers.items():
        at[doubt.place][doubt.hit is not None] += answer.errors
    reached = sum(max(of_place) for of_place in at.values())
    return Visits(len(visited) + again, reached, fixes.inserts + fixes.deletes + fixes.relabels)


def score_beats(expected: Sequence[Beat], found: Sequence[Beat]) -> tuple[float, float]:
    """F-measures of beats and of downbeats (mir_eval, ±70 ms, nothing trimmed)."""

    def f(a: list[float], b: list[float]) -> float:
        if not a:
            return float("nan")
        if not b:
            return 0.0
        return float(mir_eval.beat.f_measure(np.array(a), np.array(b), BEAT_WINDOW_S))

    heard = [b for b in found if b.time_s >= 0]
    return (
        f([b.time_s for b in expected], [b.time_s for b in heard]),
        f([b.time_s for b in expected if b.number == 1], [b.time_s for b in heard if b.number == 1]),
    )


def area_under_curve(lower: Sequence[float], higher: Sequence[float]) -> float:
    """Probability that one of ``higher`` exceeds one of ``lower`` (ties count half)."""
    if not len(lower) or not len(higher):
        return float("nan")
    a, b = np.asarray(lower)[:, None], np.asarray(higher)[None, :]
    return float(((b > a) + 0.5 * (b == a)).mean())


# -- scoring ---------------------------------------------------------------------------


def score_strokes(
    name: str,
    audio: str,
    found: Sequence[Stroke],
    found_beats: Sequence[Beat],
    class_labels: Sequence[tuple[float, str]] = (),
    subclass_labels: Sequence[tuple[float, str]] = (),
    beats: Sequence[Beat] = (),
    duration_s: float = 0.0,
    doubts: Visits = Visits(),
) -> RecordingScores:
    """Scores of drafted strokes and beats against annotations."""
    family_class = {family: label for label, family in CLASSES.items()}
    as_class = [
        (s.time_s, family_class.get(instrument(s.instrument).family, "")) for s in found if s.instrument != "side stick"
    ]
    by_time = sorted(found, key=lambda s: (s.time_s, s.instrument))
    as_key = [(s.time_s, _as_key(s.instrument)) for s in by_time]
    key = _drum_key(subclass_labels)
    names = sorted({n for _, n in (*key, *as_key)}, key=drum_key_order)
    beats_f, downbeats_f = score_beats(beats, found_beats) if beats else (float("nan"),) * 2
    fixes = corrections(key, as_key) if key else CorrectionCounts()
    snares = [s for s in by_time if s.instrument == "snare"]

    def velocities(labels: set[str]) -> tuple[int, ...]:
        times = [t for t, label in sorted(subclass_labels) if label in labels]
        return tuple(snares[j].velocity for _, j in match(times, [s.time_s for s in snares]))

    confidences = tuple(zip((s.confidence for s in by_time), fixes.right)) if fixes.right else ()
    return RecordingScores(
        name,
        audio,
        count_by(class_labels, as_class, CLASSES if class_labels else ()),
        count_by(key, as_key, names if key else ()),
        beats_f,
        downbeats_f,
        velocities(GHOST_LABELS),
        velocities(NORMAL_LABELS),
        fixes.inserts,
        fixes.deletes,
        fixes.relabels,
        sum(b.number == 1 for b in beats),
        duration_s,
        confidences,
        doubts,
    )


def _drum_key(subclass_labels: Iterable[tuple[float, str]]) -> list[tuple[float, str]]:
    """Finer labels as events of the drum key."""
    return [(t, SUBCLASSES[label]) for t, label in subclass_labels if label in SUBCLASSES]


def _as_key(name: str) -> str:
    return "crash" if name in _AS_CRASH else name


def evaluate_folder(
    folder: str | os.PathLike, audio: Sequence[str] = ("drum", "mix"), progress: Progress | None = None
) -> list[RecordingScores]:
    """Draft every recording of a data set and score the drafts.

    Raises
    ------
    FileFormatError
        If the folder holds no recording with annotation.
    """
    folder = Path(folder)
    work = [
        (kind, path, known) for kind in audio for path in _recordings(folder / kind) if (known := _known(folder, path))
    ]
    if not work:
        raise FileFormatError(
            f"{folder} holds no annotated recordings; expected are drum/NAME.flac or mix/NAME.flac "
            "with class/NAME.txt, subclass/NAME.txt or beats/NAME.txt."
        )
    scores = []
    for k, (kind, path, known) in enumerate(work):
        tell = part(progress, k / len(work), (k + 1) / len(work))
        draft = draft_chart(path, _named(tell, f"{path.stem} ({kind})"))
        recording = draft.chart.recording
        assert recording is not None  # every draft has one
        classes, subclasses, beats = (known.get(name, ()) for name in _READERS)
        found, length_s = strokes_said(draft.chart), recording.duration_s
        key = _drum_key(subclasses)
        doubts = visit_doubts(key, draft.chart) if key else Visits()
        scored = score_strokes(path.stem, kind, found, draft.pulse, classes, subclasses, beats, length_s, doubts)
        scores.append(replace(scored, expected_corrections=sum(expected_corrections(draft.chart))))
    return scores


#: How the annotations of a recording are read, by the folder that holds them.
_READERS: dict[str, Callable[[Path], Any]] = {"class": read_labels, "subclass": read_labels, "beats": read_beat_labels}


def _known(folder: Path, recording: Path) -> dict[str, Any]:
    """What is annotated of a recording."""
    files = {kind: folder / kind / f"{recording.stem}.txt" for kind in _READERS}
    return {kind: _READERS[kind](file) for kind, file in files.items() if file.is_file()}


def _named(tell: Progress, name: str) -> Progress:
    """Progress that says which recording it is of."""
    return lambda done, _: tell(done, name)


def strokes_said(chart: Chart) -> list[Stroke]:
    """Every stroke that a chart says, at the time it was heard; those of flams, drags and rolls are
    spelled out, as in annotations."""
    return sorted(s for k, n in chart.notes() for s in play_note(chart, k, n))


def _recordings(folder: Path) -> list[Path]:
    if not folder.is_dir():
        return []
    return sorted(p for p in folder.iterdir() if p.suffix.lower() in RECORDING_ENDINGS)


# -- summing up --------------------------------------------------------------------------


def summarize(recordings: Sequence[RecordingScores]) -> dict:
    """Pooled scores for each kind of audio, as plain data (JSON)."""
    out = {}
    for kind in dict.fromkeys(r.audio for r in recordings):
        rows = [r for r in recordings if r.audio == kind]
        key = _pooled(r.instruments for r in rows).sort_index(key=lambda names: names.map(drum_key_order))
        minutes = sum(r.duration_s for r in rows) / 60.0
        ghosts, normal = ([v for r in rows for v in getattr(r, f"{k}_velocities")] for k in ("ghost", "normal"))
        fixes = {f: sum(getattr(r, f) for r in rows) for f in ("inserts", "deletes", "relabels")}
        apart = {"area_under_curve": area_under_curve(ghosts, normal), "ghosts": len(ghosts), "normal": len(normal)}
        out[kind] = {
            **_summary(rows),
            "drum_key": _rows(_total(key))["all"],
            "instruments": _rows(key),
            "ghost_notes": apart,
            **fixes,
            "bars": sum(r.bars for r in rows),
            "doubts": _visits(sum((r.doubts for r in rows), Visits())),
            "false_hits_per_minute": (fixes["deletes"] + fixes["relabels"]) / minutes if minutes else None,
            "reliability": _reliability([c for r in rows for c in r.confidences]),
            "recordings": {r.name: _summary([r]) for r in rows},
        }
    return plain({"audio": out})


def _summary(rows: Sequence[RecordingScores]) -> dict:
    """What is told of one recording, and of all together."""
    classes = _pooled(r.classes for r in rows)
    bars = sum(r.bars for r in rows)
    beats = pd.DataFrame([(r.beats_f, r.downbeats_f) for r in rows]).mean()
    return {
        "five_classes": _rows(_total(classes))["all"],
        "classes": _rows(classes),
        "beats_f": beats[0],
        "downbeats_f": beats[1],
        "corrections_per_bar": sum(r.inserts + r.deletes + r.relabels for r in rows) / bars if bars else None,
        "expected_corrections_per_bar": sum(r.expected_corrections for r in rows) / bars if bars else None,
    }


def _pooled(tables: Iterable[pd.DataFrame]) -> pd.DataFrame:
    return pd.concat(list(tables)).groupby(level=0, sort=False).sum()


def _total(counts: pd.DataFrame) -> pd.DataFrame:
    return counts.sum().rename("all").to_frame().T


def _rows(counts: pd.DataFrame) -> dict:
    return rates(counts).to_dict("index")


def _visits(found: Visits) -> dict:
    return {
        "visits": found.visits,
        "reached": found.reached,
        "errors": found.errors,
        "share_reached": found.reached / found.errors if found.errors else None,
        "visits_per_error": found.visits / found.reached if found.reached else None,
    }


def _reliability(pairs: Sequence[tuple[float, bool]]) -> list[dict]:
    """How many of the hits of each confidence are right."""
    hits = pd.DataFrame(pairs, columns=["confidence", "right"]).astype(float)
    bins = pd.cut(hits["confidence"], (0.0, 0.3, 0.5, 0.7, 0.8, 0.9, 1.0 + 1e-9), right=False)
    return [
        {
            "from": span.left,
            "to": span.right,
            "hits": len(inside),
            "mean_confidence": inside["confidence"].mean(),
            "right": inside["right"].mean(),
        }
        for span, inside in hits.groupby(bins, observed=True)
    ]


def format_table(recordings: Sequence[RecordingScores]) -> str:
    """The scores as a table to read."""
    lines: list[str] = []
    names = {"drum": "Drums alone", "mix": "Full mix"}
    for kind, data in summarize(recordings)["audio"].items():
        table = pd.DataFrame(
            {
                name: {
                    "F": row["five_classes"]["f"],
                    **{c: row["classes"].get(c, {}).get("f") for c in CLASSES},
                    "beats": row["beats_f"],
                    "downbeats": row["downbeats_f"],
                    "corrections/bar": row["corrections_per_bar"],
                    "expected": row["expected_corrections_per_bar"],
                }
                for name, row in (*data["recordings"].items(), ("all", data))
            },
            dtype=float,
        )
        lines += [names.get(kind, kind), _shown(table.T), ""]
        if data["instruments"]:
            ghost, missed, doubts = data["ghost_notes"], data["false_hits_per_minute"], data["doubts"]
            key = pd.DataFrame.from_dict({**data["instruments"], "whole key": data["drum_key"]}, orient="index")
            lines += [
                _shown(key),
                "ghost notes softer than normal snare strokes (area under curve): "
                f"{_cell(ghost['area_under_curve'])} ({ghost['ghosts']} ghost, {ghost['normal']} normal)",
                f"corrections: {data['inserts']} inserts, {data['deletes']} deletes, {data['relabels']} relabels "
                f"in {data['bars']} bars; false hits a minute: {_cell(missed)}",
                f"doubts and possible hits reach {doubts['reached']} of {doubts['errors']} corrections "
                f"({_cell(doubts['share_reached'])}) in {doubts['visits']} visits, "
                f"{_cell(doubts['visits_per_error'])} for each",
                *(
                    f"hits of confidence {r['from']:.1f}-{r['to']:.1f}: {r['hits']}, right {r['right']:.2f}"
                    for r in data["reliability"]
                ),
                *(
                    f"{name}: {quality(row['expected_corrections_per_bar'])}"
                    for name, row in data["recordings"].items()
                    if row["expected_corrections_per_bar"] is not None
                ),
                "",
            ]
    return "\n".join(lines).rstrip()


def _shown(table: pd.DataFrame) -> str:
    return table.map(lambda v: f"{v}" if isinstance(v, (int, np.integer)) else _cell(v)).to_string()


def _cell(value: float | None) -> str:
    return "–" if value is None or np.isnan(value) else f"{value:.2f}"
