"""The drums of a chart as a whole: counted, heard by their clearest strokes, named or taken out in one step."""

from dataclasses import replace
from fractions import Fraction as F

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.charts import NAMES, charts
from workbench.chart import Chart, Note, PossibleHit, WrittenBar
from workbench.chart.drumkit import articulations_of, instrument
from workbench.chart.drums import MOST_EXAMPLES, clearest, drums_of, named_words, places_said, times_said
from workbench.chart.edits import NAMED_CONFIDENCE, NameDrum, apply
from workbench.chart.meter import TimeMap
from workbench.chart.pocket import Lag, Pocket
from workbench.errors import ChartError

HATS = tuple(Note(F(k, 8), "open hi-hat", 60, confidence=0.5, deviation_s=0.01) for k in range(8))
DRUMS = (Note(F(0), "kick", 110, confidence=0.9), Note(F(1, 2), "kick", 100, confidence=0.9))
#: Eight bars; every hit called an open hi-hat is in doubt.
SONG = Chart(TimeMap.steady(8, 120), (WrittenBar((*HATS, *DRUMS)),) * 8)


def with_bar(chart, k, *notes):
    return chart.with_bar(k, WrittenBar(notes))


def test_drums_are_counted_in_the_order_of_the_key():
    kept = replace(HATS[0], confirmed=True)
    possible = (PossibleHit(0.25, "snare", 60, 0.4, "It is heard faintly."), PossibleHit(0.0, "kick"))
    song = replace(with_bar(SONG, 1, kept, *HATS[1:]), possible_hits=possible)
    hats, snare, kick = drums_of(song)
    assert (hats.name, hats.hits, hats.doubts, hats.confirmed, hats.possible) == ("open hi-hat", 64, 63, 1, 0)
    assert (snare.hits, snare.possible) == (0, 1)
    assert (kick.hits, kick.doubts, kick.possible) == (14, 0, 0)  # a kick is written where one was possible
    assert [d.hits for d in drums_of(song, range(2, 4))] == [16, 4]
    assert drums_of(song, below=0.95)[2].doubts == 14


@pytest.mark.parametrize(
    "hits, doubtful, confirmed, told",
    [(8, 4, 0, True), (7, 7, 0, False), (8, 3, 0, False), (100, 50, 0, True), (100, 80, 1, False)],
)
def test_a_drum_is_doubted_as_a_whole_from_eight_hits_half_of_them_in_doubt_none_confirmed(
    hits, doubtful, confirmed, told
):
    notes = [Note(F(k % 16, 16), "ride", confidence=0.3 if k < doubtful else 0.95) for k in range(hits)]
    notes[-1] = replace(notes[-1], confirmed=bool(confirmed))
    bars = tuple(WrittenBar(tuple(notes[k : k + 16])) for k in range(0, hits, 16))
    (ride,) = drums_of(Chart(TimeMap.steady(len(bars), 120), bars))
    assert (ride.hits, ride.doubts, ride.is_doubted) == (hits, doubtful, told)


def test_the_clearest_strokes_stand_alone_are_sure_and_loud_and_come_from_all_of_the_song():
    bars = []
    for k in range(10):
        notes = [Note(F(0), "ride", 90, confidence=0.9), Note(F(0), "kick", 110), Note(F(0), "crash", 110)]
        notes += [Note(F(1, 4), "ride", 40, confidence=0.9), Note(F(3, 4), "ride", 90, confidence=0.3)]
        if k % 2:  # the one to be heard: as loud, as sure, and alone
            notes.append(Note(F(1, 2), "ride", 90, confidence=0.9))
        bars.append(WrittenBar(tuple(notes)))
    song = Chart(TimeMap.steady(10, 120), tuple(bars))
    found = clearest(song, "ride")
    assert [(k, n.position) for k, n in found] == [(k, F(1, 2)) for k in (1, 3, 5, 7, 9)]
    assert places_said(song, found[:2]) == "bar 2 on 3, bar 4 on 3"
    assert times_said(song, found[:2]) == "0:03.0 (bar 2), 0:07.0 (bar 4)"
    assert [k for k, _ in clearest(song, "ride", range(4, 6))] == [4, 4, 5, 5, 5]
    among = {(k, F(3, 4)) for k in range(3, 10)} | {(1, F(1, 8))}
    assert [(k, n.position) for k, n in clearest(song, "ride", range(8), among=among)] == [
        (k, F(3, 4)) for k in range(3, 8)
    ]
    assert clearest(song, "ride", among=()) == []
    assert clearest(song, "snare") == [] and len(clearest(song, "crash", most=3)) == 3


