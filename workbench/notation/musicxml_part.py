"""Reading the measures of one percussion part of a MusicXML score."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from fractions import Fraction

from lxml import etree

from workbench.chart import ARTICULATIONS, Note
from workbench.chart.drumkit import KitLine, Notehead, instrument, kit_for_keys, own_line
from workbench.chart.meter import MOST_BARS, Meter
from workbench.errors import ChartError, FileFormatError
from workbench.files import untrusted
from workbench.files.imports import Losses
from workbench.files.untrusted import FINEST, MOST_NOTES_IN_BAR, BadNumberError, decimal
from workbench.notation.fillsigns import FILL_ID, PROPOSED_FILL_ID
from workbench.notation.kitnames import instrument_for_declaration, instrument_for_place, names_one_drum
from workbench.notation.musicxml_notes import FULL_VELOCITY
from workbench.notation.roadsigns import CODA, DYNAMICS, FERMATA, HAIRPINS, SEGNO, is_repeat, jump_of
from workbench.notation.scoresigns import DOUBT_ID, slug

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
    swing_ratio: float = 0.5
    implicit: bool = False
    repeat_forward: bool = False
    repeat_backward: int = 0
    ending: tuple[int, ...] = ()
    simile_of: int = 0
    slashes: bool = False
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
    lost : Losses
        Notes left out, by reason and bar.
    too_fine : set of str
        Bars in which positions were rounded.
    """

    name: str
    problems: list[str] = field(default_factory=list)
    ignored: Counter = field(default_factory=Counter)
    lost: Losses = field(default_factory=Losses)
    too_fine: set[str] = field(default_factory=set)


def whole_number(text: str | None, default: int = 0) -> int:
    """A whole number as people write them ("2", "2.0"), or what stands for none."""
    return untrusted.whole_number(text) if text and text.strip() else default


#: First key that General MIDI leaves free: lines without a key get those from here on.
_FIRST_FREE_KEY = 88


class Kit:
    """The instruments of a part: what its list declares, and places on the staff that it does not name.

    Parameters
    ----------
    part : element
    heading : element or None
        Its entry in the part list.
    kit_map : tuple of KitLine
        What a user says of its MIDI keys.
    ours : bool
        The kit map is that of a file of ours, whose ids name the instruments.
    """

    def __init__(
        self, part: etree._Element, heading: etree._Element | None, kit_map: tuple[KitLine, ...], ours: bool = False
    ) -> None:
        self.lines: dict[str, KitLine] = {line.instrument: line for line in kit_map}
        self.names: dict[str, str | None] = {}  # by id in the file
        self.labels: dict[str, str] = {}
        self.unnamed: set[str] = set()  # places that nothing names
        self._free: dict[str, int] = {}
        places = {
            (n.findtext("unpitched/display-step"), n.findtext("unpitched/display-octave"), n.findtext("notehead"))
            for n in part.findall("measure/note")
            if n.find("unpitched") is not None
        }
        used = {i.get("id") for i in part.findall("measure/note/instrument")}
        if heading is not None:
            self._declare(heading, used, kit_map)
        if ours:
            by_id = {f"I-{slug(name)}": name for name in self.lines}
            self.names |= {own: by_id[own] for own in self.names if own in by_id}
            self.lines = {line.instrument: line for line in kit_map}
        # One instrument for many places tells nothing.
        self.by_place = len(places) > 1 and len(used or self.names) <= 1

    def _declare(self, heading: etree._Element, used: set, kit_map: tuple[KitLine, ...]) -> None:
        numbers = {m.get("id"): whole_number(m.findtext("midi-unpitched")) for m in heading.findall("midi-instrument")}
        keys = {i: n - 1 for i, n in numbers.items() if 1 <= n <= 128 and (not used or i in used)}
        known, lines = kit_for_keys(frozenset(keys.values()), kit_map)
        self.lines |= {line.instrument: line for line in lines}
        for i in heading.findall("score-instrument"):
            own, name = i.get("id"), (i.findtext("instrument-name") or "").strip()
            found, key = None, keys.get(own)
            if key is not None and known[key] != own_line("percussion", key):
                found = known[key]
            elif named := instrument_for_declaration(None, name, i.findtext("instrument-sound") or ""):
                found = named.name
            elif key is not None or names_one_drum(name):
                found = own_line(name or "percussion", self._key(name) if key is None else key)
            self.names[own], self.labels[own] = found, name

    def _key(self, label: str) -> int:
        """A key for a line that has none."""
        return self._free.setdefault(label, min(_FIRST_FREE_KEY + len(self._free), 127))

    def instrument(self, own: str | None, step: str, octave: int, head: str) -> str:
        """Name of the instrument of a note, by the id it refers to or its place and head."""
        only = next(iter(self.names)) if len(self.names) == 1 else None
        found = None if self.by_place else self.names.get(own or only or "")
        if found is None and step:
            by_place = instrument_for_place(step, octave, head)
            found = by_place.name if by_place else None
        if found is None:
            place = f"{step}{octave if octave >= 0 else ''}"
            label = " ".join(t for t in ("unnamed", place, "" if head == Notehead.NORMAL else head) if t)
            found = own_line(label, self._key(label))
            self.unnamed.add(label)
        if found.endswith("]") and found not in self.lines:
            place = f"{step}{octave}" if step and 2 <= octave <= 7 else ""
            usual = instrument(found)
            if (place, head) != (f"{usual.staff_step}{usual.staff_octave}", usual.notehead.value):
                self.lines[found] = KitLine(found, "", place, head if head in [*Notehead] else "")
        return found


