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
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import mir_eval
import numpy as np
import pandas as pd

from workbench.chart import Chart
from workbench.chart.drumkit import drum_key_order, instrument
from workbench.chart.events import Beat, Stroke
from workbench.chart.ornaments import play_note
from workbench.errors import FileFormatError
from workbench.files.annotations import read_beat_labels, read_labels
from workbench.listening.draft import draft_chart
from workbench.progress import Progress, part

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

RECORDING_ENDINGS = (".flac", ".wav", ".ogg", ".mp3", ".aiff", ".aif", ".m4a")


@dataclass(frozen=True)
class Count:
    """Matched, expected and found events.

    Examples
    --------
    >>> Count(8, 10, 16).f_measure.__round__(3)
    0.615
    """

    matched: int = 0
    expected: int = 0
    found: int = 0

    def __add__(self, other: Count) -> Count:
        return Count(self.matched + other.matched, self.expected + other.expected, self.found + other.found)

    @property
    def f_measure(self) -> float:
        """Harmonic mean of precision and recall; NaN where nothing is expected or found."""
        total = self.expected + self.found
        return 2.0 * self.matched / total if total else float("nan")

    @property
    def precision(self) -> float:
        return self.matched / self.found if self.found else float("nan")

    @property
    def recall(self) -> float:
        return self.matched / self.expected if self.expected else float("nan")


@dataclass(frozen=True)
class RecordingScores:
    """Scores of one recording heard one way.

    Attributes
    ----------
    name, audio : str
        ``audio`` is 'drum' or 'mix'.
    classes, instruments : dict of Count
        By class label and by drum-key name.
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
    """

    name: str
    audio: str
    classes: dict[str, Count]
    instruments: dict[str, Count]
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


@dataclass(frozen=True)
class Evaluation:
    """Scores of a data set."""

    recordings: tuple[RecordingScores, ...] = ()


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
) -> dict[str, Count]:
    """Matched events of each name."""
    out = {}
    expected, found = sorted(expected), sorted(found)
    for name in names:
        a = [t for t, n in expected if n == name]
        b = [t for t, n in found if n == name]
        out[name] = Count(len(match(a, b)), len(a), len(b))
    return out


@dataclass(frozen=True)
class CorrectionCounts:
    """What it takes to get from found to expected events."""

    inserts: int
    deletes: int
    relabels: int
    right: tuple[bool, ...]  # for each found event, in order of time


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
    missed = [t for i, (t, _) in enumerate(expected) if i not in used_expected]
    extra = [t for j, (t, _) in enumerate(found) if j not in used_found]
    relabels = len(match(missed, extra))
    return CorrectionCounts(len(missed) - relabels, len(extra) - relabels, relabels, right)


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
) -> RecordingScores:
    """Scores of drafted strokes and beats against annotations."""
    family_class = {family: label for label, family in CLASSES.items()}
    as_class = [
        (s.time_s, family_class.get(instrument(s.instrument).family, "")) for s in found if s.instrument != "side stick"
    ]
    as_key = sorted((s.time_s, "crash" if s.instrument in _AS_CRASH else s.instrument) for s in found)
    key = [(t, SUBCLASSES[label]) for t, label in subclass_labels if label in SUBCLASSES]
    names = sorted({n for _, n in (*key, *as_key)}, key=drum_key_order)
    beats_f, downbeats_f = score_beats(beats, found_beats) if beats else (float("nan"),) * 2
    fixes = corrections(key, as_key) if key else CorrectionCounts(0, 0, 0, ())
    by_time = sorted(found, key=lambda s: (s.time_s, s.instrument))
    snares = [s for s in by_time if s.instrument == "snare"]

    def velocities(labels: set[str]) -> tuple[int, ...]:
        times = [t for t, label in sorted(subclass_labels) if label in labels]
        return tuple(snares[j].velocity for _, j in match(times, [s.time_s for s in snares]))

    confidences = tuple(zip((s.confidence for s in by_time), fixes.right)) if fixes.right else ()
    return RecordingScores(
        name,
        audio,
        count_by(class_labels, as_class, CLASSES) if class_labels else {},
        count_by(key, as_key, names) if key else {},
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
    )


def evaluate_folder(
    folder: str | os.PathLike, audio: Sequence[str] = ("drum", "mix"), progress: Progress | None = None
) -> Evaluation:
    """Draft every recording of a data set and score the drafts.

    Raises
    ------
    FileFormatError
        If the folder holds no recording with annotation.
    """
    folder = Path(folder)
    work = [
        (kind, path)
        for kind in audio
        for path in _recordings(folder / kind)
        if _annotation(folder, "class", path)
        or _annotation(folder, "beats", path)
        or _annotation(folder, "subclass", path)
    ]
    if not work:
        raise FileFormatError(
            f"{folder} holds no annotated recordings; expected are drum/NAME.flac or mix/NAME.flac "
            "with class/NAME.txt, subclass/NAME.txt or beats/NAME.txt."
        )
    scores = []
    for k, (kind, path) in enumerate(work):
        tell = part(progress, k / len(work), (k + 1) / len(work))
        draft = draft_chart(path, _named(tell, f"{path.stem} ({kind})"))
        recording = draft.chart.recording
        assert recording is not None  # every draft has one
        found = strokes_said(draft.chart)
        labels = {}
        for subfolder in ("class", "subclass"):
            file = _annotation(folder, subfolder, path)
            labels[subfolder] = read_labels(file) if file else []
        beat_file = _annotation(folder, "beats", path)
        scores.append(
            score_strokes(
                path.stem,
                kind,
                found,
                draft.pulse,
                labels["class"],
                labels["subclass"],
                read_beat_labels(beat_file) if beat_file else (),
                recording.duration_s,
            )
        )
    return Evaluation(tuple(scores))


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


