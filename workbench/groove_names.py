"""What drummers call a groove.

Common practice, no source: backbeat = snare on 2 and 4; four on the floor =
kick on every beat; half-time = the snare's weight on 3 only; double-time =
snare on every & over kicks on the beats; one drop = kick and snare on 3 and
not on 1; linear = no two instruments together.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from workbench.chart import Chart
from workbench.counting import place_list
from workbench.meter import Bar
from workbench.patterns import KEEPERS, ghost_limit, is_ghost


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
        shared = [k for k in looks[0].keeping if all(k in look.keeping for look in looks)]
        if not shared:
            return "" if any(look.keeping for look in looks) else "no cymbal keeps time"
        return "; ".join(f"{k} on {_of(looks, lambda look, k=k: look.keeping[k])}" for k in shared)
    if len(names) > 1:
        return "hands move between " + " and ".join(sorted(n for n in names if n))
    keeper = names.pop()
    what = keeper
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


#: Even time-keeping, and which of it may leave out a stroke or two.
_GRIDS = ((Fraction(1, 8), "8ths"), (Fraction(1, 16), "16ths"), (Fraction(1, 12), "8th triplets"),
          (Fraction(1, 32), "32nds"), (Fraction(1, 24), "16th triplets"))
_THINNED = (Fraction(1, 8), Fraction(1, 16))


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
    for step, name in _GRIDS:
        grid = frozenset(step * k for k in range(int(bar.length / step)))
        left_out = [grid - look.keeping[keeper] for look in looks]
        if any(look.keeping[keeper] - grid for look in looks):
            continue
        if not any(left_out):
            return name
        if step in _THINNED and all(len(out) <= len(grid) // 5 for out in left_out):
            return f"{name} (none on {_of(looks, lambda k, grid=grid: grid - k.keeping[keeper])})"
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
