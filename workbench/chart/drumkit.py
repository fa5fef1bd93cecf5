"""The drum kit: every instrument a chart can name, in one place.

Adding an instrument means adding one row to :data:`INSTRUMENTS`.

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

from dataclasses import dataclass
from enum import StrEnum

from workbench.errors import ChartError


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
        General MIDI percussion key, 35–81.
    staff_step, staff_octave : str, int
        Place on the percussion staff.
    notehead : Notehead
    limb : Limb
    family : str
        'kick', 'snare', 'hi-hat', 'cymbal', 'tom' or 'percussion'.
    short_name : str
        At most four characters, for narrow row heads and tables.
    other_midi_notes : tuple of int
        Further General MIDI keys read as this instrument.
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
    other_midi_notes: tuple[int, ...] = ()

    @property
    def musicxml_unpitched(self) -> int:
        """MusicXML ``midi-unpitched`` number (1–128)."""
        return self.midi_note + 1

    @property
    def is_foot(self) -> bool:
        return self.limb is not Limb.HAND


_HAND, _RF, _LF = Limb.HAND, Limb.RIGHT_FOOT, Limb.LEFT_FOOT
_N, _X, _O, _D, _T = (Notehead.NORMAL, Notehead.X, Notehead.CIRCLE_X, Notehead.DIAMOND, Notehead.TRIANGLE)

#: All instruments, top of the drum key first (the order of grid rows).
INSTRUMENTS: tuple[Instrument, ...] = (
    Instrument("crash", "Crash Cymbal 1", 49, "A", 5, _X, _HAND, "cymbal", "Cr"),
    Instrument("second crash", "Crash Cymbal 2", 57, "B", 5, _X, _HAND, "cymbal", "Cr2"),
    Instrument("splash", "Splash Cymbal", 55, "D", 6, _X, _HAND, "cymbal", "Spl"),
    Instrument("china", "Chinese Cymbal", 52, "C", 6, _X, _HAND, "cymbal", "Chi"),
    Instrument("ride", "Ride Cymbal 1", 51, "F", 5, _X, _HAND, "cymbal", "Rd", (59,)),
    Instrument("ride bell", "Ride Bell", 53, "F", 5, _D, _HAND, "cymbal", "Bell"),
    Instrument("open hi-hat", "Open Hi-Hat", 46, "G", 5, _O, _HAND, "hi-hat", "HHo"),
    Instrument("closed hi-hat", "Closed Hi-Hat", 42, "G", 5, _X, _HAND, "hi-hat", "HH"),
    Instrument("tambourine", "Tambourine", 54, "B", 4, _T, _HAND, "percussion", "Tmb"),
    Instrument("cowbell", "Cowbell", 56, "E", 5, _T, _HAND, "percussion", "Cow"),
    Instrument("hand clap", "Hand Clap", 39, "B", 4, _X, _HAND, "percussion", "Clap"),
    Instrument("high tom", "High Tom", 50, "E", 5, _N, _HAND, "tom", "T1", (48,)),
    Instrument("mid tom", "Low-Mid Tom", 47, "D", 5, _N, _HAND, "tom", "T2", (45,)),
    Instrument("snare", "Acoustic Snare", 38, "C", 5, _N, _HAND, "snare", "Sn", (40,)),
    Instrument("side stick", "Side Stick", 37, "C", 5, _X, _HAND, "snare", "Stk"),
    Instrument("floor tom", "High Floor Tom", 43, "A", 4, _N, _HAND, "tom", "T3", (41,)),
    Instrument("kick", "Bass Drum 1", 36, "F", 4, _N, _RF, "kick", "BD", (35,)),
    Instrument("pedal hi-hat", "Pedal Hi-Hat", 44, "D", 4, _X, _LF, "hi-hat", "HHp"),
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

_BY_NAME = {i.name: i for i in INSTRUMENTS}
_BY_MIDI_NOTE = {n: i for i in INSTRUMENTS for n in (i.midi_note, *i.other_midi_notes)}
_ORDER = {i.name: k for k, i in enumerate(INSTRUMENTS)}


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
    try:
        return _BY_NAME[name]
    except (KeyError, TypeError):
        raise ChartError(f"The drum key has no instrument called {name!r}; it knows: {', '.join(_BY_NAME)}.") from None


def instrument_for_midi_note(note: int) -> Instrument | None:
    """The instrument that a General MIDI percussion key stands for, or None."""
    return _BY_MIDI_NOTE.get(note)


def drum_key_order(name: str) -> int:
    """Row of an instrument in the drum key, 0 at the top."""
    return _ORDER[instrument(name).name]