class PartReader:
    """Reads the measures of one part."""

    def __init__(
        self,
        log: Log,
        part: etree._Element,
        heading: etree._Element | None,
        kit_map: tuple[KitLine, ...] = (),
        ours: bool = False,
    ) -> None:
        self.log, self.part, self.heading = log, part, heading
        self.kit = Kit(part, heading, kit_map, ours)
        self.divisions = Fraction(1)
        self.meter = Meter()
        self.simile = 0
        self.slashing = False
        self.ending: tuple[int, ...] = ()

    def read(self) -> list[Measure]:
        """All measures of the part, in order."""
        out: list[Measure] = []
        elements = self.part.findall("measure")
        if len(elements) > MOST_BARS:
            raise FileFormatError(f"{self.log.name} has more than {MOST_BARS} bars; no drum part has.")
        if not self.kit.names:
            self.log.problems.append(
                f"The part {self._name()!r} lists no instruments; its notes were read by their place on the staff."
            )
        for element in elements:
            out.append(self._measure(element, first=not out))
        for label in sorted(self.kit.unnamed):
            self.log.problems.append(
                f"Which instrument stands at {label.removeprefix('unnamed ')} the score does not say; its strokes have "
                "a line of their own."
            )
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
                try:
                    read(child)
                except BadNumberError as error:
                    raise BadNumberError(f"bar {m.number}, <{child.tag}> in line {child.sourceline}: {error}") from None
        self._settle_graces()
        for names in self.graces.values():
            for name in names:
                self.log.lost.add(f"A grace note of the {name} leads to no note", m.number)
        m.meter = self.meter
        m.length = self._length(m, first)
        m.notes = [n for n in self.raw.values() if n.position < m.length]
        for n in self.raw.values():
            if n.position >= m.length:
                self.log.lost.add("A note lies beyond the end of its bar", m.number)
        m.attacks = self.attacks
        m.simile_of = max(self.simile, 0)
        m.slashes = m.slashes or self.slashing
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
            repeat, beat, slash = (style.find(what) for what in ("measure-repeat", "beat-repeat", "slash"))
            if slash is not None:
                self.slashing = slash.get("type") == "start"
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
            first, second = (decimal(swing.findtext(tag) or "1") for tag in ("first", "second"))
            self.m.swing_ratio = float(first / (first + second)) if 0 < second <= first else 0.5

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
        beside_tempo = e.find("direction-type/metronome") is not None and position == 0
        for kind in e.findall("direction-type"):
            for sign in kind:
                if sign.tag == "words" and beside_tempo and (sign.text or "").strip():
                    self.m.texts.append((position, f"tempo: {(sign.text or '').strip()}"))
                    continue
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
            elif name != "feel" and not name.startswith((FILL_ID, PROPOSED_FILL_ID, DOUBT_ID)) and text.strip():
                if jump := jump_of(text):
                    self.m.jumps.setdefault(*jump)
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
            self.m.texts.append((position, SEGNO if sign.tag == "segno" else CODA))
        elif sign.tag == "dynamics":
            self.m.texts += [(position, str(d.tag)) for d in sign if d.tag in DYNAMICS]
            self.log.ignored.update(str(d.tag) for d in sign if d.tag not in DYNAMICS)
        elif sign.tag == "wedge":
            kind = sign.get("type", "")
            if kind in HAIRPINS or kind == "stop":
                self.m.brackets.append(Bracket(position, f"wedge {sign.get('number', '1')}", kind != "stop", kind))
        elif sign.tag == "other-direction" and text == "fermata":
            self.m.texts.append((position, FERMATA))
        elif sign.tag == "other-direction" and is_repeat(text):
            self.m.texts.append((position, text))
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
            self.log.lost.add("A cue note was left out", self.m.number)
            return
        if any(t.get("type") == "stop" for t in e.findall("tie")):
            return  # the same stroke still sounding
        name = self._instrument(e)
        if name is None:
            return
        note = self._stroke(e, name)
        if note.key in self.raw:
            self.log.lost.add(f"The same {name} stroke is written twice", self.m.number)
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
                self.log.lost.add(f"A grace note of the {name} leads to another instrument", self.m.number, count)
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
            self.m.slashes = True
            return None
        ref = e.find("instrument")
        name = self.kit.instrument(None if ref is None else ref.get("id"), step, octave, head)
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
            if sign.tag == "strong-accent":
                self.log.ignored["strong-accent"] += 1  # what it says beyond an accent
        elif sign.tag == "tremolo":
            said.add("double" if text == "1" else "roll")
        elif sign.tag == "fermata":
            if (self.onset, FERMATA) not in self.m.texts:
                self.m.texts.append((self.onset, FERMATA))
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
