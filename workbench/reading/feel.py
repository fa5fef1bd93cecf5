"""How a part is played: before or behind the grid, swing, dynamics, tempo.

Everything here reads the played side of the chart (deviations, velocities, the
time map) and says nothing where there is none to read.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from workbench.chart import Chart, Note, is_doubtful
from workbench.chart.drumkit import TIMEKEEPING, drum_key_order, instrument
from workbench.grouping import grouped
from workbench.notation.scoresigns import tempo_marks
from workbench.reading.patterns import written_times_s
from workbench.reading.sticking import Sticking
from workbench.reading.variations import instrument_word

# Numbers whose origin is not named: chosen by eye, no source.
#: Fewest strokes that an average is taken of.
FEWEST = 8

#: Averages nearer to the grid than this are "on the grid", in ms; about what a
#: listener can just notice (common practice, no source).
NOTICEABLE_MS = 6.0


@dataclass(frozen=True)
class Placement:
    """Average place of an instrument against the grid; positive is behind."""

    instrument: str
    mean_ms: float
    spread_ms: float
    strokes: int


@dataclass(frozen=True)
class Swing:
    """Long to short of a pair of notes: 1 is straight, 2 is a triplet.

    Attributes
    ----------
    value : str
        '8ths' or '16ths'.
    ratio : float
    spread : float
        Half the range that the middle half of the pairs spans.
    pairs : int
    """

    value: str
    ratio: float
    spread: float
    pairs: int


@dataclass(frozen=True)
class Dynamics:
    """Loudness of a limb, MIDI velocities: median, and where the softest and
    loudest tenth begin."""

    limb: str
    median: float
    soft: float
    loud: float
    strokes: int


@dataclass(frozen=True)
class Feel:
    """The feel of a part.

    Attributes
    ----------
    placements : tuple of Placement
    swings : tuple of Swing
    dynamics : tuple of Dynamics
    tempo_bars : ndarray (n,), int
        Bars with drums.
    tempo_bpm : ndarray (n,)
        Tempo of each of them, counted beats a minute.
    marked_bpm : tuple of (int, int)
        Bar numbers from which the part is at a tempo, and the tempo, as the score prints it.
    """

    placements: tuple[Placement, ...]
    swings: tuple[Swing, ...]
    dynamics: tuple[Dynamics, ...]
    tempo_bars: np.ndarray
    tempo_bpm: np.ndarray
    marked_bpm: tuple[tuple[int, int], ...]

    def lines(self) -> tuple[str, ...]:
        """The feel in words."""
        return (*_tempo_lines(self), *_swing_lines(self), *_placement_lines(self), *_dynamics_lines(self))


def measure_feel(chart: Chart, sticking: Sticking | None = None, section_starts: Iterable[int] | None = None) -> Feel:
    """Measure the feel of a part; limbs come from a sticking where there is one, and where sections
    begin (bar indices) from the chart unless given."""
    sounding = [k for k in range(len(chart)) if chart.bars[k].notes]
    return Feel(
        _placements(chart),
        _swings(chart),
        _dynamics(chart, sticking),
        np.array(sounding, int),
        np.array([chart.time_map.tempo_bpm(k) for k in sounding], float),
        tuple((chart.time_map.bar_number(k), mark.tempo_bpm) for k, mark in tempo_marks(chart, section_starts).items()),
    )


def _was_played(chart: Chart) -> bool:
    return any(n.deviation_s for _, n in chart.notes())


def even_notes(chart: Chart) -> Iterator[tuple[int, Note]]:
    """Notes that can lie on the grid, with their bar index: all of a straight
    part; of one that swings, those that its swing does not move."""
    for k, n in chart.notes():
        timed = chart.time_map.bars[k]
        pair = timed.meter.swung_pair(chart.feel)
        if not pair or not timed.share_of_beat(n.position) % pair:
            yield k, n


def _placements(chart: Chart) -> tuple[Placement, ...]:
    if not _was_played(chart):
        return ()
    # Where a stroke lies that may not be there, or may be another drum's, is nobody's feel.
    sure = (n for _, n in even_notes(chart) if not is_doubtful(n))
    heard = (n for n in sure if n.deviation_s or n.confidence < 1 or not n.confirmed)
    by_name = grouped((n.instrument, n.deviation_s * 1000) for n in heard)
    return tuple(
        Placement(name, float(np.mean(v)), float(np.std(v)), len(v))
        for name, v in sorted(by_name.items(), key=lambda x: drum_key_order(x[0]))
        if len(v) >= FEWEST
    )


def _swings(chart: Chart) -> tuple[Swing, ...]:
    """Where the second of two even notes falls between its neighbours as played."""
    if not _was_played(chart) and not _has_triplets(chart):
        return ()
    ratios: dict[str, list[float]] = {"8ths": [], "16ths": []}
    beats = _times_by_beat(chart)
    spans = [len(bar.beat_spans()) for bar in chart.time_map.bars]
    for (k, b), here in beats.items():
        after = beats.get((k, b + 1) if b + 1 < spans[k] else (k + 1, 0), {}).get(0)
        if after is not None:
            here = {**here, _BEAT: after}
        for value, first, end, seconds in _COMPOUND_PAIRS if chart.time_map.bars[k].meter.is_compound else _PAIRS:
            inside = [f for f in here if first < f < end]
            if len(inside) != 1 or inside[0] not in seconds or first not in here or end not in here:
                continue
            share = (here[inside[0]] - here[first]) / (here[end] - here[first])
            if 0.35 < share < 0.85:
                ratios[value].append(share / (1 - share))
    out = []
    for value, found in ratios.items():
        if len(found) >= FEWEST:
            low, middle, high = np.quantile(found, (0.25, 0.5, 0.75))
            out.append(Swing(value, float(middle), float(high - low) / 2, len(found)))
    return tuple(out)


#: Parts of a beat are counted in twelfths: halves, quarters, thirds and sixths.
_BEAT = 12
#: Note value, the pair's beginning and end, and where its second note may be written.
_PAIRS = (("8ths", 0, 12, (6, 8)), ("16ths", 0, 6, (3, 4)), ("16ths", 6, 12, (9, 10)))
#: The same of a compound beat.
_COMPOUND_PAIRS = tuple(("16ths", eighth, eighth + 4, (eighth + 2,)) for eighth in (0, 4, 8))


def _times_by_beat(chart: Chart) -> dict[tuple[int, int], dict[int, float]]:
    """Played time of each part of each beat: the timekeeper's where it
    plays, else the first other stroke's.  Parts that are no twelfth are left out."""
    out: dict[tuple[int, int], dict[int, float]] = {}
    kept: set[tuple[int, int, int]] = set()
    for (k, n), written_s in zip(chart.notes(), written_times_s(chart)):
        bar = chart.time_map.bars[k]
        twelfths = n.position / bar.meter.beat_length * _BEAT
        if bar.is_pickup or twelfths.denominator > 1:
            continue
        b, part = divmod(twelfths.numerator, _BEAT)
        here = out.setdefault((k, b), {})
        keeps = n.instrument in TIMEKEEPING
        if part not in here or keeps and (k, b, part) not in kept:
            here[part] = written_s + n.deviation_s
            if keeps:
                kept.add((k, b, part))
    return out


