"""Flams, drags and rolls: the strokes that one written note is played with, and which strokes are one note.

A flam is written as one note, a drag as one note too; on a drum each is two or
three strokes hardly apart, the last of which has the place and the weight.  This
is the one model of it: sound, MIDI and evaluation play notes by :func:`play_note`,
listening and the reading of MIDI gather strokes by :func:`join_grace_strokes`, the
check expects grace strokes within :data:`GRACE_REACH_S`.

Numbers marked *measured* are medians of the 4/4 grooves in Groove MIDI's training
split (``python -m tests.benchmarks.bench_ornaments GROOVE_DIR``: 1,412 flams, 54
drags, 218 rolls).  The limits of joining were chosen with three annotated flams of
39, 50 and 58 ms in view and the strokes of all its performances, where pairs with
the louder stroke first are mostly rebounds; of 400,141 strokes 0.5 % become grace
strokes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from workbench.chart.chart import Chart, Note
from workbench.chart.drumkit import instrument
from workbench.chart.events import Stroke
from workbench.chart.meter import TimeMap
from workbench.grouping import grouped

#: How many grace strokes a sign says.
GRACE_STROKES: dict[str, int] = {"flam": 1, "drag": 2}
#: How many strokes a note with a sign stands for, at most.
MOST_STROKES: dict[str, int] = {"": 1, "flam": 2, "drag": 3, "double": 2, "roll": 1000}
#: Seconds from a grace stroke to the next stroke (measured: flams 34 ms, drags 39 and 29 ms).
GRACE_GAP_S = 0.034
#: Velocity of grace strokes over that of their stroke (common practice, no source: a low stroke before a
#: high one; measured: a quarter of the flams below 0.67, the median 0.97).
GRACE_VELOCITY = 0.5
#: From the first to the second of a double stroke, whole notes: it is written as a sixteenth with one stroke through
#: its stem, two thirty-seconds.
DOUBLE_GAP = Fraction(1, 32)
#: Seconds between the strokes of a roll (measured: 53 ms, half of them 48 to 60 ms).
ROLL_GAP_S = 0.053
#: Velocity of the further strokes of a roll over that of its first (measured: 0.48, half of them 0.40 to 0.75).
ROLL_VELOCITY = 0.5

# The limits of joining; where they come from says the beginning of the module.
#: Strokes of one drum this near are one, twice detected or triggered, seconds;
SAME_S = 0.025
#: and of instruments on which nobody plays flams (kick, hi-hat, cymbals).
SAME_ELSEWHERE_S = 0.035
#: Two strokes of one drum this near are a flam at any tempo, seconds;
SURE_FLAM_S = 0.035
#: so near if they are too close to be two written notes, seconds,
WIDEST_FLAM_S = 0.060
#: which is nearer than this part of a thirty-second note.
OF_A_32ND = 0.9
#: The widest gap in a drag of two grace strokes, seconds.
WIDEST_DRAG_GAP_S = 0.045
#: The longest time from the first grace stroke to its note, seconds.
GRACE_REACH_S: dict[str, float] = {"flam": WIDEST_FLAM_S, "drag": 2 * WIDEST_DRAG_GAP_S}
#: What belongs together stands alone: the next stroke of the drum is so many times further away.
ALONE = 2.0
#: A first stroke so many times louder is no grace stroke; what follows it is its rebound.
MUCH_LOUDER = 1.15
#: Families of drums on which flams and drags are played.
_FAMILIES = ("snare", "tom")


@dataclass(frozen=True)
class GraceGroup:
    """Strokes that become one written note.

    Attributes
    ----------
    stroke : Stroke
        The stroke that has the place; as loud and as sure as the loudest and surest of all.
    sign : str
        'flam', 'drag' or ''.
    strokes : tuple of Stroke
        All of them, in order of time.
    """

    stroke: Stroke
    sign: str
    strokes: tuple[Stroke, ...]


def join_grace_strokes(strokes: Sequence[Stroke], time_map: TimeMap) -> list[GraceGroup]:
    """Gather strokes into written notes: flams, drags and strokes detected twice become one each.

    Two strokes of a drum are a flam if no other stroke of it lies near (in a run of
    thirty-seconds or a roll every stroke stays), the first is not the louder, and they are
    nearer than :data:`SURE_FLAM_S`, or than :data:`WIDEST_FLAM_S` and too near for two
    thirty-seconds at the tempo of their bar.

    Parameters
    ----------
    strokes : sequence of Stroke
    time_map : TimeMap
        Tells the tempo.

    Returns
    -------
    list of GraceGroup
        In order of the time of their strokes.

    Examples
    --------
    >>> played = [Stroke(0.46, "snare", 40), Stroke(0.5, "snare", 100), Stroke(1.0, "snare", 100)]
    >>> [(n.stroke.time_s, n.sign) for n in join_grace_strokes(played, TimeMap.steady(1, 120))]
    [(0.5, 'flam'), (1.0, '')]
    """
    out: list[GraceGroup] = []
    for name, own in grouped((s.instrument, s) for s in sorted(strokes)).items():
        drum = instrument(name).family in _FAMILIES
        notes = _without_doubles(own, SAME_S if drum else SAME_ELSEWHERE_S)
        k = 0
        while k < len(notes):
            count = _belonging(notes, k, time_map) if drum else 1
            out.append(_joined(notes[k : k + count]) if count > 1 else notes[k])
            k += count
    return sorted(out, key=lambda n: n.stroke)


def play_note(chart: Chart, bar_index: int, note: Note, played: bool = True) -> list[Stroke]:
    """The strokes that a written note is played with: its own first, then grace strokes, then those of a roll.

    Parameters
    ----------
    chart : Chart
    bar_index : int
    note : Note
        Of that bar.
    played : bool
        Where it was heard, or exactly where it is written.

    Examples
    --------
    >>> from workbench.chart import WrittenBar
    >>> flam = Note(Fraction(1, 4), "snare", 100, frozenset({"flam"}))
    >>> chart = Chart(TimeMap.steady(1, 120), (WrittenBar((flam,)),))
    >>> [(round(s.time_s, 3), s.velocity) for s in play_note(chart, 0, flam)]
    [(0.5, 100), (0.466, 50)]
    """
    written_s = chart.time_map.seconds(bar_index, note.position)
    time_s = chart.note_time_s(bar_index, note) if played else written_s
    own = Stroke(time_s, note.instrument, note.velocity, note.confidence)
    count = max((GRACE_STROKES.get(sign, 0) for sign in note.articulations), default=0)
    softer = replace(own, velocity=max(1, round(note.velocity * GRACE_VELOCITY)))
    out = [own, *(replace(softer, time_s=time_s - k * GRACE_GAP_S) for k in range(count, 0, -1))]
    if "double" in note.articulations:
        second_s = chart.time_map.seconds(bar_index, note.position + DOUBLE_GAP) - written_s
        out.append(replace(own, time_s=time_s + second_s))
    if "roll" in note.articulations:
        softer = replace(own, velocity=max(1, round(note.velocity * ROLL_VELOCITY)))
        length_s = chart.time_map.seconds(bar_index, roll_end(chart, bar_index, note)) - written_s
        strokes = max(2, round(length_s / ROLL_GAP_S))
        out += [replace(softer, time_s=time_s + length_s * k / strokes) for k in range(1, strokes)]
    return out


def roll_end(chart: Chart, bar_index: int, note: Note) -> Fraction:
    """Position at which a roll ends: at the next stroke of the hands (of the feet, if they roll), at
    the latest with its beat; one that starts a half note goes on over the silent beats after it."""
    bar, foot = chart.time_map.bars[bar_index], instrument(note.instrument).is_foot
    voice = [n for n in chart.bars[bar_index].notes if instrument(n.instrument).is_foot is foot]
    following = min((n.position for n in voice if n.position > note.position), default=bar.length)
    alone = all("roll" in n.articulations for n in voice if n.position == note.position)
    ends = [start + length for start, length in bar.beat_spans() if note.position < start + length <= following]
    if not ends:
        return following
    starts_half = (note.position + bar.missing) % Fraction(1, 2) == 0
    return ends[-1] if alone and starts_half else ends[0]


def _without_doubles(strokes: Sequence[Stroke], nearest_s: float) -> list[GraceGroup]:
    """Strokes nearer than any grace stroke as one: the louder, at its time."""
    out: list[GraceGroup] = []
    for stroke in strokes:
        if out and stroke.time_s - out[-1].strokes[0].time_s <= nearest_s:
            together = (*out[-1].strokes, stroke)
            out[-1] = GraceGroup(max(together, key=lambda s: (s.velocity, s.time_s)), "", together)
        else:
            out.append(GraceGroup(stroke, "", (stroke,)))
    return out


def _belonging(notes: Sequence[GraceGroup], k: int, time_map: TimeMap) -> int:
    """How many strokes of a drum from number ``k`` on are one written note."""
    for count in (3, 2):
        group = [n.stroke for n in notes[k : k + count]]
        if len(group) < count:
            continue
        gaps = [b.time_s - a.time_s for a, b in zip(group, group[1:])]
        limit = WIDEST_DRAG_GAP_S if count == 3 else _widest_flam_s(group[0], gaps[0], time_map)
        if max(gaps) > limit or max(s.velocity for s in group[:-1]) > MUCH_LOUDER * group[-1].velocity:
            continue
        before = group[0].time_s - notes[k - 1].stroke.time_s if k else float("inf")
        after = notes[k + count].stroke.time_s - group[-1].time_s if k + count < len(notes) else float("inf")
        if min(before, after) > ALONE * max(gaps):
            return count
    return 1


def _widest_flam_s(first: Stroke, gap_s: float, time_map: TimeMap) -> float:
    if not SURE_FLAM_S < gap_s <= WIDEST_FLAM_S:
        return SURE_FLAM_S
    quarter_s = 60.0 / time_map.quarter_tempo_bpm(time_map.place(first.time_s).bar_index)
    return max(SURE_FLAM_S, min(WIDEST_FLAM_S, OF_A_32ND * quarter_s / 8))


def _joined(notes: Sequence[GraceGroup]) -> GraceGroup:
    strokes = [n.stroke for n in notes]
    last = replace(
        strokes[-1], velocity=max(s.velocity for s in strokes), confidence=max(s.confidence for s in strokes)
    )
    return GraceGroup(last, {2: "flam", 3: "drag"}[len(notes)], tuple(s for n in notes for s in n.strokes))
