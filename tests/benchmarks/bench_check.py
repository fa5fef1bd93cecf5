"""How much damage does ``check`` find, and how often does it raise a false alarm?

Human performances of Groove MIDI (CC BY 4.0) are written as charts and
rendered with a sound font; then the charts are damaged in known ways.  Run:

    python -m tests.benchmarks.bench_check GROOVE_DIR [--sound-font FONT.sf2] [--count 16] [--detector spectral]
    python -m tests.benchmarks.bench_check --speed RECORDING
    python -m tests.benchmarks.bench_check --annotated FOLDER

The last checks expert annotation, laid out as for ``workbench evaluate``, as if it were a draft, for measuring
only; and the same written wrongly as a whole.

A damage counts as found if a finding names it: the bar (or a bar of the run of
bars alike) for bars removed or doubled; bar, place and instrument for notes.
A false alarm is a finding that says "wrong" and names no damage.
"""

from __future__ import annotations

import argparse
import hashlib
import pickle
import tempfile
import time
from collections import Counter, defaultdict
from dataclasses import dataclass, replace
from fractions import Fraction
from importlib import resources
from pathlib import Path

import numpy as np

from tests.benchmarks.groove import Performance, chart_of, find_performances, read_performance
from tests.benchmarks.render import render_strokes, wheel_sound_font
from tests.benchmarks.spectral import DETECTORS, listen_with
from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.meter import Meter, TimeMap
from workbench.checking.check import Check, check_chart, check_draft
from workbench.checking.check_report import write_check
from workbench.checking.findings import HEARD_AS, Finding
from workbench.errors import WorkbenchError
from workbench.evaluation.evaluate import SUBCLASSES
from workbench.files.annotations import read_beat_labels, read_labels
from workbench.files.audio import Audio, load_audio, save_audio
from workbench.listening.draft import draft_chart
from workbench.listening.transcription import Transcription, transcribe

SWAPS = {
    "kick": "snare",
    "snare": "kick",
    "closed hi-hat": "ride",
    "ride": "closed hi-hat",
    "high tom": "floor tom",
    "floor tom": "high tom",
    "mid tom": "floor tom",
    "crash": "ride",
    "open hi-hat": "crash",
}
MOVED_S = 0.04
FAR = Fraction(1, 8)


@dataclass(frozen=True)
class Damage:
    kind: str
    bar_index: int
    position: Fraction | None = None
    instrument: str = ""


def rebuilt(chart: Chart, bars: list[WrittenBar]) -> Chart:
    tempo, meter = chart.time_map.tempo_bpm(0), chart.time_map.bars[0].meter
    return Chart(TimeMap.steady(len(bars), tempo, meter), tuple(bars), chart.title)


def full_bars(chart: Chart) -> list[int]:
    """Bars with enough notes to tell them from silence, first and last left out."""
    return [k for k in range(1, len(chart) - 2) if len(chart.bars[k].notes) >= 4]


def remove_bar(chart: Chart, rng) -> tuple[Chart, list[Damage]]:
    k = int(rng.choice(full_bars(chart)))
    return rebuilt(chart, [*chart.bars[:k], *chart.bars[k + 1 :]]), [Damage("bar missing", k - 1)]


def double_bar(chart: Chart, rng) -> tuple[Chart, list[Damage]]:
    k = int(rng.choice(full_bars(chart)))
    return rebuilt(chart, [*chart.bars[: k + 1], *chart.bars[k:]]), [Damage("bar extra", k + 1)]


def move_hits(chart: Chart, rng, share: float = 0.06) -> tuple[Chart, list[Damage]]:
    bars, damage = list(chart.bars), []
    for k, bar in enumerate(chart.bars):
        notes = []
        for n in bar.notes:
            if rng.random() < share:
                # The chart claims another time than the recording plays: written
                # later, the recording is early.
                sign = rng.choice([-1, 1])
                n = replace(n, deviation_s=n.deviation_s + sign * MOVED_S)
                damage.append(Damage("early" if sign > 0 else "late", k, n.position, n.instrument))
            notes.append(n)
        bars[k] = replace(bar, notes=tuple(notes))
    return rebuilt(chart, bars), damage


