"""Grooves that are like one another."""

import shlex
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.distance import jaccard

import workbench as wb
from tests.parts import HALF, RIDE, ROCK, bar
from tests.shelves import chart_of, shelve
from workbench.errors import ChartError, FileFormatError
from workbench.reading.patterns import TICKS, VOICES, Patterns
from workbench.reading.read import read_part
from workbench.shelving.entry import shelf_entry
from workbench.shelving.likeness import GrooveIndex, LikeGroove, others_text, struck_slots, with_others

NEAR = bar(H="x.x.x.x.x.x.x.x.", S="....x.......x...", K="x.......x.x...x.")
OPENED = bar(C="x...............", H="..x.x.x.x.x.x.x.", S="....x.......x...", K="x.......x.x.....")


def entry(*bars, title):
    return shelf_entry(read_part(chart_of(*bars, title=title)))


@pytest.fixture(scope="module")
def index():
    songs = {"near": NEAR, "same": ROCK, "ride": RIDE, "half": HALF}
    return GrooveIndex((key, entry(*(b,) * 8, title=key.title())) for key, b in songs.items())


def slots(*bars):
    return struck_slots(Patterns.of(chart_of(*bars)), range(len(bars)))


def test_the_same_comes_first_then_what_is_near_and_nothing_else(index):
    found = index.like(slots(ROCK))
    assert [(g.key, g.likeness == 1) for g in found] == [("same", True), ("near", False)] and found[1].likeness > 0.85
    assert [g.key for g in index.like(slots(HALF))] == ["half"]
    assert [g.key for g in index.like(slots(ROCK), least=0.0)][:2] == ["same", "near"]


def test_a_crash_on_1_tells_no_grooves_apart(index):
    assert index.like(slots(OPENED)) == index.like(slots(ROCK))


def test_likeness_is_the_weighted_jaccard_index_of_the_patterns(index):
    """Checked against scipy.spatial.distance.jaccard (BSD-3-Clause), whose weights are the patterns'."""
    first, second = (Patterns.of(chart_of(b)) for b in (ROCK, NEAR))
    on_1 = np.zeros((4, len(VOICES), TICKS), bool)
    on_1[0, [3, 4, 6, 7], 0] = True  # the cymbals that may open a bar count for none
    weights = np.where(on_1.ravel(), 0, first.weights)
    expected = 1 - jaccard(first.vectors[0] > 0, second.vectors[0] > 0, w=weights)
    (near,) = (g for g in index.like(slots(ROCK), 0.0) if g.key == "near")
    assert near.likeness == pytest.approx(expected, abs=1e-3)


def test_longer_bars_and_an_empty_shelf_are_no_fault(index):
    five = [[*slots(ROCK)[0], 4 * 144 + 5]]
    assert index.like(five, 0.5)[0].key == "same" and index.like(five, 0.5)[0].likeness < 1
    assert GrooveIndex([]).like(slots(ROCK)) == [] and index.like([]) == []


@pytest.mark.slow
def test_reading_and_lesson_name_other_songs_and_not_their_own(tmp_path):
    for name, b in (("near", NEAR), ("same", ROCK), ("half", HALF)):
        shelve(tmp_path, name, chart_of(*(b,) * 8, title=name.title()))
    wb.shelf(tmp_path, do=("read", "lesson"))
    said = "Other songs with this groove: Near (bars 1–8)"
    assert said in (tmp_path / "same.reading.md").read_text()
    assert said in (tmp_path / "same.lesson.html").read_text()
    assert "Other songs" not in (tmp_path / "half.reading.md").read_text()
    mine = chart_of(*(ROCK,) * 8, title="Mine")
    reading = wb.read_part(mine, shelf=tmp_path)
    assert reading.grooves[0].others == "Same (bars 1–8), Near (bars 1–8)"
    assert "Same (bars 1–8)" in wb.lesson(mine, shelf=tmp_path).items[1].why
    assert any("other songs" in s.text for s in reading.statements)
    assert reading.to_data()["grooves"][0]["others"] == reading.grooves[0].others
    found = wb.shelf(tmp_path, do=()).similar(wb.read_part(mine), bar=3)
    assert list(found.song) == ["Same", "Near"] and found.likeness[0] == 1
    with pytest.raises(FileFormatError, match="no shelf"):
        wb.read_part(mine, shelf=tmp_path / "none")
    with pytest.raises(ChartError):
        wb.shelf(tmp_path, do=()).similar(wb.read_part(mine), bar=99)


def test_many_songs_are_counted():
    many = [LikeGroove(str(k // 2), f"Song {k // 2}", "", "bar 1", "", 1.0) for k in range(16)]
    assert others_text(many).endswith("Song 4 (bar 1) and 3 more") and others_text([]) == ""


def test_what_is_doubtful_names_nobody(index):
    reading = read_part(chart_of(*(ROCK,) * 8))
    doubtful = replace(reading.grooves[0], free=True)
    assert with_others(replace(reading, grooves=(doubtful,)), index).grooves[0].others == ""
    assert with_others(reading, index).grooves[0].others.startswith("Same")


def test_the_command_that_makes_a_missing_shelf_can_be_typed(tmp_path):
    with pytest.raises(FileFormatError, match="There is no shelf") as told:
        GrooveIndex.of_folder(tmp_path / "my songs")
    words = shlex.split(str(told.value).partition("with ")[2].removesuffix("."))
    assert words == ["workbench", "shelf", str(tmp_path / "my songs")]
