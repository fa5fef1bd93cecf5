"""A take against the chart: known deviations come back, in figures and in words."""

from dataclasses import replace
from fractions import Fraction as F

import numpy as np
import pytest

from tests.sentences import says
from tests.takes import BPM, CLICK, LONG, START_S, assess, play
from tests.test_align import CHORUS, FILL, GROOVE, SONG, VARIATION, chart_of
from workbench.chart import Note, WrittenBar
from workbench.checking.playing import Click
from workbench.checking.take import assess_strokes


def timing(take, name):
    return next(i for i in take.playing.instruments if i.instrument == name)


@pytest.mark.slow
@pytest.mark.parametrize("start_s", [START_S, None])
def test_a_take_that_drifts_from_the_click_is_measured_against_its_own_tempo(start_s):
    drifting = dict(tempo_of=lambda k, p: 1.0 + 0.05 * (k + p) / len(LONG), mean_ms={"snare": 12.0})
    take = assess(click=Click(BPM, start_s), **drifting)
    assert take.playing.against == "your own tempo" and "does not keep to the click" in take.warnings[0]
    assert timing(take, "snare").mean_ms - timing(take, "kick").mean_ms == pytest.approx(12.0, abs=3)
    steady = assess(click=Click(BPM, start_s), mean_ms={"snare": 12.0})
    assert steady.playing.against == "the click" and not steady.warnings


@pytest.mark.slow
def test_missed_and_added_strokes():
    without_kick = [b.without(F(3, 8), "kick") for b in LONG]
    take = assess(without_kick, written=LONG)
    kick = timing(take, "kick")
    lost = sum(b.find(F(3, 8), "kick") is not None for b in LONG)
    assert kick.missed + kick.unsure == lost and kick.played == kick.written - lost
    more = [b.with_note(Note(F(5, 8), "floor tom")) for b in LONG]
    take = assess(more, written=LONG)
    assert timing(take, "floor tom").added == sum(b.find(F(5, 8), "floor tom") is None for b in LONG)
    assert any("not in the part" in a for a in take.advice)


@pytest.mark.slow
def test_getting_faster():
    take = assess(click=None, tempo_of=lambda k, p: 1.0 + 0.08 * (k + p) / len(LONG))
    assert take.playing.drift_percent == pytest.approx(8.0, abs=1.5)
    assert any("faster" in a for a in take.advice)
    steady = assess()
    assert abs(steady.playing.drift_percent) < 1.0
    assert any("keep the tempo" in s for s in steady.strengths)


@pytest.mark.slow
@pytest.mark.parametrize("tempo, word", [(1.06, "rush"), (0.95, "drag")])
def test_rushed_and_dragged_fills(tempo, word):
    fills = {k for k, b in enumerate(LONG) if b is FILL}
    take = assess(click=None, fills=fills, tempo_of=lambda k, p: tempo if k in fills else 1.0)
    found = [f for f in take.playing.fills if f.bar_number - 1 in fills]
    assert len(found) == len(fills)
    assert np.median([f.tempo_change for f in found]) == pytest.approx(tempo - 1, abs=0.02)
    assert any(word in a for a in take.advice)
    assert not any("fills" in a for a in assess(click=None, fills=fills).advice)


FILLS = {k for k, b in enumerate(LONG) if b is FILL}


@pytest.mark.slow
@pytest.mark.parametrize("click", [None, CLICK])
def test_one_rushed_fill_among_others_is_told(click):
    """120 ms early at its end, and on from there."""
    take = assess(click=click, fills=FILLS, tempo_of=lambda k, p: 2.4 / 2.28 if k == 11 else 1.0)
    (advice,) = [a for a in take.advice if "fill" in a]
    assert says(advice, "fill of bar 12", "rushes", "5 %")
    assert not any("keep the tempo" in s for s in take.strengths)
    fill = next(f for f in take.playing.fills if f.bar_number == 12)
    assert fill.tempo_change == pytest.approx(0.053, abs=0.01) and fill.landing_ms == pytest.approx(-120, abs=20)