@given(charts(), st.sampled_from(NAMES))
def test_examples_are_hits_of_the_drum_in_order_each_once(chart, name):
    found = clearest(chart, name)
    mine = [(k, n) for k, n in chart.notes() if n.instrument == name]
    assert len(found) == min(len(mine), MOST_EXAMPLES) == len({(k, n.key) for k, n in found})
    assert all(hit in mine for hit in found)
    times = [chart.note_time_s(k, n) for k, n in found]
    assert times == sorted(times)


# -- naming --------------------------------------------------------------------------------


def test_a_drum_is_given_to_another_and_every_stroke_stays_where_it_was_heard():
    named = apply(SONG, NameDrum("open hi-hat", "ride"))
    rides = [(k, n) for k, n in named.notes() if n.instrument == "ride"]
    assert len(rides) == 64 and "open hi-hat" not in named.instruments_used()
    assert all(not n.confirmed and n.confidence == NAMED_CONFIDENCE and n.velocity == 60 for _, n in rides)
    assert sorted(named.note_time_s(*hit) for hit in named.notes()) == sorted(
        SONG.note_time_s(*hit) for hit in SONG.notes()
    )
    assert not drums_of(named)[0].doubts
    # However much the song asks, what was named is not asked again, and nothing that was only heard is certain.
    asking = replace(SONG, doubt_below=0.97)
    assert drums_of(apply(asking, NameDrum("open hi-hat", "ride")))[0].doubts == 0
    heard = apply(replace(SONG, doubt_below=1.0), NameDrum("open hi-hat", "ride"))
    assert all(n.confidence < 1 for _, n in heard.notes())
    # It may be named once more.
    assert apply(named, NameDrum("ride", "crash")).instruments_used() == ("crash", "kick")


def test_what_was_never_heard_keeps_its_time_although_drums_are_played_otherwise():
    song = with_bar(SONG, 0, *(replace(n, deviation_s=0.0) for n in HATS))
    lags = tuple(Lag(name, F(k, 2), s) for name, s in (("open hi-hat", 0.012), ("ride", -0.02)) for k in (0, 1))
    song = replace(song, pocket=Pocket(lags=lags))
    for new in ("ride", "snare"):
        named = apply(song, NameDrum("open hi-hat", new))
        before, after = (
            [chart.note_time_s(0, n) for n in chart.bars[0].notes if n.instrument == name]
            for chart, name in ((song, "open hi-hat"), (named, new))
        )
        assert after == pytest.approx(before, abs=1e-6)


def test_confirmed_hits_stay_and_two_of_one_drum_at_one_place_are_one():
    kept = replace(HATS[3], confirmed=True, velocity=33)
    there = Note(F(0), "ride", 20, confidence=0.97)
    sure = Note(F(1, 8), "ride", 20, confirmed=True, articulations=frozenset({"ghost"}))
    song = with_bar(SONG, 0, *HATS[:3], kept, there, sure)
    edit = NameDrum("open hi-hat", "ride", 0, 0)
    named = apply(song, edit)
    assert kept in named.bars[0].notes and sure in named.bars[0].notes
    louder = named.bars[0].find(F(0), "ride")
    assert (louder.velocity, louder.confidence) == (60, 0.97)
    assert len(named.bars[0].notes) == 4 and named.bars[1:] == song.bars[1:]
    assert named_words(song, edit, named) == (
        "3 hits: open hi-hat → ride; 2 of them where it was written already; 1 confirmed one stays."
    )
    out = NameDrum("open hi-hat", "", 0, 0)
    assert apply(song, out).bars[0].notes == (there, sure, kept)
    assert named_words(song, out, apply(song, out)) == "3 hits: open hi-hat taken out; 1 confirmed one stays."


