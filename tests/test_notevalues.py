"""Note values: bars are filled exactly, hits are never tied, rests are few."""

from fractions import Fraction

import pytest
from hypothesis import HealthCheck, given

from tests.chart_strategies import METERS, charts
from tests.effort import examples
from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.notation.notevalues import beat_groups, figure_rests, write_bar

SETTINGS = examples(80, suppress_health_check=list(HealthCheck))


COMMON_TIME = Meter(4, 4)


def bar(*notes, meter=COMMON_TIME, length=None):
    missing = meter.bar_length - (length or meter.bar_length)
    beats = {Fraction(0), *(p for k in range(meter.counted_beats) if (p := k * meter.beat_length - missing) >= 0)}
    time_map = TimeMap([Bar(meter, tuple(0.5 * k for k in range(len(beats))), length)], 0.5 * len(beats))
    return Chart(time_map, (WrittenBar(tuple(Note(Fraction(p), name) for p, name in notes)),))


def shown(chart, stem="up", **style):
    """ "quarter", "eighth.", "(16th)" for a shown rest, "-" for a hidden one."""
    voice = next(v for v in write_bar(chart, 0, **style).voices if v.stem == stem)
    out = []
    for e in voice.events:
        name = e.value.type_name + "." * e.value.dots + (f"/{e.value.actual}" if e.value.actual > 1 else "")
        out.append(name if e.notes else f"({name})" if e.shown else "-")
    return out


@SETTINGS
@given(charts(most_bars=2))
def test_every_voice_fills_its_bar_and_holds_every_note_once(chart):
    for k in range(len(chart)):
        for one_voice in (False, True):
            values = write_bar(chart, k, one_voice)
            written = []
            for voice in values.voices:
                at = Fraction(0)
                for e in voice.events:
                    assert e.position == at and e.value.length > 0
                    at = e.end
                    written += e.notes
                    assert all(n.position == e.position for n in e.notes)
                assert at == values.length
            assert sorted(written, key=lambda n: n.order) == list(chart.bars[k].notes)


@SETTINGS
@given(charts(most_bars=2))
def test_no_note_crosses_its_beat_group_but_rolls_and_wide_triplets(chart):
    for k, timed in enumerate(chart.time_map.bars):
        ends = [s + n for s, n in beat_groups(timed.meter, timed.missing)]
        for voice in write_bar(chart, k).voices:
            for e in voice.events:
                rolled = e.notes and all("roll" in n.articulations for n in e.notes)
                if e.notes and not rolled and e.value.actual != 3:
                    end = next(x for x in ends if x > e.position)
                    assert e.end <= end


@SETTINGS
@given(charts(most_bars=1))
def test_beams_open_and_close_on_every_level(chart):
    for voice in write_bar(chart, 0).voices:
        open_levels = set()
        for e in voice.events:
            for level, beam in enumerate(e.beams):
                assert (level in open_levels) == (beam in ("continue", "end"))
                if beam == "begin":
                    open_levels.add(level)
                elif beam == "end":
                    open_levels.discard(level)
        assert not open_levels


@pytest.mark.parametrize("meter", METERS, ids=str)
def test_beat_groups_fill_the_meter(meter):
    groups = beat_groups(meter)
    assert groups[0][0] == 0 and sum(n for _, n in groups) == meter.bar_length


@pytest.mark.common_practice
def test_a_rock_groove_has_no_rests():
    hats = [(Fraction(k, 8), "closed hi-hat") for k in range(8)]
    chart = bar(*hats, (0, "kick"), (Fraction(1, 4), "snare"), (Fraction(5, 8), "kick"), (Fraction(3, 4), "snare"))
    assert shown(chart) == ["eighth"] * 8
    assert shown(chart, "down") == ["quarter", "-", "-", "eighth", "-"]