@pytest.mark.slow
@pytest.mark.parametrize("click", [None, CLICK])
def test_a_fill_that_comes_early_and_waits_for_the_one_is_told(click):
    take = assess(click=click, fills=FILLS, shift_ms=lambda k: -70.0 if k == 11 else 0.0)
    (advice,) = [a for a in take.advice if "fill" in a]
    assert says(advice, "fill of bar 12", "early", "waits for the 1")
    assert not any("fill" in a for a in assess(click=click, fills=FILLS).advice)


def test_bars_ahead_of_the_click_are_told_and_no_slips():
    take = assess(shift_ms=lambda k: -120.0 if k >= 19 else 0.0, mean_ms={"snare": 12.0})
    assert says(take.advice[0], "bars 20–24", "ms ahead of the click")
    assert take.playing.off_click[0].mean_ms == pytest.approx(-120, abs=4)
    assert not any("keep the tempo" in s for s in take.strengths)
    assert sum(i.slips for i in take.playing.instruments) == 0
    assert timing(take, "snare").mean_ms == pytest.approx(12.0, abs=2.5)
    assert timing(take, "snare").spread_ms == pytest.approx(4.0, rel=0.4)


def test_slips_are_told():
    heard = play()
    strokes = [replace(s, time_s=s.time_s + 0.05 * (k % 40 == 20)) for k, s in enumerate(heard.strokes)]
    take = assess_strokes(chart_of(LONG, 100.0), replace(heard, strokes=tuple(sorted(strokes))), CLICK)
    assert any(says(a, "single strokes", "slip") for a in take.advice)


@pytest.mark.slow
def test_a_click_that_was_never_played_to_is_not_measured_against():
    """The player wanders by 4 % about the click's tempo."""
    for phase in range(3):
        for click in (Click(BPM), Click(BPM, START_S)):
            wandering = lambda k, p, phase=phase: 1.0 + 0.04 * np.sin(k / 2.7 + phase)
            take = assess(click=click, tempo_of=wandering, mean_ms={"snare": 12.0})
            assert take.playing.against == "your own tempo"
            assert says(take.warnings[0], "does not keep to the click", "you played at")
            assert timing(take, "snare").spread_ms < 20


@pytest.mark.slow
@pytest.mark.parametrize("click", [None, Click(BPM), CLICK])
def test_a_kick_that_is_early_is_told_as_early_as_it_is(click):
    take = assess(click=click, mean_ms={"kick": -20.0})
    assert timing(take, "kick").mean_ms == pytest.approx(-20.0, abs=3)
    assert timing(take, "snare").mean_ms == pytest.approx(0.0, abs=3)
    (advice,) = [a for a in take.advice if "sits" in a]
    assert f"ahead of {'the click' if click is CLICK else 'your closed hi-hat'}" in advice


def test_ghost_notes_that_nobody_hears_are_told():
    ghosts = [
        WrittenBar((*b.notes, *(Note(F(k, 16), "snare", 35, frozenset({"ghost"})) for k in (7, 9))))
        for b in [GROOVE] * 16
    ]
    take = assess([GROOVE] * 16, written=ghosts)
    assert any(says(a, "None of the 32 ghost notes", "left out, or softer") for a in take.advice)
    assert not any("consistent" in s or "ghost" in s for s in take.strengths)
    assert not any("ghost" in a for a in assess(ghosts).advice)


def test_ghost_notes_too_loud():
    ghosts = [
        WrittenBar(
            tuple(b.notes)
            + tuple(Note(F(k, 16), "snare", 35, frozenset({"ghost"})) for k in (7, 9) if not b.find(F(k, 16), "snare"))
        )
        for b in (GROOVE, VARIATION)
    ] * 8
    loud = assess(ghosts, velocity_of=lambda n: 75 if "ghost" in n.articulations else 100)
    soft = assess(ghosts, velocity_of=lambda n: 35 if "ghost" in n.articulations else 100)
    (figure,) = loud.playing.ghosts
    assert (figure.instrument, figure.ratio, figure.wanted) == ("snare", 0.75, 0.35)
    assert any("Ghost notes" in a for a in loud.advice) and not any("Ghost notes" in a for a in soft.advice)
    assert soft.playing.ghosts[0].ratio == 0.35