def _annotation(folder: Path, kind: str, recording: Path) -> Path | None:
    path = folder / kind / f"{recording.stem}.txt"
    return path if path.is_file() else None


# -- summing up --------------------------------------------------------------------------


def summarize(evaluation: Evaluation) -> dict:
    """Pooled scores for each kind of audio, as plain data (JSON)."""
    out: dict = {"audio": {}}
    for kind in dict.fromkeys(r.audio for r in evaluation.recordings):
        rows = [r for r in evaluation.recordings if r.audio == kind]
        classes = _pool(r.classes for r in rows)
        key = _pool(r.instruments for r in rows)
        bars = sum(r.bars for r in rows)
        minutes = sum(r.duration_s for r in rows) / 60.0
        ghosts = [v for r in rows for v in r.ghost_velocities]
        normal = [v for r in rows for v in r.normal_velocities]
        fixes = {f: sum(getattr(r, f) for r in rows) for f in ("inserts", "deletes", "relabels")}
        false_hits = fixes["deletes"] + fixes["relabels"]
        out["audio"][kind] = {
            "five_classes": _score(sum(classes.values(), Count())),
            "classes": {n: _score(c) for n, c in classes.items()},
            "drum_key": _score(sum(key.values(), Count())),
            "instruments": {n: _score(c) for n, c in sorted(key.items(), key=lambda item: drum_key_order(item[0]))},
            "beats_f": _mean(r.beats_f for r in rows),
            "downbeats_f": _mean(r.downbeats_f for r in rows),
            "ghost_notes": {
                "area_under_curve": _number(area_under_curve(ghosts, normal)),
                "ghosts": len(ghosts),
                "normal": len(normal),
            },
            "corrections_per_bar": _number(sum(fixes.values()) / bars) if bars else None,
            **fixes,
            "bars": bars,
            "false_hits_per_minute": _number(false_hits / minutes) if minutes else None,
            "reliability": _reliability([c for r in rows for c in r.confidences]),
            "recordings": {
                r.name: {
                    "five_classes": _score(sum(r.classes.values(), Count())),
                    "classes": {n: _score(c) for n, c in r.classes.items()},
                    "beats_f": _number(r.beats_f),
                    "downbeats_f": _number(r.downbeats_f),
                    "corrections_per_bar": _number((r.inserts + r.deletes + r.relabels) / r.bars) if r.bars else None,
                }
                for r in rows
            },
        }
    return out


def _pool(tables: Iterable[dict[str, Count]]) -> dict[str, Count]:
    total: dict[str, Count] = {}
    for table in tables:
        for name, count in table.items():
            total[name] = total.get(name, Count()) + count
    return total


def _reliability(pairs: Sequence[tuple[float, bool]]) -> list[dict]:
    """How many of the hits of each confidence are right."""
    hits = pd.DataFrame(pairs, columns=["confidence", "right"]).astype(float)
    bins = pd.cut(hits["confidence"], (0.0, 0.3, 0.5, 0.7, 0.8, 0.9, 1.0 + 1e-9), right=False)
    return [
        {
            "from": span.left,
            "to": round(span.right, 4),
            "hits": len(inside),
            "mean_confidence": _number(inside["confidence"].mean()),
            "right": _number(inside["right"].mean()),
        }
        for span, inside in hits.groupby(bins, observed=True)
    ]


def _score(count: Count) -> dict:
    return {
        "f": _number(count.f_measure),
        "precision": _number(count.precision),
        "recall": _number(count.recall),
        "expected": count.expected,
        "found": count.found,
    }


def _mean(values: Iterable[float]) -> float | None:
    known = [v for v in values if not np.isnan(v)]
    return _number(float(np.mean(known))) if known else None


def _number(value: float) -> float | None:
    return None if np.isnan(value) else round(value, 4)


def format_table(evaluation: Evaluation) -> str:
    """The scores as a table to read."""
    lines: list[str] = []
    names = {"drum": "Drums alone", "mix": "Full mix"}
    for kind, data in summarize(evaluation)["audio"].items():
        table = pd.DataFrame(
            {
                name: {
                    "F": row["five_classes"]["f"],
                    **{c: row["classes"].get(c, {}).get("f") for c in CLASSES},
                    "beats": row["beats_f"],
                    "downbeats": row["downbeats_f"],
                    "corrections/bar": row["corrections_per_bar"],
                }
                for name, row in (*data["recordings"].items(), ("all", data))
            },
            dtype=float,
        )
        lines += [names.get(kind, kind), _shown(table.T), ""]
        if data["instruments"]:
            ghost, missed = data["ghost_notes"], data["false_hits_per_minute"]
            key = pd.DataFrame.from_dict({**data["instruments"], "whole key": data["drum_key"]}, orient="index")
            lines += [
                _shown(key),
                "ghost notes softer than normal snare strokes (area under curve): "
                f"{_cell(ghost['area_under_curve'])} ({ghost['ghosts']} ghost, {ghost['normal']} normal)",
                f"corrections: {data['inserts']} inserts, {data['deletes']} deletes, {data['relabels']} relabels "
                f"in {data['bars']} bars; false hits a minute: {_cell(missed)}",
                *(
                    f"hits of confidence {r['from']:.1f}-{r['to']:.1f}: {r['hits']}, right {r['right']:.2f}"
                    for r in data["reliability"]
                ),
                "",
            ]
    return "\n".join(lines).rstrip()


def _shown(table: pd.DataFrame) -> str:
    return table.map(lambda v: f"{v}" if isinstance(v, (int, np.integer)) else _cell(v)).to_string()


def _cell(value: float | None) -> str:
    return "–" if value is None or np.isnan(value) else f"{value:.2f}"
