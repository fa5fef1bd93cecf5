"""Fills: where they are and what is said of them."""

from dataclasses import replace
from fractions import Fraction as F

import pytest

from tests.parts import CRASHED, EMPTY, FILL, ROCK, bar, part
from workbench.chart import Mark
from workbench.reading.fills import find_fills
from workbench.reading.patterns import Patterns
from workbench.reading.read import read_part


def fills(chart):
    return read_part(chart).fills


def test_no_fill_in_a_steady_groove():
    assert fills(part(*[CRASHED, *[ROCK] * 7] * 3)) == ()


@pytest.mark.parametrize(
    "begins, rows",
    [
        (F(0), dict(S="xxxx............", T="....xxxx........", F="........xxxxxxxx")),
        (F(1, 2), dict(H="x.x.x.x.........", S="....x...xxxx....", F="............xxxx", K="x...............")),
        (F(3, 8), dict(H="x.x.x...........", S="....x.xxxxxx....", F="............xxxx", K="x...............")),
        (
            F(11, 16),
            dict(
                H="x.x.x.x.x.......",
                S="....x......xx.x.",
                T=".............x..",
                F="...............x",
                K="x.......x.......",
            ),
        ),
        (F(1, 2), dict(H="xxxx........", S="...x..x.....", T=".......xxxxx", K="x...........")),
    ],
)
def test_begins_on_its_first_stroke_and_ends_at_the_bar_line(begins, rows):
    chart = part(*[CRASHED, ROCK, ROCK, ROCK, ROCK, ROCK, ROCK, bar(**rows)] * 2, CRASHED)
    found = fills(chart)
    if rows["S"] == "...x..x.....":  # a triplet bar
        begins = F(1, 2)
    assert [f.span.start for f in found] == [(7, begins), (15, begins)]
    assert [f.span.end for f in found] == [(8, F(0)), (16, F(0))]
    assert found[0].lands_on == 8 and found[0].landing == "crash and kick on 1"


def test_a_variation_of_kick_or_hi_hat_is_no_fill():
    busy = bar(H="x.x.x.x.x.x.x.o.", S="....x.......x...", K="x..x....x.x...x.")
    assert fills(part(*[ROCK, ROCK, ROCK, busy] * 4)) == ()


def test_a_groove_on_the_toms_is_no_fill():
    tribal = bar(F="x.xxx.xxx.xxx.xx", S="....X.......X...", K="x...x...x...x...")
    assert fills(part(*[ROCK] * 8, *[tribal] * 8)) == ()


def test_the_same_fill_is_recognised_when_it_returns():
    other = bar(H="x.x.x.x.........", S="........x.xxx.xx", K="x...............")
    varied = bar(
        H="x.x.............", S="....xxxx........", T="........xxx.....", F="............xxxx", K="x..............."
    )
    chart = part(
        *[CRASHED, ROCK, ROCK, FILL, CRASHED, ROCK, ROCK, other, CRASHED, ROCK, ROCK, FILL, CRASHED, ROCK, ROCK, varied]
    )
    found = fills(chart)
    assert [f.kind for f in found] == [0, 1, 0, 0]
    assert [f.version_of for f in found] == [None, None, None, 0]


@pytest.mark.parametrize("end", [bar(C="x...............", K="x..............."), bar(C="x...", K="x...", S="x...")])
def test_a_fill_before_the_last_crash_is_a_fill_that_lands_on_it(end):
    chart = part(*[ROCK] * 7, FILL, *[ROCK] * 7, FILL, end)
    reading = read_part(chart)
    assert [f.span.end for f in reading.fills] == [(8, F(0)), (16, F(0))]
    assert reading.fills[1].kind == 0 and "crash" in reading.fills[1].landing and reading.fills[1].lands_on == 16
    assert not any(15 in v.bars for v in reading.variations)


@pytest.mark.parametrize("after", [[], [EMPTY] * 2, [EMPTY, *[ROCK] * 7]], ids=["end", "silence", "break"])
def test_a_lick_before_the_drums_stop_is_a_fill(after):
    """One beat down the toms: with the groove going on after it too little to tell, before a stop a fill."""
    lick = bar(
        H="x.x.x.x.x.x.....",
        S="....x.......x...",
        T=".............x..",
        M="..............x.",
        F="...............x",
        K="x.......x.x.....",
    )
    (fill,) = fills(part(*[ROCK] * 7, lick, *after))
    assert (fill.span.start, fill.span.end) == ((7, F(3, 4)), (8, F(0)))


@pytest.mark.common_practice
@pytest.mark.parametrize(
    "after, found", [([], True), ([EMPTY], True), ([ROCK] * 4, False)], ids=["end", "break", "groove"]
)
def test_who_leaves_the_time_keeper_before_a_stop_plays_a_fill(after, found):
    """Few snares over quarters on the kick: a change of the groove within the song, at its end a fill."""
    groove = bar(H="x.x.x.x...o.x.x.", X="........x.......", K="x...x...x...x...")
    lick = bar(H="o...............", S="..x.....x.x..x..", K="x...x...x...x...")
    assert bool(fills(part(*[groove] * 7, lick, *[groove if b is ROCK else b for b in after]))) == found


