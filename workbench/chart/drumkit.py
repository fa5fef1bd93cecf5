"""The drum kit: every instrument a chart can name, in one place.

Adding an instrument means adding one row to :data:`INSTRUMENTS`.  The rest of General MIDI's
percussion map are the rows of :data:`PERCUSSION`.  What neither knows is a line of its own,
named with its MIDI key: ``Log Drum [91]``.  How a chart's own kit calls, draws and keys an
instrument otherwise says its kit map, made of :class:`KitLine`.

Conventions
-----------
* ``midi_note`` is a General MIDI Level 1 percussion key (35–81; channel 10).
  MusicXML's ``midi-unpitched`` counts from 1, so it is ``midi_note + 1``
  (MusicXML 4.0, element *midi-unpitched*).
* ``staff_step``/``staff_octave`` are MusicXML ``display-step`` and
  ``display-octave`` under a percussion clef, read as if in treble clef.
* Positions and noteheads follow common percussion practice (after Norman
  Weinberg's guidelines for drum-set notation; from memory).
"""

from __future__ import annotations

import re
import zlib
from dataclasses import dataclass, replace
from difflib import get_close_matches
from enum import StrEnum
from functools import lru_cache
from itertools import combinations

from workbench.errors import ChartError
from workbench.escaping import whole_text


class Limb(StrEnum):
    """Which limb plays an instrument unless the chart says otherwise."""

    HAND = "hand"
    RIGHT_FOOT = "right foot"
    LEFT_FOOT = "left foot"


class Notehead(StrEnum):
    """MusicXML 4.0 ``notehead-value`` names used by the kit."""

    NORMAL = "normal"
    X = "x"
    CIRCLE_X = "circle-x"
    DIAMOND = "diamond"
    TRIANGLE = "triangle"


@dataclass(frozen=True)
class Instrument:
    """One drum or cymbal (or one way of striking it) of the drum key.

    Attributes
    ----------
    name : str
        The drum key's name, used in charts and files.
    general_midi_name : str
        Full name in the General MIDI Level 1 percussion map.
    midi_note : int
        General MIDI percussion key, 35–81; of a line that General MIDI does not know any key, 0–127.
    staff_step, staff_octave : str, int
        Place on the percussion staff.
    notehead : Notehead
    limb : Limb
    family : str
        'kick', 'snare', 'hi-hat', 'cymbal', 'tom' or 'percussion'.
    short_name : str
        At most four characters, for narrow row heads and tables.
    sounds_as : str
        The instrument of the drum set that it is heard as, and with whose sound it is played; its own
        name for those.
    label : str
        What the page and files for other programs call it.
    """

    name: str
    general_midi_name: str
    midi_note: int
    staff_step: str
    staff_octave: int
    notehead: Notehead
    limb: Limb
    family: str
    short_name: str
    sounds_as: str = ""
    label: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "sounds_as", self.sounds_as or self.name)
        object.__setattr__(self, "label", self.label or self.name)

    @property
    def musicxml_unpitched(self) -> int:
        """MusicXML ``midi-unpitched`` number (1–128)."""
        return self.midi_note + 1

    @property
    def is_foot(self) -> bool:
        return self.limb is not Limb.HAND


_HAND, _RF, _LF = Limb.HAND, Limb.RIGHT_FOOT, Limb.LEFT_FOOT
_N, _X, _O, _D, _T = (Notehead.NORMAL, Notehead.X, Notehead.CIRCLE_X, Notehead.DIAMOND, Notehead.TRIANGLE)

