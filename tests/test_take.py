"""A take against the chart: known deviations come back, in figures and in words."""

import json
import re
from dataclasses import replace
from fractions import Fraction as F

import numpy as np
import pytest

from tests.sentences import says
from tests.test_alignment import FILL, GROOVE, SONG, VARIATION, bar, chart_of
from workbench.chart import Mark, Note, WrittenBar
from workbench.chart.events import Stroke
from workbench.checking.playing import WORKING_DRUMMERS_SPREAD_MS, Click
from workbench.checking.take import assess_strokes
from workbench.checking.take_report import bars_svg, strokes_svg, take_page, write_take
from workbench.errors import AnalysisError, WorkbenchError
from workbench.listening.transcription import Transcription

BPM, START_S = 100.0, 2.0
LONG = SONG + SONG


def play(bars=LONG, mean_ms=(), spread_ms=4.0, tempo_of=lambda bar_index, position: 1.0, velocity_of=None, seed=4):
    """Strokes of bars played to a click at 100 beats a minute, with known deviations.

    ``tempo_of(bar, position)`` is the tempo at a place over the click's.
    """
    rng = np.random.default_rng(seed)
    mean_ms = dict(mean_ms)
    # Time by adding up small steps at the tempo of each place.
    time_s, at = START_S, {}
    for k in range(len(bars)):
        for step in range(48):
            at[k, step] = time_s
            time_s += 240 / BPM / 48 / tempo_of(k, step / 48)
    strokes = []
    for k, b in enumerate(bars):
        for n in b.notes:
            deviation = rng.normal(mean_ms.get(n.instrument, 0.0), spread_ms) / 1000
            velocity = velocity_of(n) if velocity_of else n.velocity
            strokes.append(Stroke(at[k, int(n.position * 48)] + deviation, n.instrument, velocity))
    beats = [at[k, 12 * q] for k in range(len(bars)) for q in range(4)]
    return Transcription(tuple(sorted(strokes)), tuple(beats), time_s + 1)


CLICK = Click(BPM, START_S)


def assess(bars=LONG, click=CLICK, written=None, fills=(), **how):
    chart = chart_of(written or bars, 100.0)
    marks = tuple(Mark("fill", (k, F(0)), (k + 1, F(0)), confirmed=True) for k in fills)
    return assess_strokes(replace(chart, marks=marks), play(bars, **how), click)


def timing(take, name):
    return next(i for i in take.playing.instruments if i.instrument == name)


def test_means_and_spreads_against_the_click():
    take = assess(mean_ms={"snare": 12.0, "closed hi-hat": -11.0}, spread_ms=8.0)
    for name, mean in {"snare": 12.0, "closed hi-hat": -11.0, "kick": 0.0}.items():
        assert timing(take, name).mean_ms == pytest.approx(mean, abs=2.5)
        assert timing(take, name).spread_ms == pytest.approx(8.0, rel=0.2)
    assert any("snare sits 1" in a and "behind the click" in a for a in take.advice)
    assert any("closed hi-hat sits" in a and "ahead of the click" in a for a in take.advice)


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


@pytest.mark.parametrize("start_s", [START_S, None])
def test_a_take_that_drifts_from_the_click_is_measured_against_its_own_tempo(start_s):
    drifting = dict(tempo_of=lambda k, p: 1.0 + 0.05 * (k + p) / len(LONG), mean_ms={"snare": 12.0})
    take = assess(click=Click(BPM, start_s), **drifting)
    assert take.playing.against == "your own tempo" and "does not keep to the click" in take.warnings[0]
    assert timing(take, "snare").mean_ms - timing(take, "kick").mean_ms == pytest.approx(12.0, abs=3)
    steady = assess(click=Click(BPM, start_s), mean_ms={"snare": 12.0})
    assert steady.playing.against == "the click" and not steady.warnings


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


def test_getting_faster():
    take = assess(click=None, tempo_of=lambda k, p: 1.0 + 0.08 * (k + p) / len(LONG))
    assert take.playing.drift_percent == pytest.approx(8.0, abs=1.5)
    assert any("faster" in a for a in take.advice)
    steady = assess()
    assert abs(steady.playing.drift_percent) < 1.0
    assert any("keep the tempo" in s for s in steady.strengths)