def swap_instruments(chart: Chart, rng, count: int = 2) -> tuple[Chart, list[Damage]]:
    bars, damage = list(chart.bars), []
    for k in rng.choice(full_bars(chart), count, replace=False):
        notes: dict = {}
        for n in chart.bars[k].notes:
            swapped = replace(n, instrument=SWAPS.get(n.instrument, n.instrument))
            notes[swapped.key] = swapped
        for n in notes.values():
            if chart.bars[k].find(*n.key) is None:
                damage.append(Damage("wrong drum", int(k), n.position, n.instrument))
        bars[k] = WrittenBar(tuple(notes.values()))
    return rebuilt(chart, bars), damage


def drop_notes(chart: Chart, rng, share: float = 0.04) -> tuple[Chart, list[Damage]]:
    bars, damage = list(chart.bars), []
    for k, bar in enumerate(chart.bars):
        out = {n.key for n in bar.notes if rng.random() < share}
        damage += [Damage("missing", k, n.position, n.instrument) for n in bar.notes if n.key in out]
        bars[k] = replace(bar, notes=tuple(n for n in bar.notes if n.key not in out))
    return rebuilt(chart, bars), damage


def add_notes(chart: Chart, rng) -> tuple[Chart, list[Damage]]:
    bars, damage = list(chart.bars), []
    for k in full_bars(chart):
        if rng.random() < 0.3:
            note = Note(Fraction(int(rng.integers(0, 16)), 16), str(rng.choice(["kick", "snare", "closed hi-hat"])), 90)
            near = [
                n
                for n in bars[k].notes
                if n.instrument == note.instrument and abs(n.position - note.position) < Fraction(1, 16)
            ]
            if not near:
                bars[k] = bars[k].with_note(note)
                damage.append(Damage("extra", k, note.position, note.instrument))
    return rebuilt(chart, bars), damage


def move_far(chart: Chart, rng, share: float = 0.03) -> tuple[Chart, list[Damage]]:
    """Notes written an eighth from where they are played, where the bar has none of their drum."""
    bars, damage = list(chart.bars), []
    for k, bar in enumerate(chart.bars):
        for n in bar.notes:
            to = n.position + int(rng.choice([-1, 1])) * FAR
            free = all(m.instrument != n.instrument or abs(m.position - to) > FAR / 2 for m in bars[k].notes)
            if rng.random() < share and free and 0 <= to < chart.time_map.bars[k].length:
                bars[k] = bars[k].without(*n.key).with_note(replace(n, position=to))
                damage.append(Damage("wrong place", k, to, n.instrument))
    return rebuilt(chart, bars), damage


def shift_bar(chart: Chart, rng) -> tuple[Chart, list[Damage]]:
    """A bar written an eighth late; what falls off its end is lost."""
    k = int(rng.choice(full_bars(chart)))
    length = chart.time_map.bars[k].length
    notes = tuple(replace(n, position=n.position + FAR) for n in chart.bars[k].notes if n.position + FAR < length)
    bars = [*chart.bars[:k], WrittenBar(notes), *chart.bars[k + 1 :]]
    return rebuilt(chart, bars), [Damage("bar shifted", k)]


DAMAGES = {
    "bar removed": remove_bar,
    "bar doubled": double_bar,
    "hits moved 40 ms": move_hits,
    "instruments swapped": swap_instruments,
    "notes left out": drop_notes,
    "notes added": add_notes,
    "hits moved an eighth": move_far,
    "bar an eighth late": shift_bar,
}


def names(finding: Finding, damage: Damage, chart: Chart) -> bool:
    """Whether a finding points at a damage."""
    if damage.position is None:
        if finding.kind not in (damage.kind, "repeat"):
            return False
        low = high = damage.bar_index
        pattern = chart.bars[min(damage.bar_index, len(chart) - 1)].pattern
        alike = lambda k: len(chart.bars[k].pattern ^ pattern) <= 0.34 * max(1, len(pattern))
        while low > 0 and alike(low - 1):
            low -= 1
        while high + 1 < len(chart) and alike(high + 1):
            high += 1
        return low - 1 <= finding.bar_index <= high + 1
    if not near(finding, damage, chart):
        return False
    heard_as = HEARD_AS.get(damage.instrument, damage.instrument)
    kinds = {
        "wrong drum": ("wrong drum", "extra"),
        "extra": ("extra", "wrong drum", "wrong place"),
        "missing": ("missing",),
        "wrong place": ("wrong place",),
        "early": ("early", "late"),
        "late": ("early", "late"),
    }[damage.kind]
    if damage.kind == "missing":
        return finding.kind in ("missing", "wrong drum", "wrong place") and finding.heard_instrument == heard_as
    return finding.kind in kinds and finding.instrument == damage.instrument


