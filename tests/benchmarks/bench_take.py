"""How exactly does ``take`` measure deviations that are known?

Human performances of Groove MIDI (CC BY 4.0) were played to a click at known
times; rendered with a sound font, their deviations are known to the sample but
for the attack of each sound, which is measured on single strokes of the font.
The chart is the performance on its nearest sixteenth or triplet.  Run:

    python -m tests.benchmarks.bench_take GROOVE_DIR [--sound-font FONT.sf2] [--count 8] [--spread]

``--spread`` measures what WORKING_DRUMMERS_SPREAD_MS says.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np

from tests.benchmarks.groove import chart_of, find_performances, read_performance
from tests.benchmarks.render import render_strokes, wheel_sound_font
from tests.benchmarks.spectral import DETECTORS, listen_with
from workbench.chart import Chart, WrittenBar
from workbench.chart.drumkit import INSTRUMENTS
from workbench.chart.events import Stroke
from workbench.checking.findings import HEARD_AS
from workbench.checking.playing import LEAST_SLIP_S, SLIP_SPREADS, Click
from workbench.checking.take import assess_strokes, assess_take
from workbench.checking.take_words import is_rough
from workbench.files.audio import load_audio
from workbench.listening.transcription import Transcription

LEAD_S = 1.7


def attacks(font: Path) -> dict[str, float]:
    """Seconds from note-on to a tenth of the first peak, by instrument, for single strokes."""
    names = [i.name for i in INSTRUMENTS]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "single.wav"
        render_strokes([Stroke(1.0 + 3.0 * k, n, 100) for k, n in enumerate(names)], path, font)
        audio = load_audio(path, mono=True)
    out = {}
    for k, name in enumerate(names):
        part = np.abs(audio.excerpt(0.99 + 3.0 * k, 1.03 + 3.0 * k).mono())
        out[name] = float(np.argmax(part > 0.1 * part.max())) / audio.sample_rate - 0.01
    return out


def straight(chart: Chart) -> Chart:
    """The chart as a score has it, without the feel."""
    return replace(
        chart, bars=tuple(WrittenBar(tuple(replace(n, deviation_s=0.0) for n in b.notes)) for b in chart.bars)
    )


def trimmed(values: list[float]) -> np.ndarray:
    v = np.array(values)
    middle = np.median(v)
    least = max(LEAST_SLIP_S, SLIP_SPREADS * 1.4826 * np.median(np.abs(v - middle)))
    return v[np.abs(v - middle) <= least]


def measure_spread(folder: Path) -> None:
    """Spread on eighth-note places over all performances."""
    spreads, performances = [], 0
    for split in ("train", "validation"):
        for row in find_performances(folder, split, 20.0):
            performances += 1
            by_name = defaultdict(list)
            for _, n in chart_of(read_performance(folder, row)).notes():
                if n.position.denominator in (1, 2, 4, 8):
                    by_name[n.instrument].append(n.deviation_s)
            spreads += [trimmed(v).std() * 1000 for v in by_name.values() if len(v) >= 20]
    print(
        f"{performances} performances, {len(spreads)} instruments: quartiles of spread, ms:",
        np.round(np.percentile(spreads, [25, 50, 75]), 1),
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("groove", type=Path)
    parser.add_argument("--sound-font", type=Path, default=wheel_sound_font())
    parser.add_argument("--split", default="validation")
    parser.add_argument("--count", type=int, default=8)
    parser.add_argument("--skip", type=int, default=0, help="take other performances: leave out the first so many")
    parser.add_argument("--longest-s", type=float, default=60.0)
    parser.add_argument("--detector", choices=DETECTORS, default=DETECTORS[0])
    parser.add_argument("--perfect-ear", action="store_true")
    parser.add_argument("--spread", action="store_true")
    args = parser.parse_args()
    listen_with(args.detector)
    if args.spread:
        measure_spread(args.groove)
        return
    attack = attacks(args.sound_font)
    rows = find_performances(args.groove, args.split)
    rows = rows[args.skip :: max(1, len(rows) // args.count)][: args.count]
    mean_errors, spread_errors, rough = [], [], []
    for row in rows:
        performance = read_performance(args.groove, row, args.longest_s)
        chart = chart_of(performance)
        truth = defaultdict(list)
        for _, n in chart.notes():
            name = HEARD_AS.get(n.instrument, n.instrument)
            truth[name].append(1000 * (n.deviation_s + (0 if args.perfect_ear else attack[n.instrument])))
        click = Click(performance.tempo_bpm, LEAD_S)
        if args.perfect_ear:
            heard = Transcription(tuple(replace(s, time_s=s.time_s + LEAD_S) for s in performance.strokes), (), 0.0)
            take = assess_strokes(straight(chart), heard, click)
        else:
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / "take.wav"
                render_strokes(performance.strokes, path, args.sound_font, lead_s=LEAD_S)
                take = assess_take(straight(chart), path, click)
        playing = take.playing
        print(
            f"{performance.name}: agreement {playing.alignment.agreement:.2f}, played {playing.played} of "
            f"{playing.written}, tempo {playing.tempo_bpm:.1f} ({performance.tempo_bpm:.1f}), "
            f"drift {playing.drift_percent:+.1f} %",
            flush=True,
        )
        for t in playing.instruments:
            known = trimmed(truth[t.instrument]) if truth[t.instrument] else np.array([])
            if t.mean_ms is None or len(known) < 20:
                continue
            mean_errors.append(t.mean_ms - known.mean())
            spread_errors.append(t.spread_ms / known.std() - 1)
            rough.append(is_rough(t))
            print(
                f"   {t.instrument:14s} {t.played:4d} of {t.written:4d}  mean {t.mean_ms:+6.1f} (known "
                f"{known.mean():+6.1f})  spread {t.spread_ms:5.1f} (known {known.std():5.1f})"
            )
        for text in (*take.strengths, *take.advice):
            print("     -", text)
    m, s, about = np.abs(mean_errors), np.abs(spread_errors), np.array(rough, bool)
    for which, words in ((~about, "told plainly"), (about, "told as “about”")):
        if which.any():
            print(
                f"{which.sum()} instruments of {len(rows)} takes {words}: mean off by {np.median(m[which]):.1f} ms "
                f"(median), {m[which].max():.1f} (worst), {(m[which] <= 3).sum()} within 3 ms; spread off by "
                f"{np.median(s[which]):.0%} (median), {s[which].max():.0%} (worst), {(s[which] <= 0.2).sum()} "
                "within 20 %"
            )


if __name__ == "__main__":
    main()
