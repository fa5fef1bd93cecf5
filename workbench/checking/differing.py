"""The strokes of a take that differ from the chart, one by one."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from fractions import Fraction

from workbench.chart import Chart, is_doubtful
from workbench.chart.counting import bar_words, the_place
from workbench.chart.drumkit import drum_key_order
from workbench.checking.findings import NOT_HEARD, Finding, Matched, are_easily_confused
from workbench.grouping import grouped

#: Bars whose notes differ by at most this share are alike; chosen by eye, no source.
ALIKE_BELOW = 0.2


@dataclass(frozen=True)
class DifferingStroke:
    """A stroke in which take and chart differ.

    Attributes
    ----------
    what : str
        "missed" and "added" are sure; "unsure" are written strokes of which
        it cannot be told whether they were played.
    bar_index, bar_number : int
    position : Fraction
        Whole notes from the bar line.
    instrument : str
    time_s : float
        Where in the recording.
    instead : str
        The drum that a missed stroke was played on instead; mostly none.
    doubtful : bool
        An unsure stroke of which the chart, a draft, is not sure itself.
    """

    what: str
    bar_index: int
    bar_number: int
    position: Fraction
    instrument: str
    time_s: float
    instead: str = ""
    doubtful: bool = False


def is_missed(finding: Finding) -> bool:
    """Whether a finding says that a written stroke was not played; the ear may take a drum for one alike."""
    if finding.kind != "wrong drum":
        return finding.kind == "extra"
    # Certainty is never reached by ear.
    return finding.probability >= 1.0 or not are_easily_confused(finding.instrument, finding.heard_instrument)


def differing_strokes(
    chart: Chart, matched: Matched, played: Collection[int], sure: Sequence[Finding]
) -> tuple[DifferingStroke, ...]:
    """Strokes missed, unsure and added, in order of time.

    Parameters
    ----------
    chart : Chart
    matched : Matched
    played : collection of int
        Indices of the notes in ``matched`` that were played.
    sure : sequence of Finding
        The findings about notes that say "wrong".
    """
    number = chart.time_map.bar_number
    missed = {(f.aligned_index, f.position, f.instrument): f.heard_instrument for f in sure if is_missed(f)}
    out = []
    for i, e in enumerate(matched.expected):
        if i in played or e.note.instrument in NOT_HEARD:
            continue
        key = (e.aligned_index, e.note.position, e.note.instrument)
        out.append(
            DifferingStroke(
                "missed" if key in missed else "unsure",
                e.chart_bar,
                number(e.chart_bar),
                e.note.position,
                e.note.instrument,
                e.stroke.time_s,
                missed.get(key, ""),
                is_doubtful(e.note, chart.doubt_below),
            )
        )
    out += [
        DifferingStroke("added", f.bar_index, f.bar_number, f.position, f.heard_instrument, f.time_s)
        for f in sure
        if f.kind == "missing" and f.position is not None
    ]
    return tuple(sorted(out, key=lambda d: (d.time_s, d.instrument)))


def stroke_lines(chart: Chart, strokes: Sequence[DifferingStroke], what: str) -> list[str]:
    """Strokes in words, those alike in one line, the most frequent first: "snare on the & of 2: bars 3–5, 9"."""
    groups = grouped(((s.position, s.instrument, s.instead), s) for s in strokes if s.what == what)
    first = lambda found: min((s.bar_index, s.position) for s in found)
    lines = []
    for (position, name, instead), found in sorted(
        groups.items(), key=lambda g: (-len(g[1]), first(g[1]), drum_key_order(g[0][1]))
    ):
        place = the_place(chart.time_map.bars[found[0].bar_index], position)
        played = f" ({instead} instead)" if instead else ""
        lines.append(f"{name} on {place}{played}: {bar_words(s.bar_number for s in found)}")
    return lines


def alike_bars(chart: Chart, bar_index: int) -> range:
    """Bars in a row around a bar, itself among them, that are like it: the ear may take one for another."""
    pattern = chart.bars[bar_index].pattern

    def alike(j: int) -> bool:
        other = chart.bars[j].pattern
        return len(pattern ^ other) <= ALIKE_BELOW * max(len(pattern | other), 1)

    first = last = bar_index
    while first > 0 and alike(first - 1):
        first -= 1
    while last + 1 < len(chart) and alike(last + 1):
        last += 1
    return range(first, last + 1)