def test_articulations_that_the_new_drum_has_not_go():
    hit = replace(HATS[0], articulations=frozenset({"half open", "accent"}))
    named = apply(with_bar(SONG, 0, hit), NameDrum("open hi-hat", "snare", 0, 0))
    assert named.bars[0].notes[0].articulations == {"accent"}


def test_possible_hits_go_along_those_that_are_settled_too():
    possible = tuple(PossibleHit(t, "open hi-hat", 50, 0.4) for t in (0.0, 2.06, 4.06)) + (PossibleHit(6.1, "snare"),)
    song = replace(SONG, possible_hits=possible)
    named = apply(song, NameDrum("open hi-hat", "ride"))
    assert [h.instrument for h in named.possible_hits] == ["ride"] * 3 + ["snare"]
    part = NameDrum("open hi-hat", "", 1, 1)
    assert [h.time_s for h in apply(song, part).possible_hits] == [0.0, 4.06, 6.1]
    assert named_words(song, part, apply(song, part)) == "8 hits: open hi-hat taken out; 1 possible one with them."
    only = with_bar(song, 1)
    assert "1 possible hit: open hi-hat taken out" in named_words(only, part, apply(only, part))


def test_only_the_hits_that_were_chosen_are_meant():
    places = ((0, F(0)), (2, F(1, 4)))
    song = replace(SONG, possible_hits=(PossibleHit(0.13, "open hi-hat"), PossibleHit(6.03, "open hi-hat")))
    named = apply(with_bar(song, 3), NameDrum("open hi-hat", "ride", 0, 2, (*places, (3, F(0)))))
    assert [(k, n.position) for k, n in named.notes() if n.instrument == "ride"] == list(places)
    assert named.possible_hits == song.possible_hits


@pytest.mark.parametrize(
    "edit, message",
    [
        (NameDrum("open hi-hat", "open hi-hat"), "called open hi-hat already"),
        (NameDrum("snare", "ride"), "There is no snare there"),
        (NameDrum("open hi-hat", "gong"), "no instrument called 'gong'"),
        (NameDrum("gong", ""), "no instrument called 'gong'"),
        (NameDrum("kick", "snare", 0, 8), "no bar 9"),
        (NameDrum("closed hi-hat", "ride", 2, 2), "Every closed hi-hat there is confirmed"),
    ],
)
def test_what_cannot_be_named_is_refused(edit, message):
    song = with_bar(SONG, 2, Note(F(0), "closed hi-hat", confirmed=True))
    with pytest.raises(ChartError, match=message):
        apply(song, edit)


@given(charts(), st.sampled_from(NAMES), st.sampled_from(["", *NAMES]))
def test_whatever_is_named_confirmed_hits_and_other_drums_stay(chart, old, new):
    edit = NameDrum(old, new)
    try:
        named = apply(chart, edit)
    except ChartError:
        assert old == new or all(n.confirmed for _, n in edit.meant(chart))
        return

    def others(of):
        return [(k, n) for k, n in of.notes() if n.confirmed or n.instrument not in (old, new)]

    assert others(named) == others(chart)
    assert not any(n.instrument == old and not n.confirmed for _, n in named.notes())
    drafted = {(k, n.position): n for k, n in edit.meant(chart) if not n.confirmed}
    given_to = {(k, n.position): n for k, n in named.notes() if n.instrument == new}
    assert not new or drafted.keys() <= given_to.keys()
    had = {n.key for _, n in chart.notes() if n.instrument == new}
    for (k, position), note in drafted.items() if new else ():
        now = given_to[k, position]
        if (position, new) not in had:  # no other was there
            assert named.note_time_s(k, now) == pytest.approx(chart.note_time_s(k, note), abs=1e-6)
            assert now.articulations == note.articulations & articulations_of(instrument(new))
