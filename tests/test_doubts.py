"""Hits of a draft that are doubtful."""

from dataclasses import replace
from fractions import Fraction as F

import pytest

from tests.parts import FILL, bar, drummed, part
from workbench.chart import DOUBT_BELOW, Chart, Mark, Note, PossibleHit, WrittenBar
from workbench.chart.meter import TimeMap
from workbench.commands.practice import _nothing
from workbench.errors import LONGEST_MESSAGE, WorkbenchError
from workbench.practice.exercises import (
    LISTEN_FIRST_LEARNING,
    MOST_RUNS_NAMED,
    choose_exercises,
    section_exercise,
    untaught,
    untaught_told,
)
from workbench.practice.pack import make_practice_pack
from workbench.reading.doubts import (
    COUNTED_FOR_EXPECTED,
    COUNTED_OF_MACHINES,
    HeardBars,
    doubtful_hits,
    expected_corrections,
    is_doubtful,
    mostly_doubtful,
    quality,
)
from workbench.reading.fill_reading import read_fills
from workbench.reading.read import read_part

BAR = bar(K="x.x.x.x.", S="..x...x.", T="......xx")


def chart_with(confidence, confirmed=False):
    notes = tuple(replace(n, confidence=confidence.get(n.instrument, 1.0), confirmed=confirmed) for n in BAR.notes)
    return Chart(TimeMap.steady(2, 100), (replace(BAR, notes=notes),) * 2)


def test_a_hit_is_doubtful_below_the_limit_until_the_user_confirms_it():
    (note, *_) = BAR.notes
    assert is_doubtful(replace(note, confidence=DOUBT_BELOW - 0.01, confirmed=False))
    assert not is_doubtful(replace(note, confidence=DOUBT_BELOW, confirmed=False))
    assert not is_doubtful(replace(note, confidence=0.0, confirmed=True))


def test_instruments_are_named_where_most_hits_are_doubtful_and_there_are_enough():
    unsure = {"kick": 0.3, "high tom": 0.2}
    assert doubtful_hits(chart_with(unsure)) == {"kick": 8, "high tom": 4}
    assert doubtful_hits(replace(chart_with(unsure), doubt_below=0.25)) == {"high tom": 4}  # the chart's own limit
    assert mostly_doubtful(chart_with(unsure)) == {"high tom": "4 of 4", "kick": "8 of 8"}
    assert mostly_doubtful(chart_with(unsure, confirmed=True)) == {}
    few = replace(chart_with(unsure), time_map=TimeMap.steady(1, 100), bars=chart_with(unsure).bars[:1])
    assert mostly_doubtful(few) == {"kick": "4 of 4"}  # two strokes of the tom tell nothing


def test_corrections_are_expected_of_unsure_hits_and_of_possible_ones():
    chart = chart_with({"high tom": 0.5})
    assert expected_corrections(drummed(chart)) == pytest.approx([COUNTED_FOR_EXPECTED] * 2)
    assert expected_corrections(chart) == pytest.approx([COUNTED_OF_MACHINES] * 2)
    assert expected_corrections(chart_with({"high tom": 0.5}, confirmed=True)) == [0.0, 0.0]
    in_place = PossibleHit(6 * 0.3, "mid tom", probability=0.4)  # instead of the first unsure tom
    beside = PossibleHit(2.4 + 0.3, "crash", probability=0.3)
    more = expected_corrections(replace(chart, possible_hits=(in_place, beside)))
    assert more == pytest.approx([COUNTED_OF_MACHINES, 1.3 * COUNTED_OF_MACHINES])


@pytest.mark.parametrize(
    "corrections, says", [(0.2, "expect 0.2"), (8.2, "Too poor to trust: expect 8 corrections a bar")]
)
def test_quality_is_told_in_corrections_a_bar(corrections, says):
    assert says in quality(corrections)


# -- sentences and what they rest on -------------------------------------------------------

GROOVE = bar(H="x.x.x.x.x.x.x.x.", S="....x.......x...", K="x.......x.......")


def heard(written, confidence=0.97, **of):
    """A bar as a draft has it; some of its hits less sure, by instrument and position."""
    return WrittenBar(
        tuple(replace(n, confidence=of.get(f"{n.instrument[0]}{n.position * 16}", confidence)) for n in written.notes)
    )


def song(third, fill, fill_confidence=0.97):
    plain = heard(GROOVE)
    return part(*[plain] * 2, third, plain, *[plain] * 3, heard(fill, fill_confidence), *[plain] * 4)


MORE_KICK = GROOVE.with_note(Note(F(7, 8), "kick"))


