"""What a fill is made of: groupings, hands and feet, difficulty."""

from fractions import Fraction as F

import pytest

from tests.parts import EMPTY, bar, part
from workbench.chart import Mark
from workbench.reading.fill_reading import read_fills


def read_one(rows, tempo_bpm=110.0):
    chart = part(bar(**rows), EMPTY, tempo_bpm=tempo_bpm)
    return read_fills(chart, [Mark("fill", (0, F(0)), (1, F(0)))])[0]


@pytest.mark.common_practice
@pytest.mark.parametrize(
    "rows, grouping, by",
    [
        (dict(S="xxxxxx..........", T="......xxxx......", F="..........xxxxxx"), (6, 4, 6), "drums"),
        (dict(S="XxxxxxXxxxXxxxxx"), (6, 4, 6), "accents"),
        (dict(S="XxxXxxXxxXxxXxxx"), (3, 3, 3, 3, 4), "accents"),
        (dict(S="xxxx..xx..xxxx..", K="....xx..xx....xx"), (6, 4, 6), "hands and feet"),
        (dict(S="xxxx........", T="....xxxx....", F="........xxxx"), (4, 4, 4), "drums"),
        (dict(S="xxxxxxxxxxxxxxxx"), (), ""),
        (dict(S="x.x.x.x.x.x.x.x.", T=".x.x.x.x.x.x.x.x"), (), ""),
    ],
)
def test_groupings(rows, grouping, by):
    fill = read_one(rows)
    assert (fill.grouping, fill.grouping_by) == (grouping, by)
    assert not grouping or sum(grouping) * fill.grouping_value == 1


def test_groups_that_hold_more_than_one_drum_are_not_each_on_a_new_drum():
    fill = read_one(dict(S="xxxx........", T="....xxxx....", F=".......xxxxx"))
    assert len(fill.drums) == 4 and fill.grouping == () and "groups" not in fill.text


@pytest.mark.common_practice
def test_what_is_said_of_a_linear_fill():
    fill = read_one(dict(S="xx....xx....xx..", T="..xx....xx....x.", K="....xx....xx...x"))
    assert fill.linear and "linear" in fill.text
    assert fill.values == "16ths" and fill.count.startswith("1 e & a 2 e")
    assert "kick between the hands" in fill.feet
    assert not read_one(dict(S="xxxxxxxx", K="x.x.x.x.")).linear


@pytest.mark.parametrize(
    "rows, words",
    [
        (
            dict(S="xxxxxx..........", T="......xxxx......", F="..........xxxxxx", K="x.....x...x....."),
            (
                "16ths from 1 in groups of 6 + 4 + 6 (each on a new drum)",
                "snare → high tom → floor tom",
                "kick on 1, the & of 2, the & of 3",
            ),
        ),
        (
            dict(S="x.x.x.x.x.x.x.x.", T=".x.x.x.x.x.x....", F=".............x.x"),
            (
                "16ths from 1",
                "back and forth between snare, high tom and floor tom",
                "no kick",
                "linear: no two things at once",
            ),
        ),
        (dict(S="xxxxxxxx", K="x.x.x.x."), ("8ths from 1", "on the snare", "kick on every beat")),
        (
            dict(S="x.x.x.x.", T="x.......", F="..x.x.x."),
            ("quarters from 1", "high tom + snare → snare + floor tom", "no kick"),
        ),
    ],
)
def test_the_words_of_a_fill_are_few_and_leave_the_count_to_its_own_line(rows, words):
    fill = read_one(rows)
    assert fill.words[:-1] == words and fill.text == "; ".join(fill.words)
    assert fill.count not in fill.text


def test_a_fill_that_no_two_hands_can_play_is_never_called_easy():
    three = read_one(dict(S="x...x...x...x...", T="....x...........", F="....x..........."), 60)
    assert three.difficulty == 5 and "easy" not in three.text
    assert three.words[-1] == "not playable as written (more at once than two hands can strike)"
    assert "easy" in read_one(dict(S="x...x...x...x...", F="....x..........."), 60).text


@pytest.mark.common_practice
def test_syncopation_is_a_stroke_held_over_a_beat():
    assert read_one(dict(S="x.x.x.x...x.x.x.")).syncopated
    assert not read_one(dict(S="x.x.x.x.x.x.x.x.")).syncopated
    assert not read_one(dict(S="x...x...x...x...")).syncopated


def test_faster_is_harder():
    rows = dict(S="xxxx............", T="....xxxx........", F="........xxxxxxxx")
    grades = [read_one(rows, tempo).difficulty for tempo in (50, 90, 130, 190)]
    assert grades == sorted(grades) and grades[0] <= 2 < grades[-1]
