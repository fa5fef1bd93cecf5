"""Which hand plays what: a proposed sticking, and what no two hands can play.

The sticking is the cheapest way through the part (dynamic programming over the
place of both hands): short ways between the drums, hand to hand or led by one
hand, no hand faster than it can be.  Distances are those of a usual kit and
the speeds are round numbers; both common practice, no source, and for a
proposal only: every hand decides for itself.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache, lru_cache
from itertools import accumulate, groupby

from workbench.chart import Chart, Note
from workbench.chart.counting import the_place
from workbench.chart.drumkit import HAND_DRUMS, ONE_SURFACE, TIMEKEEPING, instrument
from workbench.chart.edits import ChangeNote, CompositeEdit, Edit
from workbench.errors import AnalysisError
from workbench.grouping import grouped
from workbench.reading.patterns import written_times_s

#: Where the drums stand around a right-handed player, (right, forward) in cm
#: from the snare; crashes stand on both sides, so "crash" lies between: common practice, no source.
KIT_CM: dict[str, tuple[float, float]] = {
    "snare": (0, 0),
    "side stick": (0, 0),
    "closed hi-hat": (-38, 12),
    "open hi-hat": (-38, 12),
    "high tom": (-8, 34),
    "mid tom": (26, 36),
    "floor tom": (48, -2),
    "ride": (58, 38),
    "ride bell": (55, 40),
    "crash": (-8, 56),
    "second crash": (62, 58),
    "splash": (10, 58),
    "china": (78, 42),
    "tambourine": (-40, 30),
    "cowbell": (10, 45),
    "hand clap": (0, 0),
}

#: Strokes a second that one hand can keep up, and in a burst of two or three;
#: common practice, no source.
HAND_RATE_HZ = 8.5
HAND_BURST_HZ = 14.0
#: Two strokes of one hand on a time-keeping cymbal, at rest before and after, as in jazz time and shuffles; the gap
#: between them is shorter than those around it by this factor at least.  Common practice, no source.
HAND_PAIR_HZ, PAIR_APART = 20.0, 1.5

#: The same for one foot.
FOOT_RATE_HZ = 7.0
FOOT_BURST_HZ = 11.0

#: Speed a hand can travel between drums, metres a second; common practice, no source.
HAND_SPEED_M_S = 4.5

# Numbers whose origin is not named: chosen by trial, no source.
#: Ways through the part that are followed at once, and how much dearer than the
#: cheapest they may be; more change nothing.
MOST_STATES = 14
DEARER = 4.0

STYLES = ("hand to hand", "lead hand")

#: Drums of the backbeat, which the hand plays that would not keep time (common practice, no source).
BACKBEAT_DRUMS = ("snare", "side stick")

#: How a line of hands writes both together, and what no two hands can play.
BOTH, NEITHER = "R+L", "?"

#: What to do about a place that no two hands can play.
LEAVE_OUT = "leave one out, or check the chart"


#: A note that a hand strikes: number of its event in the phrase, and of the note in its event.
Struck = tuple[int, int]


@dataclass(frozen=True)
class Player:
    """Who plays, and how.

    Attributes
    ----------
    handedness : {'right', 'left'}
        A left-handed player's kit stands mirrored.
    style : {'hand to hand', 'lead hand'}
        Alternate strokes, or give the leading hand the beats and the time-keeping.
    open_handed : bool
        Hi-hat with the hand on its side, arms uncrossed.
    """

    handedness: str = "right"
    style: str = "lead hand"
    open_handed: bool = False

    def __post_init__(self) -> None:
        if self.handedness not in ("right", "left"):
            raise AnalysisError(f"A player is right- or left-handed, not {self.handedness!r}.")
        if self.style not in STYLES:
            raise AnalysisError(f"A sticking style is one of {', '.join(STYLES)}, not {self.style!r}.")

    @property
    def lead(self) -> str:
        return "R" if self.handedness == "right" else "L"

    @property
    def other(self) -> str:
        return "L" if self.handedness == "right" else "R"


@dataclass(frozen=True)
class Flag:
    """A place that needs the player's eye.

    Attributes
    ----------
    kind : {'unplayable', 'fast', 'double pedal'}
    bar_index : int
    position : Fraction
    text : str
        The reason, in words, and what to do.
    """

    kind: str
    bar_index: int
    position: Fraction
    text: str


@dataclass(frozen=True)
class Sticking:
    """A proposed sticking.

    Attributes
    ----------
    player : Player
    hands : dict
        (bar index, position, instrument) → 'R' or 'L'.  What no two hands can
        play (flagged 'unplayable') has none.
    feet : dict
        (bar index, position, instrument) → 'right foot' or 'left foot'.
    flags : tuple of Flag
    """

    player: Player
    hands: dict[tuple[int, Fraction, str], str]
    feet: dict[tuple[int, Fraction, str], str]
    flags: tuple[Flag, ...]

    def text(self, chart: Chart, bar_index: int, start: Fraction = Fraction(0), end: Fraction | None = None) -> str:
        """Hands of a bar, or of a part of it, in order: "R L R+L R"; both together
        are :data:`BOTH`, and :data:`NEITHER` stands where no two hands can play it."""
        letters: dict[Fraction, set[str]] = {}
        for n in chart.bars[bar_index].notes:
            if not instrument(n.instrument).is_foot and start <= n.position and (end is None or n.position < end):
                hand = self.hands.get((bar_index, n.position, n.instrument), "")
                letters.setdefault(n.position, set()).add(hand)
        struck = (hands - {""} for hands in letters.values())
        return " ".join(BOTH if len(hands) > 1 else "".join(hands) or NEITHER for hands in struck)


@dataclass(frozen=True)
class _HandsEvent:
    """What the hands strike at one moment.

    ``strong``: on an 8th, where the leading hand falls in 16ths; None within a
    run of triplets, which change hands from beat to beat; of a backbeat by itself
    whether the leading hand plays it, which else keeps the time.  ``pair``: on a cymbal
    that keeps time, and the second of two strokes by themselves (jazz time, shuffles).
    """

    bar_index: int
    position: Fraction
    time_s: float
    notes: tuple[Note, ...]
    strong: bool | None
    pair: bool = False


def propose_sticking(chart: Chart, player: Player | None = None, bars: Sequence[int] | None = None) -> Sticking:
    """Propose a sticking for all bars, or some.

    Hands that a user has written on a confirmed note are kept and the way
    around them is found again.

    Examples
    --------
    >>> from workbench.chart import WrittenBar
    >>> from workbench.chart.meter import TimeMap
    >>> roll = WrittenBar(tuple(Note(Fraction(k, 16), "snare") for k in range(8)))
    >>> chart = Chart(TimeMap.steady(1, 120), (roll,))
    >>> propose_sticking(chart, Player(style="hand to hand")).text(chart, 0)
    'R L R L R L R L'
    """
    player = player or Player()
    chosen = range(len(chart)) if bars is None else sorted(set(bars))
    events, feet, flags = _collect(chart, chosen)
    strokes: list[tuple[_HandsEvent, Note, str]] = []
    for phrase in _phrases(_with_backbeats(chart, _with_pairs(events), player)):
        solved, more = _solve(chart, phrase, player, {})
        alike = _figures(chart, phrase, solved)
        if any(solved[k] != hand for k, hand in alike.items()):
            solved, more = _solve(chart, phrase, player, alike)
        strokes += [(phrase[i], phrase[i].notes[j], hand) for (i, j), hand in solved.items()]
        flags += more
    foot_names, foot_flags = _feet(feet, player)
    flags += foot_flags
    flags += _fast_hands(chart, strokes)
    # A letter would teach what cannot be done.
    out_of_reach = {(f.bar_index, f.position) for f in flags if f.kind == "unplayable"}
    hands = {
        (e.bar_index, e.position, n.instrument): hand
        for e, n, hand in strokes
        if not out_of_reach or (e.bar_index, e.position) not in out_of_reach
    }
    return Sticking(player, hands, foot_names, tuple(sorted(flags, key=lambda f: (f.bar_index, f.position, f.kind))))


def sticking_edit(chart: Chart, sticking: Sticking, renew: bool = False) -> Edit:
    """The edit that writes a proposed sticking into the chart, as one step.

    Letters already written stay unless ``renew``; those on confirmed notes
    always stay.
    """
    edits = []
    for (bar_index, position, name), letter in sticking.hands.items():
        note = chart.bars[bar_index].find(position, name)
        if note is None or len(letter) != 1 or note.sticking == letter:
            continue
        if note.sticking and (note.confirmed or not renew):
            continue
        edits.append(ChangeNote(bar_index, position, name, sticking=letter))
    return CompositeEdit(tuple(edits), "sticking")


# -- events -----------------------------------------------------------------------

_MANY = {3: "three", 4: "four", 5: "five", 6: "six"}


def too_many_for_two_hands(notes: Iterable[Note]) -> bool:
    """Whether notes struck together take more than two hands.

    Examples
    --------
    >>> too_many_for_two_hands([Note(Fraction(0), name) for name in ("crash", "ride", "snare", "kick")])
    True
    """
    names = {n.instrument for n in notes if not instrument(n.instrument).is_foot}
    return len(names) - sum(names.issuperset(surface) for surface in ONE_SURFACE) > 2


@lru_cache(maxsize=4096)
def _in_beat(position: Fraction, beat_length: Fraction) -> tuple[int, Fraction]:
    """Number of a place's beat, from 0, and what lies past it."""
    beat, past = divmod(position, beat_length)
    return int(beat), past


