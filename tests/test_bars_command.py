"""``workbench bars``: how the bars lie, other readings, what disagrees, and putting it right."""

import json
from dataclasses import replace
from fractions import Fraction as F

import pytest

from tests.test_bar_advice import CHART, HEARD
from workbench.chart.edits import ShiftOne, apply
from workbench.commands.cli import main
from workbench.files.annotations import write_beats, write_hits
from workbench.files.chartfile import read_chart, write_chart
from workbench.listening.hearing import keep_hearing


@pytest.fixture
def chart(tmp_path):
    path = tmp_path / "song.chart.json"
    write_chart(replace(CHART, title="Copper Weather"), path)
    keep_hearing(HEARD, tmp_path, CHART.recording.sha256)
    return path


@pytest.mark.slow
def test_readings_are_named_and_one_is_taken(chart, capsys):
    assert main(["bars", str(chart), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["words"] == "4/4 at 96 (88 %); it may also be 4/4 at 192 (12 %)" and list(told["readings"]) == ["1"]
    assert told["probability"] == pytest.approx(0.88) and told["readings"]["1"]["words"] == "4/4 at 192"
    assert main(["bars", str(chart), "--take", "1"]) == 1, "at double tempo the hits disagree"
    assert "48 bars, 4/4 at 192" in capsys.readouterr().out
    assert len(read_chart(chart)) == 48
    assert main(["bars", str(chart), "--take", "5"]) == 2


@pytest.mark.slow
def test_a_reading_that_the_bars_follow_already_changes_nothing(chart, capsys):
    before = chart.read_bytes()
    assert main(["bars", str(chart), "--take", "0"]) == 0
    assert "already" in capsys.readouterr().out and chart.read_bytes() == before
    for _ in range(2):
        assert main(["bars", str(chart), "--take", "1"]) == 1, "at double tempo the hits disagree"
    assert "already" in capsys.readouterr().out and len(read_chart(chart)) == 48


@pytest.mark.slow
def test_what_disagrees_is_told_and_mended(chart, capsys):
    write_chart(apply(read_chart(chart), ShiftOne(F(1), 9)), chart)
    assert main(["bars", str(chart)]) == 1
    assert "Bars 10 to" in capsys.readouterr().out
    capsys.readouterr()
    assert main(["bars", str(chart), "--mend"]) == 0
    assert "mended: 1 a beat earlier" in capsys.readouterr().out
    assert read_chart(chart).time_map.bar_start_s(9) == pytest.approx(CHART.time_map.bar_start_s(9))
    assert main(["bars", str(chart), "--mend"]) == 2
    assert "nothing to mend" in capsys.readouterr().err


@pytest.mark.slow
def test_bars_by_ear_from_a_bar_on(chart, capsys):
    assert main(["bars", str(chart), "--anew", "--from-bar", "5", "--tempo", "180-200"]) in (0, 1)
    bars = read_chart(chart).time_map
    assert bars.tempo_bpm(2) == pytest.approx(96) and bars.tempo_bpm(9) == pytest.approx(192, rel=0.04)


def test_what_is_said_of_bars_without_finding_them_anew_is_refused(chart, capsys):
    for option in (["--meter", "3/4"], ["--tempo", "55"], ["--from-bar", "4"]):
        assert main(["bars", str(chart), *option]) == 2
        assert "--anew" in capsys.readouterr().err


def test_tables_follow_unless_somebody_changed_them(chart):
    hits, beats = (chart.with_name(f"song.{kind}.csv") for kind in ("hits", "beats"))
    write_hits(read_chart(chart), hits)
    write_beats(read_chart(chart), beats)
    beats.write_text(beats.read_text() + "# mine\n")
    old = hits.read_text(), beats.read_text()
    main(["bars", str(chart), "--take", "1"])
    assert hits.read_text() != old[0] and beats.read_text() == old[1]
    own = chart.with_name("own.csv")
    write_hits(read_chart(chart), own)
    assert hits.read_bytes() == own.read_bytes()