def _has_triplets(chart: Chart) -> bool:
    return any(n.position.denominator % 3 == 0 for _, n in chart.notes())


def _dynamics(chart: Chart, sticking: Sticking | None) -> tuple[Dynamics, ...]:
    by_limb: dict[str, list[int]] = {}
    for k, n in chart.notes():
        key = (k, n.position, n.instrument)
        if instrument(n.instrument).is_foot:
            limb = sticking.feet.get(key, "") if sticking else instrument(n.instrument).limb.value
        else:
            letter = sticking.hands.get(key, "") if sticking else n.sticking
            limb = {"R": "right hand", "L": "left hand"}.get(letter, "hands")
        by_limb.setdefault(limb or instrument(n.instrument).limb.value, []).append(n.velocity)
    if len({v for vs in by_limb.values() for v in vs}) < 2:
        return ()
    order = ("right hand", "left hand", "hands", "right foot", "left foot")
    out = []
    for limb in order:
        v = by_limb.get(limb, [])
        if len(v) >= FEWEST:
            soft, middle, loud = np.quantile(v, (0.1, 0.5, 0.9))
            out.append(Dynamics(limb, float(middle), float(soft), float(loud), len(v)))
    return tuple(out)


# -- words ------------------------------------------------------------------------------


def _tempo_lines(feel: Feel) -> list[str]:
    bpm = feel.tempo_bpm
    if not len(bpm):
        return []
    middle = float(np.median(bpm))
    low, high = np.quantile(bpm, (0.05, 0.95))
    (_, first), *changes = feel.marked_bpm
    tempo = f"tempo {first} bpm" + "".join(f", {new} from bar {number}" for number, new in changes)
    if high - low < 0.01 * middle:
        return [f"{tempo}, steady within {max(high - low, 0.1):.1f} bpm"]
    line = f"{tempo}, most bars between {low:.0f} and {high:.0f}"
    if len(bpm) >= 8 and not changes:
        slope, _ = np.polyfit(np.arange(len(bpm)), bpm, 1)
        drift = slope * (len(bpm) - 1)
        if abs(drift) > 0.02 * middle and abs(drift) > 0.5 * (high - low):
            line += f", {'rushing' if drift > 0 else 'dragging'} by about {abs(drift):.0f} bpm over the song"
    return [line]


