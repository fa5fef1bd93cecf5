"""``workbench drums``: each drum of a chart told, named and taken out, on the command line and in Python."""

import json
from dataclasses import replace

import numpy as np
import pytest
import soundfile

import workbench as wb
from tests.test_drum_sounds import music
from tests.test_drums import SONG, with_bar
from workbench.chart import Note, Recording
from workbench.commands.cli import main
from workbench.errors import ChartError
from workbench.files.annotations import write_hits
from workbench.files.audio import SAMPLE_RATE_HZ, sha256_of
from workbench.files.chartfile import read_chart, write_chart


@pytest.fixture
def chart(tmp_path):
    path = tmp_path / "song.chart.json"
    write_chart(with_bar(SONG, 7, Note(0, "open hi-hat", confirmed=True)), path)
    return path


def drums_in(path, bars=slice(None)):
    return {n.instrument for bar in read_chart(path).bars[bars] for n in bar.notes}


def test_drums_are_listed_with_what_is_in_doubt_and_where_to_hear_them(chart, capsys, tmp_path):
    before = chart.read_bytes()
    assert main(["drums", str(chart)]) == 0
    hats, kicks = capsys.readouterr().out.splitlines()
    assert hats.startswith("open hi-hat: 57 hits, 56 in doubt; hear 0:0") and hats.count("(bar ") == 5
    assert kicks.startswith("kick: 14 hits; hear 0:00.0 (bar 1), ")
    assert main(["drums", str(chart), "--bars", "2-3"]) == 0
    told = capsys.readouterr().out
    assert "open hi-hat: 16 hits, 16 in doubt" in told and "to hear first: open hi-hat" in told
    assert "bar 1)" not in told and "bar 4)" not in told
    assert main(["drums", str(chart), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["done"] == "" and told["drums"][0] | {"hear": ""} == {
        "drum": "open hi-hat", "hits": 57, "doubts": 56, "confirmed": 1, "possible": 0, "doubted": False, "hear": ""
    }  # fmt: skip
    assert chart.read_bytes() == before


def test_a_drum_is_renamed_taken_out_and_brought_back(chart, capsys):
    table = chart.with_name("song.hits.csv")
    write_hits(read_chart(chart), table)
    at_first, listed = read_chart(chart), table.read_bytes()
    assert main(["drums", str(chart), "--rename", "open hi-hat", "ride"]) == 0
    done = capsys.readouterr().out.splitlines()[0]
    assert done == "56 hits: open hi-hat → ride; 1 confirmed one stays."
    assert drums_in(chart, slice(7)) == {"ride", "kick"} and drums_in(chart, slice(7, 8)) == {"open hi-hat"}
    write_hits(read_chart(chart), chart.with_name("fresh.csv"))
    assert table.read_bytes() == chart.with_name("fresh.csv").read_bytes() != listed
    assert main(["drums", str(chart), "--take-out", "kick", "--bars", "1-4"]) == 0
    assert capsys.readouterr().out.splitlines()[0] == "8 hits: kick taken out."
    assert drums_in(chart, slice(4)) == {"ride"} and "kick" in drums_in(chart)
    assert main(["drums", str(chart), "--undo"]) == 0
    assert "Taken back: kick taken out (110 hits" not in (out := capsys.readouterr().out)
    assert out.startswith("Taken back: kick taken out (71 hits instead of 63).")
    assert main(["drums", str(chart), "--redo"]) == 0
    for _ in range(2):
        assert main(["drums", str(chart), "--undo"]) == 0
    assert read_chart(chart) == at_first and table.read_bytes() == listed


@pytest.mark.parametrize(
    "words, reason",
    [
        (["--rename", "snare", "ride"], "no snare there"),
        (["--rename", "hats", "ride"], "no instrument called 'hats'"),
        (["--rename", "kick", ""], "--take-out"),
        (["--take-out", "kick", "--bars", "9"], "no bar 9"),
        (["--take-out", "open hi-hat", "--bars", "8"], "confirmed"),
        (["--undo", "--bars", "1"], "leave --bars out"),
        (["--undo"], "nothing to undo"),
        (["--bars", "x"], "Write bars as"),
    ],
)
def test_what_cannot_be_done_is_said_in_a_sentence(chart, capsys, words, reason):
    before = chart.read_bytes()
    assert main(["drums", str(chart), *words]) == 2
    assert reason in capsys.readouterr().err and chart.read_bytes() == before


def test_one_act_at_a_time(chart):
    with pytest.raises(SystemExit):
        main(["drums", str(chart), "--rename", "kick", "snare", "--undo"])


def test_the_same_in_python(chart):
    with wb.open_chart(chart) as song:
        assert list(wb.drums(song).drum) == ["open hi-hat", "kick"] and list(wb.drums(song, "8").hits) == [1]
        wb.name_drum(song, "open hi-hat", "ride", bars="1-2")
        assert list(wb.drums(song, "1-2").drum) == ["ride", "kick"]
        wb.name_drum(song, "ride", None)
        assert list(wb.drums(song, "1-2").drum) == ["kick"]
        for _ in range(2):
            song.undo()
        assert song.chart == read_chart(chart)
        assert wb.drums(song.chart.empty(song.chart.time_map)).empty


@pytest.fixture
def two_sounds(tmp_path):
    """A chart whose one drum has two sounds, and its recording beside it."""
    chart, samples, which = music(2)
    soundfile.write(tmp_path / "song.wav", 0.05 * samples, SAMPLE_RATE_HZ, subtype="FLOAT")
    recording = Recording("song.wav", sha256_of(tmp_path / "song.wav"), len(samples) / SAMPLE_RATE_HZ)
    write_chart(replace(chart, recording=recording), tmp_path / "song.chart.json")
    return tmp_path / "song.chart.json", which


def test_sounds_are_listed_and_one_of_them_renamed(two_sounds, capsys):
    path, which = two_sounds
    often, seldom = (int(np.count_nonzero(which == k)) for k in (0, 1))
    assert main(["drums", str(path), "--by-sound"]) == 0
    head, first, second = capsys.readouterr().out.splitlines()
    assert head == f"closed hi-hat: {often + seldom} hits, 2 sounds"
    assert first.startswith(f"  sound 1: {often} hits; hear ") and second.startswith(f"  sound 2: {seldom} hits; hear ")
    before = read_chart(path)
    doubt = {
        hit: 0.6 * bool(kind) for hit, kind in zip(((k, n.position) for k, n in before.notes()), which, strict=True)
    }
    unsure = before.with_bars(
        0,
        tuple(
            replace(bar, notes=tuple(replace(n, confidence=0.95 - doubt[k, n.position]) for n in bar.notes))
            for k, bar in enumerate(before.bars)
        ),
    )
    write_chart(unsure, path)
    assert main(["drums", str(path), "--by-sound"]) == 0
    *_, first = capsys.readouterr().out.splitlines()
    assert first == "In doubt as a whole, to hear first: closed hi-hat, sound 2."
    assert main(["drums", str(path), "--rename", "closed hi-hat", "hand clap", "--sound", "2"]) == 0
    assert capsys.readouterr().out.splitlines()[0] == f"{seldom} hits: closed hi-hat → hand clap."
    after = read_chart(path)
    for kind, (was, now) in zip(which, zip(before.notes(), after.notes(), strict=True), strict=True):
        assert now[1].instrument == ("hand clap" if kind else "closed hi-hat")
        assert after.note_time_s(*now) == pytest.approx(before.note_time_s(*was), abs=1e-6)
    assert main(["drums", str(path), "--undo"]) == 0
    assert read_chart(path).bars == unsure.bars


def test_sounds_in_python(two_sounds):
    path, which = two_sounds
    table = wb.drums(path, "2-3", by_sound=True)
    assert list(table.sound) == [1, 2] and table.hits.sum() == 16
    song = wb.name_drum(path, "closed hi-hat", None, bars="2-3", sound=1)
    assert len(song.chart.bars[1].notes) == np.count_nonzero(which[8:16] == 1)
    assert len(song.chart.bars[3].notes) == 8
    with pytest.raises(ChartError, match="There is no sound 3 of the closed hi-hat there; its sounds: 1, 2"):
        wb.name_drum(path, "closed hi-hat", "ride", bars="5-9", sound=3)


def test_sounds_want_the_recording(two_sounds, capsys):
    path, _ = two_sounds
    path.with_name("song.wav").unlink()
    assert main(["drums", str(path), "--by-sound"]) == 2
    assert "told apart by the recording" in capsys.readouterr().err
    assert main(["drums", str(path), "--sound", "1"]) == 2
    assert "--sound goes with --rename or --take-out." in capsys.readouterr().err
