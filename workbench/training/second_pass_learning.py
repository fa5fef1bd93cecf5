"""Learn what is weighed in the second pass over a song (:mod:`workbench.listening.second_pass`).

From clips heard by :mod:`workbench.training.validate` and from human performances of the Groove MIDI data set (CC BY
4.0; J. Gillick et al., *Learning to groove with inverse sequence transformations*, ICML 2019), rendered by FluidSynth,
every second one with other instruments, and heard by the shipped detector.  Needs torch.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import torch

from workbench.chart.drumkit import DETECTED
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.checking.findings import HEARD_AS
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.listening.activations import Activations
from workbench.listening.detect import compute_activations, detect_strokes, read_calibration
from workbench.listening.draft import draft_chart
from workbench.listening.harmony import hear_harmony
from workbench.listening.readings import track_readings
from workbench.listening.second_pass import CANDIDATE_MEASURES, Candidates, SecondPassNetwork, find_candidates
from workbench.notation.midi_read import DOUBLE_TRIGGER_S
from workbench.training.bar_songs import accompany, compose, render
from workbench.training.calibrate import PAIRING_S
from workbench.training.groove_performances import read_performances
from workbench.training.module_clips import read_modules
from workbench.training.planning import SETTINGS

N = len(DETECTED)
HIDDEN_UNITS, LEARNING_PASSES, ROWS_A_STEP, TOP_RATE, WEIGHT_DECAY = 32, 12, 2048, 6e-3, 1e-2

#: Candidates of a song and which of them are strokes.
Example = tuple[Candidates, np.ndarray]


def bars_of(beats: np.ndarray, duration_s: float) -> TimeMap:
    """Bars of a clip from its beats (n, 2: time_s, number), whole bars added at both ends."""
    lines, counted = beats[beats[:, 1] == 1, 0], int(beats[:, 1].max(initial=4))
    lines = lines if len(lines) else np.zeros(1)
    length = float(np.median(np.diff(lines))) if len(lines) > 1 else 2.0
    before = lines[0] - length * np.arange(int(np.ceil(max(lines[0], 0) / length)), 0, -1)
    after = lines[-1] + length * np.arange(1, 1 + max(1, int(np.ceil((duration_s - lines[-1]) / length))))
    lines = np.concatenate([before, lines, after])
    bars = [Bar(Meter(counted, 4), tuple(np.linspace(a, b, counted + 1)[:-1])) for a, b in zip(lines, lines[1:])]
    return TimeMap(bars, lines[-1])


def hear_clips(file: Path) -> Iterator[Example]:
    """Clips with drums, heard by :mod:`workbench.training.validate`."""
    with np.load(file) as kept:
        data = dict(kept)
    for clip in np.flatnonzero(data["settings"][:, SETTINGS.index("has_drums")] > 0):
        heard = data["heard"][clip].astype(np.float32) / 255
        duration_s = len(heard) / 100
        beats = data["beats"][data["beats"][:, 0] == clip][:, 1:]
        activations = Activations(100.0, DETECTED, heard[:, :N], heard[:, N : 2 * N], *heard[:, 2 * N :].T)
        strokes = data["strokes"][data["strokes"][:, 0] == clip][:, 1:]
        strokes = strokes[(strokes[:, 0] >= 0) & (strokes[:, 0] < duration_s - 0.03)]
        yield example(activations, bars_of(beats, duration_s), strokes, duration_s)


def hear_grooves(folder: Path, split: str, fonts: Sequence[Path], count: int, seed: int) -> Iterator[Example]:
    """Excerpts of performances of at least half a minute in 4/4, their bars as tracked."""
    long = [
        p
        for p in read_performances(folder, (split,))
        if not p.is_fill and str(p.meter) == "4/4" and p.strokes and p.strokes[-1][0] / p.tempo_bpm * 60 >= 30
    ]
    order = np.random.default_rng(seed).permutation(len(long))
    for k in range(count):
        played, rng = long[order[k % len(long)]], np.random.default_rng(seed * 1000 + k)
        song = compose(rng, played, played.meter)
        with tempfile.TemporaryDirectory() as scratch:
            path = Path(scratch) / "song.wav"
            beats_s, _ = render(rng, song, accompany(rng, song) if k % 2 else (), fonts[k % len(fonts)], path)
            draft = draft_chart(path)
        quarters = song.beats[: len(beats_s)]
        struck = sorted(
            (DETECTED.index(HEARD_AS.get(name, name)), float(np.interp(at, quarters, beats_s)))
            for at, name, _ in song.strokes
            if quarters[0] <= at <= quarters[-1]
        )
        # The pads of the electronic kit at times trigger twice within a few milliseconds.
        once = [(t, c) for j, (c, t) in enumerate(struck) if not j or struck[j - 1] < (c, t - DOUBLE_TRIGGER_S)]
        last_s = max(t for t, _ in once)
        yield example(draft.activations, draft.chart.time_map, np.array(once), last_s + PAIRING_S)


def hear_modules(folder: Path) -> Iterator[Example]:
    """Tracker modules, drums alone and in the mix, their bars as tracked."""
    for strokes, drums, rest in read_modules(folder):
        for samples in (drums, drums + rest):
            heard, duration_s = compute_activations(samples), len(samples) / SAMPLE_RATE_HZ
            readings = track_readings(heard, detect_strokes(heard), duration_s, hear_harmony(samples))
            yield example(heard, readings[0].time_map, strokes, duration_s)


def example(activations: Activations, time_map: TimeMap, strokes: np.ndarray, until_s: float) -> Example:
    """Candidates before a time, and which of them are strokes (n, 2 or more: time_s, instrument)."""
    found = find_candidates(activations, detect_strokes(activations), time_map, read_calibration())
    known = found.time_s <= until_s
    found = Candidates(*(values[known] for values in vars(found).values()))
    return found, are_strokes(found, strokes)


def are_strokes(found: Candidates, strokes: np.ndarray) -> np.ndarray:
    """Which candidates are strokes (n, 2 or more: time_s, instrument): of two near one a detected one is, or the
    higher."""
    right = np.zeros(len(found.time_s), bool)
    detected = found.measures[:, CANDIDATE_MEASURES.index("detected")]
    for column in range(N):
        free = strokes[strokes[:, 1] == column, 0]
        mine = np.flatnonzero(found.column == column)
        for k in mine[np.lexsort((-found.height[mine], -detected[mine]))]:
            nearest = np.argmin(np.abs(free - found.time_s[k])) if len(free) else -1
            if nearest >= 0 and abs(free[nearest] - found.time_s[k]) <= PAIRING_S:
                right[k] = True
                free = np.delete(free, nearest)
    return right


def learn(sources: Sequence[Sequence[Example]], seed: int = 3) -> SecondPassNetwork:
    """The network that makes the strokes likeliest; each source of songs counts as much.

    Of what is plain (faint peaks that are nothing, high ones that are strokes) a part is learnt from, and weighs more.
    """
    rng = np.random.default_rng(seed)
    x, drum, right, share = [], [], [], []
    for songs in sources:
        found = [f for f, _ in songs]
        height, y = np.concatenate([f.height for f in found]), np.concatenate([r for _, r in songs])
        nothing = np.select([(height < 0.05) & ~y, (height < 0.1) & ~y, (height > 0.9) & y], [8.0, 4.0, 4.0], 1.0)
        kept = rng.random(len(y)) < 1 / nothing
        x.append(np.concatenate([f.measures for f in found])[kept])
        drum.append(np.concatenate([f.column for f in found])[kept])
        right.append(y[kept])
        share.append(nothing[kept] / len(y))
    measures, column, target, weight = (np.concatenate(part) for part in (x, drum, right, share))
    mean, spread = measures.mean(axis=0), measures.std(axis=0) + 1e-6
    near = np.clip((measures - mean) / spread, -SecondPassNetwork.FARTHEST, SecondPassNetwork.FARTHEST)
    inputs = torch.tensor(np.column_stack([near, np.eye(N)[column]]), dtype=torch.float32)
    target, weight = (
        torch.tensor(target, dtype=torch.float32),
        torch.tensor(weight / weight.mean(), dtype=torch.float32),
    )
    torch.manual_seed(seed)
    net = torch.nn.Sequential(
        torch.nn.Linear(inputs.shape[1], HIDDEN_UNITS), torch.nn.ReLU(), torch.nn.Linear(HIDDEN_UNITS, 1)
    )
    optimizer = torch.optim.AdamW(net.parameters(), lr=TOP_RATE, weight_decay=WEIGHT_DECAY)
    steps = len(inputs) // ROWS_A_STEP
    rate = torch.optim.lr_scheduler.OneCycleLR(optimizer, TOP_RATE, LEARNING_PASSES * steps)
    for _ in range(LEARNING_PASSES):
        order = torch.randperm(len(inputs))
        for k in range(steps):
            rows = order[k * ROWS_A_STEP : (k + 1) * ROWS_A_STEP]
            said = net(inputs[rows])[:, 0]
            loss = torch.nn.functional.binary_cross_entropy_with_logits(said, target[rows], weight=weight[rows])
            optimizer.zero_grad()
            loss.backward()
            optimizer.step()
            rate.step()
    hidden, bias, out, constant = (p.detach().numpy().astype(float) for p in net.parameters())
    return SecondPassNetwork(mean, spread, hidden.T, bias, np.append(out[0], constant))


def write_network(network: SecondPassNetwork, file: Path) -> None:
    """As plain numbers."""
    data = {name: np.round(values, 4).tolist() for name, values in vars(network).items()}
    file.write_text(
        json.dumps({"measures": CANDIDATE_MEASURES, "drums": DETECTED, **data}, separators=(",", ":")) + "\n"
    )


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("out", type=Path, help="workbench/listening/second_pass.json")
    parser.add_argument("heard", type=Path, nargs="+", help="written by workbench.training.validate; each is a source")
    parser.add_argument("--groove", type=Path, required=True, help="folder of the Groove MIDI data set")
    parser.add_argument("--fonts", type=Path, nargs="+", required=True)
    parser.add_argument("--count", type=int, default=260)
    parser.add_argument("--modules", type=Path, help="folder written by workbench.training.module_clips")
    args = parser.parse_args()
    sources = [list(hear_clips(file)) for file in args.heard]
    sources.append(list(hear_grooves(args.groove, "train", args.fonts, args.count, seed=81)))
    sources += [list(hear_modules(args.modules))] if args.modules else []
    write_network(learn(sources), args.out)


if __name__ == "__main__":
    main()
