"""Reading the measures of one percussion part of a MusicXML score."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from fractions import Fraction

from lxml import etree

from workbench.chart import ARTICULATIONS, Note
from workbench.chart.drumkit import Notehead
from workbench.chart.meter import MOST_BARS, Meter
from workbench.errors import ChartError, FileFormatError
from workbench.files import untrusted
from workbench.files.untrusted import FINEST, MOST_NOTES_IN_BAR, BadNumberError, decimal
from workbench.notation.fillsigns import FILL_ID, PROPOSED_FILL_ID
from workbench.notation.kitnames import instrument_for_declaration, instrument_for_place
from workbench.notation.musicxml_notes import FULL_VELOCITY

#: The longest bar, 32/1, in whole notes; sums of durations are kept to such a part of a whole note.
_LONGEST_BAR, _FINEST_SUM = Fraction(32), 10**9
#: The fastest tempo that is believed, quarters a minute.
_FASTEST = 10_000
_DEFAULT_VELOCITY = {"ghost": 40, "accent": 110, "": 80}
_SWING_TYPES = {"eighth": "swing 8ths", "16th": "swing 16ths"}
_BEAT_UNITS = {
    "whole": Fraction(1),
    "half": Fraction(1, 2),
    "quarter": Fraction(1, 4),
    "eighth": Fraction(1, 8),
    "16th": Fraction(1, 16),
}
#: Signs that say nothing of a stroke, or are read elsewhere.
_KNOWN_SIGNS = {
    "tuplet",
    "tied",
    "accent",
    "strong-accent",
    "tremolo",
    "half-muted",
    "fingering",
    "other-articulation",
    "other-notation",
    "open",
    "open-string",
    "stopped",
    "ornaments",
    "articulations",
    "technical",
}


@dataclass(frozen=True)
class Bracket:
    """An end of a bracket: where, which number, and the id it has in the file."""

    position: Fraction
    number: str
    opens: bool
    name: str


@dataclass
class Measure:
    """One written measure of a part, before repeats are unfolded."""

    number: str
    meter: Meter
    length: Fraction
    notes: list[Note] = field(default_factory=list)
    attacks: dict[tuple, float] = field(default_factory=dict)  # note key → quarters early or late
    label: str | None = None
    name: str | None = None
    texts: list[tuple[Fraction, str]] = field(default_factory=list)
    brackets: list[Bracket] = field(default_factory=list)
    tempos: list[tuple[Fraction, float]] = field(default_factory=list)
    feel: str | None = None
    implicit: bool = False
    repeat_forward: bool = False
    repeat_backward: int = 0
    ending: tuple[int, ...] = ()
    simile_of: int = 0
    jumps: dict[str, str] = field(default_factory=dict)


@dataclass
class Log:
    """What could not be read.

    Attributes
    ----------
    name : str
        Of the file.
    problems : list of str
        Sentences.
    ignored : Counter
        Signs without a meaning in a chart.
    lost : Counter
        Notes left out, by reason.
    too_fine : set of str
        Bars in which positions were rounded.
    """

    name: str
    problems: list[str] = field(default_factory=list)
    ignored: Counter = field(default_factory=Counter)
    lost: Counter = field(default_factory=Counter)
    too_fine: set[str] = field(default_factory=set)


def whole_number(text: str | None, default: int = 0) -> int:
    """A whole number as people write them ("2", "2.0"), or what stands for none."""
    return untrusted.whole_number(text) if text and text.strip() else default


def _declared_instruments(heading: etree._Element | None) -> dict[str, tuple]:
    """Instrument of each id that a part declares: (instrument or None, name)."""
    if heading is None:
        return {}
    keys = {m.get("id"): whole_number(m.findtext("midi-unpitched")) for m in heading.findall("midi-instrument")}
    out: dict[str, tuple] = {}
    for i in heading.findall("score-instrument"):
        name, sound = i.findtext("instrument-name") or "", i.findtext("instrument-sound") or ""
        key = keys.get(i.get("id"))
        out[i.get("id")] = (instrument_for_declaration(key - 1 if key else None, name, sound), name)
    return out


class PartReader:
    """Reads the measures of one part."""

    def __init__(self, log: Log, part: etree._Element, heading: etree._Element | None) -> None:
        self.log, self.part, self.heading = log, part, heading
        self.declared = _declared_instruments(heading)
        self.divisions = Fraction(1)
        self.meter = Meter()
        self.simile = 0
        self.ending: tuple[int, ...] = ()
        self.places: set = set()
        self.one_instrument = self._means_one_instrument()

    def _means_one_instrument(self) -> bool:
        """Whether the declared instrument tells nothing: one for many places."""
        places = {
            (n.findtext("unpitched/display-step"), n.findtext("unpitched/display-octave"), n.findtext("notehead"))
            for n in self.part.findall("measure/note")
            if n.find("unpitched") is not None
        }
        ids = {i.get("id") for i in self.part.findall("measure/note/instrument")}
        return len(places) > 1 and len(ids or self.declared) <= 1

    def read(self) -> list[Measure]:
        """All measures of the part, in order."""
        out: list[Measure] = []
        elements = self.part.findall("measure")
        if len(elements) > MOST_BARS:
            raise FileFormatError(f"{self.log.name} has more than {MOST_BARS} bars; no drum part has.")
        if not self.declared:
            self.log.problems.append(
                f"The part {self._name()!r} lists no instruments; its notes were read by their place on the staff."
            )
        for element in elements:
            out.append(self._measure(element, first=not out))
        return out

    def _name(self) -> str:
        return "" if self.heading is None else self.heading.findtext("part-name") or ""

    def _measure(self, element: etree._Element, first: bool) -> Measure:
        self.at = self.reach = Fraction(0)
        self.onset = Fraction(0)
        self.graces: dict[str, list[str]] = {}
        self.chord_graces: Counter = Counter()
        self.raw: dict[tuple, Note] = {}
        self.attacks: dict[tuple, float] = {}
        m = Measure(element.get("number", "?"), self.meter, Fraction(0), implicit=element.get("implicit") == "yes")
        self.m = m
        for child in element:
            read = getattr(self, "_" + str(child.tag).replace("-", "_") + "_element", None)
            if read is not None:
                read(child)
        self._settle_graces()
        for names in self.graces.values():
            for name in names:
                self.log.lost[f"A grace note ({name}) leads to no note in bar {m.number}"] += 1
        m.meter = self.meter
        m.length = self._length(m, first)
        m.notes = [n for n in self.raw.values() if n.position < m.length]
        for n in self.raw.values():
            if n.position >= m.length:
                self.log.lost[f"Bar {m.number} holds notes beyond its end"] += 1
        m.attacks = self.attacks
        m.simile_of = max(self.simile, 0)
        m.ending = self.ending or m.ending
        if getattr(self, "ending_stops", False):
            self.ending, self.ending_stops = (), False
        return m

    def _length(self, m: Measure, first: bool) -> Fraction:
        full, reach = self.meter.bar_length, self._written(self.reach)
        if reach == full or not reach:
            return full
        if reach < full:
            return reach if m.implicit or first else full
        wider = Meter(reach.numerator, reach.denominator) if reach.denominator <= 32 and reach.numerator <= 32 else None
        if wider is None:
            self.log.problems.append(f"Bar {m.number} is longer than its meter {self.meter} says.")
            return full
        self.log.problems.append(f"Bar {m.number} is longer than its meter {self.meter} says; it was read as {wider}.")
        m.meter = wider
        return reach

    # -- elements of a measure ---------------------------------------------------------

    def _attributes_element(self, e: etree._Element) -> None:
        divisions = e.findtext("divisions")
        if divisions:
            self.divisions = decimal(divisions)
            if self.divisions <= 0:
                raise BadNumberError(f"{divisions.strip()!r} divisions of a quarter note are none.")
        time = e.find("time")
        if time is not None and time.find("senza-misura") is None:
            self._time(time)
        for style in e.findall("measure-style"):
            # Bars under a slash sign keep whatever notes they carry.
            repeat, beat = style.find("measure-repeat"), style.find("beat-repeat")
            if repeat is not None:
                self.simile = whole_number(repeat.text, 1) if repeat.get("type") == "start" else 0
            if beat is not None and beat.get("type") == "start":
                self.log.problems.append(f"Bar {self.m.number} uses beat repeat signs, which were not read.")

    def _time(self, time: etree._Element) -> None:
        try:
            beats = sum(whole_number(b) for part in time.findall("beats") for b in (part.text or "").split("+"))
            self.meter = Meter(beats, whole_number(time.findtext("beat-type"), 4))
        except (BadNumberError, ChartError):
            self.log.problems.append(f"The meter of bar {self.m.number} was not understood; {self.meter} goes on.")
        self.m.meter = self.meter

    def _backup_element(self, e: etree._Element) -> None:
        self._go(-self._duration(e))

    def _forward_element(self, e: etree._Element) -> None:
        self._go(self._duration(e))

    def _go(self, whole_notes: Fraction) -> None:
        # Divisions without a common measure would make the sum longer and longer.
        self.at = max(self.at + whole_notes, Fraction(0)).limit_denominator(_FINEST_SUM)
        self.reach = max(self.reach, self.at)

    def _written(self, position: Fraction) -> Fraction:
        """A position no finer than a chart holds, and within the longest bar."""
        position = min(max(position, Fraction(0)), _LONGEST_BAR)
        if position.denominator > FINEST:
            self.log.too_fine.add(self.m.number)
        return position.limit_denominator(FINEST)

    def _duration(self, e: etree._Element) -> Fraction:
        return decimal(e.findtext("duration") or "0") / self.divisions / 4

    def _barline_element(self, e: etree._Element) -> None:
        repeat, ending = e.find("repeat"), e.find("ending")
        if repeat is not None:
            if repeat.get("direction") == "forward":
                self.m.repeat_forward = True
            else:
                self.m.repeat_backward = whole_number(repeat.get("times"), 2)
        if ending is not None:
            numbers = tuple(int(x) for x in re.findall(r"[0-9]{1,4}", ending.get("number") or ""))
            if ending.get("type") == "start":
                self.ending = numbers
            else:
                self.m.ending = self.ending or numbers
                self.ending_stops = True

    def _sound_element(self, e: etree._Element, at: Fraction | None = None) -> None:
        position = self._with_offset(self.at if at is None else at, e)
        if e.get("tempo"):
            self._tempo(position, float(decimal(e.get("tempo"))))
        for jump in ("dacapo", "dalsegno", "segno", "coda", "tocoda", "fine"):
            if e.get(jump):
                self.m.jumps[jump] = e.get(jump)
        swing = e.find("swing")
        if swing is not None and swing.find("straight") is None:
            self.m.feel = _SWING_TYPES.get(swing.findtext("swing-type") or "eighth", "swing 8ths")

    def _tempo(self, position: Fraction, quarters_a_minute: float) -> None:
        if 1 <= quarters_a_minute <= _FASTEST:
            self.m.tempos.append((position, quarters_a_minute))
        else:
            self.log.problems.append(f"Bar {self.m.number} has a tempo that nobody plays at; it was left out.")

    def _with_offset(self, position: Fraction, e: etree._Element) -> Fraction:
        offset = e.findtext("offset")
        return self._written(position + decimal(offset) / self.divisions / 4 if offset else position)

    def _direction_element(self, e: etree._Element) -> None:
        position = self._with_offset(self.at, e)
        sound = e.find("sound")
        if sound is not None:
            self._sound_element(sound, position)
        for kind in e.findall("direction-type"):
            for sign in kind:
                self._sign(sign, position, has_sound=sound is not None)

    def _sign(self, sign: etree._Element, position: Fraction, has_sound: bool) -> None:
        name, text = sign.get("id", ""), sign.text or ""
        if sign.tag == "rehearsal":
            if name.endswith("-name") or (not name.endswith("-label") and len(text.strip()) > 3):
                self.m.name = text
            else:
                self.m.label = text
        elif sign.tag == "words":
            bold_title = sign.get("font-weight") == "bold" and self.m.label is not None and position == 0
            if name.startswith("section-") or (bold_title and self.m.name is None):
                self.m.name = text
            elif name != "feel" and not name.startswith((FILL_ID, PROPOSED_FILL_ID)) and text.strip():
                self.m.texts.append((position, text))
        elif sign.tag == "metronome":
            tempo, unit = sign.findtext("per-minute"), _BEAT_UNITS.get(sign.findtext("beat-unit") or "")
            try:
                bpm = float(decimal(tempo or ""))
            except BadNumberError:
                return
            if unit and not has_sound:
                dots = Fraction(3, 2) if sign.find("beat-unit-dot") is not None else 1
                self._tempo(position, bpm * float(unit * dots * 4))
        elif sign.tag in ("segno", "coda"):
            self.m.jumps.setdefault(sign.tag, sign.tag)
        elif sign.tag == "bracket" and name.startswith((FILL_ID, PROPOSED_FILL_ID)):
            self.m.brackets.append(Bracket(position, sign.get("number", "1"), sign.get("type") == "start", name))
        else:
            self.log.ignored[sign.tag] += 1

    # -- notes -------------------------------------------------------------------------

    def _note_element(self, e: etree._Element) -> None:
        if e.find("rest") is not None:
            self._settle_graces()
            self._advance(e)
            return
        if e.find("grace") is not None:
            self._grace(e)
            return
        chord = e.find("chord") is not None
        if not chord:
            self._settle_graces()
            self.onset = self._written(self.at)
            self.chord_graces = Counter(self.graces.pop(e.findtext("voice") or "1", []))
            self._advance(e)
        if e.find("cue") is not None:
            self.log.lost[f"Bar {self.m.number} holds cue notes"] += 1
            return
        if any(t.get("type") == "stop" for t in e.findall("tie")):
            return  # the same stroke still sounding
        name = self._instrument(e)
        if name is None:
            return
        note = self._stroke(e, name)
        if note.key in self.raw:
            self.log.lost[f"Bar {self.m.number} holds the same {name} stroke twice"] += 1
            if self.raw[note.key].velocity >= note.velocity:
                return
        self.raw[note.key] = note
        if len(self.raw) > MOST_NOTES_IN_BAR:
            raise FileFormatError(
                f"{self.log.name} has more than {MOST_NOTES_IN_BAR} strokes in bar {self.m.number}; "
                "no drummer plays so many."
            )

    def _advance(self, e: etree._Element) -> None:
        if e.find("chord") is None:
            self._go(self._duration(e))

    def _grace(self, e: etree._Element) -> None:
        name = self._instrument(e)
        if name is not None:
            self.graces.setdefault(e.findtext("voice") or "1", []).append(name)

    def _settle_graces(self) -> None:
        """Grace notes of instruments that the chord after them does not strike."""
        for name, count in self.chord_graces.items():
            if count > 0:
                bar = self.m.number
                self.log.lost[f"A grace note ({name}) in bar {bar} leads to another instrument"] += count
        self.chord_graces = Counter()

    def _place(self, e: etree._Element) -> tuple[str, int, str]:
        where = e.find("unpitched")
        if where is not None:
            step, octave = where.findtext("display-step") or "", where.findtext("display-octave")
        else:
            step, octave = e.findtext("pitch/step") or "", e.findtext("pitch/octave")
        head = e.find("notehead")
        return step, whole_number(octave, -1), (head.text or "normal") if head is not None else "normal"

    def _instrument(self, e: etree._Element) -> str | None:
        step, octave, head = self._place(e)
        if head == "slash":
            self.log.lost[f"Bar {self.m.number} holds slashes instead of notes"] += 1
            return None
        ref = e.find("instrument")
        only = next(iter(self.declared)) if len(self.declared) == 1 else None
        key = ref.get("id") if ref is not None else only
        found, declared_name = self.declared.get(key or "", (None, ""))
        by_place = instrument_for_place(step, octave, head) if step else None
        if self.one_instrument:
            found = by_place
        chosen = found or by_place
        if chosen is None:
            what = declared_name or f"{step}{octave if octave >= 0 else ''} with head '{head}'"
            self.log.lost[f"No instrument of the drum key matches {what!r}"] += 1
            return None
        name = chosen.name
        if name in ("closed hi-hat", "open hi-hat"):
            technical = e.find("notations/technical")
            signs = {s.tag for s in technical} if technical is not None else set()
            if signs & {"open", "open-string"} or head == "circle-x":
                name = "open hi-hat"
            elif "stopped" in signs:
                name = "closed hi-hat"
        return name

    def _stroke(self, e: etree._Element, name: str) -> Note:
        said: set[str] = set()
        sticking = ""
        head = e.find("notehead")
        if head is not None:
            if head.get("parentheses") == "yes":
                said.add("ghost")
            if head.text == "slashed":
                said.add("rim shot")
            if head.text == Notehead.CIRCLE_X.value and name == "pedal hi-hat":
                said.add("foot splash")
        graces = self.chord_graces.pop(name, 0)
        if graces:
            said.add("flam" if graces == 1 else "drag")
        for sign in e.findall("notations//*"):
            sticking = self._notation(sign, said) or sticking
        if not sticking:
            letters = [t.strip() for t in e.xpath("lyric/text/text()") if t.strip() in ("R", "L")]
            sticking = letters[0] if letters else ""
        velocity = self._velocity(e, said)
        note = Note(self.onset, name, velocity, frozenset(said), sticking=sticking)
        if e.get("attack"):
            self.attacks[note.key] = float(decimal(e.get("attack")) / self.divisions)
        return note

    def _velocity(self, e: etree._Element, said: set[str]) -> int:
        if e.get("dynamics"):
            return min(max(round(float(decimal(e.get("dynamics"))) * FULL_VELOCITY / 100), 1), 127)
        return next((v for what, v in _DEFAULT_VELOCITY.items() if what in said or not what))

    def _notation(self, sign: etree._Element, said: set[str]) -> str:
        """Read one sign of a note; returns a sticking letter if it is one."""
        text = (sign.text or "").strip()
        if sign.tag in ("accent", "strong-accent"):
            said.add("accent")
        elif sign.tag == "tremolo":
            said.add("roll")
        elif sign.tag == "half-muted":
            said.add("half open")
        elif sign.tag.startswith("other-") and text.removeprefix("sticking ") in ("R", "L"):
            return text[-1]
        elif sign.tag.startswith("other-") and text in ARTICULATIONS:
            said.add(text)
        elif sign.tag == "fingering" and text in ("R", "L"):
            return text
        elif sign.tag == "fingering" or sign.tag not in _KNOWN_SIGNS or sign.tag.startswith("other-"):
            if sign.getparent().tag != "tuplet" and sign.getparent().getparent().tag != "tuplet":
                self.log.ignored[sign.tag] += 1
        return ""
