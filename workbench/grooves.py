"""The groove of a stretch: its base bars, and what drummers call it.

The base of a part is a phrase of one, two or four of its own bars: the bars
that the others differ from least, a longer phrase only where it saves more
differences than it adds.  Names are common practice, no source: backbeat =
snare on 2 and 4, four on the floor = kick on every beat, half-time = the
snare's weight on 3 only, one drop = kick and snare on 3 and not on 1.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from workbench.chart import Chart, WrittenBar
from workbench.counting import count_length, place_list
from workbench.meter import Bar
from workbench.patterns import KEEPERS, ghost_limit, is_ghost

#: What is written of a note: (position, instrument, articulations).
Written = frozenset[tuple[Fraction, str, frozenset[str]]]

#: Each further base bar must save this many differences.
PHRASE_PRICE = 1.5

#: A hi-hat or ride at or above this share of the off-beats, and at or below
#: its complement on the beats, is "off-beat".
MOSTLY = 0.75


def written(bar: WrittenBar) -> Written:
    """The written content of a bar, dynamics aside."""
    return frozenset((n.position, n.instrument, n.articulations) for n in bar.notes)


@dataclass(frozen=True)
class Groove:
    """The base of a part.

    Attributes
    ----------
    base_bars : tuple of int
        Bars of the chart that stand for the groove, one for each bar of the
        base phrase.
    bar_indices : tuple of int
        All bars of this groove.
    phase : tuple of int
        For each of ``bar_indices``: which bar of the base phrase it repeats.
    names : tuple of str
        What it is, the most telling first: "backbeat on 2 and 4", …
    """

    base_bars: tuple[int, ...]
    bar_indices: tuple[int, ...]
    phase: tuple[int, ...]
    names: tuple[str, ...]

    @property
    def phrase_bars(self) -> int:
        return len(self.base_bars)

    def base_of(self, bar_index: int) -> int:
        """The base bar that a bar repeats."""
        return self.base_bars[self.phase[self.bar_indices.index(bar_index)]]


def base_written(chart: Chart, base_bar: int, bar_index: int) -> Written:
    """Base of a bar; in a shorter bar only as much of it as fits."""
    length = chart.time_map.bars[bar_index].length
    return frozenset(w for w in written(chart.bars[base_bar]) if w[0] < length)


def find_groove(chart: Chart, runs: Sequence[range], disturbed: frozenset[int]) -> Groove:
    """The groove that runs of bars have in common.

    Parameters
    ----------
    chart : Chart
    runs : sequence of range
        Stretches of bars that repeat each other; a phrase begins with each.
    disturbed : frozenset of int
        Bars with fills, left out of the choice where others are left.
    """
    bars = [k for run in runs for k in run]
    place = {k: k - run.start for run in runs for k in run}
    meters = Counter(chart.time_map.bars[k].meter for k in bars if chart.bars[k].notes)
    usual = max(meters, key=lambda m: meters[m]) if meters else None
    whole = [k for k in bars if chart.bars[k].notes and chart.time_map.bars[k].meter == usual
             and not chart.time_map.bars[k].is_pickup]
    clean = [k for k in whole if k not in disturbed] or whole or bars
    content = {k: _without_opening(written(chart.bars[k])) for k in clean}
    best: tuple[float, tuple[int, ...]] | None = None
    for length in (1, 2, 4):
        if length > 1 and len(clean) < 2 * length:
            break
        base = _base(chart, content, place, clean, length)
        if base is None or length > 1 and not _repeats(content, place, clean, base):
            continue
        price = sum(len(content[k] ^ content[base[place[k] % length]]) for k in clean)
        for i in range(1, length):
            price += min(len(content[base[i]] ^ content[b]) for b in base[:i]) + PHRASE_PRICE
        if best is None or price < best[0]:
            best = (price, base)
    base = best[1] if best else (bars[0],)
    phase = tuple(place[k] % len(base) for k in bars)
    return Groove(base, tuple(bars), phase, name_groove(chart, base))


def _without_opening(content: Written) -> Written:
    """A bar without its cymbals on 1, where a crash may stand for any of them."""
    return frozenset(w for w in content if w[0] or w[1] not in KEEPERS or KEEPERS[w[1]] == "toms")


def _base(chart: Chart, content: dict[int, Written], place: dict[int, int], clean: list[int],
          length: int) -> tuple[int, ...] | None:
    """The bar of each phase from which the others differ least, the first such."""
    base = []
    for phase in range(length):
        members = [k for k in clean if place[k] % length == phase]
        if not members:
            return None
        kinds: dict[Written, list[int]] = {}
        for k in members:
            kinds.setdefault(content[k], []).append(k)
        alike = min(
            kinds.items(),
            key=lambda item: (sum(len(item[0] ^ other) * len(ks) for other, ks in kinds.items()),
                              item[1][0]))[1]
        whole = Counter(written(chart.bars[k]) for k in alike)
        most = max(whole.values())
        usual = [k for k in alike if whole[written(chart.bars[k])] == most]
        base.append(min(usual, key=lambda k: (_opens_with_crash(chart, k), k)))
    return tuple(base)


def _repeats(content: dict[int, Written], place: dict[int, int], clean: list[int],
             base: tuple[int, ...]) -> bool:
    """Whether a longer phrase comes back: most bars close to their own base bar."""
    for phase, bar in enumerate(base):
        gaps = sorted(len(content[k] ^ content[bar]) for k in clean if place[k] % len(base) == phase)
        if gaps[len(gaps) // 2] > max(2, len(content[bar]) // 8):
            return False
    return True


def _opens_with_crash(chart: Chart, bar_index: int) -> bool:
    return any(n.position == 0 and KEEPERS.get(n.instrument) == "crash"
               for n in chart.bars[bar_index].notes)


# -- names ---------------------------------------------------------------------------

@dataclass(frozen=True)
class _Look:
    """Positions of a bar by instrument family, for naming it."""

    bar: Bar
    kick: frozenset[Fraction]
    snare: frozenset[Fraction]
    ghosts: frozenset[Fraction]
    side_stick_only: bool
    open_hat: frozenset[Fraction]
    pedal: frozenset[Fraction]
    keeping: dict[str, frozenset[Fraction]]
    together: bool
    feel: str

    @property
    def count(self) -> Fraction:
        return count_length(self.bar.meter)

    @property
    def beats(self) -> tuple[Fraction, ...]:
        return self.bar.beat_positions()

    @property
    def keeper(self) -> str | None:
        enough = max(len(self.beats) - 1, 2)
        best = max(self.keeping, key=lambda k: len(self.keeping[k]), default=None)
        return best if best and len(self.keeping[best]) >= enough else None


def _look(chart: Chart, bar_index: int, limit: float) -> _Look:
    bar, notes = chart.time_map.bars[bar_index], chart.bars[bar_index].notes
    full = [n for n in notes if n.instrument in ("snare", "side stick") and not is_ghost(n, limit)]
    keeping: dict[str, set[Fraction]] = {}
    for n in notes:
        if n.instrument in KEEPERS:
            keeping.setdefault(KEEPERS[n.instrument], set()).add(n.position)

    def at(*names: str) -> frozenset[Fraction]:
        return frozenset(n.position for n in notes if n.instrument in names)

    places = Counter(n.position for n in notes)
    return _Look(
        bar, at("kick"), frozenset(n.position for n in full),
        frozenset(n.position for n in notes if is_ghost(n, limit)),
        bool(full) and all(n.instrument == "side stick" for n in full),
        at("open hi-hat"), at("pedal hi-hat"),
        {k: frozenset(v) for k, v in keeping.items()},
        any(c > 1 for c in places.values()), chart.feel)


def name_groove(chart: Chart, base_bars: Sequence[int]) -> tuple[str, ...]:
    """What a drummer calls a groove, the most telling name first."""
    limit = ghost_limit(chart)
    looks = [_look(chart, k, limit) for k in base_bars]
    names: list[str] = []
    for name in (_snare_name(looks), _kick_name(looks), _feel_name(looks), _hands_name(looks),
                 _left_foot_name(looks), _ghost_name(looks)):
        if name:
            names.append(name)
    if all(not look.together for look in looks) and sum(len(chart.bars[k].notes) for k in base_bars) > 6:
        names.insert(0, "linear (no two together)")
    return tuple(names)


def _all(looks: Sequence[_Look], test) -> bool:
    return all(test(look) for look in looks)


def _of(looks: Sequence[_Look], get) -> str:
    """A list of places for each base bar, said once where all agree."""
    lists = [place_list(look.bar, get(look)) or "nothing" for look in looks]
    if len(set(lists)) == 1:
        return lists[0]
    return "; ".join(f"{text} in bar {k + 1} of {len(lists)}" for k, text in enumerate(lists))


def _snare_name(looks: Sequence[_Look]) -> str:
    voice = "side stick" if _all(looks, lambda k: k.side_stick_only or not k.snare) and any(
        k.snare for k in looks) else "snare"
    bar = looks[0].bar
    beats = looks[0].beats
    if not any(look.snare for look in looks):
        return "no snare"
    quarter_four = bar.meter.beats == 4 and bar.meter.counted_beats == 4
    if quarter_four:
        two, three, four = beats[1], beats[2], beats[3]
        one = beats[0]
        half = bar.meter.beat_length / 2
        offs = frozenset(b + half for b in beats)
        if _all(looks, lambda k: k.snare == frozenset(beats)):
            return f"four on the {voice}"
        if _all(looks, lambda k: k.snare == offs and k.kick >= {one, three}):
            return f"double-time, {voice} on every &"
        on_beats = [k.snare & frozenset(beats) for k in looks]
        if all(s == {two, four} for s in on_beats):
            extra = _of(looks, lambda k: k.snare - {two, four})
            plain = "backbeat on 2 and 4" + (f" ({voice})" if voice != "snare" else "")
            return plain if extra == "nothing" else f"{plain}, {voice} also on {extra}"
        if all(s == {three} for s in on_beats) and _all(looks, lambda k: len(k.snare) <= 2):
            if _all(looks, lambda k: three in k.kick and one not in k.kick):
                return f"one drop, kick and {voice} on 3"
            extra = _of(looks, lambda k: k.snare - {three})
            plain = f"half-time, {voice} on 3"
            return plain if extra == "nothing" else f"{plain}, also on {extra}"
        if all(s == {four} for s in on_beats) and _all(looks, lambda k: len(k.snare) == 1):
            return f"{voice} on 4 only"
    elif bar.meter.is_compound and bar.meter.counted_beats % 2 == 0:
        backs = frozenset(beats[1::2])
        if _all(looks, lambda k: k.snare & frozenset(beats) == backs):
            where = place_list(bar, backs).replace(", ", " and ")
            extra = _of(looks, lambda k: k.snare - backs)
            plain = f"backbeat on {where}" + (f" ({voice})" if voice != "snare" else "")
            return plain if extra == "nothing" else f"{plain}, {voice} also on {extra}"
    return f"{voice} on {_of(looks, lambda k: k.snare)}"


def _kick_name(looks: Sequence[_Look]) -> str:
    if not any(look.kick for look in looks):
        return "no kick"
    if _all(looks, lambda k: k.kick == frozenset(k.beats) and len(k.beats) > 2):
        return "four on the floor" if len(looks[0].beats) == 4 else "kick on every beat"
    if _all(looks, lambda k: k.kick > frozenset(k.beats) and len(k.beats) == 4):
        return f"four on the floor, kick also on {_of(looks, lambda k: k.kick - frozenset(k.beats))}"
    return f"kick on {_of(looks, lambda k: k.kick)}"


def _feel_name(looks: Sequence[_Look]) -> str:
    """Straight, swung or triplet: from what is written between the beats."""
    feel = looks[0].feel
    if feel != "straight":
        return f"swung {feel.split()[1]}"
    if looks[0].bar.meter.is_compound:
        return ""
    beat = looks[0].bar.meter.beat_length
    parts: Counter[Fraction] = Counter()
    for look in looks:
        hands = frozenset().union(*look.keeping.values()) if look.keeping else frozenset()
        for p in hands | look.kick | look.snare | look.ghosts:
            parts[(p % beat) / beat] += 1
    lets, trips = parts[Fraction(2, 3)], parts[Fraction(1, 3)]
    straight = sum(parts[Fraction(k, 4)] for k in (1, 2, 3))
    if lets + trips > straight:
        half_time = _snare_name(looks).startswith("half-time")
        if trips > lets / 3:
            return "half-time shuffle, all triplets played" if half_time else "8th triplets"
        return "half-time shuffle" if half_time and any(k.ghosts for k in looks) else "shuffled"
    sixths = parts[Fraction(1, 6)] + parts[Fraction(5, 6)]
    if sixths > parts[Fraction(1, 4)] + parts[Fraction(3, 4)] and sixths:
        return "swung 16ths"
    return ""


def _hands_name(looks: Sequence[_Look]) -> str:
    names = {look.keeper for look in looks}
    if names == {None}:
        shared = [k for k in looks[0].keeping if _all(looks, lambda look: k in look.keeping)]
        if not shared:
            return "" if any(look.keeping for look in looks) else "no cymbal keeps time"
        return "; ".join(f"{_THE[k]} on {_of(looks, lambda look: look.keeping[k])}" for k in shared)
    if len(names) > 1:
        return "hands move between " + " and ".join(sorted(_THE[n] for n in names if n))
    keeper = names.pop()
    what = _THE[keeper]
    if keeper == "hi-hat" and _all(looks, lambda k: k.open_hat >= k.keeping["hi-hat"]):
        what = "open hi-hat"
    crash_on_1 = keeper != "crash" and _all(
        looks, lambda k: Fraction(0) in k.keeping.get("crash", ()))
    if crash_on_1:
        for look in looks:
            look.keeping[keeper] |= {Fraction(0)}
    rate = _rate(looks, keeper)
    text = f"{rate[0].upper()}{rate[1:]} on the {what}" if rate else (
        f"hands on the {what}: {_of(looks, lambda k: k.keeping[keeper])}")
    if what == "hi-hat" and any(look.open_hat for look in looks):
        text += f", open on {_of(looks, lambda k: k.open_hat)}"
    return text + (", crash on 1" if crash_on_1 else "")


_THE = {"hi-hat": "hi-hat", "ride": "ride", "crash": "crash", "toms": "toms",
        "percussion": "percussion"}


def _rate(looks: Sequence[_Look], keeper: str) -> str:
    """Name of the time-keeping pattern, or "" where it has none."""
    def offs(look: _Look) -> frozenset[Fraction]:
        return frozenset(b + look.bar.meter.beat_length / 2 for b in look.beats)

    def is_(grid) -> bool:
        return _all(looks, lambda k: k.keeping[keeper] == grid(k))

    bar = looks[0].bar
    beat = bar.meter.beat_length
    if not bar.meter.is_compound and is_(offs):
        return "off-beats"
    if is_(lambda k: frozenset(k.beats)):
        return "quarters" if beat == Fraction(1, 4) else "the beats"
    for step, name in ((Fraction(1, 8), "8ths"), (Fraction(1, 16), "16ths"), (Fraction(1, 12), "8th triplets"),
                       (Fraction(1, 32), "32nds"), (Fraction(1, 24), "16th triplets")):
        grid = frozenset(step * k for k in range(int(bar.length / step)))
        if is_(lambda k: grid):
            return name
        if step in (Fraction(1, 8), Fraction(1, 16)) and _all(
                looks, lambda k: k.keeping[keeper] < grid
                and len(grid - k.keeping[keeper]) <= len(grid) // 5):
            return f"{name} (none on {_of(looks, lambda k: grid - k.keeping[keeper])})"
    if not bar.meter.is_compound and len(looks[0].beats) == 4:
        let = beat * 2 / 3
        b = looks[0].beats
        jazz = frozenset(b) | {b[1] + let, b[3] + let}
        if is_(lambda k: jazz):
            return "jazz time (1, 2 let, 3, 4 let)"
        shuffle = frozenset(b) | {x + let for x in b}
        if is_(lambda k: shuffle):
            return "shuffled 8ths"
    return ""


def _left_foot_name(looks: Sequence[_Look]) -> str:
    if not any(look.pedal for look in looks):
        return ""
    return f"left foot on {_of(looks, lambda k: k.pedal)}"


def _ghost_name(looks: Sequence[_Look]) -> str:
    if not any(look.ghosts for look in looks):
        return ""
    return f"ghost notes on {_of(looks, lambda k: k.ghosts)}"
