"""Learn what is weighed in the second pass over a song (:mod:`workbench.listening.second_pass`).

From clips heard by :mod:`workbench.training.validate` and from human performances of the Groove MIDI data set (CC BY
4.0; J. Gillick et al., *Learning to groove with inverse sequence transformations*, ICML 2019), rendered by FluidSynth,
every second one with other instruments, and from the songs with drums that the detector does not know from which names
of toms are learnt, both heard by the shipped detector.  Of each song a few bars are learnt from as
well, as what a few bars say of themselves is not what many do.  Music and speech without drums, the backing of the
training, say what a song without drums looks like, and songs of computed drums what one whose kick is a mere tone.
Needs torch.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import torch

from workbench.chart.drumkit import DETECTED
from workbench.chart.events import Stroke
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.checking.findings import HEARD_AS
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.listening.activations import Activations
from workbench.listening.detect import compute_activations, detect_strokes, read_calibration
from workbench.listening.draft import draft_chart
from workbench.listening.harmony import hear_harmony
from workbench.listening.naming import find_moments, name_by_levels, name_by_song
from workbench.listening.readings import track_readings
from workbench.listening.second_pass import (
    CANDIDATE_MEASURES,
    OF_SONG,
    Candidates,
    SecondPassNetwork,
    find_candidates,
    from_mean,
)
from workbench.listening.timbre import SOUND_MEASURES, nothing_known
from workbench.notation.midi_read import DOUBLE_TRIGGER_S
from workbench.training.backing import read_backing
from workbench.training.bar_songs import accompany, compose, render
from workbench.training.calibrate import PAIRING_S
from workbench.training.groove_performances import read_performances
from workbench.training.library import read_library
from workbench.training.naming_learning import play_songs
from workbench.training.performances import read_performances as read_clips
from workbench.training.planning import SETTINGS, Material
from workbench.training.sources import HELD_OUT_BACKING
from workbench.training.tone_drums import TONE, play_song
from workbench.training.validate import from_bytes

N = len(DETECTED)
SOUND = [CANDIDATE_MEASURES.index(name) for name in SOUND_MEASURES]
# Chosen by what the network then says of kept-out songs; the model card has the figures.
NETWORKS, HIDDEN_UNITS, LEARNING_PASSES, ROWS_A_STEP, TOP_RATE, WEIGHT_DECAY = 4, 40, 10, 2048, 6e-3, 0.1
#: Each network learns from this share of the songs, with this noise (spreads) on what is measured of a whole song, and
#: from this share as if their sound were not at hand.
SHARE_OF_SONGS, SONG_NOISE, SOUNDLESS = 0.7, 0.3, 0.1
#: Bars of the excerpts, one of each song, and their least length, seconds.
EXCERPT_BARS, SHORTEST_EXCERPT_S = (2, 4, 5, 6, 8, 10), 3.0
#: Shorter passages without drums say little.
SHORTEST_PASSAGE_S = 4.0
#: Strokes softer than this (MIDI velocity) are neither right nor wrong: in a take of an electronic kit nobody hears
#: them.  Common practice, no source.
SOFTEST_VELOCITY = 20

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


@dataclass(frozen=True)
class HeardSong:
    """What the detector heard of a song whose strokes are known.

    Attributes
    ----------
    activations : Activations
    detected : list of Stroke
        In them, toms named by the song.
    time_map : TimeMap
    strokes : ndarray (n, 2 or more)
        Those played: time_s, instrument (index in :data:`~workbench.chart.drumkit.DETECTED`).
    until_s : float
        What comes later is unknown.
    is_heard : ndarray (n,), bool
        Whether a listener would hear it; others are neither learnt as strokes nor as none.
    """

    activations: Activations
    detected: Sequence[Stroke]
    time_map: TimeMap
    strokes: np.ndarray
    until_s: float
    is_heard: np.ndarray

    def example(self) -> Example:
        """Candidates, and which of them are strokes."""
        found = find_candidates(self.activations, self.detected, self.time_map, read_calibration())
        right, heard = are_strokes(found, self.strokes), are_strokes(found, self.strokes[self.is_heard])
        known = (found.time_s <= self.until_s) & (heard | ~right)
        return Candidates(*(values[known] for values in vars(found).values())), right[known]

    def excerpt(self, rng: np.random.Generator) -> HeardSong | None:
        """Some bars of it; none if it has no more."""
        bars, count = self.time_map.bars, int(rng.choice(EXCERPT_BARS))
        if len(bars) <= count + 1:
            return None
        first = int(rng.integers(len(bars) - count))
        ends_s = bars[first].beat_times_s[0] - rng.uniform(0.02, 0.5), bars[first + count].beat_times_s[0]
        rate_hz = self.activations.frame_rate_hz
        a, b = (max(0, round(t * rate_hz)) for t in (ends_s[0], min(ends_s[1], self.until_s)))
        if b - a < SHORTEST_EXCERPT_S * rate_hz:
            return None
        begin_s, until_s = a / rate_hz, (b - a) / rate_hz - PAIRING_S
        heard = self.activations
        by_frame = {name: getattr(heard, name) for name in ("onset", "velocity", "beat", "downbeat", "levels")}
        cut = replace(heard, **{name: values[a:b] for name, values in by_frame.items() if values is not None})
        moved = [replace(x, beat_times_s=tuple(t - begin_s for t in x.beat_times_s)) for x in bars[first:][:count]]
        strokes = self.strokes - np.eye(self.strokes.shape[1])[0] * begin_s
        inside = (strokes[:, 0] >= 0) & (strokes[:, 0] < until_s)
        time_map = TimeMap(moved, ends_s[1] - begin_s)
        detected = [replace(s, time_s=s.time_s - begin_s) for s in self.detected if begin_s <= s.time_s < b / rate_hz]
        return HeardSong(cut, detected, time_map, strokes[inside], until_s, self.is_heard[inside])


def examples(songs: Iterable[HeardSong], seed: int = 5) -> list[Example]:
    """Of songs, and of an excerpt of each."""
    rng, out = np.random.default_rng(seed), []
    for song in songs:
        out += [s.example() for s in (song, song.excerpt(rng)) if s]
    return out


def kicks_of(example: Example) -> Example:
    """The candidates that may be kicks: computed hi-hats and snares would teach that every even noise is one."""
    found, right = example
    kicks = found.column == TONE
    return Candidates(*(values[kicks] for values in vars(found).values())), right[kicks]


def hear_clips(file: Path) -> Iterator[HeardSong]:
    """Clips with drums, heard by :mod:`workbench.training.validate`."""
    with np.load(file) as kept:
        data = dict(kept)
    for clip in np.flatnonzero(data["settings"][:, SETTINGS.index("has_drums")] > 0):
        heard = data["heard"][clip].astype(np.float32) / 255
        duration_s = len(heard) / 100
        beats = data["beats"][data["beats"][:, 0] == clip][:, 1:]
        levels = from_bytes(data["levels"][clip])
        activations = Activations(100.0, DETECTED, heard[:, :N], heard[:, N : 2 * N], *heard[:, 2 * N :].T, levels)
        strokes = data["strokes"][data["strokes"][:, 0] == clip][:, 1:]
        strokes = strokes[(strokes[:, 0] >= 0) & (strokes[:, 0] < duration_s - 0.03)]
        struck_s, level = (data[name][data["tom_at"][:, 0] == clip] for name in ("tom_at", "tom_level"))
        activations, detected = named(activations, struck_s[:, 1], level)
        is_heard = np.ones(len(strokes), bool)
        yield HeardSong(activations, detected, bars_of(beats, duration_s), strokes, duration_s, is_heard)


def hear(samples: np.ndarray) -> tuple[Activations, list[Stroke]]:
    """What the shipped detector hears of a sound, toms named by all of it."""
    heard = compute_activations(samples)
    return name_by_song(samples, heard, detect_strokes(heard))


def hear_unknown(material: Material, count: int, seed: int) -> Iterator[HeardSong]:
    """Songs of drums that the detector does not know: of those that it does know it is too sure."""
    for samples, plan in play_songs(material, count, seed):
        activations, detected = hear(samples)
        until_s, known = activations.duration_s - PAIRING_S, np.ones(len(plan.strokes), bool)
        yield HeardSong(
            activations, detected, bars_of(plan.beats, activations.duration_s), plan.strokes, until_s, known
        )


def _passages(folder: Path) -> Iterator[np.ndarray]:
    """Passages without drums, less those kept out of the training and very short ones."""
    passages, samples = read_backing(folder)
    for passage in passages:
        if passage.package not in HELD_OUT_BACKING and passage.length >= SHORTEST_PASSAGE_S * SAMPLE_RATE_HZ:
            yield samples[passage.start : passage.start + passage.length]


def hear_backing(folder: Path) -> Iterator[HeardSong]:
    """Passages in which no drum is struck."""
    for sound in _passages(folder):
        activations, detected = hear(sound)
        readings = track_readings(activations, detected, activations.duration_s, hear_harmony(sound))
        nothing = np.zeros((0, 2))
        yield HeardSong(activations, detected, readings[0].time_map, nothing, activations.duration_s, nothing[:, 0] > 0)


def hear_tone_drums(folders: Sequence[Path], count: int, seed: int) -> Iterator[HeardSong]:
    """Songs of computed drums, every second one over a passage of the backing."""
    backing = [sound for folder in folders for sound in _passages(folder) if len(sound) > 10 * SAMPLE_RATE_HZ]
    for k in range(count):
        rng = np.random.default_rng(seed + k)
        sound, strokes, beats = play_song(rng, backing[rng.integers(len(backing))] if k % 2 else None)
        activations, detected = hear(sound)
        bars, known = bars_of(beats, activations.duration_s), np.ones(len(strokes), bool)
        yield HeardSong(activations, detected, bars, strokes, activations.duration_s, known)


def named(activations: Activations, struck_s: np.ndarray, level: np.ndarray) -> tuple[Activations, list[Stroke]]:
    """Activations, and strokes detected in them, with toms named by the song; of their attacks (n,) it is known what
    each adds at low pitches (n, bands)."""
    detected = detect_strokes(activations)
    moments = find_moments(activations, detected)
    nearest = [int(np.argmin(np.abs(struck_s - time_s))) for time_s in moments.time_s]
    return name_by_levels(level[nearest].astype(float), moments, activations, detected)


def hear_grooves(folder: Path, split: str, fonts: Sequence[Path], count: int, seed: int) -> Iterator[HeardSong]:
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
            (DETECTED.index(HEARD_AS.get(name, name)), float(np.interp(at, quarters, beats_s)), velocity)
            for at, name, velocity in song.strokes
            if quarters[0] <= at <= quarters[-1]
        )
        # The pads of the electronic kit at times trigger twice within a few milliseconds.
        once = np.array(
            [(t, c, v) for j, (c, t, v) in enumerate(struck) if not j or struck[j - 1] < (c, t - DOUBLE_TRIGGER_S)]
        )
        until_s, is_heard = once[:, 0].max() + PAIRING_S, once[:, 2] >= SOFTEST_VELOCITY
        yield HeardSong(draft.activations, draft.strokes, draft.chart.time_map, once, until_s, is_heard)


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

    It is the mean of several, each learnt from another part of the songs: what one network takes a song for by chance,
    others don't.  Of what is plain (faint peaks that are nothing, high ones that are strokes) a part is learnt from,
    and weighs more.
    """
    rng = np.random.default_rng(seed)
    x, drum, right, share, of_song = [], [], [], [], []
    for songs in sources:
        found = [f for f, _ in songs]
        height, y = np.concatenate([f.height for f in found]), np.concatenate([r for _, r in songs])
        nothing = np.select([(height < 0.05) & ~y, (height < 0.1) & ~y, (height > 0.9) & y], [8.0, 4.0, 4.0], 1.0)
        kept = rng.random(len(y)) < 1 / nothing
        x.append(np.concatenate([f.measures for f in found])[kept])
        drum.append(np.concatenate([f.column for f in found])[kept])
        right.append(y[kept])
        share.append(nothing[kept] / len(y))
        first = of_song[-1][-1] + 1 if of_song else 0
        of_song.append(np.repeat(first + np.arange(len(found)), [len(f.height) for f in found])[kept])
    measures, column, target, weight, song = (np.concatenate(part) for part in (x, drum, right, share, of_song))
    soundless = (rng.random(song.max() + 1) < SOUNDLESS)[song]
    measures[np.ix_(soundless, SOUND)] = nothing_known(np.count_nonzero(soundless))
    known = np.ma.masked_invalid(measures)
    mean = np.ma.average(known, axis=0, weights=weight).data
    spread = np.sqrt(np.ma.average((known - mean) ** 2, axis=0, weights=weight).data) + 1e-6
    near = from_mean(measures, mean, spread)
    inputs = torch.tensor(np.column_stack([near, np.eye(N)[column]]), dtype=torch.float32)
    wobble = torch.tensor([SONG_NOISE * (name in OF_SONG) for name in CANDIDATE_MEASURES] + [0.0] * N)
    target = torch.tensor(target, dtype=torch.float32)
    weight = torch.tensor(weight / weight.mean(), dtype=torch.float32)
    learnt = []
    for _ in range(NETWORKS):
        torch.manual_seed(seed + len(learnt))
        mine = np.flatnonzero((rng.random(song.max() + 1) < SHARE_OF_SONGS)[song])
        net = torch.nn.Sequential(
            torch.nn.Linear(inputs.shape[1], HIDDEN_UNITS), torch.nn.ReLU(), torch.nn.Linear(HIDDEN_UNITS, 1)
        )
        optimizer = torch.optim.AdamW(net.parameters(), lr=TOP_RATE, weight_decay=WEIGHT_DECAY)
        steps = max(1, len(mine) // ROWS_A_STEP)
        rate = torch.optim.lr_scheduler.OneCycleLR(optimizer, TOP_RATE, LEARNING_PASSES * steps)
        for _ in range(LEARNING_PASSES):
            order = torch.tensor(rng.permutation(mine))
            for k in range(steps):
                rows = order[k * ROWS_A_STEP : (k + 1) * ROWS_A_STEP]
                said = net(inputs[rows] + wobble * torch.randn(len(rows), len(wobble)))[:, 0]
                loss = torch.nn.functional.binary_cross_entropy_with_logits(said, target[rows], weight=weight[rows])
                optimizer.zero_grad()
                loss.backward()
                optimizer.step()
                rate.step()
        learnt.append([p.detach().numpy().astype(float) for p in net.parameters()])
    # The mean of what networks of one hidden layer say (as log odds) is said by one that has the units of all.
    hidden, bias, out, constant = zip(*learnt, strict=True)
    return SecondPassNetwork(
        mean,
        spread,
        np.concatenate(hidden).T,
        np.concatenate(bias),
        np.append(np.concatenate([o[0] for o in out]) / NETWORKS, np.mean(constant)),
    )


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
    parser.add_argument("--bank", type=Path, required=True)
    parser.add_argument("--backing", type=Path, nargs="+", required=True)
    parser.add_argument("--performances", type=Path, required=True)
    parser.add_argument("--unknown", type=int, default=55, help="songs of unknown drums, part of the first source")
    parser.add_argument("--seed", type=int, default=9, help="of these")
    parser.add_argument("--groove", type=Path, required=True, help="folder of the Groove MIDI data set")
    parser.add_argument("--fonts", type=Path, nargs="+", required=True)
    parser.add_argument("--count", type=int, default=260)
    parser.add_argument("--tones", type=int, default=120, help="songs of computed drums")
    args = parser.parse_args()
    material = Material(read_library(args.bank, args.backing), *read_clips("train", args.performances))
    sources = [examples(hear_clips(file)) for file in args.heard]
    sources[0] += examples(hear_unknown(material, args.unknown, args.seed))
    sources.append(examples(hear_grooves(args.groove, "train", args.fonts, args.count, seed=81)))
    sources.append([song.example() for folder in args.backing for song in hear_backing(folder)])
    sources[-1] += [kicks_of(song.example()) for song in hear_tone_drums(args.backing, args.tones, seed=9000)]
    write_network(learn(sources), args.out)


if __name__ == "__main__":
    main()