def _collect(chart: Chart, bars: Sequence[int]) -> tuple[list[_HandsEvent], list, list[Flag]]:
    events, feet, flags = [], [], []
    times_s, first = written_times_s(chart), [0, *accumulate(len(bar.notes) for bar in chart.bars)]
    for k in bars:
        timed = chart.time_map.bars[k]
        beat_length, compound = timed.meter.beat_length, timed.meter.is_compound
        step = beat_length / (3 if compound else 2)
        at: dict[Fraction, tuple[float, list[Note]]] = {}
        triplets = set()
        for n, time_s in zip(chart.bars[k].notes, times_s[first[k] : first[k + 1]]):
            if n.position.denominator % 3 == 0 and not compound:
                triplets.add((n.position + timed.missing) // beat_length)
            if instrument(n.instrument).is_foot:
                feet.append((k, n, time_s))
            else:
                at.setdefault(n.position, (time_s, []))[1].append(n)
        for position, (time_s, notes) in at.items():
            for surface in ONE_SURFACE:
                both = [n for n in notes if n.instrument in surface]
                if len(both) > 1:
                    text = f"{surface[0]} and {surface[1]} at once on {the_place(timed, position)}: {LEAVE_OUT}"
                    flags.append(Flag("unplayable", k, position, text))
                    softer = min(both, key=lambda n: n.velocity)
                    notes = [n for n in notes if n is not softer]
            if len(notes) > 2:
                count, names = _MANY.get(len(notes), len(notes)), ", ".join(n.instrument for n in notes)
                text = f"{count} things for two hands on {the_place(timed, position)} ({names}): {LEAVE_OUT}"
                flags.append(Flag("unplayable", k, position, text))
            beat, past = _in_beat(position + timed.missing if timed.missing else position, beat_length)
            strong: bool | None = past % step == 0
            if beat in triplets and (past or beat - 1 in triplets):
                strong = None
            events.append(_HandsEvent(k, position, time_s, tuple(notes[:2]), strong))
    return events, feet, flags


def _phrases(events: list[_HandsEvent], rest_s: float = 1.5) -> list[list[_HandsEvent]]:
    """Stretches between rests long enough to put the hands anywhere."""
    out: list[list[_HandsEvent]] = []
    for event in events:
        if not out or _gap_s(out[-1][-1].time_s, event.time_s) > rest_s:
            out.append([])
        out[-1].append(event)
    return out


def _with_pairs(events: list[_HandsEvent]) -> list[_HandsEvent]:
    """Events, those marked that are the second of two strokes on a time-keeping cymbal."""
    out = list(events)
    on = grouped((n.instrument, i) for i, e in enumerate(events) for n in e.notes if n.instrument in TIMEKEEPING)
    for mine in on.values():
        times = [-math.inf, -math.inf, *(events[i].time_s for i in mine), math.inf]
        for j, i in enumerate(mine):
            before, gap, after = (_gap_s(times[j + k], times[j + k + 1]) for k in range(3))
            if min(before, after) >= PAIR_APART * gap:
                out[i] = replace(out[i], pair=True)
    return out


def _with_backbeats(chart: Chart, events: list[_HandsEvent], player: Player) -> list[_HandsEvent]:
    """Events, those of the snare by itself, with more than a beat to other drums and a beat to cymbals, given to the
    hand that keeps no time."""
    out = list(events)
    at = [float(chart.time_map.starts[e.bar_index] + e.position) for e in events]
    drums = [-math.inf, *(x for x, e in zip(at, events) if _strikes_drum(e)), math.inf]
    every, place = [-math.inf, *at, math.inf], 0
    for i, e in enumerate(events):
        place += _strikes_drum(e)
        if len(e.notes) > 1 or e.notes[0].instrument not in BACKBEAT_DRUMS:
            continue
        beat = float(chart.time_map.bars[e.bar_index].meter.beat_length)
        near, near_drum = (min(x[j + 1] - x[j], x[j] - x[j - 1]) for x, j in ((every, i + 1), (drums, place)))
        if near > beat - 1e-9 and near_drum > beat + 1e-9:
            out[i] = replace(e, strong=player.open_handed)
    return out


def _strikes_drum(event: _HandsEvent) -> bool:
    return any(n.instrument in HAND_DRUMS for n in event.notes)


def _figures(chart: Chart, phrase: list[_HandsEvent], solved: dict[Struck, str]) -> dict[Struck, str]:
    """Hands for figures that come again: a bar, or a beat or two in a row, are played the same each time.

    They are played as most of them would be, or the first.  A run on one drum alone alternates as it will.
    """
    cells: dict[tuple[int, int], dict[tuple, Struck]] = {}
    for i, e in enumerate(phrase):
        bar = chart.time_map.bars[e.bar_index]
        beat, past = _in_beat(e.position + bar.missing if bar.missing else e.position, bar.meter.beat_length)
        cell = cells.setdefault((e.bar_index, beat), {})
        for j, n in enumerate(e.notes):
            cell[past, n.instrument] = (i, j)
    out: dict[Struck, str] = {}
    by_bar = groupby(sorted(cells.items(), key=lambda c: c[0]), key=lambda c: c[0][0])
    bars = {k: _joined([(b, cell) for (_, b), cell in group]) for k, group in by_bar}
    for k in bars:
        beats = chart.time_map.bars[k].meter.counted_beats
        for size in (1, 2):
            figures = [
                _joined([(b - first, cells.get((k, b), {})) for b in range(first, first + size)])
                for first in range(0, beats - size + 1, size)
            ]
            for run in _runs_alike(figures):
                for struck, hand in _most_usual(run, solved).items():
                    out.setdefault(struck, hand)
    now = solved | out
    for members in grouped((frozenset(figure), figure) for figure in bars.values()).values():
        same = _most_usual(members, now)
        out |= same
        now |= same
    return out


def _joined(beats: Sequence[tuple[int, dict[tuple, Struck]]]) -> dict[tuple, Struck]:
    """The strokes of some beats by their place among them."""
    return {(b, *key): struck for b, cell in beats for key, struck in cell.items()}


def _runs_alike(figures: Sequence[dict[tuple, Struck]]) -> list[list[dict[tuple, Struck]]]:
    """Figures of more than one drum that follow themselves."""
    runs = [list(group) for _, group in groupby(figures, key=frozenset)]
    return [run for run in runs if len(run) > 1 and len({name for *_, name in run[0]}) > 1]


def _most_usual(members: Sequence[dict[tuple, Struck]], solved: dict[Struck, str]) -> dict[Struck, str]:
    """The hands that most of some figures alike have, for all of them."""
    keys = list(members[0])
    hands = Counter(tuple(solved[m[key]] for key in keys) for m in members).most_common(1)[0][0]
    return {m[key]: hand for m in members for key, hand in zip(keys, hands)}


@cache
def _place_cm(name: str) -> tuple[float, float]:
    """Where an instrument stands; percussion where the drum stands that sounds most like it."""
    return KIT_CM.get(name) or KIT_CM.get(instrument(name).sounds_as, KIT_CM["cowbell"])


@cache
def _way_m(one: str, other: str) -> float:
    """Metres between two instruments; a kit set up the other way round has the same."""
    return math.dist(_place_cm(one), _place_cm(other)) / 100


def _gap_s(earlier_s: float, later_s: float) -> float:
    """Time between two strokes to the microsecond, so that the last binary digits
    of a time decide nothing and a part reads the same wherever it begins."""
    return round(later_s - earlier_s, 6) if math.isfinite(earlier_s) else math.inf


# -- the way through ----------------------------------------------------------------

#: Choices of hands for one stroke and for two at once (first note, second note).
_ONE, _TWO = (("R",), ("L",)), (("R", "L"), ("L", "R"))


def _options(number: int, event: _HandsEvent, wished: dict[Struck, str]) -> Sequence[tuple[str, ...]]:
    """Assignments of hands to the notes of an event that respect what is fixed, or else what is wished."""
    # Of a flam, drag or roll, for which both hands play, the letter names the main stroke.
    options: Sequence[tuple[str, ...]] = _ONE if len(event.notes) == 1 else _TWO
    fixed = [n.sticking if n.confirmed and n.sticking else "" for n in event.notes]
    if wished and not any(fixed):
        fixed = [wished.get((number, j), "") for j in range(len(event.notes))]
    if not any(fixed):
        return options
    kept = [o for o in options if all(not f or f == h for f, h in zip(fixed, o))]
    return kept or [tuple(f or h for f, h in zip(fixed, options[0]))]


def _solve(
    chart: Chart, phrase: list[_HandsEvent], player: Player, wished: dict[Struck, str]
) -> tuple[dict[Struck, str], list[Flag]]:
    # State: per hand (instrument, time of last stroke) and which hand played last.
    # Only the last stroke of each hand matters, so states are few.
    start = (("", -math.inf), ("", -math.inf), "")
    front: dict[tuple, float] = {start: 0.0}
    trail: list[dict] = []
    for number, event in enumerate(phrase):
        after: dict[tuple, tuple[float, tuple, tuple]] = {}
        struck = tuple((note.instrument, event.time_s) for note in event.notes)
        reached: dict[tuple, float] = {}
        for option in _options(number, event, wished):
            own = _option_cost(event, option, player)
            for state, cost in front.items():
                new = _next_state(struck, option, state)
                total = cost + own + _move_cost(event, option, state, new, player, reached)
                known = after.get(new)
                if known is None or total < known[0]:
                    after[new] = (total, state, option)
        limit = min(total for total, _, _ in after.values()) + DEARER
        best = [x for x in after.items() if x[1][0] <= limit]
        if len(best) > MOST_STATES:
            best = sorted(best, key=lambda x: x[1][0])[:MOST_STATES]
        trail.append(dict(best))
        front = {state: total for state, (total, _, _) in best}
    hands: dict[Struck, str] = {}
    state = min(front, key=lambda s: front[s])
    flags: list[Flag] = []
    for number, event, step in zip(reversed(range(len(phrase))), reversed(phrase), reversed(trail)):
        _, before, option = step[state]
        hands |= {(number, j): hand for j, hand in enumerate(option)}
        flags += _impossible(chart, event, option, before)
        state = before
    return hands, flags


def _next_state(struck: Sequence[tuple[str, float]], option: tuple[str, ...], state: tuple) -> tuple:
    if len(option) == 1:
        return (struck[0], state[1], "R") if option[0] == "R" else (state[0], struck[0], "L")
    return (struck[0], struck[1], "both") if option[0] == "R" else (struck[1], struck[0], "both")


def _option_cost(event: _HandsEvent, option: tuple[str, ...], player: Player) -> float:
    cost = 0.0
    for note, hand in zip(event.notes, option):
        name = note.instrument
        if name in TIMEKEEPING:
            on_hat = name.endswith("hi-hat")
            wanted = player.other if on_hat and player.open_handed else player.lead
            cost += 0.0 if hand == wanted else 0.9
        elif instrument(name).family == "cymbal":
            cost += 0.0 if hand == player.lead else 0.9
        elif player.style == "lead hand" and event.strong is not None:
            cost += 0.0 if (hand == player.lead) == event.strong else 0.35
    if len(event.notes) == 2:
        # Together with a time-keeping cymbal the other hand has the drum.
        names = [n.instrument for n in event.notes]
        side = _place_cm(names[0])[0] - _place_cm(names[1])[0]
        crossed = (side < 0) == (option[0] == player.lead)
        if side and crossed and not any(n in TIMEKEEPING for n in names):
            cost += 1.2
    return cost


def _move_cost(
    event: _HandsEvent, option: tuple[str, ...], state: tuple, new: tuple, player: Player, reached: dict[tuple, float]
) -> float:
    """What it costs the hands to get from one state to the next; what it costs one hand is kept in ``reached``."""
    last = state[2]
    # A phrase begins with the leading hand unless something speaks against it.
    cost = 0.2 if not last and player.lead not in option else 0.0
    for note, hand in zip(event.notes, option):
        own = state[0] if hand == "R" else state[1]
        if own[0]:
            again = last == hand and len(option) == 1
            key = (note.instrument, own, again)
            if key not in reached:
                reached[key] = _reach_cost(event, note, own, again, player)
            cost += reached[key]
    if new[0][0] in HAND_DRUMS and new[1][0] in HAND_DRUMS:
        cost += _crossing_cost(new, player)
    return cost


def _reach_cost(event: _HandsEvent, note: Note, own: tuple[str, float], again: bool, player: Player) -> float:
    """What it costs one hand to come from its last stroke to a note; ``again``: the other has played none meanwhile."""
    (was, when), cost = own, 0.0
    gap_s, way = round(event.time_s - when, 6), _way_m(was, note.instrument)
    if way:
        cost += way * (1.0 + min(0.25 / max(gap_s, 0.01), 4.0))
    if gap_s < 1 / _fastest_hz(event, note, was):
        cost += 30.0
    elif gap_s < 1 / HAND_RATE_HZ and not (event.pair and was == note.instrument):
        cost += 2.5
    elif again and was not in TIMEKEEPING and note.instrument not in TIMEKEEPING:
        # The same hand twice running: dearer the faster, and between drums;
        # triplets and hand-to-hand playing alternate at any tempo.
        quick = 0.2 / gap_s
        dear = 1.35 * quick if player.style == "hand to hand" or event.strong is None else 0.5 * quick**2
        cost += min(dear * (1.0 if was == note.instrument else 2.0), 3.0)
    return cost + (30.0 if way > HAND_SPEED_M_S * max(gap_s, 1e-3) else 0.0)


def _fastest_hz(event: _HandsEvent, note: Note, was: str) -> float:
    """Strokes a second at which one hand can still come from its last instrument to a note."""
    return HAND_PAIR_HZ if event.pair and was == note.instrument else HAND_BURST_HZ


def _crossing_cost(state: tuple, player: Player) -> float:
    """Arms that cross on drums; right over left to a cymbal is no such thing."""
    right, left, _ = state
    if abs(_gap_s(right[1], left[1])) > 0.4:
        return 0.0
    over_m = (_place_cm(left[0])[0] - _place_cm(right[0])[0]) / (100 if player.lead == "R" else -100)
    return min(3.0 * over_m, 2.0) if over_m > 0.1 else 0.0


def _impossible(chart: Chart, event: _HandsEvent, option: tuple[str, ...], state: tuple) -> list[Flag]:
    flags = []
    for note, hand in zip(event.notes, option):
        was, when = state[0] if hand == "R" else state[1]
        gap_s, name = _gap_s(when, event.time_s), note.instrument
        text = ""
        if was and gap_s < 1 / _fastest_hz(event, note, was):
            text = "no hand is free for the {name} on {place}, {ms:.0f} ms after its last stroke"
        elif was and _way_m(was, name) / max(gap_s, 1e-3) > HAND_SPEED_M_S:
            text = "too far from {was} to {name} in {ms:.0f} ms on {place}"
        if text:
            place = the_place(chart.time_map.bars[event.bar_index], event.position)
            text = text.format(was=was, name=name, ms=1000 * gap_s, place=place)
            flags.append(Flag("unplayable", event.bar_index, event.position, f"{text}: {LEAVE_OUT}"))
    return flags


# -- speed and feet ---------------------------------------------------------------------


def _fast_hands(chart: Chart, played: Sequence[tuple[_HandsEvent, Note, str]]) -> list[Flag]:
    """Bars where one hand must keep up more strokes than it comfortably can."""
    flags: dict[tuple[int, str], Flag] = {}
    for hand, word in (("R", "right"), ("L", "left")):
        strokes = sorted((e.time_s, e.bar_index, e.position, n.instrument) for e, n, own in played if own == hand)
        for (time_s, k, position, name), (later_s, *_) in zip(strokes, strokes[4:]):
            span_s = _gap_s(time_s, later_s)
            if span_s > 0 and 4 / span_s > HAND_RATE_HZ:
                limit = chart.time_map.tempo_bpm(k) * HAND_RATE_HZ * span_s / 4
                text = (
                    f"{4 / span_s:.0f} notes per second for the {word} hand on the {name}; "
                    f"single strokes of one hand hold to about {limit:.0f} bpm here"
                )
                flags.setdefault((k, hand), Flag("fast", k, position, text))
    return list(flags.values())


def _feet(feet: list, player: Player) -> tuple[dict, list[Flag]]:
    kick, other = ("right foot", "left foot") if player.lead == "R" else ("left foot", "right foot")
    names = {(k, n.position, n.instrument): kick if n.instrument == "kick" else other for k, n, _ in feet}
    kicks = [(t, k, n) for k, n, t in feet if n.instrument == "kick"]
    flags: dict[int, Flag] = {}
    fast = [False] * len(kicks)
    for i, (time_s, k, note) in enumerate(kicks[:-1]):
        gap_s, run = _gap_s(time_s, kicks[i + 1][0]), kicks[i : i + 5]
        steady = len(run) == 5 and 4 / max(_gap_s(time_s, run[4][0]), 1e-3) > FOOT_RATE_HZ
        if gap_s < 1 / FOOT_BURST_HZ or steady:
            fast[i] = fast[i + 1] = True
            text = f"kick at {1 / max(gap_s, 1e-3):.0f} notes per second: two feet (double pedal) or leave some out"
            flags.setdefault(k, Flag("double pedal", k, note.position, text))
    turn = False
    for (_, k, n), is_fast in zip(kicks, fast):
        turn = is_fast and not turn
        if is_fast:
            names[(k, n.position, n.instrument)] = kick if turn else other
    return names, list(flags.values())