@pytest.mark.common_practice
def test_a_groove_without_cymbals_has_no_fill_where_it_stops():
    toms = bar(F="x.x.x.x.x.x.x.x.", S="....x.......x...", K="x.......x.......")
    assert not fills(part(*[toms] * 8)) and not fills(part(*[ROCK] * 8))


RUNS = {
    "hi-hat goes on": bar(H="x.x.x.x.x.x.x.x.", S="....x.......xxxx", K="x.......x.x....."),
    "hi-hat stops": bar(H="x.x.x.x.x.x.....", S="....x.......xxxx", K="x.......x.x....."),
    "triplets": bar(H="x.x.x.x.x.x.............", S="......x...........x.x.x.", K="x...........x..........."),
}
RIDDEN = bar(R="x.x.x.x.x.x.x.x.", S="....x.......x...", K="x.x.....x.......")


@pytest.mark.common_practice
@pytest.mark.parametrize("run", RUNS)
@pytest.mark.parametrize("after", [[RIDDEN] * 8, [CRASHED, *[ROCK] * 7]], ids=["another groove", "crash"])
def test_a_beat_full_of_snare_strokes_that_leads_into_something_new_is_a_fill(run, after):
    (fill,) = fills(part(*[ROCK] * 7, RUNS[run], *after))
    assert (fill.span.start, fill.span.end) == ((7, F(3, 4)), (8, F(0)))


@pytest.mark.common_practice
@pytest.mark.parametrize("beats", [1, 2, 4])
def test_a_run_under_a_going_time_keeper_is_a_fill_from_its_first_full_beat(beats):
    snare = list("....x.......x...")
    snare[16 - 4 * beats :] = "xxxx" * beats
    run = bar(H="x.x.x.x.x.x.x.x.", S="".join(snare), K="x.......x.......")
    (fill,) = fills(part(*[ROCK] * 8, run, *[RIDDEN] * 8))
    assert (fill.span.start, fill.span.end) == ((8, 1 - F(beats, 4)), (9, F(0)))
    assert not fills(part(*[ROCK] * 8, *[run] * 4, *[RIDDEN] * 8)), "four bars of it are a build-up"


@pytest.mark.common_practice
@pytest.mark.parametrize("run", RUNS)
def test_a_beat_full_of_snare_strokes_in_a_groove_that_goes_on_is_a_variation(run):
    assert not fills(part(*[ROCK] * 7, RUNS[run], *[ROCK] * 8))


@pytest.mark.common_practice
def test_a_beat_full_of_snare_strokes_that_belongs_to_the_groove_is_no_fill():
    """In every bar, in every other, or ghosted."""
    run = RUNS["hi-hat goes on"]
    assert not fills(part(*[run] * 8, *[RIDDEN] * 8)) and not fills(part(*[ROCK, run] * 4, *[RIDDEN] * 8))
    ghosts = bar(H="x.x.x.x.x.x.x.x.", S="....x.......xooo", K="x.......x.x.....")
    assert not fills(part(*[ROCK] * 7, ghosts, *[RIDDEN] * 8))


def test_leads_into_the_next_section_and_is_set_up():
    ride = bar(R="x.x.x.x.x.x.x.x.", S="........x.......", K="x.....x.........")
    setup = bar(H="x.x.x.x.x.x.x.o.", S="....x.......x...", K="x.......x.x.....")
    reading = read_part(part(*[ROCK] * 6, setup, FILL, *[ride] * 8))
    page = reading.to_markdown()
    assert reading.fills[0].setup_bar == 7
    assert "Leads into B" in page and "bar 7: open hi-hat on the & of 4" in page


def test_confirmed_fills_are_taken_as_marked():
    mark = Mark("fill", (2, F(1, 4)), (3, F(0)), "the band's stop", confirmed=True)
    chart = part(*[CRASHED, ROCK, ROCK, FILL] * 2, marks=(mark,))
    found = find_fills(Patterns.of(chart))
    assert (found[0].start, found[0].end, found[0].confirmed) == (mark.start, mark.end, True)
    assert read_part(chart).fills[0].text == "the band's stop"


def test_no_fill_where_a_confirmed_mark_says_groove():
    chart = part(*[CRASHED, ROCK, ROCK, FILL] * 2)
    assert len(fills(chart)) == 2
    mark = Mark("groove", (3, F(0)), (4, F(0)), "written out", confirmed=True)
    assert [f.span.start[0] for f in fills(replace(chart, marks=(mark,)))] == [7]


def test_more_than_two_bars_of_fill_are_a_solo():
    chart = part(*[ROCK] * 8, *[FILL] * 4, *[ROCK] * 8)
    assert fills(chart) == ()


def test_a_part_that_is_mostly_fills_is_a_solo():
    runs = [
        bar(S="xxxx....xx......", T="....xx..........", F="......xx....xxxx"),
        bar(S="..x.xx.x........", T="..........xx.xx.", F="x..x............"),
        bar(S="x.xx.xx.x.x.....", F=".........x.xxx.x"),
        FILL,
    ]
    solo = [*runs[:2], ROCK, *runs[2:], ROCK, *runs[:2], ROCK]
    assert fills(part(*solo)) == ()
    assert len(fills(part(*solo, *[ROCK] * 9))) >= 3
