"""How a chart was played, in figures, against takes whose every deviation is known."""

from dataclasses import replace

import numpy as np
import pytest

from tests.takes import BPM, CLICK, LONG, START_S, assess, play
from tests.test_align import FILL, GROOVE, VARIATION, bar, chart_of
from tests.test_take import timing
from workbench.chart.events import Stroke
from workbench.checking.playing import Click
from workbench.checking.take import assess_strokes
from workbench.errors import AnalysisError


def test_means_and_spreads_against_the_click():
    take = assess(mean_ms={"snare": 12.0, "closed hi-hat": -11.0}, spread_ms=8.0)
    for name, mean in {"snare": 12.0, "closed hi-hat": -11.0, "kick": 0.0}.items():
        assert timing(take, name).mean_ms == pytest.approx(mean, abs=2.5)
        assert timing(take, name).spread_ms == pytest.approx(8.0, rel=0.2)
    assert any("snare sits 1" in a and "behind the click" in a for a in take.advice)
    assert any("closed hi-hat sits" in a and "ahead of the click" in a for a in take.advice)


@pytest.mark.slow
def test_where_the_click_began_may_be_unknown():
    known = assess(mean_ms={"snare": 12.0})
    unknown = assess(mean_ms={"snare": 12.0}, click=Click(BPM))
    apart = lambda take: timing(take, "snare").mean_ms - timing(take, "kick").mean_ms
    assert apart(unknown) == pytest.approx(apart(known), abs=0.5)
    assert any("not known" in r for r in unknown.remarks) and not any("not known" in r for r in known.remarks)


@pytest.mark.parametrize("wrong", [0.8, 1.2, 2.0, 0.3])
def test_a_click_that_nobody_heard_is_refused(wrong):
    with pytest.raises(AnalysisError, match=f"about {BPM:.0f} counted beats a minute, not to a click of"):
        assess(click=Click(BPM * wrong))


@pytest.mark.parametrize("tempo", [0.0, -5.0, 0.5, 1000.0, float("nan"), float("inf")])
def test_no_such_click(tempo):
    with pytest.raises(AnalysisError, match="beats a minute is none"):
        Click(tempo)


@pytest.mark.parametrize("start_s", [-1.0, float("nan"), float("inf")])
def test_no_click_begins_there(start_s):
    with pytest.raises(AnalysisError, match="cannot begin"):
        Click(100.0, start_s)


@pytest.mark.slow
@pytest.mark.parametrize("times", [1, 4])
@pytest.mark.parametrize("click", [None, CLICK])
def test_a_take_of_some_bars_round_and_round(times, click):
    """A fill and the bar before it, played as a loop, against the chart of the whole song."""
    at = next(k for k, b in enumerate(LONG) if b is FILL)
    chart = chart_of(LONG, BPM)
    heard = play(LONG[at - 1 : at + 1] * times, mean_ms={"snare": 12.0})
    take = assess_strokes(chart, heard, click, only_bars=(at - 1, at))
    assert [b.bar_number for b in take.playing.bars] == [at, at + 1] * times
    assert take.playing.written == times * sum(len(b.notes) for b in LONG[at - 1 : at + 1])
    assert take.playing.played == take.playing.written and not take.warnings


def test_without_a_click_the_players_own_tempo_counts():
    take = assess(click=None, mean_ms={"snare": 12.0}, tempo_of=lambda k, p: 1.07)
    assert take.playing.against == "your own tempo"
    assert take.playing.tempo_bpm == pytest.approx(107.0, rel=0.01)
    assert timing(take, "snare").mean_ms - timing(take, "kick").mean_ms == pytest.approx(12.0, abs=3)
    assert timing(take, "kick").spread_ms == pytest.approx(4.0, rel=0.4)


def test_consistency_between_repeats():
    bars = [GROOVE, VARIATION] * 8
    for spread in (5.0, 14.0):
        take = assess(bars, spread_ms=spread)
        assert len(take.playing.repeats) == 2
        for repeat in take.playing.repeats:
            assert repeat.spread_ms == pytest.approx(spread, rel=0.25)
        assert {r.bar_numbers for r in take.playing.repeats} == {tuple(range(1, 17, 2)), tuple(range(2, 17, 2))}


def test_a_slip_is_no_spread():
    heard = play()
    late = replace(heard.strokes[100], time_s=heard.strokes[100].time_s + 0.06)
    strokes = tuple(sorted((*heard.strokes[:100], late, *heard.strokes[101:])))
    take = assess_strokes(chart_of(LONG, 100.0), replace(heard, strokes=strokes), Click(BPM, START_S))
    slipped = timing(take, late.instrument)
    assert slipped.slips == 1 and slipped.spread_ms == pytest.approx(4.0, rel=0.3)


def test_what_is_not_this_part_is_refused():
    other = [bar([3, 5, 11], [2, 6], "crash", 4)] * 12
    heard = play()
    noise = tuple(Stroke(t, "tambourine") for t in np.arange(1.0, 30.0, 0.37))
    with pytest.raises(AnalysisError, match="hardly agrees"):
        assess_strokes(chart_of(other), replace(heard, strokes=noise))