def near(finding: Finding, damage: Damage, chart: Chart) -> bool:
    """Whether both lie within a sixteenth of each other (in 4/4); a wrong place is the written and the heard one."""
    if finding.position is None or damage.position is None:
        return False
    places = [float(finding.bar_index + finding.position)]
    if finding.kind == "wrong place":
        places.append(places[0] + finding.deviation_s * chart.time_map.tempo_bpm(finding.bar_index) / 240)
    at = float(damage.bar_index + damage.position)
    return any(abs(place - at) <= 1 / 16 + 1e-9 for place in places)


def is_consequence(finding: Finding, damages: list[Damage], chart: Chart) -> bool:
    """Whether a finding follows from a damage without naming it in full."""
    for d in damages:
        if d.position is None:
            if names(finding, d, chart) or abs(finding.bar_index - d.bar_index) <= 1:
                return True
        elif finding.position is None:
            continue
        elif near(finding, d, chart):
            return True
    return False


def heard_of(performance: Performance, font: Path, detector: str, cache: Path) -> Transcription:
    weights = resources.files("workbench.listening.weights").joinpath("detector.json").read_text()
    what = f"{performance.name}{len(performance.strokes)}{font.name}{detector}{weights}{Transcription.__module__}"
    key = hashlib.sha256(what.encode()).hexdigest()[:12]
    stored = cache / f"{key}.heard"
    if not stored.exists():
        cache.mkdir(parents=True, exist_ok=True)
        wav = cache / f"{key}.wav"
        render_strokes(performance.strokes, wav, font, lead_s=1.7)
        stored.write_bytes(pickle.dumps(transcribe(wav)))
        wav.unlink()
    return pickle.loads(stored.read_bytes())  # our own file of a moment ago


