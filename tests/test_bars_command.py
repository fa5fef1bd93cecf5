"""``workbench bars``: how the bars lie, other readings, what disagrees, and putting it right, by ear and by hand."""

import json
import shutil
from dataclasses import replace
from fractions import Fraction as F

import pytest

import workbench as wb
from tests.heard import heard_bars
from tests.sentences import says
from tests.test_bar_advice import CHART, HEARD
from workbench.chart.edits import RemoveNote, ShiftOne, apply
from workbench.chart.meter import TimeMap
from workbench.chart.rebarring import shift_one
from workbench.commands.bars import BY_HAND
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
    assert main(["bars", str(chart)]) == 0
    assert "hits agree" in capsys.readouterr().out
    assert main(["bars", str(chart), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["words"] == "4/4 at 96 (88 %); it may also be 4/4 at 192 (12 %)" and list(told["readings"]) == ["1"]
    assert told["probability"] == pytest.approx(0.88) and told["readings"]["1"]["words"] == "4/4 at 192"
    assert main(["bars", str(chart), "--take", "1"]) == 0, "what was asked for is done"
    assert "48 bars, 4/4 at 192" in capsys.readouterr().out
    assert len(read_chart(chart)) == 48
    assert main(["bars", str(chart)]) == 1, "at double tempo the hits disagree"
    assert main(["bars", str(chart), "--take", "5"]) == 2


def test_readings_are_listed_by_their_numbers(chart, capsys, tmp_path):
    """One at another tempo may come before likelier ones: the list goes by number."""
    late, later = (shift_one(CHART.time_map, F(k)).time_map for k in (1, 2))
    double = TimeMap.steady(48, 192)
    kept = heard_bars(CHART.time_map, (late, 0.1), (double, 0.004), (later, 0.05))
    keep_hearing(kept, tmp_path, CHART.recording.sha256)
    assert main(["bars", str(chart)]) == 0
    sentence, *listed = capsys.readouterr().out.splitlines()
    assert "88 %" not in "".join(listed) and "(10 %)" not in sentence, "each reading is told once"
    assert [line.split(":")[0] for line in listed[:3]] == ["  --take 1", "  --take 2", "  --take 3"]
    assert "(under 1 %)" in listed[1]


def test_bars_that_the_recording_speaks_against_are_no_agreement(chart, capsys):
    """A user who moves the 1 of the whole song by two beats: said each time it is asked for, until it is settled."""
    assert main(["bars", str(chart), "--later", "2"]) == 0
    capsys.readouterr()
    disputed = wb.bar_lines(chart)
    assert disputed.likelier == 0 and disputed.faults == ()
    assert main(["bars", str(chart)]) == 1
    said = capsys.readouterr().out
    assert says(said, "two beats later (88 %)", "--take 0", "--fix") and "hits agree" not in said
    assert main(["bars", str(chart), "--mend"]) == 2
    assert says(capsys.readouterr().err, "two beats later", "--take 0")
    assert main(["read", str(chart)]) == 0
    page = capsys.readouterr().out
    assert page.count("in dispute") == 1 and page.index("in dispute") < page.index("## Form")
    assert main(["lesson", str(chart), "--no-recording"]) == 0
    assert "in dispute" in capsys.readouterr().out.splitlines()[0]
    assert main(["bars", str(chart), "--fix"]) == 0
    settled = wb.bar_lines(chart)
    assert settled.likelier is None and not wb.read_part(chart).dispute


@pytest.mark.slow
def test_a_reading_that_the_bars_follow_already_changes_nothing(chart, capsys):
    before = chart.read_bytes()
    assert main(["bars", str(chart), "--take", "0"]) == 0
    assert "already" in capsys.readouterr().out and chart.read_bytes() == before
    for _ in range(2):
        assert main(["bars", str(chart), "--take", "1"]) == 0
    assert "already" in capsys.readouterr().out and len(read_chart(chart)) == 48


def test_an_act_that_changes_nothing_says_so_and_is_no_step(chart, capsys):
    before = chart.read_bytes()
    assert main(["bars", str(chart), "--later", "4"]) == 0
    assert "nothing was changed" in capsys.readouterr().out and chart.read_bytes() == before
    assert main(["bars", str(chart), "--undo"]) == 2


@pytest.mark.slow
def test_what_disagrees_is_told_and_mended(chart, capsys):
    write_chart(apply(read_chart(chart), ShiftOne(F(1), 9)), chart)
    assert main(["bars", str(chart)]) == 1
    assert "Bars 10–" in capsys.readouterr().out
    capsys.readouterr()
    assert main(["bars", str(chart), "--mend"]) == 0
    assert "mended: the 1 a beat earlier" in capsys.readouterr().out
    assert read_chart(chart).time_map.bar_start_s(9) == pytest.approx(CHART.time_map.bar_start_s(9))
    assert main(["bars", str(chart), "--mend"]) == 2
    assert "nothing to mend" in capsys.readouterr().err


@pytest.mark.slow
def test_bars_by_ear_from_a_bar_on(chart, capsys):
    assert main(["bars", str(chart), "--anew", "--from-bar", "5", "--tempo", "180-200"]) == 0
    bars = read_chart(chart).time_map
    assert bars.tempo_bpm(2) == pytest.approx(96) and bars.tempo_bpm(9) == pytest.approx(192, rel=0.04)


@pytest.mark.parametrize(
    "options, said",
    [
        (["--tempo", "55"], "--anew"),
        (["--from-bar", "4"], "--later"),
        (["--bars", "4"], "--later"),
        (["--take", "1", "--from-bar", "4"], "whole song"),
        (["--undo", "--bars", "4"], "whole song"),
        (["--anew", "--bars", "4-8"], "--from-bar"),
        (["--meter", "3/4", "--later", "1"], "One act"),
        (["--take", "0", "--undo"], "One act"),
        (["--later", "1/3"], "half beats"),
        (["--join"], "9-12"),
        (["--redo"], "redo"),
        (["--mend", "--bars", "99"], "bar 99"),
    ],
)
def test_what_cannot_be_is_said_and_changes_nothing(chart, capsys, options, said):
    before = chart.read_bytes()
    assert main(["bars", str(chart), *options]) == 2
    error = capsys.readouterr().err.strip()
    assert said in error and error.endswith(".") and len(error.splitlines()) == 1
    assert chart.read_bytes() == before


@pytest.fixture(scope="module")
def drafted(tmp_path_factory):
    """The demo song as it is drafted, with what was heard of it."""
    folder = tmp_path_factory.mktemp("drafted")
    wb.open_chart(wb.demo_song(folder)).close()
    return folder


def heard(path):
    chart = read_chart(path)
    return sorted((n.instrument, chart.note_time_s(k, n)) for k, n in chart.notes())


@pytest.mark.slow
def test_each_act_on_a_draft_leaves_every_hit_where_it_was_heard_and_is_taken_back_in_one_step(
    drafted, tmp_path, capsys
):
    shutil.copytree(drafted, tmp_path, dirs_exist_ok=True)
    (path,) = tmp_path.glob("*.chart.json")
    main(["bars", str(path), "--split", "3", "--bars", "6"])  # a line too many
    main(["bars", str(path), "--join", "--bars", "20-21"])  # and one missed
    main(["confirm", str(path), "--bars", "8-9"])
    acts = [
        ["--later", "1"], ["--earlier", "1/2", "--bars", "9-16"], ["--later", "1/2", "--from-bar", "17"],
        ["--level", "half"], ["--level", "3:2", "--from-bar", "9"], ["--meter", "3/4", "--bars", "9-12"],
        ["--pick-up", "2"], ["--one", "12.3"], ["--one", "12.3", "--one", "14.5"], ["--insert", "--bars", "20"],
        ["--delete", "--bars", "7"], ["--split", "3", "--bars", "12"], ["--join", "--bars", "12-13"],
        ["--fix", "--bars", "9,17-18"], ["--anew", "--from-bar", "9"],
    ]  # fmt: skip
    assert {f"--{name}" for name in BY_HAND} <= {act[0] for act in acts} | {"--let-go"}
    song = read_chart(path)
    times, sure = heard(path), sum(n.confirmed for _, n in song.notes())
    assert sure
    capsys.readouterr()
    for act in acts:
        assert main(["bars", str(path), *act]) == 0, act
        changed = read_chart(path)
        assert changed.time_map != song.time_map, act
        assert [name for name, _ in heard(path)] == [name for name, _ in times], act
        assert [t for _, t in heard(path)] == pytest.approx([t for _, t in times], abs=1e-3), act
        assert sum(n.confirmed for _, n in changed.notes()) == sure, act
        document = wb.open_chart(path)
        assert document.undo() == song, act
        document.save()
    assert main(["bars", str(path), "--redo"]) == 0 and read_chart(path) == changed
    assert main(["bars", str(path), "--undo"]) == 0 and read_chart(path) == song


@pytest.mark.slow
def test_fixed_lines_are_kept_by_what_is_laid_anew_until_they_are_let_go(drafted, tmp_path):
    shutil.copytree(drafted, tmp_path, dirs_exist_ok=True)
    (path,) = tmp_path.glob("*.chart.json")
    main(["bars", str(path), "--later", "1/2", "--bars", "20"])
    main(["bars", str(path), "--fix", "--bars", "21"])
    (line,) = [b.beat_times_s[0] for b in read_chart(path).time_map.bars if b.fixed]
    for act in (["--anew"], ["--meter", "3/4"]):
        main(["bars", str(path), *act])
        assert [b.beat_times_s[0] for b in read_chart(path).time_map.bars if b.fixed] == [pytest.approx(line)], act
    main(["bars", str(path), "--let-go"])
    assert not any(b.fixed for b in read_chart(path).time_map.bars)


@pytest.mark.slow
def test_what_disagrees_is_mended_in_the_bars_that_are_named(chart, capsys):
    write_chart(apply(read_chart(chart), ShiftOne(F(1), 9)), chart)
    assert main(["bars", str(chart), "--mend", "--bars", "2-4"]) == 2
    assert main(["bars", str(chart), "--mend", "--from-bar", "12"]) == 0
    assert read_chart(chart).time_map.bar_start_s(9) == pytest.approx(CHART.time_map.bar_start_s(9))


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


def test_tables_follow_after_edits_that_were_saved_elsewhere_taken_back_and_brought_back(chart, capsys):
    hits, own = chart.with_name("song.hits.csv"), chart.with_name("own.csv")
    write_hits(read_chart(chart), hits)
    with wb.open_chart(chart) as song:
        song.apply(RemoveNote(0, CHART.bars[0].notes[0].position, CHART.bars[0].notes[0].instrument))
        song.save()
        song.apply(ShiftOne(F(1)))  # not saved
    for act in ("--later=1", "--undo", "--undo", "--meter=3/4"):
        main(["bars", str(chart), act])
        write_hits(read_chart(chart), own)
        assert hits.read_bytes() == own.read_bytes(), act
    assert "hits.csv" not in capsys.readouterr().err
    hits.write_text("mine")
    main(["bars", str(chart), "--undo"])
    assert hits.read_text() == "mine" and "song.hits.csv" in capsys.readouterr().err


def test_steps_back_and_forth_say_what_they_take(chart, capsys):
    main(["confirm", str(chart), "--bars", "3"])
    main(["bars", str(chart), "--later", "1"])
    capsys.readouterr()
    said = []
    for act in ("--undo", "--undo", "--redo"):
        assert main(["bars", str(chart), act]) == 0
        said.append(capsys.readouterr().out.splitlines()[0])
    sure = len(CHART.bars[2].notes)
    assert said[0].startswith("Taken back: the 1 a beat later")
    assert said[1] == f"Taken back: bars confirmed (0 hits confirmed instead of {sure})."
    main(["bars", str(chart), "--meter", "3/4"])
    main(["bars", str(chart), "--undo"])
    assert "Taken back: bars of 3/4" in capsys.readouterr().out, "in words of the trade"
    main(["bars", str(chart), "--level", "half"])
    main(["bars", str(chart), "--undo"])
    assert "Taken back: half tempo (" in capsys.readouterr().out, "as the act was called"
    assert said[2] == f"Done again: bars confirmed ({sure} hits confirmed instead of 0)."