#: The drum set, top of the drum key first (the order of grid rows).
INSTRUMENTS: tuple[Instrument, ...] = (
    Instrument("crash", "Crash Cymbal 1", 49, "A", 5, _X, _HAND, "cymbal", "Cr"),
    Instrument("second crash", "Crash Cymbal 2", 57, "B", 5, _X, _HAND, "cymbal", "Cr2"),
    Instrument("splash", "Splash Cymbal", 55, "D", 6, _X, _HAND, "cymbal", "Spl"),
    Instrument("china", "Chinese Cymbal", 52, "C", 6, _X, _HAND, "cymbal", "Chi"),
    Instrument("ride", "Ride Cymbal 1", 51, "F", 5, _X, _HAND, "cymbal", "Rd"),
    Instrument("ride bell", "Ride Bell", 53, "F", 5, _D, _HAND, "cymbal", "Bell"),
    Instrument("open hi-hat", "Open Hi-Hat", 46, "G", 5, _O, _HAND, "hi-hat", "HHo"),
    Instrument("closed hi-hat", "Closed Hi-Hat", 42, "G", 5, _X, _HAND, "hi-hat", "HH"),
    Instrument("tambourine", "Tambourine", 54, "B", 4, _T, _HAND, "percussion", "Tmb"),
    Instrument("cowbell", "Cowbell", 56, "E", 5, _T, _HAND, "percussion", "Cow"),
    Instrument("hand clap", "Hand Clap", 39, "B", 4, _X, _HAND, "percussion", "Clap"),
    Instrument("high tom", "High Tom", 50, "E", 5, _N, _HAND, "tom", "T1"),
    Instrument("mid tom", "Low-Mid Tom", 47, "D", 5, _N, _HAND, "tom", "T2"),
    Instrument("snare", "Acoustic Snare", 38, "C", 5, _N, _HAND, "snare", "Sn"),
    Instrument("side stick", "Side Stick", 37, "C", 5, _X, _HAND, "snare", "Stk"),
    Instrument("floor tom", "High Floor Tom", 43, "A", 4, _N, _HAND, "tom", "T3"),
    Instrument("kick", "Bass Drum 1", 36, "F", 4, _N, _RF, "kick", "BD"),
    Instrument("pedal hi-hat", "Pedal Hi-Hat", 44, "D", 4, _X, _LF, "hi-hat", "HHp"),
)

#: The rest of General MIDI's percussion map.  Second kick, toms and congas are drawn as they usually are, the
#: others where the staff has room: the drum key says which is which (common practice, no source).
PERCUSSION: tuple[Instrument, ...] = tuple(
    Instrument(name, general, key, place[0], int(place[1]), head, limb, family, short, sounds_as)
    for key, name, general, place, head, limb, family, short, sounds_as in (
        (35, "second kick", "Acoustic Bass Drum", "E4", _N, _RF, "kick", "BD2", "kick"),
        (40, "second snare", "Electric Snare", "C5", _D, _HAND, "snare", "Sn2", "snare"),
        (41, "low floor tom", "Low Floor Tom", "G4", _N, _HAND, "tom", "T6", "floor tom"),
        (45, "low tom", "Low Tom", "B4", _N, _HAND, "tom", "T4", "mid tom"),
        (48, "high mid tom", "Hi Mid Tom", "F5", _N, _HAND, "tom", "T12", "high tom"),
        (58, "vibraslap", "Vibraslap", "G4", _T, _HAND, "percussion", "Vib", "tambourine"),
        (59, "second ride", "Ride Cymbal 2", "F5", _O, _HAND, "cymbal", "Rd2", "ride"),
        (60, "high bongo", "Hi Bongo", "E5", _D, _HAND, "percussion", "Bo1", "high tom"),
        (61, "low bongo", "Low Bongo", "D5", _D, _HAND, "percussion", "Bo2", "mid tom"),
        (62, "muted high conga", "Mute Hi Conga", "B4", _O, _HAND, "percussion", "CoM", "side stick"),
        (63, "open high conga", "Open Hi Conga", "B4", _D, _HAND, "percussion", "CoH", "mid tom"),
        (64, "low conga", "Low Conga", "A4", _D, _HAND, "percussion", "CoL", "floor tom"),
        (65, "high timbale", "High Timbale", "G5", _D, _HAND, "percussion", "Ti1", "high tom"),
        (66, "low timbale", "Low Timbale", "G4", _D, _HAND, "percussion", "Ti2", "mid tom"),
        (67, "high agogo", "High Agogo", "A5", _T, _HAND, "percussion", "Ag1", "cowbell"),
        (68, "low agogo", "Low Agogo", "F5", _T, _HAND, "percussion", "Ag2", "cowbell"),
        (69, "cabasa", "Cabasa", "D5", _T, _HAND, "percussion", "Cab", "tambourine"),
        (70, "maracas", "Maracas", "C5", _T, _HAND, "percussion", "Mar", "tambourine"),
        (71, "short whistle", "Short Whistle", "C6", _T, _HAND, "percussion", "Wh1", "cowbell"),
        (72, "long whistle", "Long Whistle", "C6", _D, _HAND, "percussion", "Wh2", "cowbell"),
        (73, "short guiro", "Short Guiro", "A4", _T, _HAND, "percussion", "Gu1", "tambourine"),
        (74, "long guiro", "Long Guiro", "A4", _O, _HAND, "percussion", "Gu2", "tambourine"),
        (75, "claves", "Claves", "E5", _X, _HAND, "percussion", "Clv", "side stick"),
        (76, "high wood block", "Hi Wood Block", "D5", _X, _HAND, "percussion", "WB1", "side stick"),
        (77, "low wood block", "Low Wood Block", "A4", _X, _HAND, "percussion", "WB2", "side stick"),
        (78, "muted cuica", "Mute Cuica", "G4", _X, _HAND, "percussion", "Cu1", "side stick"),
        (79, "open cuica", "Open Cuica", "G4", _O, _HAND, "percussion", "Cu2", "mid tom"),
        (80, "muted triangle", "Mute Triangle", "B5", _T, _HAND, "percussion", "Tr1", "ride bell"),
        (81, "open triangle", "Open Triangle", "B5", _D, _HAND, "percussion", "Tr2", "ride bell"),
    )
)

