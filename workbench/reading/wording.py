"""A reading in words: statements, a page in Markdown, plain data."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from fractions import Fraction
from functools import partial
from typing import TYPE_CHECKING

from workbench.cautions import STRAIN
from workbench.chart import Chart, Note, is_doubtful
from workbench.chart.counting import SILENT_COUNT, bar_list, capital, count_syllable, length_words, the_place
from workbench.chart.drumkit import drum_key_order, instrument
from workbench.chart.ghosts import ghost_limit, is_ghost
from workbench.escaping import for_markdown
from workbench.facts import facts
from workbench.grouping import grouped
from workbench.reading.doubts import (
    LISTEN_FIRST,
    LISTEN_FIRST_MEANS,
    MOSTLY_SURE,
    PERHAPS,
    PERHAPS_MEANS,
    Grounds,
    HeardBars,
    counted,
    doubted_as_a_whole,
    mostly_doubtful,
)
from workbench.reading.fill_reading import Fill
from workbench.reading.form import FormSection
from workbench.reading.grooves import Written
from workbench.reading.part_reading import PartGroove, PartReading, Statement, Variation, outside_fills
from workbench.reading.patterns import opening_crashes
from workbench.reading.sticking import BOTH, NEITHER
from workbench.reading.variations import change_grounds, instrument_word
from workbench.templates import filled

if TYPE_CHECKING:
    from workbench.reading.read import Reading

Place = tuple[int, Fraction]

# Numbers whose origin is not named: chosen by eye, no source.
#: From this difficulty on, and wherever hands or feet are flagged as fast, the
#: page adds its caution about strain.
HARD = 4

#: In place of the hands of a bar in which only the feet play.
NO_HANDS = "–"


def all_statements(reading: PartReading) -> tuple[Statement, ...]:
    """Everything a reading says, each thing once, with its bars."""
    out = [Statement("form", section_text(s, reading.chart), tuple(s.bars)) for s in reading.form]
    for g in reading.grooves:
        out.append(Statement("groove", groove_title(g.label, g.part) + g.said, g.groove.bar_indices, g.grounds))
        if g.others:
            out.append(Statement("groove", f"other songs with this groove: {g.others}", g.groove.bar_indices))
    for v in reading.variations:
        if not v.grounds.is_left_out:
            out.append(Statement("variation", v.grounds.marked(v.text), v.bars, v.grounds))
    for kind, members in fill_kinds(reading).items():
        first = members[0]
        exact = [f for f in members if f.version_of is None]
        out.append(Statement("fill", f"fill {kind + 1}, {first.text}", _touched(exact), first.grounds))
        out += [
            Statement("fill", f"fill {kind + 1} again, changed: {f.text}", tuple(f.span.bars), f.grounds)
            for f in members
            if f.version_of is not None
        ]
        for f in members:
            lands = lands_text(reading, f)
            if lands:
                out.append(Statement("fill", f"fill {kind + 1} {lands}", tuple(f.span.bars)))
    out += [Statement("sticking", f.text, (f.bar_index,)) for f in reading.sticking.flags]
    everything = tuple(int(k) for k in reading.feel.tempo_bars)
    out += [Statement("feel", line, everything) for line in reading.feel.lines()]
    out += [Statement("doubt", text, everything) for text in doubt_texts(reading.chart)]
    return (*out, *user_notes(reading.chart))


def doubt_texts(chart: Chart) -> list[str]:
    """What to say of instruments whose hits are mostly doubtful, and of drums that are in doubt as a whole."""
    mostly = mostly_doubtful(chart)
    whole = doubted_as_a_whole(chart, but=mostly)
    out = []
    if mostly:
        out.append(
            f"of most hits on {counted(mostly)} the draft is less than {MOSTLY_SURE} sure: hear them in the grid "
            "before you trust what is said"
        )
    if whole:
        out.append(
            f"in doubt as a whole: {counted(whole)}; hear a few strokes of each in the grid (H) before you trust its "
            "name"
        )
    return out


def user_notes(chart: Chart) -> tuple[Statement, ...]:
    """What the user has written and confirmed about stretches of the part."""
    return tuple(
        Statement("note", m.text, tuple(m.bars)) for m in chart.marks if m.kind == "note" and m.confirmed and m.text
    )


def usual_meter(chart: Chart) -> str:
    """The meter of most bars, as "4/4"."""
    meters = Counter(str(b.meter) for b in chart.time_map.bars)
    return max(meters, key=lambda m: meters[m])


def _touched(fills: Iterable[Fill]) -> tuple[int, ...]:
    return tuple(sorted({k for f in fills for k in f.span.bars}))


def fill_kinds(reading: PartReading) -> dict:
    """Fills by kind, in order of appearance."""
    return grouped((f.kind, f) for f in reading.fills)


def section_name(section: FormSection) -> str:
    """Letter and name of a section: "A", "B Chorus", "no drums"."""
    both = " ".join(x for x in (section.label, section.name) if x)
    return both or ("no drums" if not section.has_drums else "section")


def section_text(section: FormSection, chart: Chart) -> str:
    """One line on a section: length, texture, phrases, parts."""
    name, time_map = section_name(section), chart.time_map
    if not section.has_drums:
        return f"{name}: {length_words(time_map, section.bars)}" + ("" if name == "no drums" else ", no drums")
    parts = [f"{name}: {length_words(time_map, section.bars)}"]
    if len(section.parts) == 1:
        timekeeper = section.parts[0].timekeeper
        parts.append(f"time on the {timekeeper}" if timekeeper else "no ride pattern")
    else:
        parts.append(
            ", ".join(
                f"{p.name} {length_words(time_map, p.bars)} "
                + (f"on the {p.timekeeper}" if p.timekeeper else "without cymbals")
                for p in section.parts
            )
        )
    if section.phrase_bars:
        parts.append(f"{section.phrase_bars}-bar phrases{_phrases_marked(section, chart)}")
    return ", ".join(parts)


def _phrases_marked(section: FormSection, chart: Chart) -> str:
    """How many phrases a crash opens, and how many of the crashes are doubtful."""
    lines = section.bars[:: section.phrase_bars]
    crashed = [k for k in lines if k in section.crash_bars]
    if not crashed:
        return " marked by fills"
    doubtful = sum(all(is_doubtful(n, chart.doubt_below) for n in opening_crashes(chart.bars[k])) for k in crashed)
    fills = " marked by fills" if len(crashed) <= len(lines) / 2 else ""
    opened = (
        "each opened by a crash" if len(crashed) == len(lines) else f"{len(crashed)} of {len(lines)} opened by a crash"
    )
    return f"{fills}, {opened}" + (f" ({doubtful} doubtful)" if doubtful else "")


def groove_title(label: str, part: str) -> str:
    """Label and part of a groove as they stand before its text: "A, groove b: "."""
    title = ", ".join([label] * bool(label) + [f"groove {part}"] * bool(part))
    return f"{title}: " if title else ""


def lands_text(reading: PartReading, fill: Fill) -> str:
    """Where a fill leads: the section, and what is played on 1."""
    if fill.lands_on is None:
        return "ends the part" if fill.span.end[0] >= len(reading.chart) else ""
    section = reading.section_at(fill.lands_on)
    words = []
    if not section.has_drums:
        return "then the drums are out"
    if section.bars.start == fill.lands_on:
        words.append(f"leads into {section_name(section)}")
    if fill.landing:
        words.append(
            f"lands on {fill.landing}"
            if fill.landing.endswith("on 1") and not fill.landing.startswith("nothing")
            else f"then {fill.landing}"
        )
    return ", ".join(words)


# -- a page ------------------------------------------------------------------------------


def to_markdown(reading: PartReading, everything: bool = False) -> str:
    """The reading as a page; with ``everything`` it tells what is likelier wrong than right, too."""
    chart, flags = reading.chart, reading.sticking.flags
    bars = partial(bar_list, chart.time_map)
    form = [
        (
            section_name(s),
            bars(s.bars).removeprefix("bars ").removeprefix("bar "),
            section_text(s, chart).removeprefix(f"{section_name(s)}: "),
        )
        for s in reading.form
    ]
    texts = grouped((f.text, f.bar_index) for f in flags)
    cautious = any(f.difficulty >= HARD for f in reading.fills) or any(f.kind != "unplayable" for f in flags)
    parts = [
        ("Playability", [f"{bars(where)}: {text}" for text, where in texts.items()]),
        ("", STRAIN if cautious else ""),
        ("Feel", reading.feel.lines()),
        ("Notes", [f"{bars(n.bars)}: {for_markdown(n.text)}" for n in user_notes(chart)]),
    ]
    grooves = [_groove_lines(reading, g, everything) for g in reading.grooves]
    fills = _fill_lines(reading, everything)
    told = str((grooves, fills)).lower()
    marks = [means for mark, means in ((LISTEN_FIRST, LISTEN_FIRST_MEANS), (PERHAPS, PERHAPS_MEANS)) if mark in told]
    return filled(
        "reading/page/reading.md.jinja",
        chart=chart,
        heading=_heading(reading),
        doubts=[*filter(None, [reading.dispute]), *map(_sentence, doubt_texts(chart)), *marks],
        form=form,
        grooves=grooves,
        fills=fills,
        silent_count=SILENT_COUNT if any("(" in f.count for f in reading.fills) else "",
        parts=[(title, lines) for title, lines in parts if lines],
    )


def _groove_lines(reading: PartReading, groove: PartGroove, everything: bool) -> dict:
    """What the page says of a groove."""
    chart, base = reading.chart, groove.groove.base_bars
    bars = partial(bar_list, chart.time_map)
    sticks = [reading.sticking.text(chart, k) for k in base]
    struck = {n.instrument for k in base for n in chart.bars[k].notes if not instrument(n.instrument).is_foot}
    # One hand on one drum or cymbal: there is nothing to share.
    shared = len(struck) > 1 or len(set(" ".join(sticks).split())) > 1
    explained = hands_explained(reading, [((k, Fraction(0)), (k + 1, Fraction(0))) for k in base])
    every = [
        v
        for v in reading.variations
        if (v.label, v.part) == (groove.label, groove.part) and v.bars[0] in groove.groove.bar_indices
    ]
    # What changes in the bars of a fill is told with it: a bar is told once.
    filled_bars = frozenset(_touched(reading.fills))
    own = [v for v in every if everything or not v.grounds.is_left_out]
    told = (
        _free_lines(reading, groove, own)
        if groove.free
        else [f"{bars(where)}: {v.grounds.marked(v.text)}" for v in own if (where := set(v.bars) - filled_bars)]
    )
    left_out = {k for v in every if v not in own for k in v.bars}
    left_out -= frozenset() if groove.free else filled_bars
    return {
        "title": groove_title(groove.label, groove.part).removesuffix(": "),
        "bars": bars(groove.groove.bar_indices),
        "text": _sentence(groove.said),
        "grid": base_grid(chart, base),
        "others": for_markdown(groove.others),
        "hands": " | ".join(f"`{s or NO_HANDS}`" for s in sticks) + explained if any(sticks) and shared else "",
        "free": bool(told) and groove.free,
        "variations": told,
        "left_out": _left_out(f"There may be more in {bars(left_out)},") if left_out else "",
    }


#: What is told first of a bar that is played freely, by the instruments in the words.
_TELLING = ("snare", "side stick", "tom", "crash", "kick")


def _free_lines(reading: PartReading, groove: PartGroove, variations: list[Variation]) -> list[str]:
    """Bars that are played freely: how many strokes each has, and what is most telling of it."""
    chart, spans = reading.chart, [f.span for f in reading.fills]
    heard = HeardBars(chart, groove.groove.bar_indices)
    lines = []
    for k in groove.groove.bar_indices:
        # Of a bar told whole one drum is told here: it is as sure as its own strokes.
        said = [
            (c.text, change_grounds(heard, c, k, groove.groove.base_of(k)) if whole.parts else v.grounds)
            for v in variations
            if k in v.bars
            for whole in v.changes
            for c in whole.parts or (whole,)
        ]
        if not said:
            continue
        count = len(outside_fills(chart.bars[k].content, spans, k))
        told = [text for text, _ in said if text.startswith("a bar of ")]
        text, grounds = min(said, key=_telling)
        told += [grounds.marked(text)] if text not in told else []
        lines.append(f"{bar_list(chart.time_map, [k])}: " + "; ".join([f"{count} stroke" + "s" * (count != 1), *told]))
    return lines


def _telling(clause: tuple[str, Grounds]) -> tuple[bool, bool, int]:
    """What is played before what is left out, what is sure before what is not, drums before cymbals."""
    text, grounds = clause
    named = (i for i, word in enumerate(_TELLING) if word in text)
    return text.startswith("no "), not grounds.is_plain, next(named, len(_TELLING))


def _sentence(text: str) -> str:
    return capital(text) + "." if text else ""


def _heading(reading: PartReading) -> str:
    chart = reading.chart
    tempo = next(iter(reading.feel.lines()), "")
    words = [usual_meter(chart), length_words(chart.time_map, range(len(chart))), tempo]
    if chart.feel_told != "straight":
        words.append(chart.feel_told)
    return ", ".join(w for w in words if w) + "."


def _fill_lines(reading: PartReading, everything: bool) -> list[str]:
    chart, lines = reading.chart, []
    for kind, members in fill_kinds(reading).items():
        first = members[0]
        hands, span = fill_hands(reading, first), first.span
        unsure = [text for text, own in first.clauses if own.is_left_out]
        # Hands would tell the drums that are too unsure to be told.
        hands = hands if everything or first.hands_told else ""
        label = "Hands" if first.grounds.is_plain else "Hands as drafted"
        said = [
            f"- **Fill {kind + 1}**, {bar_list(chart.time_map, span.bars)}: {first.text}.",
            _lead(reading, first, everything),
            f"Count: `{first.count}`." if first.count else "",
            f"{label}: `{hands}`" + hands_explained(reading, [(span.start, span.end)]) if hands else "",
            f"Perhaps {', '.join(unsure)}." if unsure and everything else "",
        ]
        lines.append(" ".join(s for s in said if s))
        for f in members[1:]:
            where = bar_list(chart.time_map, f.span.bars)
            kept = "the same" if f.version_of is None else f"changed: {f.text}"
            lines.append(f"  - {where}: {kept}. {_lead(reading, f, everything)}")
    unsure_fills = [f for f in reading.fills if any(own.is_left_out for _, own in f.clauses)]
    if unsure_fills and not everything:
        by_hands = grouped((f.hands_told, f) for f in unsure_fills)
        lines.append("")
        for told, fills in sorted(by_hands.items()):
            which = f"the fill{'s' * (len(fills) > 1)} in {bar_list(chart.time_map, _touched(fills))}"
            lines.append(_left_out(f"The feet of {which} are" if told else f"The drums of {which} are"))
    return lines


def _left_out(what: str) -> str:
    """That something is not told, and how it is."""
    return f"{what} too unsure to be told here: see `workbench read --all`."


def hands_explained(reading: PartReading, stretches: Sequence[tuple[Place, Place]]) -> str:
    """Where both hands strike together, which takes what: ". R+L: right hi-hat and left snare."."""
    pairs: dict[tuple[str, str], None] = {}
    unknown = False
    for start, end in stretches:
        at: dict[Place, dict[str, str]] = {}
        for (k, position, name), hand in reading.sticking.hands.items():
            if start <= (k, position) < end:
                at.setdefault((k, position), {})[hand] = instrument_word(name)
        pairs |= dict.fromkeys((at[p]["R"], at[p]["L"]) for p in sorted(at) if len(at[p]) == 2)
        unknown |= any(
            f.kind == "unplayable" and start <= (f.bar_index, f.position) < end for f in reading.sticking.flags
        )
    text = f" {BOTH}: " + ", ".join(f"right {r} and left {left}" for r, left in pairs) + "." if pairs else ""
    return "." + text + (f" {NEITHER}: see Playability." if unknown else "")


def fill_hands(reading: PartReading, fill: Fill) -> str:
    """The proposed hands of a fill, its bars parted by strokes: "R L R L | R L"."""
    pieces = fill.span.pieces(reading.chart.time_map)
    said = [reading.sticking.text(reading.chart, k, start, end) for k, start, end in pieces]
    return " | ".join(s for s in said if s)


def _lead(reading: PartReading, fill: Fill, everything: bool) -> str:
    """What leads to a fill, stands beside it in its bars, and follows it."""
    words = []
    sets_up = any(fill.setup_bar in v.bars and v.grounds.is_plain for v in reading.variations)
    if fill.span.start[1] == 0 and fill.setup_bar != fill.span.start[0] and sets_up:
        words.append(f"Set up in {bar_list(reading.chart.time_map, [fill.setup_bar])}.")
    for k in fill.span.bars:
        own = reading.groove_at(k)
        # Bars played freely have their own lines.
        beside = [v for v in reading.variations if k in v.bars and own is not None and not own.free]
        said = [v.grounds.marked(v.text) for v in beside if everything or not v.grounds.is_left_out]
        where = "the same bar" if len(fill.span.bars) == 1 else bar_list(reading.chart.time_map, [k])
        words += [f"Beside it in {where}: {'; '.join(said)}."] if said else []
        if len(said) < len(beside):
            words.append(f"There may be more in {where}, too unsure to be told here.")
    lands = lands_text(reading, fill)
    if lands:
        words.append(for_markdown(_sentence(lands)))
    return " ".join(words)


def base_grid(chart: Chart, bars: Sequence[int]) -> list[str]:
    """Bars as rows of signs under their count: x stroke, X accent, o open or
    ghost, f flam; one line for each instrument, bars side by side."""
    names = sorted({n.instrument for k in bars for n in chart.bars[k].notes}, key=drum_key_order)
    width = max([len(instrument_word(n)) for n in names] + [5])
    limit = ghost_limit(chart)
    rows = {name: f"{instrument_word(name):<{width}} " for name in names}
    count = f"{'count':<{width}} "
    for k in bars:
        timed = chart.time_map.bars[k]
        places = grid_places(chart, k)
        cells = [count_syllable(timed, p) for p in places]
        wide = [max(len(c[:2]), 1) + 1 for c in cells]
        count += "|" + "".join(f"{c[:2]:<{w}}" for c, w in zip(cells, wide))
        for name in names:
            at = {n.position: _sign(n, limit) for n in chart.bars[k].notes if n.instrument == name}
            rows[name] += "|" + "".join(f"{at.get(p, '.'):<{w}}" for p, w in zip(places, wide))
    return [count + "|", *(row + "|" for row in rows.values())]


def grid_places(chart: Chart, bar_index: int) -> list[Fraction]:
    """Places worth a column: beats in halves, and finer where strokes lie."""
    timed = chart.time_map.bars[bar_index]
    struck = {n.position for n in chart.bars[bar_index].notes}
    places = set(struck)
    for start, length in timed.beat_spans():
        inside = {(p - start) / length for p in struck if start <= p < start + length}
        if all(4 % p.denominator == 0 for p in inside):
            parts = 4 if any(p.denominator == 4 for p in inside) else 2
        elif all(3 % p.denominator == 0 for p in inside):
            parts = 3
        else:
            parts = 1
        if timed.meter.is_compound:
            parts = 3 if all(3 % p.denominator == 0 for p in inside) else 6
        places |= {start + length * k / parts for k in range(parts)}
    return sorted(places)


def _sign(note: Note, limit: float) -> str:
    if note.articulations & {"flam", "drag"}:
        return "f"
    if "accent" in note.articulations:
        return "X"
    return "o" if note.instrument == "open hi-hat" or is_ghost(note, limit) else "x"


# -- data --------------------------------------------------------------------------------


def to_data(reading: Reading) -> dict:
    """Plain data of everything; bars as players number them."""
    chart = reading.chart

    number = chart.time_map.bar_number

    def place(p: Place) -> dict:
        k, position = p
        if k >= len(chart):
            return {"bar": number(len(chart) - 1) + 1, "at": str(position), "count": "1"}
        return {"bar": number(k), "at": str(position), "count": the_place(chart.time_map.bars[k], position)}

    def strokes(content: Written) -> list[dict]:
        order = sorted(content, key=lambda w: (w[0], drum_key_order(w[1]), sorted(w[2])))
        return [{"at": str(p), "instrument": i, "articulations": sorted(a)} for p, i, a in order]

    def numbers(bars: Iterable[int]) -> list[int]:
        return [number(k) for k in bars]

    def edges(bars: range) -> dict[str, int]:
        return {"first_bar": number(bars[0]), "last_bar": number(bars[-1])}

    feel, sticking = reading.feel, reading.sticking
    return {
        "title": chart.title,
        "dispute": reading.dispute,
        "form": [
            facts(
                s,
                "label name phrase_bars given",
                **edges(s.bars),
                crash_bars=numbers(s.crash_bars),
                parts=[facts(p, "name timekeeper", **edges(p.bars)) for p in s.parts],
            )
            for s in reading.form
        ],
        "grooves": [
            facts(
                g,
                "label part text given free grounds others",
                names=g.groove.names,
                known_as=g.groove.known_as,
                base_bars=numbers(g.groove.base_bars),
                bars=numbers(g.groove.bar_indices),
            )
            for g in reading.grooves
        ],
        "variations": [
            facts(
                v,
                "label part text grounds",
                bars=numbers(v.bars),
                changes=[facts(c, "text", removed=strokes(c.removed), added=strokes(c.added)) for c in v.changes],
            )
            for v in reading.variations
        ],
        "fills": [
            facts(
                f,
                "text values count grouping grouping_by grouping_value drums linear feet syncopated difficulty landing",
                grounds=f.grounds,
                kind=f.kind + 1,
                start=place(f.span.start),
                end=place(f.span.end),
                setup_bar=number(f.setup_bar),
                lands_on_bar=None if f.lands_on is None else number(f.lands_on),
                given=f.span.confirmed,
            )
            for f in reading.fills
        ],
        "sticking": facts(
            sticking.player,
            "handedness style open_handed",
            bars={str(number(k)): text for k in range(len(chart)) if (text := sticking.text(chart, k))},
            fills=[fill_hands(reading, f) for f in reading.fills],
            flags=[facts(f, "kind text", bar=number(f.bar_index), at=f.position) for f in sticking.flags],
        ),
        "feel": facts(
            feel,
            "placements swings dynamics",
            lines=feel.lines(),
            tempo_bpm=[{"bar": number(int(k)), "bpm": float(b)} for k, b in zip(feel.tempo_bars, feel.tempo_bpm)],
        ),
        "statements": [facts(s, "kind text grounds", bars=numbers(s.bars)) for s in reading.statements],
    }
