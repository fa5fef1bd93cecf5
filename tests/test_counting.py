"""Counting out positions and bars."""

from fractions import Fraction as F

import pytest

from workbench.chart.counting import (
    bar_list,
    bar_name,
    bars_told,
    clock,
    count_row,
    count_syllable,
    counts_said,
    length_words,
    note_value,
    place_list,
    place_name,
    the_bar,
)
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.chart.rebarring import set_meter, set_pickup, split_bar

FOUR = Bar(Meter(), (0.0, 0.5, 1.0, 1.5))


@pytest.mark.common_practice
@pytest.mark.parametrize(
    "meter, parts, said",
    [
        (Meter(4, 4), 16, "1 e & a 2 e & a 3 e & a 4 e & a"),
        (Meter(4, 4), 12, "1 trip let 2 trip let 3 trip let 4 trip let"),
        (Meter(4, 4), 24, " ".join(f"{n} ta trip & let ta" for n in (1, 2, 3, 4))),
        (Meter(2, 4), 16, "1 ta e ta & ta a ta 2 ta e ta & ta a ta"),
        (Meter(6, 8), 6, "1 2 3 4 5 6"),
        (Meter(6, 8), 12, "1 & 2 & 3 & 4 & 5 & 6 &"),
        (Meter(7, 8), 7, "1 2 3 4 5 6 7"),
        (Meter(9, 8), 9, "1 2 3 4 5 6 7 8 9"),
        (Meter(12, 8), 12, "1 2 3 4 5 6 7 8 9 10 11 12"),
        (Meter(1, 4), 5, "1 ta ta ta ta"),
        (Meter(2, 2), 8, "1 e & a 2 e & a"),
        (Meter(3, 4), 6, "1 & 2 & 3 &"),
    ],
)
def test_syllables(meter, parts, said):
    timed = TimeMap.steady(1, 100, meter).bars[0]
    positions = [meter.bar_length * F(k, parts) for k in range(parts)]
    assert " ".join(count_syllable(timed, p) for p in positions) == said


def test_a_row_names_beats_that_are_silent():
    assert count_row(FOUR, [F(1, 16), F(3, 8), F(1, 2)]) == "(1) e (2) & 3"
    assert counts_said(FOUR, [F(3, 8), F(7, 16)], "1 ta te ta") == {F(3, 8): "(2) te", F(7, 16): "ta"}


def test_a_pick_up_is_counted_to_its_bar_line():
    pickup = Bar(Meter(), (0.0, 0.5), F(1, 2))
    assert count_row(pickup, [F(0), F(1, 8), F(1, 4)]) == "3 & 4"


@pytest.mark.parametrize(
    "position, said",
    [
        (F(0), "1"),
        (F(3, 8), "& of 2"),
        (F(5, 6), "middle triplet of 4"),
        (F(1, 6), "last triplet of 1"),
        (F(7, 24), "2nd 16th-triplet note of beat 2"),
        (F(5, 24), "last 16th-triplet note of beat 1"),
        (F(9, 32), "32nd after 2"),
        (F(15, 32), "32nd after the a of 2"),
        (F(1, 20), "2nd quintuplet note of beat 1"),
        (F(1, 2) + F(1, 48), "just after 3"),
        (F(5, 48), "just before the & of 1"),
        (F(47, 48), "just before the next 1"),
    ],
)
def test_places(position, said):
    assert place_name(FOUR, position) == said


