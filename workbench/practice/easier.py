"""Easier versions of bars, each a step towards them.

A beginner's part keeps what makes the groove: the backbeat, where the kick weighs, one time-keeper.  What makes it
hard goes first: ghost notes and ornaments, kicks off the beat, notes between the eighths.  All rules are common
practice of teaching, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from fractions import Fraction

from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.drumkit import HAND_DRUMS, TIMEKEEPERS, TIMEKEEPING
from workbench.chart.ghosts import ghost_limit, is_ghost
from workbench.chart.meter import Bar

#: Strokes that a note loses in an easier version.
ORNAMENTS = frozenset({"flam", "drag", "roll"})

#: Cymbals that mark a place and keep no time.
MARKING = frozenset(name for name, keeps in TIMEKEEPERS.items() if keeps == "crash")

#: One rule: the notes that it makes of those of a bar.
Rule = Callable[[Chart, int, tuple[Note, ...]], tuple[Note, ...]]


def ruled(chart: Chart, bar_index: int, notes: tuple[Note, ...], rules: Sequence[Rule]) -> tuple[Note, ...]:
    """What some rules make of notes of a bar, one after the other."""
    for rule in rules:
        notes = rule(chart, bar_index, notes)
    return notes


def without_ghosts(chart: Chart, bar_index: int, notes: tuple[Note, ...]) -> tuple[Note, ...]:
    """Without ghost notes, and without grace notes before others."""
    limit = ghost_limit(chart)
    return tuple(replace(n, articulations=n.articulations - ORNAMENTS) for n in notes if not is_ghost(n, limit))


def without_crash(chart: Chart, bar_index: int, notes: tuple[Note, ...]) -> tuple[Note, ...]:
    """The time-keeper in place of crashes: the hand stays where it is.  A bar that keeps time on a crash keeps it."""
    keeping = [n.instrument for n in notes if n.instrument in TIMEKEEPING]
    marking = {n.position: n for n in notes if n.instrument in MARKING}
    if not keeping or len(keeping) < len(marking):
        return notes
    usual = max(set(keeping), key=lambda name: (keeping.count(name), name))
    kept = [n for n in notes if n.instrument not in MARKING]
    struck = {n.position for n in kept if n.instrument in TIMEKEEPING}
    moved = [Note(p, usual, sticking=n.sticking) for p, n in marking.items() if p not in struck]
    return tuple(sorted([*kept, *moved], key=lambda n: n.position))


def on_the_strong_beats(chart: Chart, bar_index: int, notes: tuple[Note, ...]) -> tuple[Note, ...]:
    """The kick on 1 and on the other strong beats, where no snare is; nowhere else."""
    bar = chart.time_map.bars[bar_index]
    snares = {n.position for n in notes if n.instrument in ("snare", "side stick")}
    kicks = [n for n in notes if n.instrument == "kick"]
    if not kicks:
        return notes
    places = [p for p in _strong(bar) if p not in snares]
    own = {n.position: n for n in kicks}
    kept = [own.get(p, replace(kicks[0], position=p, deviation_s=0.0)) for p in places]
    return tuple(sorted([*(n for n in notes if n.instrument != "kick"), *kept], key=lambda n: n.position))


def drums_on_the_beats(chart: Chart, bar_index: int, notes: tuple[Note, ...]) -> tuple[Note, ...]:
    """Snare and toms on beats only; if none of them strikes on a beat they stay, or nothing would be left."""
    beats = chart.time_map.bars[bar_index].beat_positions()
    off = [n for n in notes if n.instrument in HAND_DRUMS and n.position not in beats]
    on = any(n.instrument in HAND_DRUMS and n.position in beats for n in notes)
    return tuple(n for n in notes if n not in off) if on else notes


def _strong(bar: Bar) -> list[Fraction]:
    """1, and 3 of four; of other meters 1 alone."""
    beats = bar.beat_positions()
    return [beats[0], beats[2]] if len(beats) == 4 else [beats[0]]


def _thinned(step_of: Callable[[Bar], Fraction]) -> Rule:
    def rule(chart: Chart, bar_index: int, notes: tuple[Note, ...]) -> tuple[Note, ...]:
        bar = chart.time_map.bars[bar_index]
        step = step_of(bar)
        kept = tuple(n for n in notes if n.instrument not in TIMEKEEPING or (n.position + bar.missing) % step == 0)
        keeps = lambda found: sum(n.instrument in TIMEKEEPING for n in found)
        # Off-beats alone would vanish: then they are the groove.
        return kept if keeps(kept) >= keeps(notes) / 5 else notes

    return rule


def _beat(bar: Bar) -> Fraction:
    return bar.meter.beat_length


def _half(bar: Bar) -> Fraction:
    """Half of a beat, of a compound one a third: an 8th in x/4 and x/8."""
    return bar.meter.beat_length / (3 if bar.meter.is_compound else 2)


_in_beats = _thinned(_beat)
_in_halves = _thinned(_half)


def frame(chart: Chart, bar_index: int, notes: tuple[Note, ...]) -> tuple[Note, ...]:
    """Of a fill what falls on the beats."""
    beats = chart.time_map.bars[bar_index].beat_positions()
    return tuple(replace(n, articulations=n.articulations - ORNAMENTS) for n in notes if n.position in beats)


def frame_in_halves(chart: Chart, bar_index: int, notes: tuple[Note, ...]) -> tuple[Note, ...]:
    """Of a fill what falls on beats and their halves."""
    bar = chart.time_map.bars[bar_index]
    step = _half(bar)
    kept = (n for n in notes if (n.position + bar.missing) % step == 0)
    return tuple(replace(n, articulations=n.articulations - ORNAMENTS) for n in kept)


#: Easier versions of a groove and of a fill, the easiest first: name, title, rules in order.
GROOVE_STEPS: tuple[tuple[str, str, tuple[Rule, ...]], ...] = (
    (
        "frame",
        "skeleton: cymbal and snare on the beats, kick on the strong beats",
        (without_ghosts, without_crash, drums_on_the_beats, on_the_strong_beats, _in_beats),
    ),
    (
        "time",
        "8ths on the cymbal, kick on the strong beats",
        (without_ghosts, without_crash, on_the_strong_beats, _in_halves),
    ),
    ("kick", "with its own kick", (without_ghosts, without_crash, _in_halves)),
    ("no-ghosts", "without ghost notes and crash", (without_ghosts, without_crash)),
)
#: What the first two are called where not all of their titles is so: by whether a cymbal keeps time as they say, and
#: whether a snare plays (of the first: on the beats).
OTHER_TITLES = {
    ("frame", False, True): "skeleton: snare on the beats, kick on the strong beats",
    ("frame", True, False): "skeleton: cymbal on the beats, kick on the strong beats",
    ("frame", False, False): "skeleton: kick on the strong beats",
    ("time", False, True): "with its own snare, kick on the strong beats",
    ("time", False, False): "kick on the strong beats",
}
FILL_STEPS: tuple[tuple[str, str, tuple[Rule, ...]], ...] = (
    ("beats", "skeleton: what falls on the beats", (without_ghosts, frame)),
    ("halves", "skeleton in 8ths", (without_ghosts, frame_in_halves)),
)
EASIER = {name: rules for name, _, rules in (*GROOVE_STEPS, *FILL_STEPS)}


def easier_steps(chart: Chart, bars: Sequence[int], fill: bool = False) -> list[tuple[str, str]]:
    """Names and titles of the easier versions of some bars that are each of them new, the easiest first.

    A version is left out that sounds like the one before it, like the bars themselves, or not at all.

    Examples
    --------
    >>> from workbench.chart.meter import TimeMap
    >>> hats = [Note(Fraction(k, 8), "closed hi-hat") for k in range(8)]
    >>> drums = [Note(Fraction(1, 4), "snare"), Note(Fraction(0), "kick"), Note(Fraction(3, 8), "kick")]
    >>> bar = WrittenBar((*hats, *drums))
    >>> [name for name, _ in easier_steps(Chart(TimeMap.steady(1, 100), (bar,)), [0])]
    ['frame', 'time']
    """
    seen = [tuple(chart.bars[k].pattern for k in bars)]
    out = []
    for name, title, _ in FILL_STEPS if fill else GROOVE_STEPS:
        look = tuple(WrittenBar(ruled(chart, k, chart.bars[k].notes, EASIER[name])).pattern for k in bars)
        sounds = any(i in HAND_DRUMS for bar in look for _, i in bar) if fill else any(look)
        if sounds and look not in seen:
            seen.append(look)
            out.append((name, _title(chart, bars, look, name, title)))
    return out


def _title(
    chart: Chart, bars: Sequence[int], look: tuple[frozenset[tuple[Fraction, str]], ...], name: str, title: str
) -> str:
    """The title of an easier version, true of how it looks."""
    step = {"frame": _beat, "time": _half}.get(name)
    if step is None:
        return title
    times = [(chart.time_map.bars[k], bar) for k, bar in zip(bars, look)]
    keeping = [(p + timed.missing) % step(timed) == 0 for timed, bar in times for p, i in bar if i in TIMEKEEPING]
    cymbal = all(keeping) and (bool(keeping) or any(i in MARKING for bar in look for _, i in bar))
    snares = [p in timed.beat_positions() for timed, bar in times for p, i in bar if i in ("snare", "side stick")]
    snare = any(snares) if name == "time" else bool(snares) and all(snares)
    return OTHER_TITLES.get((name, cymbal, snare), title)