@pytest.mark.parametrize("tempo, word", [(1.06, "rush"), (0.95, "drag")])
def test_rushed_and_dragged_fills(tempo, word):
    fills = {k for k, b in enumerate(LONG) if b is FILL}
    take = assess(click=None, fills=fills, tempo_of=lambda k, p: tempo if k in fills else 1.0)
    found = [f for f in take.playing.fills if f.bar_number - 1 in fills]
    assert len(found) == len(fills)
    assert np.median([f.tempo_change for f in found]) == pytest.approx(tempo - 1, abs=0.02)
    assert any(word in a for a in take.advice)
    assert not any("fills" in a for a in assess(click=None, fills=fills).advice)


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


def test_a_bar_left_out_is_told_and_the_rest_still_measured():
    played = LONG[:7] + LONG[8:]
    take = assess(played, written=LONG, mean_ms={"snare": 12.0})
    assert timing(take, "snare").mean_ms == pytest.approx(12.0, abs=2.5)
    assert len(take.warnings) == 1 and says(take.warnings[0], "bars 1–7, 9–24")
    assert says(take.advice[0], "Bar 8", "left out", "bars 7 to 9")
    assert not any("in your hands" in s for s in take.strengths)


def test_words_are_kind_few_and_explained():
    messy = assess(spread_ms=28.0, mean_ms={"kick": 20, "ride": -20}, tempo_of=lambda k, p: 1 + 0.004 * k)
    assert 1 <= len(messy.strengths) <= 3 and 1 <= len(messy.advice) <= 3
    assert "working drummers" in messy.remarks[0]
    tidy = assess(spread_ms=3.0)
    assert len(tidy.strengths) == 3 and tidy.advice == ()
    words = " ".join((*messy.strengths, *messy.advice, *messy.remarks)).lower()
    assert not any(bad in words for bad in ("score", "bad", "fail", "poor", "out of ten"))


def test_a_take_that_may_be_of_something_else_is_neither_praised_nor_advised(monkeypatch):
    # Made songs agree better than recordings do; the usual is set between the two takes.
    monkeypatch.setattr("workbench.checking.take_words.USUAL_TAKE_AGREEMENT", 0.9)
    assert assess().strengths
    other = [
        WrittenBar(tuple(replace(n, instrument="mid tom") if n.instrument.endswith("hi-hat") else n for n in b.notes))
        for b in LONG
    ]
    take = assess(other, written=LONG)
    assert "agree by" in take.warnings[0] and take.strengths == take.advice == ()
    page = take_page(take).html()
    assert "What goes well" not in page and "agree by" in page


def test_what_is_not_this_part_is_refused():
    other = [bar([3, 5, 11], [2, 6], "crash", 4)] * 12
    heard = play()
    noise = tuple(Stroke(t, "tambourine") for t in np.arange(1.0, 30.0, 0.37))
    with pytest.raises(AnalysisError, match="hardly agrees"):
        assess_strokes(chart_of(other), replace(heard, strokes=noise))


# -- pages -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def take():
    return replace(assess(mean_ms={"snare": 12.0}), recording="<monday>.wav")


def test_report_in_three_formats(take, tmp_path):
    for ending in (".html", ".pdf", ".json"):
        write_take(take, tmp_path / f"a{ending}")
    data = json.loads((tmp_path / "a.json").read_text())
    assert data["against"] == "the click" and len(data["instruments"]) == len(take.playing.instruments)
    assert (tmp_path / "a.pdf").read_bytes().startswith(b"%PDF")
    page = (tmp_path / "a.html").read_text()
    assert "&lt;monday&gt;.wav" in page and "<monday>" not in page
    assert "85 dBA over 8 hours" in page and "Publication No. 98-126" in page and "copyright" in page
    with pytest.raises(WorkbenchError, match="written as"):
        write_take(take, tmp_path / "a.doc")


def test_the_pdf_is_one_page(take):
    messy = replace(assess(spread_ms=28.0, mean_ms={"kick": 20, "ride": -20}), recording="x")
    for one in (take, messy):
        assert re.search(rb"/Type\s*/Pages\s*/Count (\d+)", take_page(one).pdf()).group(1) == b"1"