#: The thirteen instruments the detector drafts.
DETECTED: tuple[str, ...] = (
    "kick",
    "snare",
    "side stick",
    "closed hi-hat",
    "open hi-hat",
    "pedal hi-hat",
    "high tom",
    "mid tom",
    "floor tom",
    "ride",
    "ride bell",
    "crash",
    "tambourine",
)

#: Instruments that can keep time, by what players call them; common practice, no source.
TIMEKEEPERS: dict[str, str] = {
    "closed hi-hat": "hi-hat",
    "open hi-hat": "hi-hat",
    "ride": "ride",
    "ride bell": "ride",
    "crash": "crash",
    "second crash": "crash",
    "china": "crash",
    "splash": "crash",
    "high tom": "toms",
    "mid tom": "toms",
    "floor tom": "toms",
    "tambourine": "percussion",
    "cowbell": "percussion",
    "hand clap": "percussion",
}

#: Those of them that hardly do anything else; common practice, no source.
TIMEKEEPING = frozenset({"closed hi-hat", "open hi-hat", "ride", "ride bell", "tambourine", "cowbell"})

#: Drums that hands strike.
HAND_DRUMS = frozenset(i.name for i in INSTRUMENTS if i.family in ("snare", "tom"))

#: Two sounds of one drum or cymbal, of which one stroke makes only one; common practice, no source.
ONE_SURFACE = (("open hi-hat", "closed hi-hat"), ("ride", "ride bell"), ("snare", "side stick"))

#: Above which row of the drum set a row of the rest stands; what is not named here stands under the hand clap.
_ABOVE = {
    "second ride": "ride bell",
    "high mid tom": "mid tom",
    "low tom": "snare",
    "second snare": "side stick",
    "low floor tom": "kick",
    "second kick": "pedal hi-hat",
}


def _in_order() -> list[Instrument]:
    out = []
    for row in INSTRUMENTS:
        above = row.name if row.name != "high tom" else ""
        out += [p for p in PERCUSSION if _ABOVE.get(p.name, "") in (above, row.name) and p not in out]
        out.append(row)
    return out


_BY_NAME = {i.name: i for i in _in_order()}
_BY_MIDI_NOTE = {i.midi_note: i for i in _BY_NAME.values()}
_ORDER = {name: k for k, name in enumerate(_BY_NAME)}
#: Name of a line that General MIDI does not know: what it is called, and its MIDI key.
_OWN_LINE = re.compile(r"(\S.{0,80}) \[([0-9]{1,3})\]")
#: Where such lines stand unless a kit map says otherwise: those of neighbouring keys apart.
_OWN_PLACES = ("D5", "B4", "G5", "E4", "A5")


def own_line(label: str, midi_note: int) -> str:
    """Name of an instrument that General MIDI does not know.

    Examples
    --------
    >>> own_line("Log Drum", 91), instrument("Log Drum [91]").midi_note
    ('Log Drum [91]', 91)
    """
    return f"{' '.join(whole_text(label).split())[:80] or 'percussion'} [{midi_note}]"


@lru_cache(maxsize=1024)
def one_surface(name: str) -> frozenset[str]:
    """The sounds of which one stroke makes only one, this one among them.

    Examples
    --------
    >>> sorted(one_surface("ride")), sorted(one_surface("kick"))
    (['ride', 'ride bell'], ['kick'])
    """
    return frozenset({name}.union(*(group for group in ONE_SURFACE if name in group)))