@pytest.mark.parametrize(
    "positions, said",
    [
        ([F(1, 4), F(3, 4)], "2 and 4"),
        ([F(k, 8) for k in range(8)], "all 8ths"),
        ([F(k, 16) for k in (1, 5, 9, 13)], "every e"),
        ([F(k, 16) for k in range(5)], "1 e & a, 2"),
        ([], ""),
        ([F(k, 8) for k in (0, 1, 3, 5, 7)], "1 and every &"),
        ([F(k, 8) for k in (0, 2, 4, 6, 7)], "every beat and the & of 4"),
        ([F(5, 8), F(11, 16), F(3, 4)], "the & and a of 3, 4"),
        ([F(1, 8), F(1, 2)], "the & of 1 and on 3"),
        ([F(0), F(3, 8)], "1 and the & of 2"),
        ([F(k, 16) for k in (0, 2, 6, 8, 10)], "1, the & of 1, the & of 2, 3, the & of 3"),
        ([F(k, 16) for k in (1, 3, 5, 6, 8)], "the e and a of 1, the e and & of 2, 3"),
        (
            [F(0), F(1, 24), F(7, 24), F(5, 12), F(3, 4)],
            "1, the 2nd 16th-triplet note of beat 1, the 2nd and 5th 16th-triplet notes of beat 2, 4",
        ),
        ([F(5, 6), F(11, 12)], "the last two triplets of 4"),
        ([F(k, 12) for k in (2, 5, 8, 11)], "the last triplet of every beat"),
        ([F(1, 8), F(1, 6)], "the & of 1 and the last triplet of 1"),
        ([F(1, 20), F(1, 5)], "the 2nd and last quintuplet notes of beat 1"),
        ([F(k, 12) for k in (0, 1, 2, 3, 4)], "1 trip let, 2 trip"),
    ],
)
def test_lists_of_places(positions, said):
    assert place_list(FOUR, positions) == said


@pytest.mark.parametrize(
    "meter, positions, said",
    [
        (Meter(6, 8), [F(k, 8) for k in range(6)], "all 8ths"),
        (Meter(12, 8), [F(3 * k, 8) for k in range(4)], "every beat"),
        (Meter(12, 8), [F(k, 16) for k in range(24)], "all 16ths"),
        (Meter(6, 8), [F(0), F(3, 8)], "1 and 4"),
        (Meter(6, 8), [F(1, 64)], "the 64th after 1"),
        (Meter(2, 2), [F(1, 16)], "the 16th after 1"),
        (Meter(6, 8), [F(5, 48)], "the last 32nd-triplet note of beat 1"),
        (Meter(2, 2), [F(1, 12), F(1, 4)], "the 2nd and 4th 8th-triplet notes of beat 1"),
    ],
)
def test_lists_of_places_in_other_meters(meter, positions, said):
    assert place_list(TimeMap.steady(1, 100, meter).bars[0], positions) == said


def test_bars_are_numbered_as_players_do():
    pickup = TimeMap(
        [Bar(Meter(), (0.0,), F(1, 4)), Bar(Meter(), (0.5, 1.0, 1.5, 2.0)), Bar(Meter(), (2.5, 3.0, 3.5, 4.0))], 4.5
    )
    assert bar_list(pickup, [0, 1, 2]) == "pick-up + bars 1–2"
    assert length_words(pickup, range(3)) == "pick-up + 2 bars"
    assert length_words(pickup, [1]) == "1 bar"
    assert bar_list(pickup, [0]) == "pick-up"
    assert [bar_name(0), bar_name(4), the_bar(0), the_bar(4)] == ["Pick-up", "Bar 4", "the pick-up", "bar 4"]
    assert bar_list(TimeMap.steady(9, 100), [8, 0, 1, 2, 8]) == "bars 1–3, 9"


def test_note_values():
    assert note_value(F(1, 24)) == "16th triplets"
    assert note_value(F(5, 16)) == "notes of 5/16 of a whole note"


def test_times_as_players_read_them():
    assert [clock(t) for t in (0.0, 59.96, 67.53, 3601.0)] == ["0:00.0", "1:00.0", "1:07.5", "60:01.0"]


def test_bars_are_told_by_their_parts():
    """A pick-up is no part of its own, and of many parts only the most usual is named."""
    four = TimeMap.steady(16, 110)
    assert bars_told(set_pickup(four, F(1, 8)).time_map) == "4/4 at 110"
    assert bars_told(set_meter(four, Meter(7, 8), 4).time_map) == "4/4 at 110, 7/8 at 220 from bar 5"
    assert bars_told(split_bar(four, 6, F(1, 2)).time_map) == "4/4 at 110, 2/4 in bars 7–8"
    many = four
    for k, meter in enumerate(("2/4", "3/4", "5/4", "7/4")):
        many = set_meter(many, Meter.parse(meter), 2 * k + 1, 2 * k + 1).time_map
    assert bars_told(many) == "mostly 4/4 at 110"