def test_pictures_show_every_instrument_and_bar(take):
    strokes, bars = strokes_svg(take), bars_svg(take)
    for i in take.playing.instruments:
        assert f">{i.instrument}<" in strokes
    assert strokes.count("<circle") == len(take.playing.deviations)
    assert bars.count("#F3E5C3") == len(take.playing.fills)
    # A fill that begins a little early is still shaded in its own bar.
    early = replace(
        take,
        playing=replace(take.playing, fills=tuple(replace(f, start_s=f.start_s - 0.03) for f in take.playing.fills)),
    )
    late = replace(
        take,
        playing=replace(take.playing, fills=tuple(replace(f, start_s=f.start_s + 0.03) for f in take.playing.fills)),
    )
    assert take.playing.fills and bars_svg(early) == bars_svg(late) == bars
    assert WORKING_DRUMMERS_SPREAD_MS[0] < WORKING_DRUMMERS_SPREAD_MS[1] < WORKING_DRUMMERS_SPREAD_MS[2]
    assert "<h2>What goes well</h2>" in take_page(take).html()


def test_averages_that_rest_on_little_are_told_as_about():
    """Every fourth hi-hat unheard, and a kick whose few strokes spread widely; the snare is plain."""
    heard = play(mean_ms={"closed hi-hat": 11.0, "snare": 11.0})
    hats = [s for s in heard.strokes if s.instrument == "closed hi-hat"][::4]
    take = assess_strokes(
        chart_of(LONG, BPM), replace(heard, strokes=tuple(s for s in heard.strokes if s not in hats)), CLICK
    )
    page = take_page(take).html()
    rows = {row.split("</td>")[0]: row for row in page.split("<tr><td>")[1:]}
    assert "about 1" in rows["closed hi-hat"] and "about" not in rows["snare"]
    assert any(r.startswith("“About”") for r in take.remarks)
    assert not any(r.startswith("“About”") for r in assess().remarks)


def test_a_drum_played_where_another_is_written_is_named():
    """Hi-hats where the ride is written: not a tempo at which strokes get lost, and no habit of leaving them out."""
    played = [
        WrittenBar(tuple(replace(n, instrument="closed hi-hat") if n.instrument == "ride" else n for n in b.notes))
        for b in LONG
    ]
    take = assess(played, written=LONG)
    rides = sum(n.instrument == "ride" for b in LONG for n in b.notes)
    assert take.advice[0].startswith(f"You play closed hi-hat where ride is written: {rides} strokes, bars 5–7,")
    assert not any("missing" in a or "left out" in a for a in take.advice)
    assert "ride on 1 (closed hi-hat instead): bars 5–7, 17–19" in take_page(take).html()


def test_advice_names_the_bars_of_the_drum_it_speaks_of():
    more = [b.with_note(Note(F(5, 8), "floor tom")) if k in (2, 4, 5, 8) else b for k, b in enumerate(LONG)]
    more = [b.with_note(Note(F(3, 16), "crash")) if k in (12, 13) else b for k, b in enumerate(more)]
    (advice,) = [a for a in assess(more, written=LONG).advice if "not in the part" in a]
    assert advice.startswith("4 floor tom strokes") and "most of them in bars 3, 5–6" in advice


def test_a_ladder_of_tempi_is_not_called_rushing():
    take = assess(click=None, tempo_of=lambda k, p: 1.0 + 0.28 * (k + p) / len(LONG))
    assert any("ladder of tempi" in a for a in take.advice) and not any("falls silent" in a for a in take.advice)


def test_a_wide_spread_is_not_praised():
    for spread_ms in (8.0, 22.0, 28.0, 36.0):
        take = assess(spread_ms=spread_ms)
        praised = [float(m[1]) for s in take.strengths if (m := re.search(r"vary by (\d+) ms", s))]
        assert all(p <= 26 for p in praised)
        least = min(i.spread_ms for i in take.playing.instruments if i.spread_ms is not None and i.played >= 10)
        assert bool(praised) == (least <= 25.9)
