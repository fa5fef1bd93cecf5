"""Finding the instrument that another program's score means.

Three witnesses, best first: the General MIDI key, the instrument's name or
MusicXML sound id, the place on the staff with its notehead.
"""

from __future__ import annotations

import re

from workbench.chart.drumkit import INSTRUMENTS, PERCUSSION, Instrument, Notehead, instrument, instrument_for_midi_note

#: Words of English instrument names and MusicXML sound ids, most telling first.
_WORDS: tuple[tuple[str, str], ...] = (
    (r"ride.*(bell|cup)|bell.*ride", "ride bell"),
    (r"pedal.*hi ?hat|hi ?hat.*(pedal|foot)|foot.*hi ?hat", "pedal hi-hat"),
    (r"open.*hi ?hat|hi ?hat.*open", "open hi-hat"),
    (r"hi ?hat|high ?hat", "closed hi-hat"),
    (r"side ?stick|cross ?stick|rim ?click", "side stick"),
    (r"(china|chinese)", "china"),
    (r"splash", "splash"),
    (r"crash.*(2|two|second)|second crash", "second crash"),
    (r"crash", "crash"),
    (r"ride", "ride"),
    (r"tambourine", "tambourine"),
    (r"cow ?bell", "cowbell"),
    (r"(low|lo).*bongo|bongo.*(low|lo\b)", "low bongo"),
    (r"bongo", "high bongo"),
    (r"mute.*conga|conga.*mute", "muted high conga"),
    (r"(low|lo).*conga|conga.*(low|lo\b)|tumba", "low conga"),
    (r"conga", "open high conga"),
    (r"(low|lo).*timbale|timbale.*(low|lo\b)", "low timbale"),
    (r"timbale", "high timbale"),
    (r"(low|lo).*agogo|agogo.*(low|lo\b)", "low agogo"),
    (r"agogo", "high agogo"),
    (r"cabasa", "cabasa"),
    (r"maraca", "maracas"),
    (r"long.*whistle", "long whistle"),
    (r"whistle", "short whistle"),
    (r"long.*guiro", "long guiro"),
    (r"guiro", "short guiro"),
    (r"clave", "claves"),
    (r"(low|lo).*wood ?block|wood ?block.*(low|lo\b)", "low wood block"),
    (r"wood ?block", "high wood block"),
    (r"mute.*cuica", "muted cuica"),
    (r"cuica", "open cuica"),
    (r"mute.*triangle|triangle.*mute", "muted triangle"),
    (r"triangle", "open triangle"),
    (r"vibra ?slap", "vibraslap"),
    (r"clap", "hand clap"),
    (r"bass ?drum|kick", "kick"),
    (r"snare", "snare"),
    (r"floor", "floor tom"),
    (r"(low|lo) mid tom|(mid|middle|medium) ?tom|low tom|tom ?2", "mid tom"),
    (r"(high|hi|small) ?(mid )?tom|tom ?1", "high tom"),
    (r"tom ?[34]", "floor tom"),
)
_EXACT = {name.lower(): i for i in (*PERCUSSION, *INSTRUMENTS) for name in (i.general_midi_name, i.name)}
#: Names of whole kits, which say nothing of one instrument.
_ANY_DRUM = re.compile(r"(\W|\d|drum|set|kit|s\b|unpitched|percussion|perc|untitled)*", re.IGNORECASE)
_LIKE_X = {"x", "cross"}
_PLACES: dict[tuple[str, int, str], str] = {}
for _i in reversed(INSTRUMENTS):
    _PLACES[(_i.staff_step, _i.staff_octave, _i.notehead.value)] = _i.name
# Further places in use (common practice, no source): a second bass drum a step
# lower, ride and hi-hat a step from where the drum key has them.
_PLACES.setdefault(("E", 4, "normal"), "kick")
_PLACES.setdefault(("G", 4, "normal"), "floor tom")
_PLACES.setdefault(("F", 5, "normal"), "high tom")
_PLACES.setdefault(("G", 5, "diamond"), "ride bell")
_PLACES.setdefault(("F", 4, "x"), "pedal hi-hat")
_PLACES.setdefault(("E", 4, "x"), "pedal hi-hat")


def instrument_for_name(name: str) -> Instrument | None:
    """The instrument that a name or a MusicXML sound id (``metal.hi-hat``) means.

    Examples
    --------
    >>> instrument_for_name("drum.bass-drum").name, instrument_for_name("Oboe")
    ('kick', None)
    """
    plain = name.strip().lower()
    if plain in _EXACT:
        return _EXACT[plain]
    words = re.sub(r"[^a-z0-9]+", " ", plain)
    return next((instrument(own) for pattern, own in _WORDS if re.search(pattern, words)), None)


def names_one_drum(name: str) -> bool:
    """Whether a name may be that of one instrument, and not of a whole kit."""
    return _ANY_DRUM.fullmatch(name.strip()) is None


def instrument_for_place(step: str, octave: int, head: str) -> Instrument | None:
    """The instrument at a place of the percussion staff (see :mod:`workbench.chart.drumkit`)."""
    head = "x" if head in _LIKE_X else "triangle" if "triangle" in head else head
    for tried in (
        head,
        *(("normal",) if head in ("slashed", "circled", "") else ()),
        *(("x",) if head == Notehead.CIRCLE_X.value else ()),
    ):
        found = _PLACES.get((step, octave, tried))
        if found:
            return instrument(found)
    return None


def instrument_for_declaration(midi_note: int | None, name: str, sound: str) -> Instrument | None:
    """The instrument that a score's instrument list declares."""
    if midi_note is not None:
        found = instrument_for_midi_note(midi_note)
        if found:
            return found
    return instrument_for_name(name) or instrument_for_name(sound)