def test_a_change_is_told_marked_or_left_out_as_its_hit_is_sure():
    for confidence, begins in ((0.98, "kick on the & of 4"), (0.7, "listen first: kick on"), (0.2, None)):
        reading = read_part(drummed(song(heard(MORE_KICK, k14=confidence), FILL)))
        said = [s for s in reading.statements if s.kind == "variation" and 2 in s.bars]
        assert [s.text.startswith(begins) for s in said] == [True] * (begins is not None)
        page, everything = reading.to_markdown(), reading.to_markdown(everything=True)
        assert ("kick on the & of 4" in page) == (begins is not None) and "kick on the & of 4" in everything
        # What a page leaves out it says, with its bars and how to see it; what its mark asks for, too.
        assert ("--all" in page) == (begins is None) and "--all" not in everything
        assert ("There may be more in bar 3," in page) == (begins is None)
        assert ("compare them with what is" in page) == ("listen first" in page)
        assert ("perhaps: kick on" in everything) == ("likelier wrong than right" in everything) == (begins is None)
        # The data tell every stroke, with what it rests on.
        (told,) = [v for v in reading.to_data()["variations"] if v["bars"] == [3]]
        assert told["grounds"]["hits"] == 1 and told["grounds"]["least_sure"] == confidence
        taught = [e.title for e in choose_exercises(reading, kinds=("variation",))]
        assert bool(taught) == (confidence == 0.98)
        assert ("bar 3" in untaught(reading)) == (confidence < 0.98)


def test_of_programmed_music_nothing_is_told_plainly_until_it_is_confirmed():
    """There drafts are surer than right: of sentences that would be plain 60 of 72 are true."""

    def told(chart):
        return [s.text for s in read_part(chart).statements if s.kind == "variation" and 2 in s.bars]

    programmed = song(heard(MORE_KICK, k14=0.98), FILL)
    assert [t.startswith("listen first: kick on") for t in told(programmed)] == [True]
    assert [t.startswith("kick on") for t in told(drummed(programmed))] == [True]
    confirmed = [replace(b, notes=tuple(replace(n, confirmed=True) for n in b.notes)) for b in programmed.bars]
    assert [t.startswith("kick on") for t in told(replace(programmed, bars=tuple(confirmed)))] == [True]
    written = [replace(b, notes=tuple(replace(n, confidence=1.0) for n in b.notes)) for b in programmed.bars]
    assert [t.startswith("kick on") for t in told(replace(programmed, bars=tuple(written)))] == [True]


def test_a_fill_of_doubtful_hits_is_marked_and_not_taught(tmp_path):
    sure, doubtful, faint = (read_part(song(heard(GROOVE), FILL, c)) for c in (1.0, 0.95, 0.3))
    assert "listen first" not in sure.fills[0].text and choose_exercises(sure, kinds=("fill",))
    assert "listen first" in doubtful.fills[0].text and "snare" in doubtful.fills[0].text
    # Of a fill that is hardly heard the rhythm is told, and no drums.
    assert faint.fills[0].text.startswith("listen first: ") and "tom" not in faint.fills[0].text
    assert sure.fills[0].clauses[0][0].split(" in groups")[0] in faint.fills[0].text
    # Hands would give the drums away; all of it tells them.
    for reading, hands in ((sure, True), (doubtful, doubtful.fills[0].hands_told), (faint, False)):
        of_fills = [reading.to_markdown(everything).split("## Fills")[1] for everything in (False, True)]
        assert ["Hands" in page for page in of_fills] == [hands, True]
        assert ("The drums of the fill in bar 8" in of_fills[0]) == (not hands)
    for reading in (doubtful, faint):
        named = section_exercise(reading.chart, 7, 7, reading=reading).listen_for
        assert named[0].lower().startswith("listen first") and named[-1] == LISTEN_FIRST_LEARNING, (
            "what that asks is said with it"
        )
        assert not choose_exercises(reading, kinds=("fill",)) and "fill of bar 8" in untaught(reading)
        with pytest.raises(WorkbenchError, match="nothing to practise.* fill of bar 8: the draft is not sure of them"):
            make_practice_pack(reading.chart, tmp_path / "pack", exercises=(), reading=reading)


def test_an_error_names_few_of_many_doubtful_bars_and_only_the_kinds_asked_for():
    bars = [heard(MORE_KICK if k % 3 == 2 else GROOVE, 0.95, k14=0.7) for k in range(60)]
    bars[7::16] = [heard(FILL, 0.5)] * len(bars[7::16])
    reading = read_part(part(*bars))
    (both,), (fills,) = (
        untaught_told(reading, most_runs=MOST_RUNS_NAMED),
        untaught_told(reading, kinds=("fill",), most_runs=MOST_RUNS_NAMED),
    )
    assert "changes" in both and "changes" not in fills and "…" in both and "…" not in untaught(reading)
    said = _nothing(("variation", "fill"), None, None, (both,))
    assert len(said) <= LONGEST_MESSAGE and said.endswith("as they are.")