def annotated_chart(folder: Path, name: str, shift: Fraction = Fraction(0), beats_a_bar: int = 4, stretch=1) -> Chart:
    """Expert annotation as a chart in 4/4, feel kept; or written later by ``shift``, in other bars, in longer notes."""
    beats = read_beat_labels(folder / "beats" / f"{name}.txt")
    times, first = np.array([b.time_s for b in beats]), next(k for k, b in enumerate(beats) if b.number == 1)
    bars: dict[int, dict] = {}
    length = Fraction(beats_a_bar, 4)
    step_s = float(np.median(np.diff(times)))
    for time_s, label in read_labels(folder / "subclass" / f"{name}.txt"):
        if label not in SUBCLASSES:
            continue
        exact = float(np.interp(time_s, times, np.arange(len(times)) - first)) / 4
        exact += (
            0.0 if times[0] <= time_s <= times[-1] else (time_s - np.clip(time_s, times[0], times[-1])) / step_s / 4
        )
        place = min((Fraction(round(exact * p), p) for p in (16, 24)), key=lambda p: abs(float(p) - exact))
        feel_s = (exact - float(place)) * 4 * step_s
        place = place * stretch + shift
        if place >= 0:
            k = int(place // length)
            ghost = frozenset({"ghost"} if label == "SDG" else ())
            note = Note(place - k * length, SUBCLASSES[label], 30 if ghost else 90, ghost, deviation_s=feel_s)
            bars.setdefault(k, {}).setdefault(note.key, note)
    tempo = 60 / step_s * float(stretch)
    time_map = TimeMap.steady(max(bars) + 1, tempo, Meter(beats_a_bar, 4))
    return Chart(time_map, tuple(WrittenBar(tuple(bars.get(k, {}).values())) for k in range(max(bars) + 1)), name)


#: Ways in which a chart is wrong as a whole.
WHOLESALE = {
    "as annotated": {},
    "an eighth late": {"shift": Fraction(1, 8)},
    "a beat late": {"shift": Fraction(1, 4)},
    "half tempo": {"stretch": Fraction(1, 2)},
    "in 3/4": {"beats_a_bar": 3},
}


def measure_annotated(folder: Path, show: bool) -> None:
    """Expert annotation checked against its recordings."""
    names = sorted(p.stem for p in (folder / "subclass").glob("*.txt"))
    for kind in ("drum", "mix"):
        wrong = listen = notes = 0
        first: dict[str, int] = defaultdict(int)
        others = 0
        heard = {n: transcribe(next((folder / kind).glob(f"{n}.*"))) for n in names}
        for name in names:
            for how, options in WHOLESALE.items():
                check = check_chart(annotated_chart(folder, name, **options), heard[name])
                first[how] += bool(check.first)
                if show and (bool(check.first) == (how == "as annotated")):
                    print("  ", name, how, check.first)
                if how == "as annotated":
                    found = [f for f in check.findings if f.verdict == "wrong"]
                    wrong, listen = wrong + len(found), listen + len(check.findings) - len(found)
                    notes += check.notes_aligned
                    for f in found if show else ():
                        print("  ", name, f.text, f"{f.probability:.2f}")
            try:
                other = annotated_chart(folder, names[names.index(name) - 1])
                others += bool(check_chart(other, heard[name]).first)
            except WorkbenchError:
                others += 1
        print(f"{kind}: expert annotation of {notes} notes: 'wrong' {wrong / notes:.1%}, 'listen' {listen / notes:.1%}")
        said = ", ".join(f"{how} {count}" for how, count in first.items())
        print(f"   of {len(names)} charts, something is said first of: {said}, another song {others}")


#: Time of hearing and judging, and of these with all three reports, over that of drafting.
MOST_CHECK, MOST_WITH_REPORTS = 1.2, 1.75


def measure_speed(recording: Path, length_s: float = 240.0) -> bool:
    """Time of checking a draft over that of drafting, on the same samples in the same run, and what it goes to; whether
    it is within limits."""
    audio = load_audio(recording)
    times = int(np.ceil(length_s / audio.duration_s))
    samples = np.tile(audio.samples, (times, 1))[: round(length_s * audio.sample_rate)]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "long.wav"
        save_audio(path, Audio(np.clip(samples, -1, 1), audio.sample_rate), "PCM_16")
        draft_chart(path)  # warm
        at_s = [time.perf_counter()]
        draft = draft_chart(path)
        at_s.append(time.perf_counter())
        check = check_draft(draft.chart, path)
        at_s.append(time.perf_counter())
        for ending in (".html", ".pdf", ".json"):
            write_check(check, Path(folder) / f"check{ending}", path)
        at_s.append(time.perf_counter())
    draft_s, check_s, reports_s = np.diff(at_s)
    alone, both = check_s / draft_s, (check_s + reports_s) / draft_s
    print(
        f"{length_s:.0f} s of {recording.name}: draft {draft_s:.2f} s; check {check_s:.2f} s, {alone:.2f} of that "
        f"(at most {MOST_CHECK}); its reports with their sound {reports_s:.2f} s; ratio in all {both:.2f} "
        f"(at most {MOST_WITH_REPORTS})"
    )
    good = bool(alone <= MOST_CHECK and both <= MOST_WITH_REPORTS)
    print("within limits" if good else "BEYOND LIMITS")
    return good


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("groove", type=Path, nargs="?")
    parser.add_argument("--speed", type=Path, metavar="RECORDING")
    parser.add_argument("--sound-font", type=Path, default=wheel_sound_font())
    parser.add_argument("--split", default="validation")
    parser.add_argument("--count", type=int, default=16)
    parser.add_argument("--skip", type=int, default=0, help="take other performances: leave out the first so many")
    parser.add_argument("--longest-s", type=float, default=60.0)
    parser.add_argument("--detector", choices=DETECTORS, default=DETECTORS[0])
    parser.add_argument("--perfect-ear", action="store_true", help="strokes as played instead of a detector")
    parser.add_argument("--cache", type=Path, default=Path("/tmp/bench_check"))
    parser.add_argument("--show", action="store_true", help="print false alarms and what was not found")
    parser.add_argument("--annotated", type=Path, metavar="FOLDER")
    args = parser.parse_args()
    if args.annotated:
        measure_annotated(args.annotated, args.show)
        return
    listen_with(args.detector)
    if args.speed:
        raise SystemExit(not measure_speed(args.speed))
    if args.groove is None:
        parser.error("name the folder of Groove MIDI, or --speed RECORDING")
    rows = find_performances(args.groove, args.split)
    rows = rows[args.skip :: max(1, len(rows) // args.count)][: args.count]
    found, total, verdict = Counter(), Counter(), Counter()
    alarms, shown, notes, bars_alarmed, bars = 0, 0, 0, 0, 0
    false_in_damaged, true_in_damaged = 0, 0
    by_kind: dict[tuple, int] = defaultdict(int)
    for k, row in enumerate(rows):
        performance = read_performance(args.groove, row, args.longest_s)
        chart = chart_of(performance)
        if args.perfect_ear:
            beat_s = 60 / performance.tempo_bpm
            heard = Transcription(
                tuple(replace(s, time_s=s.time_s + 1.7) for s in performance.strokes),
                tuple(1.7 + beat_s * np.arange(int(60 / beat_s))),
                performance.strokes[-1].time_s + 3,
            )
        else:
            heard = heard_of(performance, args.sound_font, args.detector, args.cache)
        started = time.perf_counter()
        clean = check_chart(chart, heard)
        took_s = time.perf_counter() - started
        wrong = [f for f in clean.findings if f.verdict == "wrong"]
        for f in wrong:
            by_kind[("clean", f.kind, f.instrument or f.heard_instrument)] += 1
        alarms += len(wrong)
        shown += len(clean.findings)
        notes += clean.notes_aligned
        bars += len(clean.bars)
        bars_alarmed += sum(any(f.verdict == "wrong" for f in b.findings) for b in clean.bars)
        print(
            f"{performance.name:24s} {len(chart):3d} bars, agreement {clean.alignment.agreement:.2f}, "
            f"{len(wrong)} false 'wrong', {len(clean.findings) - len(wrong)} 'listen' "
            f"of {clean.notes_aligned} notes, {took_s:.2f} s",
            flush=True,
        )
        for d, (name, make) in enumerate(DAMAGES.items()):
            rng = np.random.default_rng(1000 * k + d)
            damaged, damages = make(chart, rng)
            check: Check = check_chart(damaged, heard)
            for damage in damages:
                hits = [f for f in check.findings if names(f, damage, damaged)]
                total[name] += 1
                found[name] += bool(hits)
                verdict[name] += any(f.verdict == "wrong" for f in hits)
                if args.show and not hits:
                    print("   not found:", name, damage)
            for f in check.findings:
                if f.verdict == "wrong":
                    if is_consequence(f, damages, damaged):
                        true_in_damaged += 1
                    else:
                        false_in_damaged += 1
                        if args.show:
                            print(f"   false in {name}:", f.text, f"{f.probability:.2f}")
    print()
    for name in DAMAGES:
        print(
            f"{name:22s} found {found[name]:4d} of {total[name]:4d} = "
            f"{found[name] / max(1, total[name]):.1%}   said 'wrong' "
            f"{verdict[name] / max(1, total[name]):.1%}"
        )
    print(
        f"{'all':22s} found {sum(found.values()):4d} of {sum(total.values()):4d} = "
        f"{sum(found.values()) / max(1, sum(total.values())):.1%}   said 'wrong' "
        f"{sum(verdict.values()) / max(1, sum(total.values())):.1%}"
    )
    print(
        f"clean charts: 'wrong' {alarms / notes:.2%} of {notes} notes, in {bars_alarmed / bars:.1%} "
        f"of bars; 'listen' {(shown - alarms) / notes:.2%}"
    )
    said = max(1, false_in_damaged + true_in_damaged)
    print(f"damaged charts: {false_in_damaged / said:.1%} of 'wrong' are false")
    for (where, kind, name), count in sorted(by_kind.items(), key=lambda x: -x[1])[:12]:
        print(f"  {where}: {kind} {name}: {count}")


if __name__ == "__main__":
    main()