def test_a_bar_left_out_is_told_and_the_rest_still_measured():
    played = LONG[:7] + LONG[8:]
    take = assess(played, written=LONG, mean_ms={"snare": 12.0})
    assert timing(take, "snare").mean_ms == pytest.approx(12.0, abs=2.5)
    assert len(take.warnings) == 1 and says(take.warnings[0], "bars 1–7, 9–24")
    assert says(take.advice[0], "Bar 8", "left out", "bars 7–9 round and round")
    assert not any("in your hands" in s for s in take.strengths)


def test_a_bar_left_out_among_bars_alike_is_not_named():
    bars = [CHORUS, CHORUS, *[GROOVE] * 6, FILL, CHORUS, CHORUS, CHORUS, FILL, VARIATION, GROOVE, VARIATION]
    take = assess(bars[:4] + bars[5:], written=bars)
    assert says(take.advice[0], "One of bars 3–8, which are alike, is left out")
    assert says(assess(bars[:8] + bars[9:], written=bars).advice[0], "Bar 9 is left out")


#: A song of 36 bars that ends with a crash on the 1.
ENDING = WrittenBar((Note(F(0), "crash", 110), Note(F(0), "kick", 100)))
WITH_ENDING = [*LONG, *LONG[:11], ENDING]


def bars_in_order(take):
    return [b.chart_bar for b in take.playing.alignment.bars]


@pytest.mark.parametrize("stops", [7, 15])
def test_a_last_stroke_is_no_far_bar(stops):
    take = assess([*WITH_ENDING[:stops], ENDING], written=WITH_ENDING)
    assert bars_in_order(take) == list(range(stops))
    assert len(take.warnings) == 1 and says(take.warnings[0], f"plays bars 1–{stops} of the part")
    assert not any("left out" in a for a in take.advice)
    assert says(take.strengths[0], "you know these bars")


def test_the_end_that_is_played_after_a_cut_is_the_end():
    take = assess(WITH_ENDING[:15] + WITH_ENDING[30:], written=WITH_ENDING)
    assert bars_in_order(take) == [*range(15), *range(30, 36)]
    assert says(take.advice[0], "Bars 16–30 are left out", "straight to bar 31", "bars 15–16 round and round")


def test_a_passage_played_again_is_told():
    take = assess(LONG[:8] + LONG[4:], written=LONG)
    assert says(take.warnings[0], "bars 5–8 twice", "once") and not take.advice
    thrice = assess(SONG[4:8] * 3, written=SONG)
    assert says(thrice.warnings[0], "plays bars 5–8 of the part") and says(thrice.warnings[1], "bars 5–8 three times")
    assert not assess().warnings


def test_a_single_bar_played_again_is_told_and_counted():
    take = assess(LONG[:7] + LONG[6:], written=LONG)
    assert bars_in_order(take) == [*range(7), *range(6, 24)]
    assert says(take.warnings[0], "bar 7 twice", "it once")
    other = [Note(F(k, 16), "cowbell" if k % 2 else "floor tom", 100) for k in range(16)]
    beside = assess([*LONG[:7], WrittenBar(tuple(other)), *LONG[7:]], written=LONG)
    assert not beside.warnings and any(says(r, "After bar 7", "not in the chart") for r in beside.remarks)


def test_a_fill_beyond_a_cut_is_no_change_of_tempo():
    take = assess(LONG[:6] + LONG[9:], written=LONG, fills={10}, click=None)
    assert bars_in_order(take) == [*range(6), *range(9, 24)]
    assert not any("fill" in a for a in take.advice)


# -- pages -----------------------------------------------------------------------------------
