"""Random charts for property-based tests of scores."""

from fractions import Fraction

from hypothesis import strategies as st

from workbench.chart import ARTICULATIONS, FEELS, STICKINGS, Chart, Mark, Note, Section, Text, WrittenBar
from workbench.chart.drumkit import INSTRUMENTS
from workbench.chart.meter import Bar, Meter, TimeMap

METERS = [
    Meter(4, 4),
    Meter(3, 4),
    Meter(2, 4),
    Meter(6, 8),
    Meter(12, 8),
    Meter(7, 8),
    Meter(5, 4),
    Meter(2, 2),
    Meter(5, 8),
    Meter(3, 8),
    Meter(7, 16),
    Meter(9, 8),
    Meter(1, 4),
]
#: Any text that XML can carry; lone carriage returns are normalized by XML 1.0 itself (clause 2.11).
TEXTS = st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs", "Cn")), min_size=1, max_size=12).filter(
    lambda t: t.strip() == t
)
NAMES = [i.name for i in INSTRUMENTS]


@st.composite
def notes(draw, positions):
    return Note(
        draw(st.sampled_from(positions)),
        draw(st.sampled_from(NAMES)),
        draw(st.integers(1, 127)),
        draw(st.frozensets(st.sampled_from(sorted(ARTICULATIONS)), max_size=3)),
        draw(st.one_of(st.just(0.0), st.floats(-0.05, 0.05))),
        sticking=draw(st.sampled_from(STICKINGS)),
    )


@st.composite
def written_bars(draw, bar, parts):
    positions = sorted(
        {
            start + Fraction(k, n) * bar.meter.beat_length
            for start, length in bar.beat_spans()
            for n in parts
            for k in range(n)
            if Fraction(k, n) * bar.meter.beat_length < length
        }
    )
    found = draw(st.lists(notes(positions), max_size=10, unique_by=lambda n: n.key))
    return WrittenBar(tuple(found))


@st.composite
def charts(draw, most_bars=4, parts=tuple(range(1, 25))):
    """Charts with any meter, pick-ups, drifting beats, tuplets and signs."""
    count = draw(st.integers(1, most_bars))
    now, bars, written = draw(st.floats(0, 5)), [], []
    for k in range(count):
        meter = draw(st.sampled_from(METERS))
        length = None
        if k == 0 and count > 1 and draw(st.booleans()):
            sixteenths = [k for k in range(1, 16) if Fraction(k, 16) < meter.bar_length]
            length = Fraction(draw(st.sampled_from(sixteenths)), 16)
        beats = _beats(meter, length)
        times = []
        for _ in range(beats):
            times.append(now)
            now += draw(st.floats(0.2, 1.0))
        bars.append(Bar(meter, tuple(times), length))
        # One subdivision to a bar, or two coarse ones mixed.
        coarse = [p for p in parts if p <= 8]
        chosen = draw(
            st.one_of(
                st.lists(st.sampled_from(coarse), min_size=2, max_size=2),
                st.lists(st.sampled_from(parts), min_size=1, max_size=1),
            )
        )
        written.append(draw(written_bars(bars[-1], chosen)))
    time_map = TimeMap(bars, now)
    sections = draw(
        st.dictionaries(
            st.integers(0, count - 1),
            st.tuples(st.one_of(st.just(""), TEXTS), st.one_of(st.just(""), TEXTS)),
            max_size=2,
        )
    )
    texts = draw(
        st.dictionaries(
            st.tuples(st.integers(0, count - 1), st.sampled_from([Fraction(0), Fraction(1, 16), Fraction(1, 12)])),
            TEXTS,
            max_size=2,
        )
    )
    line = [(k, start) for k, bar in enumerate(bars) for start, _ in bar.beat_spans()] + [(count, Fraction(0))]
    stretches = draw(st.lists(st.tuples(*[st.integers(0, len(line) - 1)] * 2, st.booleans()), max_size=3))
    fills = {line[a]: Mark("fill", line[a], line[b], confirmed=sure) for a, b, sure in stretches if a < b}
    return Chart(
        time_map,
        tuple(written),
        title=draw(st.one_of(st.just(""), TEXTS)),
        artist=draw(st.one_of(st.just(""), TEXTS)),
        sections=tuple(Section(k, name, label) for k, (name, label) in sections.items()),
        texts=tuple(Text(k, p, t) for (k, p), t in texts.items() if p < bars[k].length),
        marks=tuple(fills.values()),
        feel=draw(st.sampled_from(FEELS)),
    )


def _beats(meter, length):
    """Number of beat times of a bar: its line and the counted beats inside it."""
    missing = meter.bar_length - (length or meter.bar_length)
    return len({Fraction(0)} | {p for k in range(meter.counted_beats) if (p := k * meter.beat_length - missing) >= 0})