@pytest.mark.common_practice
@pytest.mark.parametrize(
    "notes, written",
    [
        ([(0, "snare")], ["quarter", "(quarter)", "(half)"]),
        ([(0, "snare"), (Fraction(3, 16), "snare")], ["eighth.", "16th", "(quarter)", "(half)"]),
        ([(Fraction(1, 16), "snare")], ["(16th)", "eighth.", "(quarter)", "(half)"]),
        (
            [(0, "snare"), (Fraction(1, 12), "snare"), (Fraction(1, 6), "snare")],
            ["eighth/3", "eighth/3", "eighth/3", "(quarter)", "(half)"],
        ),
        ([(0, "snare"), (Fraction(1, 6), "snare")], ["quarter/3", "eighth/3", "(quarter)", "(half)"]),
        (
            [(0, "snare"), (Fraction(1, 6), "snare"), (Fraction(1, 3), "snare")],
            ["quarter/3", "quarter/3", "quarter/3", "(half)"],
        ),
        (
            [(0, "snare"), (Fraction(1, 8), "snare"), (Fraction(1, 6), "snare"), (Fraction(5, 24), "snare")],
            ["eighth", "16th/3", "16th/3", "16th/3", "(quarter)", "(half)"],
        ),
        (
            [(0, "snare"), (Fraction(1, 12), "snare"), (Fraction(1, 6), "snare"), (Fraction(5, 24), "snare")],
            ["eighth/3", "eighth/3", "16th/3", "16th/3", "(quarter)", "(half)"],
        ),
        (
            [(Fraction(1, 6), "snare"), (Fraction(5, 24), "snare")],
            ["(quarter/3)", "16th/3", "16th/3", "(quarter)", "(half)"],
        ),
        ([(Fraction(k, 24), "snare") for k in range(6)], [*["16th/6"] * 6, "(quarter)", "(half)"]),
        ([(Fraction(1, 2), "snare")], ["(half)", "quarter", "(quarter)"]),
    ],
)
def test_values_as_drummers_write_them(notes, written):
    assert shown(bar(*notes)) == written


@pytest.mark.common_practice
def test_compound_and_odd_meters():
    six = bar(*[(Fraction(k, 8), "ride") for k in range(6)], meter=Meter(6, 8))
    assert shown(six) == ["eighth"] * 6
    assert [e.beams for e in write_bar(six, 0).voices[0].events][:3] == [("begin",), ("continue",), ("end",)]
    assert shown(bar((0, "ride"), (Fraction(3, 8), "ride"), meter=Meter(6, 8))) == ["quarter.", "quarter."]
    seven = bar(*[(Fraction(k, 8), "ride") for k in range(7)], meter=Meter(7, 8))
    starts = [e.beams[0] for e in write_bar(seven, 0).voices[0].events]
    assert starts == ["begin", "end", "begin", "end", "begin", "continue", "end"]


def test_pickup_of_a_triplet():
    chart = bar((0, "snare"), (Fraction(1, 12), "snare"), length=Fraction(1, 6))
    assert shown(chart) == ["eighth/3", "eighth/3"]


def test_roll_lasts_to_the_next_hit():
    chart = Chart(
        TimeMap.steady(1, 100),
        (WrittenBar((Note(Fraction(0), "snare", articulations=frozenset({"roll"})), Note(Fraction(3, 4), "snare"))),),
    )
    assert shown(chart) == ["half.", "quarter"]


def test_rests_of_both_voices_are_shown_once():
    chart = bar((0, "snare"), (0, "kick"), (Fraction(3, 4), "snare"))
    assert shown(chart) == ["quarter", "(quarter)", "(quarter)", "quarter"]
    assert shown(chart, "down") == ["quarter", "-", "-"]


@pytest.mark.common_practice
def test_one_figure_has_one_spelling_in_a_chart():
    """A kick on the & of 2 and 4: where one bar lacks the hi-hat there, its rest stands in every bar."""
    hats = [Note(Fraction(k, 8), "closed hi-hat") for k in range(8)]
    kicks = [Note(Fraction(k, 8), "kick") for k in (0, 3, 7)]
    full, gap = WrittenBar((*hats, *kicks)), WrittenBar((*hats[:3], *hats[4:], *kicks))

    def feet(*bars):
        chart = Chart(TimeMap.steady(len(bars), 100), bars)
        voices = [write_bar(chart, k).voices[1] for k in range(len(bars))]
        assert voices == [write_bar(chart, k, rests=figure_rests(chart)).voices[1] for k in range(len(bars))]
        return [tuple((e.position, e.value, e.shown) for e in v.events) for v in voices]

    alone, with_gap = feet(full, full), feet(full, gap, full)
    assert len(set(alone)) == 1 and not any(e[2] for e in alone[0] if e[0] in (Fraction(1, 4), Fraction(3, 4)))
    assert len(set(with_gap)) == 1 and all(e[2] for e in with_gap[0] if e[0] in (Fraction(1, 4), Fraction(3, 4)))


def test_one_voice_writes_hands_and_feet_together():
    chart = bar((0, "kick"), (Fraction(1, 8), "snare"))
    assert shown(chart, one_voice=True) == ["eighth", "eighth", "(quarter)", "(half)"]