def test_that_nothing_was_heard_is_no_proof():
    """A stroke that the draft lacks in one bar is never said to be missing without the mark, however sure the rest."""
    for gone in ((F(7, 8), "closed hi-hat"), (F(3, 4), "snare")):
        reading = read_part(song(heard(GROOVE.without(*gone), 0.98), FILL, 0.98))
        said = [s.text for s in reading.statements if s.kind == "variation" and s.bars == (2,)]
        assert all(text.startswith("listen first: no ") for text in said)
    written = read_part(part(GROOVE, GROOVE, GROOVE.without(F(7, 8), "closed hi-hat"), *[GROOVE] * 5))
    assert [s.text for s in written.statements if s.kind == "variation"] == ["no hi-hat on the & of 4"]


def test_a_place_between_two_grids_is_as_sure_as_the_stroke_lies_near_it():
    """A stroke halfway between the last triplet and the last sixteenth of a beat, in a song of sixteenths."""

    def placed(off_s, *other, feel="straight"):
        late = Note(F(11, 12), "snare", confidence=0.97, deviation_s=off_s)
        chart = replace(part(heard(GROOVE.with_note(late)), *map(heard, other)), feel=feel)
        return HeardBars(chart, range(len(chart))).placed(0, late.key)

    apart_s = part(GROOVE).time_map.seconds(0, F(15, 16)) - part(GROOVE).time_map.seconds(0, F(11, 12))
    sixteenths, triplets = bar(S="xxxxxxxxxxxxxxxx"), bar(S="xxxxxxxxxxxx")
    assert placed(apart_s / 2, triplets) > 0.6 > 0.4 > placed(apart_s / 2, sixteenths)
    assert placed(-0.005) > placed(apart_s / 2) > placed(apart_s)
    assert placed(apart_s / 2, feel="swing 8ths") == 1
    on_beat = HeardBars(part(heard(GROOVE)), range(1))
    assert on_beat.placed(0, (F(1, 4), "snare")) == 1


def test_three_even_strokes_in_a_beat_are_no_triplet_however_late_the_last():
    """A run of sixteenths that rushes, in a song with hardly another: told plainly, as what it is."""
    run = [Note(F(k, 16), "snare", confidence=0.98, deviation_s=-0.015 * (k - 12)) for k in (13, 14, 15)]
    fill = heard(GROOVE)
    for note in run:
        fill = fill.with_note(note)
    chart = part(*[heard(GROOVE)] * 5, fill)
    bare = heard(GROOVE.without(F(7, 8), "closed hi-hat"))
    alone = part(*[heard(GROOVE)] * 5, bare.with_note(run[-1]))
    assert HeardBars(chart, range(6)).placed(5, run[-1].key) > 0.99
    assert HeardBars(alone, range(6)).placed(5, run[-1].key) < 0.9


def test_how_a_fill_is_grouped_is_as_doubtful_as_its_drums():
    """Something was struck at each moment, though on which drum is not sure."""
    notes = tuple(Note(F(k, 8), name, confidence=0.65) for k in range(8) for name in ("snare", "floor tom"))
    grouped = WrittenBar(
        tuple(n for n in notes if (n.position < F(3, 8)) == (n.instrument == "snare"))
        + tuple(Note(F(k, 8), "kick", confidence=0.97) for k in range(8))
    )
    (fill,) = read_fills(drummed(part(*[heard(GROOVE)] * 3, grouped)), [Mark("fill", (3, F(0)), (4, F(0)))])
    told = {text.split(" ")[0]: grounds for text, grounds in fill.clauses}
    assert told["8ths"].is_plain and told["in"].is_left_out and "groups" not in fill.text


def test_what_is_confirmed_or_written_is_told_plainly():
    doubtful = song(heard(MORE_KICK, 0.4), FILL, 0.4)
    confirmed = replace(
        doubtful, bars=tuple(WrittenBar(tuple(replace(n, confirmed=True) for n in b.notes)) for b in doubtful.bars)
    )
    assert "listen first" in read_part(doubtful).to_markdown()
    for chart in (confirmed, song(GROOVE, FILL, 1.0)):
        reading = read_part(chart)
        assert "listen first" not in reading.to_markdown().lower() and untaught(reading) == ""


def test_more_bars_and_more_confidence_make_a_hit_surer():
    bars = [heard(GROOVE, 0.8)] * 4 + [heard(MORE_KICK, 0.8)] * 4
    heard_bars = HeardBars(part(*bars), range(8))
    often, once = ((F(0), "kick"), (F(7, 8), "kick"))
    assert 0.8 < heard_bars.played(4, once) < heard_bars.played(4, often) < 1


def test_a_stroke_that_the_draft_thinks_possible_is_no_silence():
    chart = part(*[heard(GROOVE, 0.9)] * 4)
    place = (F(7, 8), "kick")
    possible = PossibleHit(chart.time_map.seconds(1, F(7, 8)), "kick", 80, 0.7, "It is heard faintly.")
    assert HeardBars(replace(chart, possible_hits=(possible,)), range(4)).silent(1, place) == pytest.approx(0.3)
    assert HeardBars(chart, range(4)).silent(1, place) > 0.5
