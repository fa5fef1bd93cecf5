"""Form: where sections begin, what repeats, phrases."""

import numpy as np
import pytest

from tests.parts import CRASHED, EMPTY, FILL, HALF, RIDE, ROCK, bar, part
from workbench.chart import Section
from workbench.files.audio import Audio
from workbench.reading.read import read_part


def form(chart, audio=None):
    return [(s.label, s.bars.start, s.bars.stop) for s in read_part(chart, audio).form]


VERSE = [CRASHED, *[ROCK] * 6, FILL]
BRIDGE = [HALF] * 8


def test_what_repeats_has_the_same_letter():
    chart = part(*VERSE, *BRIDGE, *VERSE, *BRIDGE)
    assert form(chart) == [("A", 0, 8), ("B", 8, 16), ("A", 16, 24), ("B", 24, 32)]


def test_bars_without_drums_are_sections_without_a_letter():
    chart = part(*[EMPTY] * 4, *VERSE, *[EMPTY] * 2, *VERSE, EMPTY)
    assert form(chart) == [("", 0, 4), ("A", 4, 12), ("", 12, 14), ("A", 14, 22), ("", 22, 23)]
    stop = part(*[ROCK] * 3, EMPTY, *[ROCK] * 4)
    assert form(stop) == [("A", 0, 8)]
    assert [v.text for v in read_part(stop).variations] == ["tacet"]


def test_a_short_change_of_texture_is_a_part_inside_its_section():
    (section,) = read_part(part(*[ROCK] * 4, *[RIDE] * 4, *[ROCK] * 4, *[RIDE] * 4)).form
    assert [(p.name, p.timekeeper, p.bars.start) for p in section.parts] == [
        ("a", "hi-hat", 0),
        ("b", "ride", 4),
        ("a", "hi-hat", 8),
        ("b", "ride", 12),
    ]


@pytest.mark.parametrize("ridden, said", [(1, None), (2, None), (3, "ride"), (8, "ride")])
def test_a_bar_or_two_on_the_ride_are_no_time_kept_on_it(ridden, said):
    """Kick and snare by themselves, with the ride in some bars: the form must not say that of all."""
    bare, with_ride = bar(S="....x.......x...", K="x...x...x...x..."), bar(R="x...x...x...x...", K="x...x...x...x...")
    (section,) = read_part(part(*[bare] * (8 - ridden), *[with_ride] * ridden)).form
    assert [p.timekeeper for p in section.parts] == [said]


def test_a_long_change_of_texture_is_a_section():
    assert form(part(*[ROCK] * 8, *[RIDE] * 8)) == [("A", 0, 8), ("B", 8, 16)]


@pytest.mark.parametrize("length", [4, 8])
def test_phrases_marked_by_crashes(length):
    chart = part(*[CRASHED, *[ROCK] * (length - 1)] * 4)
    (section,) = read_part(chart).form
    assert section.phrase_bars == length
    assert section.crash_bars == tuple(range(0, 4 * length, length))


def test_no_phrases_where_nothing_marks_them():
    assert read_part(part(*[ROCK] * 16)).form[0].phrase_bars == 0


def test_the_users_sections_stay():
    mine = (Section(0, "Intro"), Section(3, "Verse", "V"), Section(9, "Verse", "V"))
    chart = part(*[ROCK] * 16, sections=mine)
    found = read_part(chart).form
    assert [(s.name, s.label, s.bars.start, s.bars.stop, s.given) for s in found] == [
        ("Intro", "", 0, 3, True),
        ("Verse", "V", 3, 9, True),
        ("Verse", "V", 9, 16, True),
    ]


@pytest.mark.slow
def test_the_music_tells_sections_apart_where_the_drums_repeat():
    # Eight bars on one chord, eight on another, and back; the same beat throughout.
    chart = part(*[ROCK] * 24, tempo_bpm=120)
    rate = 22050
    t = np.arange(int(chart.time_map.end_s * rate)) / rate
    chords = {"low": (110.0, 138.6, 164.8), "high": (146.8, 185.0, 233.1)}
    third = len(t) // 3
    sound = sum(np.sin(2 * np.pi * f * t) for f in chords["low"])
    sound[third : 2 * third] = sum(np.sin(2 * np.pi * f * t[third : 2 * third]) for f in chords["high"])
    sound += 0.01 * np.random.default_rng(1).standard_normal(len(t))
    assert form(chart) == [("A", 0, 24)]
    assert form(chart, Audio(0.1 * sound, rate)) == [("A", 0, 8), ("B", 8, 16), ("A", 16, 24)]


def test_an_ending_of_a_bar_belongs_to_the_last_section():
    last = bar(C="x...", K="x...")
    assert form(part(*VERSE, *BRIDGE, last)) == [("A", 0, 8), ("B", 8, 17)]
