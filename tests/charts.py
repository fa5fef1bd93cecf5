"""Random charts and edits for property-based tests (hypothesis strategies)."""

from dataclasses import replace
from fractions import Fraction as F

from hypothesis import strategies as st

from workbench.chart import ARTICULATIONS, FEELS, STICKINGS, Chart, Mark, Note, Section, Text, WrittenBar
from workbench.chart.drumkit import INSTRUMENTS
from workbench.chart.edits import (
    AddNote,
    ChangeNote,
    CompositeEdit,
    DeleteBars,
    FixLine,
    InsertBars,
    LayBars,
    MoveBarLine,
    MoveNote,
    NameDrum,
    NameSection,
    RemoveMark,
    RemoveNote,
    RenameInstrument,
    SetBars,
    SetDone,
    SetHeading,
    SetMark,
    SetMeter,
    SetSubdivisions,
    SetText,
    SetTimeMap,
    ShiftOne,
)
from workbench.chart.meter import Bar, Meter, TimeMap

NAMES = [i.name for i in INSTRUMENTS]
METERS = [Meter(4, 4), Meter(3, 4), Meter(2, 4), Meter(6, 8), Meter(7, 8), Meter(12, 8)]
TEXTS = st.text(st.characters(blacklist_categories=("Cs", "Cc")), max_size=12)


@st.composite
def time_maps(draw, max_bars=5):
    pickup = draw(st.booleans())
    t, bars = draw(st.floats(0, 3)), []
    for k in range(draw(st.integers(1, max_bars))):
        meter = draw(st.sampled_from(METERS))
        length = meter.bar_length
        if k == 0 and pickup:
            length = F(draw(st.integers(1, meter.beats * 2 - 1)), meter.unit * 2)
        times = []
        for _ in _beat_positions(meter, length):
            times.append(t)
            t += draw(st.floats(0.15, 0.9))
        bars.append(Bar(meter, tuple(times), length, draw(st.booleans())))
    return TimeMap(bars, t)


def _beat_positions(meter, length):
    """Bar line and beats of a bar that may be a pick-up."""
    missing = meter.bar_length - length
    beats = [k * meter.beat_length - missing for k in range(meter.counted_beats)]
    return sorted({F(0)} | {p for p in beats if p >= 0})


@st.composite
def notes(draw, length=F(1)):
    parts = draw(st.sampled_from([8, 12, 16, 24, 32, 48]))
    steps = max(int(length * parts), 1)
    position = F(draw(st.integers(0, steps - 1)), parts)
    return Note(
        position if position < length else F(0),
        draw(st.sampled_from(NAMES)),
        draw(st.integers(1, 127)),
        draw(st.frozensets(st.sampled_from(sorted(ARTICULATIONS)), max_size=3)),
        draw(st.floats(-0.05, 0.05)),
        draw(st.floats(0, 1)),
        draw(st.booleans()),
        draw(st.sampled_from(STICKINGS)),
    )


@st.composite
def written_bars(draw, length=F(1)):
    found = {n.key: n for n in draw(st.lists(notes(length), max_size=10))}
    return WrittenBar(tuple(found.values()), tuple(draw(st.lists(st.integers(1, 12), max_size=4))))


@st.composite
def charts(draw, max_bars=5):
    time_map = draw(time_maps(max_bars))
    n = len(time_map)
    bars = tuple(draw(written_bars(b.length)) for b in time_map.bars)
    where = st.integers(0, n - 1)
    sections = {k: Section(k, draw(TEXTS), draw(TEXTS)) for k in draw(st.sets(where, max_size=3))}
    texts = {k: Text(k, F(0), draw(TEXTS)) for k in draw(st.sets(where, max_size=2))}
    marks = {k: Mark("fill", (k, F(0)), (k + 1, F(0)), draw(TEXTS)) for k in draw(st.sets(where, max_size=2))}
    return Chart(
        time_map,
        bars,
        draw(TEXTS),
        draw(TEXTS),
        None,
        tuple(sections.values()),
        tuple(texts.values()),
        tuple(marks.values()),
        feel=draw(st.sampled_from(FEELS)),
    )


@st.composite
def edits(draw, chart):
    """An edit that is possible on a chart."""
    n = len(chart)
    k = draw(st.integers(0, n - 1))
    length = chart.time_map.bars[k].length
    choices = [
        AddNote(k, draw(notes(length))),
        NameSection(k, draw(TEXTS), draw(TEXTS)),
        SetText(k, F(0), draw(TEXTS)),
        SetHeading(title=draw(TEXTS)),
        SetMark(Mark("groove", (k, F(0)), (k, F(1, 16)), draw(TEXTS))),
        SetBars(k, (draw(written_bars(length)),)),
        SetDone(0, k, draw(st.booleans())),
        SetSubdivisions(k, (draw(st.integers(1, 8)),)),
        RenameInstrument(0, k, draw(st.sampled_from(NAMES)), draw(st.sampled_from(NAMES))),
        SetMeter(chart.time_map.bars[k].meter, k, k)
        if not chart.time_map.bars[k].is_pickup
        else SetHeading(feel="straight"),
        SetTimeMap(chart.time_map, chart.bars),
        FixLine(k, draw(st.booleans())),
        ShiftOne(draw(st.sampled_from([F(-1), F(1, 2), F(1)]))),
        InsertBars(k + draw(st.integers(0, 1)), draw(st.integers(1, 2))),
        DeleteBars(k, k) if n > 1 else InsertBars(0),
    ]
    if not any(bar.fixed for bar in chart.time_map.bars):  # a fixed line that would go is refused
        choices.append(LayBars(TimeMap.steady(max(n, 2), draw(st.integers(60, 200)))))
    start = chart.time_map.bar_start_s(k)
    choices.append(MoveBarLine(k, start + 0.2 * (chart.time_map.bars[k].beat_times_s[-1] - start)))
    if chart.marks:
        mark = draw(st.sampled_from(chart.marks))
        choices += [RemoveMark(mark.kind, mark.start), SetMark(replace(mark, confirmed=True))]
    if chart.bars[k].notes:
        note = draw(st.sampled_from(chart.bars[k].notes))
        if not note.confirmed:
            other = draw(st.sampled_from([name for name in NAMES if name != note.instrument]))
            choices += [
                NameDrum(note.instrument, draw(st.sampled_from(["", other])), 0, k),
                NameDrum(note.instrument, other, places=((k, note.position),)),
            ]
        to = draw(notes(length))
        choices += [
            RemoveNote(k, *note.key),
            MoveNote(k, *note.key, k, *to.key),
            ChangeNote(
                k, *note.key, velocity=to.velocity, articulations=to.articulations, sticking=to.sticking, confirmed=True
            ),
        ] * 2
    edit = draw(st.sampled_from(choices))
    return CompositeEdit((edit,), "as one") if draw(st.booleans()) else edit
