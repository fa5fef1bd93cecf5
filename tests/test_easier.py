"""Easier versions: each playable, each a step towards the part."""

from dataclasses import replace
from fractions import Fraction as F

import pytest
from hypothesis import given, settings

from tests.charts import charts
from tests.parts import FILL, part
from tests.parts import bar as written
from workbench.chart import Chart, WrittenBar
from workbench.practice.easier import EASIER, easier_steps, ruled
from workbench.reading.sticking import propose_sticking

HARD = written(C="x...............", H="..x.xxx.xxx.xxx.", S="....x..o.o..x..o", K="x..x..x...x..x..")


def look(bar, name, **heading):
    return {(n.position * 16, n.instrument) for n in ruled(part(bar, **heading), 0, bar.notes, EASIER[name])}


@pytest.mark.common_practice
def test_the_steps_towards_a_groove():
    chart = part(HARD)
    assert [name for name, _ in easier_steps(chart, [0])] == ["frame", "time", "kick", "no-ghosts"]
    backbeat = {(4, "snare"), (12, "snare")}
    quarters = {(k, "closed hi-hat") for k in (0, 4, 8, 12)}
    eighths = {(k, "closed hi-hat") for k in range(0, 16, 2)}
    assert look(HARD, "frame") == backbeat | quarters | {(0, "kick"), (8, "kick")}
    assert look(HARD, "time") == backbeat | eighths | {(0, "kick"), (8, "kick")}
    assert look(HARD, "kick") == backbeat | eighths | {(k, "kick") for k in (0, 3, 6, 10, 13)}
    assert look(HARD, "no-ghosts") >= look(HARD, "kick") and not any(
        name == "crash" for _, name in look(HARD, "no-ghosts")
    )


def test_no_cymbal_is_named_where_none_plays():
    bare = written(S="....x..o.o..x..o", K="x..x..x...x..x..")
    assert not any("cymbal" in title for _, title in easier_steps(part(bare), [0]))
    assert sum("cymbal" in title for _, title in easier_steps(part(HARD), [0])) == 2


@pytest.mark.common_practice
def test_what_makes_a_groove_stays():
    half_time = written(R="x.x.x.x.x.x.x.x.", S="........x.......", K="x.....x....x..x.")
    assert {(8, "snare"), (0, "kick")} <= look(half_time, "frame") and (8, "kick") not in look(half_time, "frame")
    disco = written(H="..x...x...x...x.", S="....x.......x...", K="x...x...x...x...")
    assert {(k, "closed hi-hat") for k in (2, 6, 10, 14)} <= look(disco, "frame")


@pytest.mark.common_practice
def test_the_skeleton_has_no_tom_off_the_beats_and_says_only_what_it_has():
    toms = dict(S="....x...........", T="..........x.x...", K="x.....x.x.....x.")
    samba = written(R="x...x.x.x.x.x.x.", **toms)
    assert look(samba, "frame") == {(k, "ride") for k in (0, 4, 8, 12)} | {
        (0, "kick"), (4, "snare"), (8, "kick"), (12, "high tom"),
    }  # fmt: skip
    only = written(R="x...x...x...x...", T="..........x.....", K="x...............")
    assert (10, "high tom") in look(only, "frame"), "or nothing of the toms would be left"

    def titles(bar):
        return dict(easier_steps(part(bar), [0]))

    assert titles(samba)["frame"] == "skeleton: cymbal and snare on the beats, kick on the strong beats"
    off = titles(written(H="..x...x...x...x.", S="....x..x....x...", K="x.x...x..x..x..."))
    assert off["frame"] == "skeleton: snare on the beats, kick on the strong beats", "its hi-hat lies off the beats"
    bare = titles(written(H="x.xxx.xxx.xxx.xx", K="x..x..x..xx..x.."))
    assert bare["frame"] == "skeleton: cymbal on the beats, kick on the strong beats"
    late = titles(written(H=".x.x.x.x.x.x.x.x", S="..x...x...x...x.", K="x..x..x..xx..x.."))
    assert late["frame"] == "skeleton: kick on the strong beats"


@pytest.mark.common_practice
def test_a_crash_that_keeps_time_stays_whatever_ends_the_bar():
    """Crashes on 1, 2 and 3, open hi-hats on 4 and its &: three of five strokes are the time-keeper's."""
    chorus = written(C="x...x...x.......", H="............o.o.", S="....x...x...x.x.", K="x.x...x.x.x.....")
    assert {(k, "crash") for k in (0, 4, 8)} | {(12, "open hi-hat")} <= look(chorus, "frame")


def test_the_hand_that_struck_the_crash_strikes_the_time_keeper():
    bar = written(C="x...............", H="..x.x.x.x.x.x.x.", S="....x.......x...")
    bar = WrittenBar(tuple(replace(n, sticking="L" if n.instrument == "snare" else "R") for n in bar.notes))
    notes = ruled(part(bar), 0, bar.notes, EASIER["frame"])
    assert [(n.position, n.instrument, n.sticking) for n in notes if n.position == 0] == [(0, "closed hi-hat", "R")]


@pytest.mark.common_practice
def test_a_fill_is_reduced_to_its_frame():
    chart = part(FILL)
    assert [name for name, _ in easier_steps(chart, [0], fill=True)] == ["beats", "halves"]
    assert look(FILL, "beats") == {(0, "closed hi-hat"), (0, "kick"), (4, "snare"), (8, "high tom"), (12, "floor tom")}


def test_what_is_easy_has_no_easier_version():
    easy = written(H="x...x...x...x...", S="....x.......x...", K="x.......x.......")
    assert easier_steps(part(easy), [0]) == []


@settings(max_examples=40)
@given(charts())
def test_every_version_of_any_bar_is_a_bar_and_no_harder_for_the_hands(chart):
    for k in range(len(chart)):
        for name in EASIER:
            notes = ruled(chart, k, chart.bars[k].notes, EASIER[name])
            assert all(0 <= n.position < chart.time_map.bars[k].length for n in notes)
            easier = chart.with_bar(k, WrittenBar(notes))
            assert len({n.position for n in notes}) <= len({n.position for n in chart.bars[k].notes}) + 2
            assert isinstance(easier, Chart) and propose_sticking(easier, bars=[k])
            assert F(0) <= min((n.position for n in notes), default=F(0))
