"""How many acts a draft costs until it says what was played: a transcriber who knows every error and every tool.

A recording with expert annotation is drafted, and the draft is corrected with what the grid has, by the edits that the
grid makes: click (write), double click (remove), drag, `e` (the same in every bar that is as this one was; the same
answer to doubts like one just answered), every bar as here (`i`), a row filled (`I`), all like this (`A`), a row's name
and its menu, a frame around hits or possible hits, bars drawn onto others, hits repeated after themselves.  At each
step what mends most for each act is done.  An act is a key press, a click, a double click or a drag, with or without
Ctrl or Alt.  An error is a stroke missing, too many, or of another instrument within ±50 ms (onset window of mir_eval).

This counts hands, not ears: nobody knows all errors beforehand, so it is the least that the tools allow.

Run: ``WORKBENCH_ANNOTATED=folder python -m tests.benchmarks.bench_corrections``, a folder as ``make evaluate`` reads it
with ``mix/`` or ``drum/`` and ``subclass/`` (``--data folder``, ``--kind mix``).  Wanted: ≤ 0.7 acts an error.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from workbench.chart import Chart, Note, is_doubtful
from workbench.chart.drumkit import drum_key_order
from workbench.chart.edits import AcceptHit, AddNote, CompositeEdit, Edit, MoveNote, RemoveNote, SetBars, apply
from workbench.errors import ChartError
from workbench.evaluation.evaluate import ONSET_WINDOW_S, SUBCLASSES
from workbench.files.annotations import read_labels
from workbench.grid.corrections import Corrections
from workbench.listening.draft import draft_chart
from workbench.reading.questions import doubts_of, questions

#: Instruments of the annotation that one row of the draft stands for.
AS_CRASH = {"second crash", "splash", "china"}
#: Bars that stand in a line of the grid on a laptop, over which a frame can be drawn.
BARS_IN_LINE = 4
#: A hit no farther than this from a stroke of its instrument is dragged there.
MISPLACED_S = 0.3
#: Acts after which nobody goes on.
MOST_ACTS = 2000


@dataclass(frozen=True)
class Way:
    """Something a user could do next: what it is, what it costs and the edits it makes."""

    name: str
    acts: int
    edits: tuple[Edit, ...]
    repeat: int | None = None  #: bar whose correction is then made everywhere (`e`), which is the last act


class Desk:
    """A chart under correction against what was played."""

    def __init__(self, chart: Chart, truth: list[tuple[float, str]]) -> None:
        self.chart, self.corrections = chart, Corrections()
        offered = {h.instrument for h in chart.possible_hits}
        self.truth: dict[str, np.ndarray] = {}
        for name in {n for _, n in truth}:
            self.truth[name] = np.array(sorted(t for t, n in truth if n == name))
        self.rows = sorted({*self.truth, *chart.instruments_used(), *offered}, key=drum_key_order)

    # -- errors -----------------------------------------------------------------------

    def faults(self, chart: Chart) -> tuple[list[tuple[int, Note]], list[tuple[float, str]]]:
        """Hits that were not played, and strokes that are not written; near ones match in order of time."""
        extra, missing = [], []
        written: dict[str, list[tuple[float, int, Note]]] = {}
        for k, note in chart.notes():
            name = "crash" if note.instrument in AS_CRASH else note.instrument
            written.setdefault(name, []).append((chart.note_time_s(k, note), k, note))
        for name in {*written, *self.truth}:
            mine, theirs = sorted(written.get(name, []), key=lambda w: w[0]), self.truth.get(name, np.empty(0))
            i = j = 0
            while i < len(mine) or j < len(theirs):
                if j == len(theirs) or (i < len(mine) and mine[i][0] < theirs[j] - ONSET_WINDOW_S):
                    extra.append(mine[i][1:])
                    i += 1
                elif i == len(mine) or mine[i][0] > theirs[j] + ONSET_WINDOW_S:
                    missing.append((float(theirs[j]), name))
                    j += 1
                else:
                    i, j = i + 1, j + 1
        return extra, missing

    def errors(self, chart: Chart) -> int:
        """Strokes to write, to remove, or to give to another instrument."""
        extra, missing = self.faults(chart)
        return len(missing) + len(extra) - len(self.pairs(chart, extra, missing))

    def pairs(self, chart: Chart, extra: list, missing: list) -> list[tuple[int, Note, str]]:
        """Extra hits that are strokes of another instrument: bar, note, whose stroke it is."""
        left, out = sorted(missing), []
        for k, note in sorted(extra, key=lambda e: chart.note_time_s(*e)):
            at = chart.note_time_s(k, note)
            near = [m for m in left if abs(m[0] - at) <= ONSET_WINDOW_S]
            if near:
                found = min(near, key=lambda m: abs(m[0] - at))
                left.remove(found)
                out.append((k, note, found[1]))
        return out

    def fixes(self, chart: Chart) -> list[tuple[int, Edit]]:
        """One act for each error that can be mended by one: the bar, and the edit."""
        extra, missing = self.faults(chart)
        pairs = self.pairs(chart, extra, missing)
        moved = {(k, note.key) for k, note, _ in pairs}
        out: list[tuple[int, Edit]] = [(k, MoveNote(k, *n.key, k, n.position, name)) for k, n, name in pairs]
        out += [(k, RemoveNote(k, *n.key)) for k, n in extra if (k, n.key) not in moved]
        taken = [(chart.note_time_s(k, n), name) for k, n, name in pairs]
        for at, name in missing:
            if any(name == other and abs(at - t) <= ONSET_WINDOW_S for t, other in taken):
                continue
            place = self.place(chart, at)
            if place and chart.bars[place[0]].find(place[1], name) is None:
                out.append((place[0], AddNote(place[0], Note(place[1], name, confirmed=True))))
                out += [(k, MoveNote(k, *n.key, *place, name)) for k, n in extra if self.near(chart, k, n, at, name)]
        return out

    @staticmethod
    def near(chart: Chart, k: int, note: Note, at: float, name: str) -> bool:
        """Whether an extra hit is a stroke of the same instrument that is written at a wrong place nearby."""
        return note.instrument == name and abs(chart.note_time_s(k, note) - at) <= MISPLACED_S

    @staticmethod
    def place(chart: Chart, at: float) -> tuple[int, Fraction] | None:
        """The column, or the place between columns (Alt click), that a stroke is written at; None: out of reach."""
        k, _ = chart.time_map.place(at)
        columns = [(b, p) for b in (k, k + 1) if b < len(chart) for p in chart.grid_positions(b)]
        between = [(k, p + s * part) for k_, p in columns if k_ == k for s, part in _parts(chart, k)]
        for places in (columns, [b for b in between if b[1] < chart.time_map.bars[k].length]):
            best = min(places, key=lambda b: abs(chart.time_map.seconds(*b) - at), default=None)
            if best and abs(chart.time_map.seconds(*best) - at) <= ONSET_WINDOW_S:
                return best
        return None

    # -- ways to go on ----------------------------------------------------------------

    def ways(self) -> Iterator[Way]:
        chart = self.chart
        fixes = self.fixes(chart)
        by_bar: dict[int, list[Edit]] = {}
        for k, edit in fixes:
            yield Way("one hit", 1, (edit,))
            by_bar.setdefault(k, []).append(edit)
        for k, edits in by_bar.items():
            yield Way("bar, then e", len(edits) + 1, tuple(edits), repeat=k)
        for k, *_ in self.corrections.offers(chart):
            yield Way("e", 1, (), repeat=k)
        yield from self.groups()
        yield from self.frames()
        yield from self.possible()
        yield from self.same_doubts(fixes)
        yield from self.copies(by_bar)
        yield from self.every_bar()
        yield from self.filled_rows()

    def groups(self) -> Iterator[Way]:
        """All like this, a row's name: remove, or give to another row."""
        chart = self.chart
        groups: dict[tuple, list[tuple[int, Note]]] = {}
        for k, n in chart.notes():
            groups.setdefault(("all like this", 2, n.key), []).append((k, n))
            groups.setdefault(("row's name", 1, n.instrument), []).append((k, n))
        wrong = {(k, n.key) for k, n in self.faults(chart)[0]}
        for (name, acts, _), hits in groups.items():
            # What is mostly right needs nothing.
            if len(hits) < 2 or 2 * sum((k, n.key) in wrong for k, n in hits) < len(hits):
                continue
            yield Way(name, acts + 1, tuple(RemoveNote(k, *n.key) for k, n in hits))
            for to in self.rows:
                if to != hits[0][1].instrument:  # one of them is dragged there, the others go along
                    yield Way(name, acts + 1, tuple(MoveNote(k, *n.key, k, n.position, to) for k, n in hits))

    def frames(self) -> Iterator[Way]:
        """A frame over bars and lines: what is in it removed, dragged to another row, or its possible hits written."""
        chart = self.chart
        extra, missing = self.faults(chart)
        meant = {(k, n.key): name for k, n, name in self.pairs(chart, extra, missing)}
        wrong = {(k, n.key) for k, n in extra}
        left = self.errors(chart)
        framed: dict[tuple[str, str], list[tuple[int, Fraction, int, Edit]]] = {}
        for k, n in chart.notes():
            here = (k, n.key)
            gain = 0 if here in meant else 1 if here in wrong else -1
            framed.setdefault(("removed", n.instrument), []).append((k, n.position, gain, RemoveNote(k, *n.key)))
            for to in {*meant.values()} - {n.instrument}:
                gain = int(meant[here] == to) if here in meant else 0 if here in wrong else -1
                moved = (k, n.position, gain, MoveNote(k, *n.key, k, n.position, to))
                framed.setdefault((f"given to the {to}", n.instrument), []).append(moved)
        for k, n, h in chart.possible_notes():
            edit = AcceptHit(h.time_s, h.instrument)
            gain = left - self.errors(apply(chart, edit))
            for first, name in enumerate(self.rows):
                for last in range(first, len(self.rows)):
                    if h.instrument in self.rows[first : last + 1]:
                        framed.setdefault((f"written to {last}", name), []).append((k, n.position, gain, edit))
        for hits in framed.values():
            found = _best_frame(hits)
            if len(found) > 1:
                yield Way("frame", 2, found)

    def same_doubts(self, fixes: list[tuple[int, Edit]]) -> Iterator[Way]:
        """A doubt answered, then `e`: the same answer to the same question in other bars."""
        chart, seen = self.chart, set()
        asked = {(*d.place, d.instrument): q for q in questions(chart, doubts_of(chart)) for d in q}
        for k, edit in fixes:
            if not isinstance(edit, AddNote | RemoveNote | MoveNote):
                continue
            at, name = edit.note.key if isinstance(edit, AddNote) else (edit.position, edit.instrument)
            question, to = asked.get((k, at, name), []), None
            if isinstance(edit, MoveNote):
                if (edit.to_bar_index, edit.to_position) != (k, at):
                    continue
                to = edit.to_instrument
                same: list[Edit] = [MoveNote(*d.place, name, *d.place, to) for d in question]
            elif isinstance(edit, RemoveNote):
                same = [RemoveNote(*d.place, name) for d in question]
            else:
                same = [AcceptHit(d.hit.time_s, name) for d in question if d.hit]
            if len(same) > 1 and (question[0].place, name, to) not in seen:
                seen.add((question[0].place, name, to))
                yield Way("same doubts", 2, tuple(same))

    def possible(self) -> Iterator[Way]:
        """Possible hits written, hits in doubt taken out: those of a row, by its menu."""
        chart = self.chart
        offered = [AcceptHit(h.time_s, h.instrument) for h in chart.possible_hits]
        doubted = [RemoveNote(k, *n.key) for k, n in chart.notes() if is_doubtful(n)]
        for what, answers in (("possible", offered), ("doubted", doubted)):
            for name in self.rows:
                own = tuple(e for e in answers if e.instrument == name)
                if len(own) > 1:
                    yield Way(f"row's {what}", 2, own)

    def copies(self, by_bar: dict[int, list[Edit]]) -> Iterator[Way]:
        """A bar drawn onto another with Ctrl; the hits of a row repeated into the bars that follow."""
        chart = self.chart
        bad = [k for k, edits in by_bar.items() if len(edits) > 1]
        for source in range(len(chart)):
            if len(by_bar.get(source, ())) > 3:
                continue
            copied = replace(
                chart.bars[source],
                notes=tuple(replace(n, deviation_s=0.0, confirmed=True) for n in chart.bars[source].notes),
            )
            for k in bad:
                if chart.time_map.bars[k].length == chart.time_map.bars[source].length:
                    yield Way("bar copied", 1, (SetBars(k, (copied,)),))
            for name in self.rows:
                hits = [n for n in copied.notes if n.instrument == name]
                for count in range(1, 9) if len(hits) > 1 else ():
                    targets = range(source + 1, source + 1 + count)
                    if targets[-1] < len(chart):
                        adds = tuple(AddNote(k, n) for k in targets for n in hits)
                        yield Way("hits repeated", 1 + count, adds)

    def every_bar(self) -> Iterator[Way]:
        """Every bar as here (`i`): after a hit is written or taken out, or for the hits of a row in a frame."""
        chart, left = self.chart, self.errors(self.chart)
        seen = set()
        for k, edit in self.fixes(chart):
            if isinstance(edit, AddNote | RemoveNote):
                key = edit.note.key if isinstance(edit, AddNote) else (edit.position, edit.instrument)
                has = isinstance(edit, RemoveNote)
                if (key, has, k) not in seen:
                    seen.add((key, has, k))
                    made = [self.made_alike(b, (Note(*key, confirmed=True),), has) for b in range(len(chart))]
                    yield from self.stretches(left, made, 1, k)
        missing = {name for _, name in self.faults(chart)[1]}
        rows = {tuple(n for n in bar.notes if n.instrument == name) for bar in chart.bars for name in missing}
        for hits in {tuple(n.key for n in row): row for row in rows if len(row) > 1}.values():
            yield from self.stretches(left, [self.made_alike(b, hits, False) for b in range(len(chart))], 1)

    def made_alike(self, k: int, hits: tuple[Note, ...], gone: bool) -> tuple[Edit, ...]:
        """The edits that give a bar these hits, or take them out."""
        bar, length = self.chart.bars[k], self.chart.time_map.bars[k].length
        if gone:
            return tuple(RemoveNote(k, *n.key) for n in hits if bar.find(*n.key))
        lacking = (n for n in hits if n.position < length and bar.find(*n.key) is None)
        return tuple(AddNote(k, replace(n, deviation_s=0.0, confirmed=True)) for n in lacking)

    def stretches(self, left: int, made: list[tuple[Edit, ...]], acts: int, at: int | None = None) -> Iterator[Way]:
        """`i` in all bars, or in bars drawn over first (from the bar of the hit on)."""
        if sum(map(bool, made)) < 2:
            return
        chart = self.chart
        gains = [left - self.errors(apply(chart, CompositeEdit(e, "bar"))) if e else 0 for e in made]
        yield Way("every bar as here", acts + 1, tuple(e for bar in made for e in bar))
        for first, last in _stretches(gains, at):
            yield Way("these bars as here", acts + 2, tuple(e for bar in made[first : last + 1] for e in bar))

    def filled_rows(self) -> Iterator[Way]:
        """A click into a row writes a hit; `I` fills the row in its bar, or in bars drawn over: beats, halves of beats,
        columns."""
        chart, left = self.chart, self.errors(self.chart)
        begun = {(k, e.note.instrument) for k, e in self.fixes(chart) if isinstance(e, AddNote)}
        for name in {name for _, name in begun}:
            for presses, parts in enumerate((1, 2, 4), 1):
                made = [self.filled(k, name, parts) for k in range(len(chart))]
                for k in (k for k, row in begun if row == name):
                    yield Way("row filled", 1 + presses, made[k])
                gains = [left - self.errors(apply(chart, CompositeEdit(e, "bar"))) if e else 0 for e in made]
                for first, last in _stretches(gains, None):
                    if any((k, name) in begun for k in range(first, last + 1)):
                        yield Way("rows filled", 2 + presses, tuple(e for bar in made[first : last + 1] for e in bar))

    def filled(self, k: int, name: str, parts: int) -> tuple[Edit, ...]:
        step = self.chart.time_map.bars[k].meter.beat_length / parts
        places = (p for p in self.chart.grid_positions(k) if (p / step).denominator == 1)
        return tuple(
            AddNote(k, Note(p, name, confirmed=True)) for p in places if self.chart.bars[k].find(p, name) is None
        )

    # -- working ----------------------------------------------------------------------

    def after(self, way: Way) -> tuple[Chart, Corrections] | None:
        """Chart and memory of corrections after a way, or None where it is not possible."""
        chart, memory = self.chart, Corrections()
        memory._before = dict(self.corrections._before)
        try:
            if way.edits:
                edit = CompositeEdit(way.edits, way.name)
                chart = apply(self.chart, edit)
                memory.follow(self.chart, chart, edit)
            if way.repeat is not None:
                again = memory.edit(chart, way.repeat)
                repeated = apply(chart, again)
                memory.follow(chart, repeated, again)
                chart = repeated
        except ChartError:
            return None
        return chart, memory

    def work(self) -> tuple[int, dict[str, int]]:
        """Correct until nothing more can be mended; returns acts, and how often each way was gone."""
        acts, gone, left = 0, {}, self.errors(self.chart)
        while left and acts < MOST_ACTS:
            best, gain = None, 0.0
            for way in self.ways():
                found = self.after(way)
                if found is None:
                    continue
                mended = left - self.errors(found[0])
                if mended > 0 and (mended / way.acts, -way.acts) > (gain, -best[0].acts if best else 0):
                    best, gain = (way, *found), mended / way.acts
            if best is None:
                break
            way, self.chart, self.corrections = best
            acts, left = acts + way.acts, self.errors(self.chart)
            gone[way.name] = gone.get(way.name, 0) + 1
        return acts, gone


