"""Are notes found that a chart invents, by ``check`` and by ``take``?  And how often are right ones questioned?

Into right charts of human performances of Groove MIDI (CC BY 4.0), rendered with a sound font, drums alone and with
bass, chords and a lead, notes are planted that nobody played: between the strokes, and on another drum's stroke, soft
and loud, in every third bar or so.  Run:

    python -m tests.benchmarks.bench_planted GROOVE_DIR [--sound-font FONT.sf2] [--count 24] [--again]
    python -m tests.benchmarks.bench_planted --annotated FOLDER [--again]

The last plants into expert annotation, laid out as for ``workbench evaluate``, and into drafts of its recordings, for
measuring only.  ``--again`` plants one note in every bar where it can be, as a drummer repeats himself.

``check`` says of a planted note "wrong", "listen", names it as not heard ("named"), or takes it for heard; ``take``
says "missed", "unsure" (it cannot be told), or takes it for played.  Half the charts are as a score has them, without
feel and loudness.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from tests.benchmarks.bench_check import annotated_chart
from tests.benchmarks.render import wheel_sound_font
from workbench.chart import Chart, Note
from workbench.chart.ghosts import is_soft
from workbench.checking.check import check_chart
from workbench.checking.playing import measure_playing
from workbench.errors import WorkbenchError
from workbench.listening.draft import draft_chart
from workbench.listening.transcription import Transcription, transcribe
from workbench.training.presence_learning import LINED_UP_FROM, as_score, hear_charts

#: Drums that are planted.
PLANTED = ("snare", "floor tom", "high tom", "crash", "kick", "closed hi-hat")
SOFT, LOUD = 35, 105
#: Of so many bars one gets a note.
BARS_A_PLANT = 3
#: Nearer than this to a stroke of its drum a note is misplaced rather than invented; nearer than the second to another
#: drum's it is on it; further than the third it is alone.  Seconds.
OWN_APART_S, TOGETHER_S, ALONE_S = 0.12, 0.02, 0.06


@dataclass(frozen=True)
class Planted:
    """A note that nobody played."""

    bar_index: int
    note: Note
    place: str

    @property
    def kind(self) -> tuple[str, str, str]:
        return self.note.instrument, self.place, "soft" if is_soft(self.note) else "loud"


def plant(chart: Chart, rng: np.random.Generator, again: bool = False) -> tuple[Chart, list[Planted]]:
    """The chart with invented notes, and which they are; ``again``: one note, in every bar where it can be."""
    struck = [(chart.note_time_s(k, n), n.instrument) for k, n in chart.notes()]

    def place_of(k: int, position: Fraction, name: str) -> str:
        at = chart.time_map.seconds(k, position)
        own = [abs(t - at) for t, n in struck if n == name]
        other = min((abs(t - at) for t, n in struck if n != name), default=9.0)
        if not chart.bars[k].notes or min(own, default=9.0) < OWN_APART_S:
            return ""
        return "alone" if other > ALONE_S else "on another" if other < TOGETHER_S else ""

    def drawn() -> tuple[str, str, int]:
        name, place = str(rng.choice(PLANTED)), ("alone", "on another")[int(rng.integers(2))]
        return name, place, (SOFT, LOUD)[int(rng.integers(2))]

    bars, planted, one = list(chart.bars), [], drawn()
    places = [Fraction(int(p), 16) for p in rng.permutation(int(chart.time_map.bars[0].length * 16))]
    if again:
        places = [max(places, key=lambda p: sum(place_of(k, p, one[0]) == one[1] for k in range(len(bars))))]
    for k in range(len(bars)):
        if not again and rng.random() * BARS_A_PLANT >= 1:
            continue
        name, place, velocity = one if again else drawn()
        position = next((p for p in rng.permutation(places) if place_of(k, p, name) == place), None)
        if position is not None:
            note = Note(position, name, velocity, frozenset({"ghost"} if velocity == SOFT else ()))
            bars[k] = bars[k].with_note(note)
            planted.append(Planted(k, note, place))
    return replace(chart, bars=tuple(bars)), planted


def said_by_check(chart: Chart, heard: Transcription) -> dict[tuple, str]:
    """What the check says of notes, by bar index, position and drum; of those heard nothing."""
    check = check_chart(chart, heard)
    said = {(k, *n.key): "named" for k, n in check.unheard}
    for f in sorted(check.findings, key=lambda f: f.verdict == "wrong"):
        if f.kind not in ("missing", "early", "late") or f.text.endswith("very softly if at all."):
            said[f.bar_index, f.position, f.instrument] = f.verdict
    return said


def said_by_take(chart: Chart, heard: Transcription) -> dict[tuple, str]:
    """The same of the take."""
    playing = measure_playing(chart, heard)
    return {(s.bar_index, s.position, s.instrument): s.what for s in playing.strokes if s.what != "added"}


SAYS = {"check": said_by_check, "take": said_by_take}
ASKED = {"check": ("wrong", "listen", "named"), "take": ("missed", "unsure")}


class Tally:
    """What was said of planted and of right notes."""

    def __init__(self) -> None:
        self.planted: dict[str, dict[tuple, Counter]] = {who: {} for who in ASKED}
        self.right: dict[str, Counter] = {who: Counter() for who in ASKED}
        self.notes = 0

    def add(self, chart: Chart, heard: Transcription, seed: int, draws: int, again: bool) -> None:
        try:
            if measure_playing(chart, heard).alignment.agreement < LINED_UP_FROM:
                return
        except WorkbenchError:
            return  # not lined up: what is planted there says nothing
        self.notes += sum(len(b.notes) for b in chart.bars)
        for who, says in SAYS.items():
            self.right[who].update(says(chart, heard).values())
        for draw in range(draws):
            damaged, planted = plant(chart, np.random.default_rng([seed, draw]), again)
            for who, says in SAYS.items():
                said = says(damaged, heard)
                for p in planted:
                    what = said.get((p.bar_index, *p.note.key), "heard")
                    self.planted[who].setdefault(p.kind, Counter())[what] += 1

    def show(self, title: str) -> None:
        print(f"\n{title}: {self.notes} right notes")
        for who, words in ASKED.items():
            told = ", ".join(f"{w} {self.right[who][w] / max(1, self.notes):.2%}" for w in words)
            print(f"  {who}, of right notes: {told}")
        print(f"  {'planted':36s} {'n':>5s}   check: wrong listen named heard   take: missed unsure played")
        kinds = sorted(self.planted["check"])
        groups = [(" ".join(k), [k]) for k in kinds]
        groups += [(f"all {w}", [k for k in kinds if w in k]) for w in ("alone", "on another", "soft", "loud")]
        for name, those in [*groups, ("all", kinds)]:
            sums = {who: sum((self.planted[who][k] for k in those), Counter()) for who in ASKED}
            n = sums["check"].total()
            shares = [sums["check"][w] / max(1, n) for w in (*ASKED["check"], "heard")]
            shares += [sums["take"][w] / max(1, n) for w in (*ASKED["take"], "heard")]
            cells = "".join(f"{s:7.0%}" for s in shares)
            print(f"  {name:36s} {n:5d}        {cells}")


def annotated_songs(folder: Path, kind: str, drafts: bool) -> Iterator[tuple[Chart, Transcription]]:
    """Expert annotation, or drafts, and what is heard of the recordings."""
    for path in sorted((folder / kind).iterdir()):
        yield draft_chart(path).chart if drafts else annotated_chart(folder, path.stem), transcribe(path)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("groove", type=Path, nargs="?")
    parser.add_argument("--annotated", type=Path, metavar="FOLDER")
    parser.add_argument("--sound-font", type=Path, default=wheel_sound_font())
    parser.add_argument("--split", default="validation")
    parser.add_argument("--count", type=int, default=24)
    parser.add_argument("--draws", type=int, default=4, help="charts with planted notes made of each")
    parser.add_argument("--again", action="store_true", help="one note in every bar where it can be")
    args = parser.parse_args()
    if args.annotated:
        for drafts in (False, True):
            for kind in ("drum", "mix"):
                tally = Tally()
                for k, (chart, heard) in enumerate(annotated_songs(args.annotated, kind, drafts)):
                    tally.add(chart, heard, k, args.draws, args.again)
                tally.show(f"{'drafts' if drafts else 'expert annotation'}, {kind}")
        return
    if args.groove is None:
        parser.error("name the folder of Groove MIDI, or --annotated FOLDER")
    tallies = {"drums alone": Tally(), "mix": Tally()}
    songs = hear_charts(args.groove, args.split, [args.sound_font], args.count, seed=14002)
    for k, (chart, heard) in enumerate(songs):
        right = as_score(chart) if k % 4 >= 2 else chart
        tallies["mix" if k % 2 else "drums alone"].add(right, heard, k, args.draws, args.again)
    for name, tally in tallies.items():
        tally.show(name)


if __name__ == "__main__":
    main()
