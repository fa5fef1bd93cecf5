"""What drummers call a groove.

Common practice, no source: backbeat = snare on 2 and 4; four on the floor =
kick on every beat; half-time = the snare's weight on 3 only; double-time =
snare on every & over kicks on the beats; one drop = kick and snare on 3 and
not on 1; linear = hands and feet in turns, no two instruments together; a push = the kick an eighth before
a beat that it then leaves out; train = 16ths or 8ths on the snare under a backbeat of
accents; samba and bossa nova = kick on the beat and just before the next, hi-hat foot
between; waltz = 1 low, 2 and 3 high.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from statistics import median

from workbench.chart import Chart
from workbench.chart.counting import bar_words, place_list
from workbench.chart.drumkit import TIMEKEEPERS, instrument
from workbench.chart.ghosts import ACCENT_RATIO, ghost_limit, is_ghost
from workbench.chart.meter import Bar
from workbench.grouping import grouped


@dataclass(frozen=True)
class _Look:
    """Positions of a bar by instrument family, for naming it."""

    bar: Bar
    kick: frozenset[Fraction]
    snare: frozenset[Fraction]
    ghosts: frozenset[Fraction]
    accents: frozenset[Fraction]
    side_stick: frozenset[Fraction]
    open_hat: frozenset[Fraction]
    pedal: frozenset[Fraction]
    keeping: dict[str, frozenset[Fraction]]
    together: bool
    feel: str

    @property
    def beats(self) -> tuple[Fraction, ...]:
        return self.bar.beat_positions()

    @property
    def in_four(self) -> bool:
        """A whole bar of four simple beats."""
        return len(self.beats) == 4 and not self.bar.meter.is_compound and not self.bar.is_pickup

    @property
    def offbeats(self) -> frozenset[Fraction]:
        return frozenset(b + self.bar.meter.beat_length / 2 for b in self.beats)

    @property
    def timekeeper(self) -> str | None:
        enough = max(len(self.beats) - 1, 2)
        best = max(self.keeping, key=lambda k: len(self.keeping[k]), default=None)
        return best if best and len(self.keeping[best]) >= enough else None


def _look(chart: Chart, bar_index: int, limit: float) -> _Look:
    bar, notes = chart.time_map.bars[bar_index], chart.bars[bar_index].notes
    full = [n for n in notes if n.instrument in ("snare", "side stick") and not is_ghost(n, limit)]
    keeping: dict[str, set[Fraction]] = {}
    for n in notes:
        if n.instrument in TIMEKEEPERS:
            keeping.setdefault(TIMEKEEPERS[n.instrument], set()).add(n.position)

    def at(*names: str) -> frozenset[Fraction]:
        return frozenset(n.position for n in notes if n.instrument in names)

    snares = [n for n in notes if n.instrument == "snare"]
    loud = ACCENT_RATIO * median([n.velocity for n in snares] or [0])
    places = Counter(n.position for n in notes)
    return _Look(
        bar,
        at("kick"),
        frozenset(n.position for n in full),
        frozenset(n.position for n in notes if is_ghost(n, limit)),
        frozenset(n.position for n in snares if "accent" in n.articulations or n.velocity >= loud),
        at("side stick"),
        at("open hi-hat"),
        at("pedal hi-hat"),
        {k: frozenset(v) for k, v in keeping.items()},
        any(c > 1 for c in places.values()),
        chart.feel if bar.meter.swung_pair(chart.feel) else "straight",
    )


def known_as(chart: Chart, base_bars: Sequence[int], limit: float | None = None) -> str:
    """The name by which a student knows a groove: "rock eighths with a push", "half-time shuffle"; "" if none.

    All names are common practice, no source; of a phrase of several bars they hold for each, or it has none.
    """
    limit = ghost_limit(chart) if limit is None else limit
    names = {_known_as(_look(chart, k, limit)) for k in base_bars}
    pushed = {"rock eighths", "rock eighths with a push"}
    return names.pop() if len(names) == 1 else max(names) if names == pushed else ""


def _known_as(look: _Look) -> str:
    snare, feel, hands = _snare_name(look), _feel_name(look), _hands_name(look)
    backbeat, half_time = snare.startswith("backbeat"), snare.startswith("half-time")
    shuffled = "shuffle" in feel or "shuffled 8ths" in hands or look.feel == "swing 8ths" and hands.startswith("8ths")
    beats, offbeats = frozenset(look.beats), look.offbeats
    if len(beats) == 3 and not look.bar.meter.is_compound:
        high = frozenset(look.beats[1:])
        return "waltz" if look.beats[0] in look.kick and not look.kick & high and look.snare <= high else ""
    if look.bar.meter.is_compound and len(beats) in (2, 4) and backbeat and "8ths on" in hands:
        return f"{look.bar.meter} rock"
    if not look.in_four:
        return ""
    if hands.startswith("jazz time"):
        return "jazz time"
    if shuffled and (backbeat or half_time):
        return "half-time shuffle" if half_time else "shuffle"
    if snare.startswith("one drop"):
        return "one drop"
    if latin := _latin_name(look):
        return latin
    running, backbeats = look.snare | look.ghosts, {look.beats[1], look.beats[3]}
    runs = len(running) >= 7 and running >= beats and not look.keeping
    # Without its accents it is a roll over a kick, as programmed music builds up to a drop.
    if runs and look.accents >= backbeats and look.kick and len(look.kick) <= 8:
        return "train beat"
    if look.kick >= beats and look.keeping.get("hi-hat") == offbeats and (backbeat or not look.snare):
        return "disco"
    if half_time:
        return "half-time"
    if snare.startswith("double-time"):
        return "double-time"
    if backbeat and look.snare <= beats:
        if hands.startswith("16ths"):
            return "sixteenth groove"
        if hands.startswith("8ths"):
            pushes = {p for p in look.kick & offbeats if _next_beat(look, p) not in look.kick | look.snare}
            return "rock eighths with a push" if pushes else "rock eighths"
        if hands.startswith("quarters"):
            return "rock quarters"
    return ""


def _next_beat(look: _Look, position: Fraction) -> Fraction:
    return (position + look.bar.meter.beat_length / 2) % look.bar.length


def _latin_name(look: _Look) -> str:
    """Samba or bossa nova by the feet: the kick on 1 and 3 and just before them, no backbeat."""
    one, two, three, four = look.beats
    eighth, sixteenth = Fraction(1, 8), Fraction(1, 16)
    if look.snare >= {two, four}:
        return ""
    if look.kick == {one, three - eighth, three, look.bar.length - eighth}:
        return "bossa nova" if look.side_stick else "samba"
    samba = frozenset(look.beats) | {b + 3 * sixteenth for b in look.beats}
    return "samba" if look.kick == samba else ""


def name_groove(chart: Chart, base_bars: Sequence[int], limit: float | None = None) -> tuple[str, ...]:
    """What a drummer calls a groove, the most telling name first.

    Where the bars of a phrase differ in one aspect only, it is named by most of them, with the others after it; where
    in several, what they share comes first, then each bar by itself.  ``limit`` is
    :func:`~workbench.chart.ghosts.ghost_limit`, if known.
    """
    limit = ghost_limit(chart) if limit is None else limit
    looks = [_look(chart, k, limit) for k in base_bars]
    aspects = [
        [name(look) for look in looks]
        for name in (_snare_name, _kick_name, _feel_name, _hands_name, _left_foot_name, _ghost_name)
    ]
    shared = [texts[0] for texts in aspects if len(set(texts)) == 1]
    if len(shared) + 1 < len(aspects):
        names = shared + _bar_by_bar([texts for texts in aspects if len(set(texts)) > 1])
    else:
        names = [_combined(texts) for texts in aspects]
    strokes = sum(len(chart.bars[k].notes) for k in base_bars)
    limbs = {instrument(n.instrument).is_foot for k in base_bars for n in chart.bars[k].notes}
    if len(limbs) > 1 and not any(look.together for look in looks) and strokes > 6 * len(looks):
        names.insert(0, "linear (no two together)")
    return tuple(name for name in names if name)


#: How what is said besides begins: "snare also on", "open on".
_NAMES_A_VOICE = re.compile(r"[a-z -]+ on ")


def _combined(texts: Sequence[str]) -> str:
    """One text for the bars of a phrase: what most say, then the exceptions."""
    most = Counter(texts).most_common()
    if len(most) == 1:
        return texts[0]
    main = most[0][0]
    said = [main] if main else []
    for k, text in enumerate(texts):
        if text != main:
            # "backbeat, snare also on …" need not say "backbeat" twice; "kick on 1, 3" is no "kick on 1" and something.
            more = text.removeprefix(main + ", ") if main else text
            more = more if _NAMES_A_VOICE.match(more) else text
            said.append(f"in bar {k + 1} of {len(texts)} {more or 'none of it'}")
    return ", ".join(said)


def _bar_by_bar(aspects: Sequence[Sequence[str]]) -> list[str]:
    """What the bars of a phrase play where they differ, those that are alike together: "bar 2 of 2: snare on 1"."""
    bars = grouped((tuple(filter(None, texts)), k) for k, texts in enumerate(zip(*aspects)))
    out = []
    for texts, where in bars.items():
        first, *more = texts or ("none of it",)
        out += [f"{bar_words(k + 1 for k in where)} of {len(aspects[0])}: {first}", *more]
    return out


def _snare_name(look: _Look) -> str:
    if not look.snare:
        return "no snare"
    voice = "side stick" if look.side_stick == look.snare else "snare"
    beats, on_beats = look.beats, look.snare & frozenset(look.beats)
    if look.in_four:
        one, two, three, four = beats
        offs = look.offbeats
        if look.snare == frozenset(beats):
            return f"four on the {voice}"
        if look.snare == offs and look.kick >= {one, three}:
            return f"double-time, {voice} on every &"
        if on_beats == {two, four}:
            return _with_more(look, f"backbeat on 2 and 4{_voice(voice)}", voice, look.snare - on_beats)
        if on_beats == {three} and len(look.snare) <= 2:
            if three in look.kick and one not in look.kick:
                return f"one drop, kick and {voice} on 3"
            return _with_more(look, f"half-time, {voice} on 3", voice, look.snare - on_beats)
    elif look.bar.meter.is_compound and len(beats) % 2 == 0 and on_beats == frozenset(beats[1::2]):
        where = " and ".join(place_list(look.bar, on_beats).split(", "))
        return _with_more(look, f"backbeat on {where}{_voice(voice)}", voice, look.snare - on_beats)
    if look.side_stick and voice == "snare":
        return (
            f"snare on {place_list(look.bar, look.snare - look.side_stick)}, "
            f"side stick on {place_list(look.bar, look.side_stick)}"
        )
    return f"{voice} on {place_list(look.bar, look.snare)}"


def _voice(voice: str) -> str:
    return "" if voice == "snare" else f" ({voice})"


def _with_more(look: _Look, name: str, voice: str, more: frozenset[Fraction]) -> str:
    return f"{name}, {voice} also on {place_list(look.bar, more)}" if more else name


def _kick_name(look: _Look) -> str:
    if not look.kick:
        return "no kick"
    beats = frozenset(look.beats)
    if look.in_four and (rate := _running_kick(look)):
        return f"kick in {rate}"
    if len(beats) > 2 and look.kick >= beats:
        name = "four on the floor" if len(beats) == 4 else "kick on every beat"
        return _with_more(look, name, "kick", look.kick - beats)
    return f"kick on {place_list(look.bar, look.kick)}"


def _running_kick(look: _Look) -> str:
    """The rate of a kick that runs through the bar, in 16ths with a stroke or two left out, or ""."""
    thinned = _rate(look, look.kick)
    return _even_rate(look.bar, look.kick) or (thinned if thinned.startswith("16ths") else "")


def _feel_name(look: _Look) -> str:
    """Straight, swung or triplet: from what is written between the beats."""
    if look.feel != "straight":
        return f"swung {look.feel.split()[1]}"
    if look.bar.meter.is_compound:
        return ""
    beat = look.bar.meter.beat_length
    hands = frozenset().union(*look.keeping.values()) if look.keeping else frozenset()
    parts = Counter((p % beat) / beat for p in hands | look.kick | look.snare | look.ghosts)
    lets, trips = parts[Fraction(2, 3)], parts[Fraction(1, 3)]
    straight = sum(parts[Fraction(k, 4)] for k in (1, 2, 3))
    if _hands_name(look).startswith("jazz time"):
        return ""  # the name says how it swings
    if lets + trips > straight:
        half_time = _snare_name(look).startswith("half-time")
        if trips > lets / 3:
            return "half-time shuffle, all triplets played" if half_time else "8th triplets"
        said = _hands_name(look).startswith("shuffled")
        return "half-time shuffle" if half_time and look.ghosts else "" if said else "shuffled"
    sixths = parts[Fraction(1, 6)] + parts[Fraction(5, 6)]
    return "swung 16ths" if sixths > parts[Fraction(1, 4)] + parts[Fraction(3, 4)] else ""


def _hands_name(look: _Look) -> str:
    timekeeper = look.timekeeper
    if timekeeper is None:
        if not look.keeping:
            return "no ride pattern"
        return "; ".join(f"{k} on {place_list(look.bar, look.keeping[k])}" for k in look.keeping)
    places = look.keeping[timekeeper]
    crash_on_1 = timekeeper != "crash" and Fraction(0) in look.keeping.get("crash", ())
    if crash_on_1:
        places = places | {Fraction(0)}
    what = "open hi-hat" if timekeeper == "hi-hat" and look.open_hat >= look.keeping[timekeeper] else timekeeper
    rate = _rate(look, places)
    text = f"{rate} on the {what}" if rate else f"time on the {what}: {place_list(look.bar, places)}"
    if what == "hi-hat" and look.open_hat:
        text += f", open on {place_list(look.bar, look.open_hat)}"
    return text + (", crash on 1" if crash_on_1 else "")


# Numbers whose origin is not named: chosen by eye, no source.
#: Even time-keeping, and which of it may leave out a stroke or two.
_GRIDS = (
    (Fraction(1, 8), "8ths"),
    (Fraction(1, 16), "16ths"),
    (Fraction(1, 12), "8th triplets"),
    (Fraction(1, 32), "32nds"),
    (Fraction(1, 24), "16th triplets"),
)
_THINNED = (Fraction(1, 8), Fraction(1, 16))


def _grid(bar: Bar, step: Fraction) -> frozenset[Fraction]:
    return frozenset(step * k for k in range(int(bar.length / step)))


def _even_rate(bar: Bar, places: frozenset[Fraction]) -> str:
    """Name of even notes that leave none out, or ""."""
    return next((name for step, name in _GRIDS if places == _grid(bar, step)), "")


def _rate(look: _Look, places: frozenset[Fraction]) -> str:
    """Name of a time-keeping pattern, or "" where it has none."""
    meter, beats = look.bar.meter, look.beats
    if not meter.is_compound and places == look.offbeats:
        return "off-beats"
    if places == frozenset(beats):
        return "quarters" if meter.beat_length == Fraction(1, 4) else "the beats"
    if rate := _even_rate(look.bar, places):
        return rate
    for step, name in _GRIDS:
        grid = _grid(look.bar, step)
        left_out = grid - places
        if not places - grid and step in _THINNED and len(left_out) <= len(grid) // 5:
            return f"{name} (none on {place_list(look.bar, left_out)})"
    if look.in_four:
        # The skipped note as triplet, dotted or plain 8th: all three are written, the last only of a part that swings.
        for said, share in (("let", Fraction(2, 3)), ("a", Fraction(3, 4)), ("&", Fraction(1, 2))):
            if said == "&" and look.feel == "straight":
                continue
            late = meter.beat_length * share
            if places == frozenset(beats) | {beats[1] + late, beats[3] + late}:
                return f"jazz time (1, 2 {said}, 3, 4 {said})"
            if said != "&" and places == frozenset(beats) | {b + late for b in beats}:
                return "shuffled 8ths"
    return ""


def _left_foot_name(look: _Look) -> str:
    return f"left foot on {place_list(look.bar, look.pedal)}" if look.pedal else ""


def _ghost_name(look: _Look) -> str:
    return f"ghost notes on {place_list(look.bar, look.ghosts)}" if look.ghosts else ""