def articulations_of(of: Instrument) -> frozenset[str]:
    """The articulations that an instrument can be played with; common practice, no source."""
    some = {
        "rim shot": of.family in ("snare", "tom") and of.name != "side stick",
        "choke": of.family == "cymbal",
        "half open": of.name in ("open hi-hat", "closed hi-hat"),
        "foot splash": of.name == "pedal hi-hat",
    }
    return frozenset({"ghost", "accent", "flam", "drag", "double", "roll"} | {a for a, has in some.items() if has})


def _near(name: str) -> list[str]:
    """Instruments whose names hold what was written, whatever its spaces and hyphens, or are spelt much like it."""
    plain = {own: re.sub(r"[^a-z]", "", own) for own in _BY_NAME}
    said = re.sub(r"[^a-z]", "", name.lower())
    return [own for own in plain if len(said) > 2 and said in plain[own]][:4] or get_close_matches(name.lower(), plain)


@lru_cache(maxsize=1024)
def instrument(name: str) -> Instrument:
    """Look an instrument up by its name in the drum key.

    Raises
    ------
    ChartError
        If the drum key has no such instrument.

    Examples
    --------
    >>> instrument("kick").general_midi_name
    'Bass Drum 1'
    """
    if name in _BY_NAME:
        return _BY_NAME[name]
    own = _OWN_LINE.fullmatch(name) if isinstance(name, str) else None
    if own is None or int(own[2]) > 127:
        near = _near(str(name))
        known = f"did you mean {' or '.join(near)}?" if near else f"it knows: {', '.join(_BY_NAME)}."
        raise ChartError(
            f"The drum key has no instrument called {name!r}; {known} Others are named with their MIDI key, such as "
            "'Log Drum [91]'."
        )
    key = int(own[2])
    place, label = _OWN_PLACES[key % len(_OWN_PLACES)], own[1]
    head = _D if key % 2 else _T
    return Instrument(
        name, label, key, place[0], int(place[1]), head, _HAND, "percussion", label[:4], "side stick", label
    )


def instrument_for_midi_note(note: int) -> Instrument | None:
    """The instrument that a General MIDI percussion key stands for, or None."""
    return _BY_MIDI_NOTE.get(note)


def drum_key_order(name: str) -> int:
    """Row of an instrument in the drum key, 0 at the top; lines that General MIDI does not know stand last, by key."""
    own = instrument(name)
    if own.name in _ORDER:
        return _ORDER[own.name]
    return len(_ORDER) + (own.midi_note << 32) + zlib.crc32(name.encode())  # those of one key always in one order


# -- a chart's own kit --------------------------------------------------------------


@dataclass(frozen=True)
class KitLine:
    """How a kit calls, draws and keys one instrument; what is left empty stays as the drum key has it.

    Attributes
    ----------
    instrument : str
        Name in the drum key.
    label : str
        What the page and files for other programs call it.
    place : str
        On the percussion staff, read as if in treble clef: "C5".
    notehead : str
        From :class:`Notehead`.
    keys_in : tuple of int
        MIDI keys that are read as it.
    key_out : int, optional
        MIDI key that is written for it.
    """

    instrument: str
    label: str = ""
    place: str = ""
    notehead: str = ""
    keys_in: tuple[int, ...] = ()
    key_out: int | None = None

    def __post_init__(self) -> None:
        instrument(self.instrument)
        object.__setattr__(self, "keys_in", tuple(self.keys_in))
        object.__setattr__(self, "label", whole_text(self.label))
        if self.place and not re.fullmatch("[A-G][2-7]", self.place):
            raise ChartError(f"A staff place is a step and an octave, such as C5, not {self.place!r}.")
        if self.notehead and self.notehead not in [*Notehead]:
            raise ChartError(f"A notehead is one of {', '.join(Notehead)}, not {self.notehead!r}.")
        for key in (*self.keys_in, *(() if self.key_out is None else (self.key_out,))):
            if isinstance(key, bool) or not isinstance(key, int) or not 0 <= key <= 127:
                raise ChartError(f"A MIDI key is a whole number from 0 to 127, not {key!r}.")

    def applied(self) -> Instrument:
        """The instrument as this kit has it."""
        own = instrument(self.instrument)
        return replace(
            own,
            label=self.label or own.label,
            general_midi_name=self.label or own.general_midi_name,
            staff_step=self.place[:1] or own.staff_step,
            staff_octave=int(self.place[1:] or own.staff_octave),
            notehead=Notehead(self.notehead) if self.notehead else own.notehead,
            midi_note=own.midi_note if self.key_out is None else self.key_out,
        )


