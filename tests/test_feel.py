"""Feel: known deviations are found again."""

from dataclasses import replace

import numpy as np
import pytest

from tests.parts import ROCK, bar, part
from workbench.chart import Chart, Section, WrittenBar
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.notation.scoresigns import tempo_marks
from workbench.reading.feel import measure_feel
from workbench.reading.sticking import propose_sticking


def played(chart, late_s):
    """The chart with each note late by ``late_s(note)``."""
    bars = tuple(WrittenBar(tuple(replace(n, deviation_s=late_s(n)) for n in b.notes)) for b in chart.bars)
    return replace(chart, bars=bars)


def test_average_placement():
    rng = np.random.default_rng(3)
    late = {"snare": 0.018, "kick": -0.007, "closed hi-hat": 0.0}
    chart = played(part(*[ROCK] * 60), lambda n: late[n.instrument] + rng.normal(0, 0.004))
    found = {p.instrument: p for p in measure_feel(chart).placements}
    for name, offset_s in late.items():
        assert found[name].mean_ms == pytest.approx(1000 * offset_s, abs=2)
        assert found[name].spread_ms == pytest.approx(4, abs=1)
    lines = " ".join(measure_feel(chart).lines())
    assert "snare 18 ms behind the grid" in lines


def test_strokes_that_may_not_be_there_have_no_place_of_their_own():
    """A tom of which the draft is unsure is no tom that is played ahead of the grid."""
    chart = played(
        part(*[bar(H="xxxxxxxx", S="..x...x.", T="x.......")] * 12), lambda n: -0.02 if "tom" in n.instrument else 1e-6
    )
    told = {p.instrument for p in measure_feel(chart).placements}
    unsure = replace(
        chart,
        bars=tuple(
            WrittenBar(tuple(replace(n, confidence=0.3 if "tom" in n.instrument else 0.95) for n in b.notes))
            for b in chart.bars
        ),
    )
    assert told - {p.instrument for p in measure_feel(unsure).placements} == {"high tom"}
    assert not any("tom" in line for line in measure_feel(unsure).lines())


@pytest.mark.parametrize(
    "ratio, word", [(1.0, "straight"), (1.4, "lightly swung"), (2.0, "swung, near the triplet"), (3.0, "swung hard")]
)
def test_swing_ratio(ratio, word):
    beat_s = 60 / 110
    late_s = beat_s * (ratio / (1 + ratio) - 0.5)
    chart = played(
        part(*[bar(H="xxxxxxxx", S="..x...x.", K="x...x...")] * 8), lambda n: late_s if (n.position * 8) % 2 else 1e-6
    )
    swing = {s.value: s for s in measure_feel(chart).swings}["8ths"]
    assert swing.ratio == pytest.approx(ratio, rel=0.01)
    assert any(word in line for line in measure_feel(chart).lines())


def test_swung_sixteenths_do_not_depend_on_a_late_kit():
    beat_s = 60 / 110
    chart = played(
        part(*[bar(H="xxxxxxxxxxxxxxxx")] * 4),
        lambda n: 0.02 + (beat_s / 2 * (0.6 - 0.5) if (n.position * 16) % 2 else 0),
    )
    swing = {s.value: s for s in measure_feel(chart).swings}["16ths"]
    assert swing.ratio == pytest.approx(1.5, rel=0.01)


def test_a_swung_part_is_not_late_for_its_swing():
    chart = played(
        part(*[bar(H="xxxxxxxx", S="..x...x.", K="x...x...")] * 8, feel="swing 8ths"),
        lambda n: 0.09 if (n.position * 8) % 2 else 0.01,
    )
    feel = measure_feel(chart)
    assert all(p.mean_ms == pytest.approx(10) for p in feel.placements)
    assert feel.swings[0].value == "8ths" and feel.swings[0].ratio > 1.7


def test_dynamics_of_each_limb():
    chart = part(*[bar(H="xxxxxxxx", S="..X.o.X.", K="x...x...")] * 4)
    found = {d.limb: d for d in measure_feel(chart, propose_sticking(chart)).dynamics}
    assert found["left hand"].loud > 100 and found["left hand"].soft < 50
    assert found["right hand"].median == found["right foot"].median == 80


def test_a_tempo_that_grows_is_rushing():
    t, bars = 0.0, []
    for k in range(40):
        beat_s = 60 / (100 + 0.3 * k)
        bars.append(Bar(Meter(), tuple(t + b * beat_s for b in range(4))))
        t += 4 * beat_s
    chart = Chart(TimeMap(bars, t), (ROCK,) * 40)
    feel = measure_feel(chart)
    assert feel.tempo_bpm == pytest.approx(100 + 0.3 * np.arange(40))
    assert "rushing by about 12 bpm" in feel.lines()[0]


def test_a_chart_written_by_hand_has_no_feel_but_its_tempo():
    feel = measure_feel(part(*[bar(H="xxxxxxxx")] * 8))
    assert feel.placements == feel.swings == feel.dynamics == ()
    assert feel.lines() == ("tempo 110 bpm, steady within 0.1 bpm",)
    assert measure_feel(part(WrittenBar())).lines() == ()


def test_sixteenths_of_compound_meters_swing():
    """They are measured, and what they are late for their swing is no lateness."""
    meter, eighth_s = Meter(6, 8), 60 / 110 / 3  # counted beats
    six_eight = part(*[bar(meter, H="xxxxxxxxxxxx")] * 8, meter=meter, feel="swing 16ths")
    chart = played(six_eight, lambda n: 0.01 + eighth_s * 0.1 * (n.position * 16 % 2))
    feel = measure_feel(chart)
    (swing,) = feel.swings
    assert swing.value == "16ths" and swing.ratio == pytest.approx(1.5, rel=0.01)
    assert all(p.mean_ms == pytest.approx(10) for p in feel.placements)


def test_eighths_of_compound_meters_have_no_swing():
    six_eight = part(*[bar(Meter(6, 8), H="xxxxxx")] * 8, meter=Meter(6, 8))
    chart = played(six_eight, lambda n: 0.005 * float(n.position))
    assert measure_feel(chart).swings == ()


def test_the_tempo_is_the_one_that_the_score_prints():
    beats = [0.5 * k for k in range(33)] + [16 + 0.4 * k for k in range(1, 33)]
    time_map = TimeMap([Bar(Meter(), tuple(beats[4 * k : 4 * k + 4])) for k in range(16)], beats[64])
    chart = Chart(time_map, (ROCK,) * 16, sections=(Section(0, "Verse"), Section(8, "Faster")))
    assert measure_feel(chart).lines()[0].startswith("tempo 120 bpm, 150 from bar 9")
    assert [m.tempo_bpm for m in tempo_marks(chart).values()] == [120, 150]
    starts_s = [2.0 * k + 0.03 * k * k for k in range(13)]
    slowing = TimeMap([Bar(Meter(), tuple(t + 0.5 * b for b in range(4))) for t in starts_s[:12]], starts_s[12])
    part_of_one = Chart(slowing, (ROCK,) * 12)
    (mark,) = tempo_marks(part_of_one).values()
    assert measure_feel(part_of_one).lines()[0].startswith(f"tempo {mark.tempo_bpm} bpm,")