def _swing_lines(feel: Feel) -> list[str]:
    lines = []
    for s in feel.swings:
        if s.ratio < 1.15:
            word = "straight"
        elif s.ratio < 1.6:
            word = "lightly swung"
        elif s.ratio < 2.4:
            word = "swung, near the triplet"
        else:
            word = "swung hard, beyond the triplet"
        lines.append(f"{s.value} {word}: swing ratio {s.ratio:.2f} to 1 (±{s.spread:.2f}, {s.pairs} pairs)")
    return lines


def _placement_lines(feel: Feel) -> list[str]:
    """The kit as a whole against the grid, then each instrument against the kit."""
    if not feel.placements:
        return []
    strokes = sum(p.strokes for p in feel.placements)
    kit = sum(p.mean_ms * p.strokes for p in feel.placements) / strokes
    off = abs(kit) >= NOTICEABLE_MS
    lines = [f"the kit as a whole {_side(kit, 'the grid')}"] if len(feel.placements) > 1 else []
    against = "the rest" if off and lines else "the grid"
    near = []
    for p in feel.placements:
        mean = p.mean_ms - kit if against == "the rest" else p.mean_ms
        if lines and abs(mean) < NOTICEABLE_MS:
            near.append(instrument_word(p.instrument))
            continue
        lines.append(
            f"{instrument_word(p.instrument)} {_side(mean, against)} on average "
            f"(±{p.spread_ms:.0f} ms, {p.strokes} strokes)"
        )
    if near and len(near) < len(feel.placements):
        lines.append(f"{', '.join(near)} with {against}")
    return lines


def _side(ms: float, against: str) -> str:
    if abs(ms) < NOTICEABLE_MS:
        return f"with {against}" if against == "the rest" else f"on {against}"
    return f"{abs(ms):.0f} ms {'behind' if ms > 0 else 'ahead of'} {against}"


def _dynamics_lines(feel: Feel) -> list[str]:
    lines = []
    for d in feel.dynamics:
        reach = d.loud - d.soft
        word = "even" if reach < 20 else "varied" if reach < 50 else "from ghost to accent"
        lines.append(f"{d.limb}: velocity typically {d.median:.0f}, {d.soft:.0f}–{d.loud:.0f}, {word}")
    return lines
