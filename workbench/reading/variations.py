"""What a bar plays otherwise than its groove, in words and exactly.

Every :class:`Change` carries the strokes it takes away and adds, so the base
bar and the changes give the bar back exactly: nothing that
differs is left unsaid and nothing is said that is not there.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from workbench.chart.counting import place_list, the_place
from workbench.chart.drumkit import drum_key_order
from workbench.chart.meter import Bar
from workbench.reading.doubts import ABSENCE_SURE, ORNAMENT_SURE, Grounds, HeardBars
from workbench.reading.grooves import Written

# Numbers whose origin is not named: chosen by eye, no source.
#: Bars that share less than this with their base (:func:`_alike`) are told whole instead of stroke by stroke.
TOO_DIFFERENT = 0.34

#: How a bar begins that is told whole, so unlike its groove is it.
DIFFERENT = "different, with "

#: Articulations as drummers say them on an added or changed note.
_SAID: dict[str, str] = {
    "ghost": "ghost note",
    "accent": "accent",
    "flam": "flam",
    "drag": "drag",
    "double": "double stroke",
    "roll": "roll",
    "choke": "choke",
    "half open": "half-open hi-hat",
    "foot splash": "foot splash",
    "rim shot": "rim shot",
}

_SHORT: dict[str, str] = {"closed hi-hat": "hi-hat", "pedal hi-hat": "hi-hat with the foot"}

_HATS = ("closed hi-hat", "open hi-hat")
_HAND_CYMBALS = (*_HATS, "ride", "ride bell", "crash", "second crash", "splash", "china", "tambourine", "cowbell")


@dataclass(frozen=True)
class Change:
    """One thing a bar plays otherwise than its base.

    Attributes
    ----------
    text : str
        In drummers' words: "open hi-hat on the & of 4".
    removed, added : frozenset of (position, instrument, articulations)
    parts : tuple of Change
        Of a bar told whole what each drum plays, each as sure as its own strokes.
    """

    text: str
    removed: Written = frozenset()
    added: Written = frozenset()
    parts: tuple[Change, ...] = ()


def change_grounds(heard: HeardBars, change: Change, bar_index: int, base_bar: int) -> Grounds:
    """What a change in one bar rests on: that it plays what is added, in that place, and nothing of what is gone."""
    added, removed = ({w[:2] for w in content} for content in (change.added, change.removed))
    gone = removed - added
    certainty = math.prod(heard.played(bar_index, key) for key in added) * heard.all_placed(bar_index, added)
    certainty *= math.prod(heard.silent(bar_index, key) for key in gone)
    sure = [heard.confidence(bar_index, key) for key in added] + [heard.confidence(base_bar, key) for key in removed]
    least = min(sure, default=1.0)
    if certainty < 1:
        ornaments = {w[:2] for w in (*change.added, *change.removed) if w[2]}
        # Where another instrument is struck instead, it was listened to; where nothing is, nothing tells.
        absent = {p for p, _ in gone} - {p for p, _ in added}
        certainty *= ORNAMENT_SURE ** len(ornaments) * ABSENCE_SURE ** bool(absent)
    return Grounds(len(sure), least, 1, heard.certainty(certainty))


def instrument_word(name: str) -> str:
    """How players call an instrument in running text.

    Examples
    --------
    >>> instrument_word("closed hi-hat"), instrument_word("kick")
    ('hi-hat', 'kick')
    """
    return _SHORT.get(name, name)


def describe_changes(
    bar: Bar,
    base: Written,
    actual: Written,
    soft_base: frozenset[Fraction] = frozenset(),
    soft_actual: frozenset[Fraction] = frozenset(),
) -> tuple[Change, ...]:
    """Differences of a bar from its base, most telling first; empty if none.

    ``soft_base`` and ``soft_actual`` are places of snare strokes that are played
    as ghost notes though they are not written so.
    """
    removed, added = set(base - actual), set(actual - base)
    if not removed and not added:
        return ()
    if not actual:
        return (Change("tacet", frozenset(removed)),)
    if not base:
        return (Change(whole_bar(bar, actual, soft_actual), frozenset(), frozenset(added)),)
    if _alike(base, actual) < TOO_DIFFERENT and len(removed) + len(added) > 4:
        parts = tuple(_new(bar, set(actual), soft_actual))
        return (Change(DIFFERENT + "; ".join(c.text for c in parts), frozenset(removed), frozenset(added), parts),)
    broken_off = _broken_off(bar, base, actual, removed)
    changes = [
        *broken_off,
        *_articulations(bar, removed, added),
        *_swaps(bar, base, removed, added),
        *_moves(bar, removed, added),
        *_gone(bar, base, actual, removed, soft_base),
        *_new(bar, added, soft_actual),
    ]
    return tuple(sorted(changes, key=_weight))


def _alike(base: Written, actual: Written) -> float:
    """Share of strokes that both have, one cymbal as good as another."""
    a, b = ({(p, "cymbal" if i in _HAND_CYMBALS else i) for p, i, _ in content} for content in (base, actual))
    return len(a & b) / len(a | b)


def whole_bar(bar: Bar, content: Written, soft: frozenset[Fraction] = frozenset()) -> str:
    """A bar told whole, instrument by instrument.

    Examples
    --------
    >>> from workbench.chart.meter import Meter
    >>> bar = Bar(Meter(), (0.0, 0.5, 1.0, 1.5))
    >>> whole_bar(bar, frozenset({(Fraction(0), "kick", frozenset()),
    ...                           (Fraction(1, 4), "snare", frozenset({"flam"}))}))
    'flam (snare) on 2; kick on 1'
    """
    return "; ".join(c.text for c in _new(bar, set(content), soft)) or "tacet"


def _weight(change: Change) -> tuple[int, int, str]:
    """Kick and snare first, then toms, then cymbals."""
    order = {
        "snare": 0,
        "side stick": 0,
        "kick": 1,
        "high tom": 2,
        "mid tom": 2,
        "floor tom": 2,
        "crash": 3,
        "open hi-hat": 4,
    }
    names = [n for _, n, _ in (*change.added, *change.removed)]
    return (min(order.get(n, 5) for n in names), -len(names), change.text)


# -- kinds of change (each takes what it explains out of removed and added) --------------


def _take(removed: set, added: set, gone: Iterable, new: Iterable) -> tuple[Written, Written]:
    gone, new = frozenset(gone), frozenset(new)
    removed -= gone
    added -= new
    return gone, new


def _broken_off(bar: Bar, base: Written, actual: Written, removed: set) -> list[Change]:
    """A bar that plays only the beginning or only the end of its base."""
    places = sorted({p for p, _, _ in actual})
    after = frozenset(w for w in base if w[0] > places[-1])
    if len(after) >= 3 and after <= removed and places[-1] < bar.length * 5 / 8:
        removed -= after
        return [Change(f"stops after {the_place(bar, places[-1])}", after)]
    before = frozenset(w for w in base if w[0] < places[0])
    if len(before) >= 3 and before <= removed and places[0] > bar.length * 3 / 8:
        removed -= before
        return [Change(f"enters on {the_place(bar, places[0])}", before)]
    return []


def _articulations(bar: Bar, removed: set, added: set) -> list[Change]:
    by_key = {(p, i): (p, i, a) for p, i, a in removed}
    groups: dict[tuple, list] = defaultdict(list)
    for item in added:
        old = by_key.get(item[:2])
        if old is not None:
            groups[(item[1], frozenset(item[2] - old[2]), frozenset(old[2] - item[2]))].append((old, item))
    changes = []
    for (name, gained, lost), pairs in _in_order(groups):
        gone, new = _take(removed, added, (o for o, _ in pairs), (n for _, n in pairs))
        where = place_list(bar, (n[0] for n in new))
        words = []
        if "ghost" in lost and not gained:
            words.append(f"full {instrument_word(name)} instead of a ghost note")
            lost = lost - {"ghost"}
        words += [f"{_SAID[a]} ({instrument_word(name)})" if a != "half open" else _SAID[a] for a in sorted(gained)]
        words += [f"no {_SAID[a]} ({instrument_word(name)})" for a in sorted(lost)]
        changes.append(Change(f"{' and '.join(words)} on {where}", gone, new))
    return changes


def _swaps(bar: Bar, base: Written, removed: set, added: set) -> list[Change]:
    """Another instrument at the same place: open for closed, crash for hi-hat."""
    pairs: dict[tuple, list] = defaultdict(list)
    for kinds in (_HAND_CYMBALS, ("snare", "side stick"), ("snare", "high tom", "mid tom", "floor tom")):
        at: dict[Fraction, list] = defaultdict(list)
        for item in sorted(removed, key=_order):
            if item[1] in kinds:
                at[item[0]].append(item)
        for item in sorted(added, key=_order):
            if item[1] in kinds and at[item[0]]:
                old = at[item[0]].pop(0)
                pairs[(old[1], item[1], item[2])].append((old, item))
                removed.discard(old)
                added.discard(item)
    changes = []
    for (old_name, new_name, said), items in _in_order(pairs):
        gone, new = frozenset(o for o, _ in items), frozenset(n for _, n in items)
        where = place_list(bar, (n[0] for n in new))
        all_gone = sum(i == old_name for _, i, _ in base) == len(gone) > 2
        new_word, old_word = _with_articulations(new_name, said), instrument_word(old_name)
        if (old_name, new_name) == ("closed hi-hat", "open hi-hat"):
            text = "hi-hat open throughout" if all_gone else f"{new_word} on {where}"
        elif (old_name, new_name) == ("open hi-hat", "closed hi-hat"):
            text = f"hi-hat closed on {where}" if said == frozenset() else f"{new_word} on {where}"
        elif all_gone:
            text = f"{new_word} instead of the {old_word}: {where}"
        else:
            text = f"{new_word} instead of {old_word} on {where}"
        changes.append(Change(text, gone, new))
    return changes


def _moves(bar: Bar, removed: set, added: set) -> list[Change]:
    """A single stroke that comes a little earlier or later."""
    changes = []
    for name in sorted({i for _, i, _ in removed}, key=drum_key_order):
        old = [x for x in removed if x[1] == name]
        new = [x for x in added if x[1] == name]
        if (
            len(old) == len(new) == 1
            and old[0][2] == new[0][2]
            and (abs(old[0][0] - new[0][0]) <= bar.meter.beat_length / 2)
        ):
            text = f"{instrument_word(name)} on {the_place(bar, new[0][0])} instead of {the_place(bar, old[0][0])}"
            changes.append(Change(text, *_take(removed, added, old, new)))
    return changes


def _is_soft(item: tuple, soft: frozenset[Fraction]) -> bool:
    return "ghost" in item[2] or item[1] == "snare" and item[0] in soft


def _gone(bar: Bar, base: Written, actual: Written, removed: set, soft: frozenset[Fraction]) -> list[Change]:
    changes = []
    kinds = {(x[1], _is_soft(x, soft)) for x in removed}
    for name, ghost in sorted(kinds, key=lambda k: (drum_key_order(k[0]), k[1])):
        gone = frozenset(x for x in removed if x[1] == name and _is_soft(x, soft) == ghost)
        in_base = sum(x[1] == name and _is_soft(x, soft) == ghost for x in base)
        many = "s" if len(gone) > 1 else ""
        text = f"no ghost note{many}" if ghost else f"no {instrument_word(name)}"
        # "No hi-hat" must not sound as if the open one were gone too.
        hats_left = name in _HATS and any(i in _HATS and i != name for _, i, _ in base)
        elsewhere = any(i == name for _, i, _ in actual)
        if len(gone) < in_base or hats_left or elsewhere or in_base == 1:
            text += f" on {place_list(bar, (p for p, _, _ in gone))}"
        changes.append(Change(text, gone))
    removed.clear()
    return changes


def _new(bar: Bar, added: set, soft: frozenset[Fraction]) -> list[Change]:
    groups: dict[tuple, list] = defaultdict(list)
    for item in added:
        said = item[2] | {"ghost"} if _is_soft(item, soft) else item[2]
        groups[(item[1], frozenset(said))].append(item)
    changes = []
    for (name, said), items in _in_order(groups):
        where = place_list(bar, (p for p, _, _ in items))
        word = _with_articulations(name, said)
        if word == "ghost note" and len(items) > 1:
            word = "ghost notes"
        changes.append(Change(f"{word} on {where}", frozenset(), frozenset(items)))
    added.clear()
    return changes


def _with_articulations(name: str, said: frozenset[str]) -> str:
    if not said:
        return instrument_word(name)
    if said == {"ghost"} and name == "snare":
        return "ghost note"
    words = " and ".join(_SAID[a] for a in sorted(said))
    return words if said == {"half open"} else f"{words} ({instrument_word(name)})"


def _order(item: tuple) -> tuple:
    return (item[0], drum_key_order(item[1]))


def _in_order(groups: dict) -> list:
    """Groups in the order of the drum key, then of their first place."""

    def key(entry: tuple) -> tuple[int, Fraction, str]:
        name = entry[0][0] if isinstance(entry[0], tuple) else entry[0]
        first = entry[1][0]
        where = first[0][0] if isinstance(first[0], tuple) else first[0]
        return (drum_key_order(name), where, str(sorted(map(str, entry[0][1:]))))

    for items in groups.values():
        items.sort(key=lambda x: x[0][0] if isinstance(x[0], tuple) else x[0])
    return sorted(groups.items(), key=key)