def _parts(chart: Chart, k: int) -> list[tuple[Fraction, Fraction]]:
    """Step of a bar's columns with each part of it where Alt click writes (halves, thirds, quarters)."""
    timed = chart.time_map.bars[k]
    step = timed.meter.beat_length / max(chart.bars[k].divided(timed))
    return [(step, Fraction(n, d)) for n, d in ((1, 4), (1, 3), (1, 2), (2, 3), (3, 4))]


def _stretches(gains: list[int], at: int | None) -> list[tuple[int, int]]:
    """First and last bar of the stretches that mend most: any, or those that begin or end with a bar."""
    ends = range(len(gains))
    found = [(a, b) for a in ends for b in ends if a <= b and (at is None or at in (a, b))]
    return [max(found, key=lambda s: (sum(gains[s[0] : s[1] + 1]), s[0] - s[1]))]


def _best_frame(hits: list[tuple[int, Fraction, int, Edit]]) -> tuple[Edit, ...]:
    """The edits of the frame that mends most: bars stand in lines one under the other."""
    across = sorted({(k % BARS_IN_LINE, p) for k, p, _, _ in hits})
    lines = sorted({k // BARS_IN_LINE for k, _, _, _ in hits})
    gains = np.zeros((lines[-1] + 1, len(across)))
    for k, p, gain, _ in hits:
        gains[k // BARS_IN_LINE, across.index((k % BARS_IN_LINE, p))] += gain
    best, edges = 0.0, (0, -1, 0, -1)
    for top in range(len(gains)):
        for bottom in range(top, len(gains)):
            sums = np.concatenate([[0.0], np.cumsum(gains[top : bottom + 1].sum(axis=0))])
            lowest = np.minimum.accumulate(sums)
            x1 = int((sums - lowest).argmax())
            if sums[x1] - lowest[x1] > best:
                best, edges = sums[x1] - lowest[x1], (top, bottom, int(sums[: x1 + 1].argmin()), x1 - 1)
    top, bottom, x0, x1 = edges
    inside = set(across[x0 : x1 + 1])
    return tuple(e for k, p, _, e in hits if top <= k // BARS_IN_LINE <= bottom and (k % BARS_IN_LINE, p) in inside)


def truth_of(labels: Path) -> list[tuple[float, str]]:
    named = ((t, SUBCLASSES.get(label, "")) for t, label in read_labels(labels))
    return [(t, "crash" if n in AS_CRASH else n) for t, n in named if n]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--data", type=Path, default=os.environ.get("WORKBENCH_ANNOTATED"))
    parser.add_argument("--kind", choices=("mix", "drum"), default="mix")
    parser.add_argument("--only", help="name of one recording")
    arguments = parser.parse_args()
    if arguments.data is None:
        parser.error("name a folder of annotated recordings: --data, or WORKBENCH_ANNOTATED")
    all_acts = all_errors = all_left = 0
    print(f"{'recording':12} {'bars':>5} {'errors':>7} {'acts':>5} {'acts/error':>11} {'left':>5} {'seconds':>8}  ways")
    for recording in sorted((Path(arguments.data) / arguments.kind).iterdir()):
        labels = Path(arguments.data) / "subclass" / f"{recording.stem}.txt"
        if not labels.exists() or arguments.only not in (None, recording.stem):
            continue
        desk = Desk(draft_chart(recording).chart, truth_of(labels))
        before, start = desk.errors(desk.chart), time.perf_counter()
        acts, gone = desk.work()
        left = desk.errors(desk.chart)
        ways = ", ".join(f"{n} × {name}" for name, n in sorted(gone.items(), key=lambda g: -g[1]))
        mended = max(before - left, 1)
        print(
            f"{recording.stem:12} {len(desk.chart):5} {before:7} {acts:5} {acts / mended:11.2f} {left:5} "
            f"{time.perf_counter() - start:8.1f}  {ways}",
            flush=True,
        )
        all_acts, all_errors, all_left = all_acts + acts, all_errors + before, all_left + left
    each = all_acts / max(all_errors - all_left, 1)
    print(f"{'together':12} {'':5} {all_errors:7} {all_acts:5} {each:11.2f} {all_left:5}")


if __name__ == "__main__":
    main()