#: Where toms stand if there are more than three, from the highest down (common practice, no source).
_TOM_PLACES = ("F5", "E5", "D5", "B4", "A4", "G4")
_TOMS_BY_PITCH = tuple(i for i in _BY_NAME.values() if i.family == "tom")
#: The toms of a usual set, from high to low.
THREE_TOMS = ("high tom", "mid tom", "floor tom")
#: The drum of the set that stands for the only one of its kind in a source, whatever its key.
_ONE_OF_A_KIND = (("kick", 36, 35), ("snare", 38, 40), ("ride", 51, 59))
#: Two keys of electronic kits that General MIDI does not have, by which such a kit is known, and what the rims and
#: edges of its pads send (drum mapping of the Groove MIDI Dataset, Google LLC, CC BY 4.0; from memory).
_ELECTRONIC = frozenset({22, 26})
#: General MIDI's keys of Latin percussion: where none is, its vibraslap (58) is none either.
_LATIN = frozenset(range(60, 82))
ELECTRONIC_KIT: tuple[KitLine, ...] = (
    KitLine("closed hi-hat", keys_in=(22,)),
    KitLine("open hi-hat", keys_in=(26,)),
    KitLine("snare", keys_in=(40,)),
    KitLine("crash", keys_in=(55,)),
    KitLine("second crash", keys_in=(52,)),
    KitLine("ride", keys_in=(59,)),
    KitLine("high tom", keys_in=(48, 50)),
    KitLine("mid tom", keys_in=(45, 47)),
    KitLine("floor tom", keys_in=(41, 43, 58)),
    KitLine("kick", keys_in=(35,)),
)


def kit_for_keys(keys: frozenset[int], kit_map: tuple[KitLine, ...] = ()) -> tuple[dict[int, str], tuple[KitLine, ...]]:
    """The instruments that the MIDI keys of a part mean, and the kit map by which they are written again.

    Keys mean what ``kit_map`` says, otherwise what General MIDI says; others become lines of their own.
    As long as three toms suffice they are high, mid and floor tom; more stand by their pitch.

    Parameters
    ----------
    keys : frozenset of int
        All keys of the part.
    kit_map : tuple of KitLine

    Returns
    -------
    names : dict
        Instrument of each key.
    kit_map : tuple of KitLine

    Examples
    --------
    >>> kit_for_keys(frozenset({35, 38, 48}))[0]
    {35: 'kick', 38: 'snare', 48: 'high tom'}
    """
    electronic = keys & _ELECTRONIC or (58 in keys and not keys & _LATIN)
    known = kit_map or (ELECTRONIC_KIT if electronic else ())
    own = {key: line.instrument for line in known for key in line.keys_in}
    names = {key: own.get(key) or _plain(key) for key in sorted(keys)}
    for name, usual, other in _ONE_OF_A_KIND:
        if other in keys and usual not in keys and name not in names.values():
            names[other] = name
    toms = [i for i in _TOMS_BY_PITCH if i.midi_note in keys and i.midi_note not in own]
    lines = {line.instrument: line for line in kit_map}
    if len(toms) <= len(THREE_TOMS):
        near = [THREE_TOMS.index(i.sounds_as) for i in toms]
        choices = combinations(range(len(THREE_TOMS)), len(toms))
        best = min(choices, key=lambda c: sum(abs(a - b) for a, b in zip(c, near)))
        names |= {i.midi_note: THREE_TOMS[k] for i, k in zip(toms, best)}
    else:
        lines = {i.name: KitLine(i.name, place=place) for i, place in zip(toms, _TOM_PLACES)} | lines
    for name in dict.fromkeys(names.values()):
        line = lines.get(name, KitLine(name))
        used = [key for key, meant in names.items() if meant == name]
        if line.key_out is None and instrument(name).midi_note not in used:
            lines[name] = replace(line, key_out=used[0])
    return names, tuple(lines.values())


def _plain(key: int) -> str:
    found = instrument_for_midi_note(key)
    return found.name if found else own_line("percussion", key)
