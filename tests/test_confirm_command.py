"""``workbench confirm``: bars that are right as they stand."""

import json

import pytest

from tests.test_doubts import FILL, GROOVE, MORE_KICK, chart_with, heard, song
from workbench.commands.cli import main
from workbench.files.annotations import write_hits
from workbench.files.chartfile import read_chart, write_chart
from workbench.practice.exercises import choose_exercises
from workbench.reading.read import read_part


@pytest.fixture
def chart(tmp_path):
    path = tmp_path / "song.chart.json"
    write_chart(song(heard(MORE_KICK, 0.9), FILL, 0.6), path)
    return path


def test_a_doubtful_fill_is_taught_once_its_bar_is_confirmed(chart, capsys):
    assert not choose_exercises(read_part(read_chart(chart)), kinds=("fill",))
    assert main(["confirm", str(chart), "--bars", "8,1-2", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told == {
        "hits_confirmed": 2 * len(GROOVE.notes) + len(FILL.notes),
        "bars_doubtful": [],
        "bars_left": [3, 4, 5, 6, 7, 9, 10, 11, 12],
    }
    (fill,) = choose_exercises(read_part(read_chart(chart)), kinds=("fill",))
    assert fill.first_bar == 7


def test_without_bars_it_says_which_are_left_and_changes_nothing(chart, capsys):
    before = chart.read_bytes()
    assert main(["confirm", str(chart)]) == 0
    assert "bars 1–12" in capsys.readouterr().out and chart.read_bytes() == before
    assert main(["confirm", str(chart), "--bars", "13"]) == 2 and main(["confirm", str(chart), "--bars", ""]) == 2


def test_bars_with_doubtful_hits_are_told_apart(chart, capsys):
    assert main(["confirm", str(chart)]) == 0
    told = capsys.readouterr().out
    assert f"{len(FILL.notes)}, to hear first: bar 8." in told and "Not confirmed yet: bars 1–12" in told
    assert main(["confirm", str(chart), "--bars", "8", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["bars_doubtful"] == []


def test_of_a_written_part_it_says_what_it_needs(chart, capsys):
    assert main(["score", str(chart), "--to", "musicxml"]) == 0
    score = chart.with_name("song.musicxml")
    assert main(["confirm", str(score)]) == 2
    assert "drafted" in capsys.readouterr().err
    written = chart.with_name("written.chart.json")
    write_chart(chart_with({}), written)
    assert main(["confirm", str(written)]) == 0
    assert "drafted from a recording" in capsys.readouterr().out


def test_the_table_of_hits_follows(chart):
    table = chart.with_name("song.hits.csv")
    write_hits(read_chart(chart), table)
    assert main(["confirm", str(chart), "--bars", "1-12"]) == 0
    now = read_chart(chart)
    write_hits(now, chart.with_name("fresh.csv"))
    assert table.read_bytes() == chart.with_name("fresh.csv").read_bytes() and now.unchecked_bars == ()
