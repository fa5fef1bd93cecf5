"""Check and take on recordings that our own synthesis had no part in.

Patterns written here are played with a player's jitter and rendered by
FluidSynth (LGPL 2.1, program from Debian) with the General MIDI sound font of
the pretty_midi wheel (TimGM6mb, by Tim Brechbill, GPL 2), which the detector
never heard in training.  Requirement: damage is found, clean drums raise
false alarms on at most 5 % of the notes; means are measured within 3 ms and
spreads within 20 % of what was played.
"""

import shutil
from dataclasses import replace
from fractions import Fraction as F

import numpy as np
import pytest

from tests.benchmarks.bench_take import attacks
from tests.benchmarks.render import render_strokes, wheel_sound_font
from tests.test_align import SONG, chart_of, played
from workbench.chart import Note, WrittenBar
from workbench.checking.check import check_chart
from workbench.checking.playing import Click
from workbench.checking.take import assess_strokes
from workbench.listening.transcription import transcribe

BPM, START_S, SPREAD_S = 104.0, 1.5, 0.009

needs_fluidsynth = pytest.mark.skipif(
    shutil.which("fluidsynth") is None, reason="fluidsynth is not installed: apt install fluidsynth"
)
pytestmark = [needs_fluidsynth, pytest.mark.slow]


@pytest.fixture(scope="module")
def strokes():
    return played(SONG * 2, START_S, BPM, jitter_s=SPREAD_S)[0]


@pytest.fixture(scope="module")
def heard(strokes, tmp_path_factory):
    path = tmp_path_factory.mktemp("rendered") / "song.wav"
    render_strokes(strokes, path, wheel_sound_font())
    return transcribe(path, exact=True)


def test_a_clean_chart_raises_hardly_an_alarm(heard):
    check = check_chart(chart_of(SONG * 2, 120.0), heard)
    assert [b.bar_index for b in check.bars] == list(range(24))
    wrong = [f for f in check.findings if f.verdict == "wrong"]
    assert len(wrong) <= 0.05 * check.notes_aligned


def test_known_damage_is_found(heard):
    bars = list(SONG * 2)
    bars[4] = WrittenBar(
        tuple(
            replace(n, instrument={"kick": "snare", "snare": "kick"}.get(n.instrument, n.instrument))
            for n in bars[4].notes
        )
    )
    bars[8] = bars[8].without(F(3, 8), "kick")
    bars[17] = bars[17].with_note(Note(F(7, 16), "snare", 100))
    moved = bars[20].find(F(0), "kick")
    bars[20] = bars[20].with_note(replace(moved, deviation_s=0.06))
    del bars[12]
    check = check_chart(chart_of(bars, 120.0), heard)
    found = {(f.kind, f.bar_index) for f in check.findings}
    assert ("missing", 8) in found
    assert ("extra", 16) in found
    assert ("early", 19) in found
    assert sum(f.kind == "wrong drum" and f.bar_index == 4 for f in check.findings) >= 5
    assert any(kind in ("bar missing", "repeat") and 10 <= k <= 13 for kind, k in found)


def test_means_and_spreads_are_those_played(strokes, heard):
    chart = chart_of(SONG * 2, BPM)
    take = assess_strokes(chart, heard, Click(BPM, START_S))
    lines = START_S + np.arange(25) * 240 / BPM
    attack = attacks(wheel_sound_font())
    known: dict[str, list[float]] = {}
    places = sorted((lines[k] + float(n.position) * 240 / BPM, n.instrument) for k, n in chart.notes())
    for wanted_s, name in places:
        nearest = min((s.time_s for s in strokes if s.instrument == name), key=lambda t: abs(t - wanted_s))
        known.setdefault(name, []).append(1000 * (nearest - wanted_s + attack[name]))
    measured = {i.instrument: i for i in take.playing.instruments}
    for name in ("kick", "snare", "closed hi-hat"):
        assert measured[name].mean_ms == pytest.approx(np.mean(known[name]), abs=3.0)
        assert measured[name].spread_ms == pytest.approx(np.std(known[name]), rel=0.2)
