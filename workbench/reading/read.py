"""A drum part read as a teacher reads it: form, grooves, variations, fills,
sticking and feel, every statement with its bars.

:func:`read_part` reads a chart; :func:`reading_to_edits` puts what it found into
the chart as sections and marks, where a user renames, confirms or removes it.
What a user has named or confirmed is taken over as it is.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from fractions import Fraction
from functools import cache, cached_property, partial
from itertools import groupby
from statistics import median

from workbench.chart import Chart, Mark, WrittenBar
from workbench.chart.edits import CompositeEdit, Edit, NameSection, RemoveMark, SetMark, SetText
from workbench.chart.ghosts import ghost_limit, is_ghost
from workbench.files.audio import Audio
from workbench.grouping import grouped
from workbench.progress import Progress, part
from workbench.reading.doubts import Grounds, HeardBars, base_grounds
from workbench.reading.feel import measure_feel
from workbench.reading.fill_reading import read_fills
from workbench.reading.fills import LONGEST_BARS, filled_bars, find_fills, refine_fill
from workbench.reading.form import FormSection, bar_features, find_form
from workbench.reading.grooves import alike_runs, base_written, find_groove
from workbench.reading.part_reading import PartGroove, PartReading, Statement, Variation, outside_fills
from workbench.reading.patterns import Patterns
from workbench.reading.sticking import Player, propose_sticking
from workbench.reading.variations import Change, change_grounds, describe_changes
from workbench.reading.wording import all_statements, to_data, to_markdown

#: A part is played freely (common practice, no source) if it has at least so many bars, at most this share
#: of them repeat another, and at least this share of strokes is not common to base and bar in half of them.
FEWEST_FREE_BARS = 4
MOST_REPEATING = 0.25
FAR_FROM_BASE = 0.6


class Reading(PartReading):
    """A part, read; see :class:`workbench.reading.part_reading.PartReading` for its contents."""

    @cached_property
    def statements(self) -> tuple[Statement, ...]:
        """Everything said, each thing once, with its bars."""
        return all_statements(self)

    def to_markdown(self, everything: bool = False) -> str:
        """The reading as a page for people; with ``everything``, what is likelier wrong than right too."""
        return to_markdown(self, everything)

    def _repr_markdown_(self) -> str:
        return self.to_markdown()

    def to_data(self) -> dict:
        """The reading as plain data (what JSON can hold)."""
        return to_data(self)


def read_part(
    chart: Chart, audio: Audio | None = None, player: Player | None = None, progress: Progress | None = None
) -> Reading:
    """Read a drum part; see :func:`workbench.read_part`."""
    player = player or Player()
    tell = part(progress, 0.0, 1.0)
    music = None
    if audio is not None:
        music = bar_features(chart, audio.mono(), audio.sample_rate, part(progress, 0.1, 0.7))
    tell(0.7, "Reading the part")
    patterns = Patterns.of(chart)
    spans = find_fills(patterns)
    # Fills are found to the beat first; with the grooves known, to the stroke.
    # Form and grooves are asked for again then, but seldom differ.
    form_of = cache(partial(find_form, patterns, music=music))
    grooves_of = cache(partial(_grooves, chart))
    filled = filled_bars(chart, spans)
    touched = _touched(spans)
    grooves = grooves_of(form_of(_line_ends(spans), filled), touched)
    # A groove of nothing but fills gives no ground to tell a fill from.
    base_at = {
        k: frozenset(w[:2] for w in base_written(chart, g.groove.base_of(k), k))
        for g in grooves
        if not filled.issuperset(g.groove.bar_indices)
        for k in touched.intersection(g.groove.bar_indices)
    }
    refined = [refine_fill(chart, s, base_at) for s in spans]
    spans = _apart([s for s in refined if s is not None])
    form = form_of(_line_ends(spans), filled_bars(chart, spans))
    grooves = tuple(
        _told_free(chart, g, spans) for g in grooves_of(form, _touched(spans)) if _is_played(chart, g, spans)
    )
    tell(0.8, "Finding the sticking")
    sticking = propose_sticking(chart, player)
    tell(0.9, "Measuring the feel")
    reading = Reading(
        chart,
        form,
        grooves,
        _variations(chart, grooves, spans),
        read_fills(chart, spans),
        sticking,
        measure_feel(chart, sticking, [s.bars.start for s in form]),
    )
    tell(1.0, "Read")
    return reading


def _line_ends(spans: tuple[Mark, ...]) -> frozenset[int]:
    """Bars that begin where a fill ends."""
    return frozenset(s.end[0] for s in spans if s.end[1] == 0)


def _touched(spans: tuple[Mark, ...]) -> frozenset[int]:
    return frozenset(k for s in spans for k in s.bars)


def _apart(spans: list[Mark]) -> tuple[Mark, ...]:
    """Spans in order, none reaching into the next."""
    out: list[Mark] = []
    for span in sorted(spans, key=lambda s: s.start):
        if out and span.start < out[-1].end:
            if span.confirmed and not out[-1].confirmed:
                out[-1] = span
            continue
        out.append(span)
    return tuple(out)


def _grooves(chart: Chart, form: tuple[FormSection, ...], disturbed: frozenset[int]) -> tuple[PartGroove, ...]:
    runs: dict[tuple[str, str | None, int], list[range]] = {}
    names: dict[tuple[str, str | None, int], str] = {}
    for i, section in enumerate(form):
        for stretch in section.parts:
            # Sections that the user gave no letter stand for themselves.
            title = section.label or section.name
            key = (title, stretch.timekeeper, -1 if title else i)
            runs.setdefault(key, []).append(stretch.bars)
            names.setdefault(key, stretch.name)
    limit = ghost_limit(chart)
    own = {m.start[0]: m.text for m in chart.marks if m.kind == "groove" and m.confirmed and m.text and m.start[1] == 0}
    out = []
    parted = [
        (key, found, len(alike))
        for key, s in runs.items()
        for alike in [alike_runs(chart, s, disturbed)]
        for found in enumerate(alike, 1)
    ]
    for key, (number, stretches), count in parted:
        name = names[key] + (str(number) if count > 1 else "")
        groove = find_groove(chart, stretches, disturbed, limit, key[1])
        given = next((own[s.start] for s in stretches if s.start in own), None)
        grounds = base_grounds(HeardBars(chart, groove.bar_indices), groove)
        text = given or groove.text
        out.append(PartGroove(key[0], name, key[1], groove, text, given is not None, grounds=grounds))
    return tuple(sorted(out, key=lambda g: g.groove.bar_indices[0]))


def _variations(chart: Chart, grooves: tuple[PartGroove, ...], spans: tuple[Mark, ...]) -> tuple[Variation, ...]:
    """Every difference from the grooves, the same change said once with its bars."""
    out: list[Variation] = []
    limit = ghost_limit(chart)
    for own in grooves:
        differing: list[tuple[int, Change]] = []
        for k in own.groove.bar_indices:
            base = outside_fills(base_written(chart, own.groove.base_of(k), k), spans, k)
            actual = outside_fills(chart.bars[k].content, spans, k)
            if not actual and _wholly_filled(chart, spans, k):
                continue
            meter = chart.time_map.bars[k].meter
            if meter != chart.time_map.bars[own.groove.base_of(k)].meter:
                differing.append((k, Change(f"a bar of {meter}")))
            if not actual and chart.bars[k].notes:
                changes: tuple[Change, ...] = (Change("nothing but the fill", base),)
            else:
                changes = describe_changes(
                    chart.time_map.bars[k],
                    base,
                    actual,
                    _soft(chart.bars[own.groove.base_of(k)], limit),
                    _soft(chart.bars[k], limit),
                )
            differing += [(k, change) for change in changes]
        heard = HeardBars(chart, own.groove.bar_indices)
        bars_of: dict[tuple[Change, bool, bool], dict[int, Grounds]] = {}
        for k, change in differing:
            grounds = change_grounds(heard, change, k, own.groove.base_of(k))
            bars_of.setdefault((change, grounds.is_plain, grounds.is_left_out), {})[k] = grounds
        alike = (((tuple(where), plain, hid), (c, where.values())) for (c, plain, hid), where in bars_of.items())
        for (bars, _, _), members in grouped(alike).items():
            found = [g for _, each in members for g in each]
            all_of = Grounds(
                sum(g.hits for g in found), min(g.least_sure for g in found), len(bars), min(g.certainty for g in found)
            )
            out.append(Variation(own.label, own.part, bars, tuple(c for c, _ in members), all_of))
    return tuple(sorted(out, key=lambda v: (v.bars[0], len(v.bars), v.text)))


def _soft(bar: WrittenBar, limit: float) -> frozenset[Fraction]:
    """Places of snare strokes played as ghost notes."""
    return frozenset(n.position for n in bar.notes if is_ghost(n, limit)) if limit else frozenset()


def _is_played(chart: Chart, groove: PartGroove, spans: tuple[Mark, ...]) -> bool:
    """Whether anything of a groove lies outside the fills."""
    return any(outside_fills(chart.bars[k].content, spans, k) for k in groove.groove.bar_indices)


def _told_free(chart: Chart, own: PartGroove, spans: tuple[Mark, ...]) -> PartGroove:
    """A groove, called free where hardly a bar repeats another and most are far from its base."""
    heard = {k: content for k in own.groove.bar_indices if (content := outside_fills(chart.bars[k].content, spans, k))}
    times = Counter(heard.values())
    repeating = sum(n for n in times.values() if n > 1)
    unlike = []
    for k, content in heard.items():
        base = outside_fills(base_written(chart, own.groove.base_of(k), k), spans, k)
        if k not in own.groove.base_bars:
            unlike.append(len(content ^ base) / len(content | base))
    if (
        len(heard) < FEWEST_FREE_BARS
        or repeating > MOST_REPEATING * len(heard)
        or median(unlike or [0.0]) < FAR_FROM_BASE
    ):
        return own
    said = f"{repeating} of {len(heard)} bars repeat another" if repeating else "no bar repeats"
    text = own.text if own.given else f"{said}: played freely" + (f"; most like: {own.text}" if own.text else "")
    return replace(own, text=text, free=True)


def _wholly_filled(chart: Chart, spans: tuple[Mark, ...], bar_index: int) -> bool:
    end = (bar_index + 1, Fraction(0))
    return any(s.start <= (bar_index, Fraction(0)) and s.end >= end for s in spans)


# -- into the chart -------------------------------------------------------------------


def reading_to_edits(reading: Reading, cues: bool = False) -> CompositeEdit:
    """The edit, one step to undo, that writes a reading into its chart.

    Sections get their letters where the chart names none; every groove and
    fill gets a mark that a user can rename, confirm or remove; with ``cues`` the score gets
    "fill", "half-time" and the like above the staff.  Marks of an earlier reading that a
    user has not confirmed are replaced; confirmed marks and the user's own
    sections are never touched.
    """
    chart = reading.chart
    edits: list[Edit] = []
    if not chart.sections:
        for s in reading.sections:
            edits.append(NameSection(s.bars.start, s.name if s.has_drums else "No drums", s.label))
    kinds = {"fill", "groove"}
    edits += [RemoveMark(m.kind, m.start) for m in chart.marks if m.kind in kinds and not m.confirmed]
    # A short groove without a name only says that no fill is there: grooves are named across it.
    confirmed = [m for m in chart.marks if m.confirmed and not _says_no_fill(m)]
    new: list[Mark] = []
    for section in reading.form:
        for stretch in section.parts:
            for own, bars in groupby(stretch.bars, key=reading.groove_at):
                if own is not None and own.text:
                    first, *more = bars
                    end = (more[-1] if more else first) + 1
                    new.append(Mark("groove", (first, Fraction(0)), (end, Fraction(0)), own.text))
    new += [replace(f.span, text=f.text) for f in reading.fills if not f.span.confirmed]
    starts = {(m.kind, m.start) for m in chart.marks if m.confirmed}
    for mark in new:
        overlapped = any(m.kind == mark.kind and m.start < mark.end and mark.start < m.end for m in confirmed)
        if not overlapped and (mark.kind, mark.start) not in starts:
            edits.append(SetMark(mark))
    if cues:
        taken = {(t.bar_index, t.position) for t in chart.texts}
        edits += [SetText(*place, text) for place, text in _cues(reading) if place not in taken]
    return CompositeEdit(tuple(edits), "reading")


def _says_no_fill(mark: Mark) -> bool:
    bar, position = mark.start
    return mark.kind == "groove" and not mark.text and mark.end <= (bar + LONGEST_BARS, position)


def _cues(reading: Reading) -> list[tuple[tuple[int, Fraction], str]]:
    """What a player wants to see coming: fills, and a change of the backbeat."""
    out = [(f.span.start, "fill") for f in reading.fills]
    for section in reading.form:
        for stretch in section.parts:
            own = reading.groove_at(stretch.bars.start)
            names = own.groove.names if own is not None else ()
            said = next((n.split(",")[0] for n in names if n.startswith(("half-time", "double-time"))), "")
            if said:
                out.append(((stretch.bars.start, Fraction(0)), said))
    return out
