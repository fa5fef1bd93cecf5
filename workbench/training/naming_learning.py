"""Learn how toms are named by their song (:mod:`workbench.listening.naming`).

From songs of a minute made of the training kits, performances and backing, and from human performances of the Groove
MIDI data set (CC BY 4.0; J. Gillick et al., *Learning to groove with inverse sequence transformations*, ICML 2019)
rendered by FluidSynth; drums alone and in the mix, heard by the shipped detector.  It knows the training kits, so they
are tuned and coloured anew, as far as kits that it does not know.  Needs torch.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import torch
from mir_eval.util import match_events

from workbench.chart.drumkit import DETECTED, THREE_TOMS
from workbench.checking.findings import HEARD_AS
from workbench.files.audio import SAMPLE_RATE_HZ, load_audio
from workbench.listening.detect import compute_activations, detect_strokes
from workbench.listening.naming import TOM_MEASURES, NamingNetwork, find_moments, low_levels, measure
from workbench.training import groove_performances, mixing, rarities
from workbench.training.bank import PRE_ROLL
from workbench.training.bar_songs import FONT_KITS, accompany, compose, render
from workbench.training.calibrate import PAIRING_S
from workbench.training.library import read_library
from workbench.training.performances import CLOSED, OPEN, RIDE, Performance, read_performances
from workbench.training.planning import DRUM_ROWS, EQ_POINTS, SETTINGS, Material, Plan, plan_clip

UNITS, LEARNING_ROUNDS, SONGS_A_STEP, LEARNING_RATE, DECAY = 8, 40, 4, 4e-3, 3e-2
#: Noise added to measures while learning, in spreads: to each, and to all of a song alike.
NOISE, NOISE_OF_SONG = 0.15, 0.22
#: How far rows of drums are tuned anew (natural logarithm) and coloured (decibels; tilt, each point).
RETUNED, TILTED_DB, COLOURED_DB = 0.25, 5.0, 2.5

#: Measures of a song's moments, and which tom each is, -1 for none or two.
Example = tuple[np.ndarray, np.ndarray]


def play_songs(material: Material, count: int, seed: int, song_s: float = 60.0) -> Iterator[tuple[np.ndarray, Plan]]:
    """Songs (samples, plan) with drums that the detector does not know, alone and, where they have any, with their
    backing."""
    backed = SETTINGS.index("has_backing")
    for k in range(count):
        rng = np.random.default_rng([seed, k])
        plan = plan_clip(rng, material, song_s, vary=vary)
        if not plan.settings[SETTINGS.index("has_drums")]:
            continue
        make_unknown(rng, plan)
        for settings in (0.0, 1.0) if plan.settings[backed] else (0.0,):
            plan.settings[backed] = settings
            yield mixing.render([plan], material.library.samples, round(song_s * SAMPLE_RATE_HZ), k)[0], plan


def hear_grooves(folder: Path, fonts: Sequence[Path], count: int, song_s: float = 75.0) -> Iterator[Example]:
    """Human performances of at least half a minute in 4/4, as they were played, on any kit of a font."""
    long = [
        p
        for p in groove_performances.read_performances(folder, ("train",))
        if not p.is_fill and str(p.meter) == "4/4" and p.strokes and p.strokes[-1][0] / p.tempo_bpm * 60 >= 30
    ]
    order = np.random.default_rng(5).permutation(len(long))
    for k in range(min(count, len(long))):
        rng, played = np.random.default_rng([99, 0, k]), long[order[k]]
        song = compose(rng, played, played.meter, longest_s=song_s)
        kit = int(rng.choice(FONT_KITS))
        for backing in ((), accompany(np.random.default_rng([97, k]), song)):
            with tempfile.TemporaryDirectory() as scratch:
                path = Path(scratch) / "song.wav"
                again = np.random.default_rng([98, k])
                beats_s, _ = render(again, song, backing, fonts[k % len(fonts)], path, longest_s=song_s, kit=kit)
                samples = load_audio(path, SAMPLE_RATE_HZ, mono=True).samples[:, 0]
            quarters = song.beats[: len(beats_s)]
            strokes = [
                (float(np.interp(at, quarters, beats_s)), DETECTED.index(HEARD_AS.get(name, name)))
                for at, name, _ in song.strokes
                if quarters[0] <= at <= quarters[-1]
            ]
            yield from example(samples, np.array(strokes))


def vary(rng: np.random.Generator, performance: Performance, tempo_bpm: float) -> float:
    """More toms, rides and bells than :func:`workbench.training.rarities.vary` plays, in place; the tempo stays."""
    draw = rng.random()
    if draw < 0.35:
        rarities.tom_phrases(rng, performance)
    elif draw < 0.6:
        if rng.random() < 0.5:
            performance.instrument[np.isin(performance.instrument, (CLOSED, OPEN))] = RIDE
        if rng.random() < 0.7:
            rarities.bells(rng, performance)
    elif draw < 0.68:
        rarities.loose_hats(rng, performance)
    return tempo_bpm


def make_unknown(rng: np.random.Generator, plan: Plan) -> None:
    """Drums of other pitches and colours, row by row, in place; toms keep their order."""
    factor, row = np.exp(rng.normal(0, RETUNED, DRUM_ROWS)), plan.ints[:, 0]
    drums = row < DRUM_ROWS
    rate = plan.floats[drums, 0] * factor[row[drums]]
    plan.ints[drums, 1] += np.round(PRE_ROLL / plan.floats[drums, 0] - PRE_ROLL / rate).astype(plan.ints.dtype)
    plan.floats[drums, 0] = rate
    plan.eq_db[:DRUM_ROWS] += np.linspace(-1, 1, EQ_POINTS) * rng.normal(0, TILTED_DB, (DRUM_ROWS, 1))
    plan.eq_db[:DRUM_ROWS] += rng.normal(0, COLOURED_DB, (DRUM_ROWS, EQ_POINTS))


def example(samples: np.ndarray, strokes: np.ndarray) -> Iterator[Example]:
    """What is measured of a song whose strokes (n, 2 or more: time_s, instrument) are known, if toms are heard in
    it."""
    heard = compute_activations(samples)
    moments = find_moments(heard, detect_strokes(heard))
    if len(moments.time_s):
        yield measure(low_levels(samples, moments.time_s), moments), which_tom(moments.time_s, strokes)


def which_tom(time_s: np.ndarray, strokes: np.ndarray) -> np.ndarray:
    """Index in :data:`THREE_TOMS` of the tom struck at each time (n,), -1 where none is, or two."""
    toms = strokes[np.isin(strokes[:, 1], [DETECTED.index(name) for name in THREE_TOMS])]
    which = np.full(len(time_s), -1)
    for one, other in match_events(toms[:, 0], time_s, PAIRING_S) if len(toms) else ():
        together = np.abs(toms[:, 0] - time_s[other]) < PAIRING_S
        if len(set(toms[together, 1])) == 1:
            which[other] = int(toms[one, 1]) - DETECTED.index(THREE_TOMS[0])
    return which


def learn(songs: Sequence[Example], seed: int = 0) -> NamingNetwork:
    """The network that makes the names likeliest; a song counts as the square root of its moments."""
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    everything = np.concatenate([measures for measures, _ in songs])
    mean, spread = everything.mean(axis=0), everything.std(axis=0) + 1e-3
    told = [
        (torch.tensor((x - mean) / spread, dtype=torch.float32).clip(-4, 4), torch.tensor(y))
        for x, y in songs
        if (y >= 0).any()
    ]
    net = torch.nn.Sequential(
        torch.nn.Linear(len(TOM_MEASURES), UNITS), torch.nn.ReLU(), torch.nn.Linear(UNITS, len(THREE_TOMS))
    )
    optimizer = torch.optim.AdamW(net.parameters(), lr=LEARNING_RATE, weight_decay=DECAY)
    steps = LEARNING_ROUNDS * -(-len(told) // SONGS_A_STEP)
    rate = torch.optim.lr_scheduler.OneCycleLR(optimizer, LEARNING_RATE, steps)
    for _ in range(LEARNING_ROUNDS):
        order = rng.permutation(len(told))
        for first in range(0, len(order), SONGS_A_STEP):
            loss = torch.zeros(())
            for k in order[first : first + SONGS_A_STEP]:
                x, y = told[k]
                x = x + NOISE * torch.randn(x.shape) + NOISE_OF_SONG * torch.randn(1, x.shape[1])
                known = y >= 0
                loss = (
                    loss
                    + torch.nn.functional.cross_entropy(net(x[known]), y[known], reduction="sum") / known.sum() ** 0.5
                )
            optimizer.zero_grad()
            loss.backward()
            torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
            optimizer.step()
            rate.step()
    hidden, bias, out, out_bias = (p.detach().numpy().astype(float) for p in net.parameters())
    return NamingNetwork(mean, spread, hidden.T, bias, out.T, out_bias)


def write_network(network: NamingNetwork, file: Path) -> None:
    """As plain numbers."""
    data = {name: np.round(values, 4).tolist() for name, values in vars(network).items()}
    file.write_text(json.dumps({"measures": TOM_MEASURES, **data}, separators=(",", ":")) + "\n")


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("out", type=Path, help="workbench/listening/naming.json")
    parser.add_argument("--bank", type=Path, required=True)
    parser.add_argument("--backing", type=Path, nargs="+", required=True)
    parser.add_argument("--performances", type=Path, required=True)
    parser.add_argument("--count", type=int, default=55)
    parser.add_argument("--seed", type=int, default=9)
    parser.add_argument("--groove", type=Path, required=True, help="folder of the Groove MIDI data set")
    parser.add_argument("--fonts", type=Path, nargs="+", required=True)
    parser.add_argument("--performed", type=int, default=32)
    args = parser.parse_args()
    material = Material(read_library(args.bank, args.backing), *read_performances("train", args.performances))
    played = play_songs(material, args.count, args.seed)
    songs = [song for samples, plan in played for song in example(samples, plan.strokes)]
    songs += hear_grooves(args.groove, args.fonts, args.performed)
    write_network(learn(songs), args.out)


if __name__ == "__main__":
    main()
