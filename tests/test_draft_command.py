"""``workbench draft``: files, facts and faults."""

import json
import re
import shlex
from dataclasses import replace
from fractions import Fraction as F

import numpy as np
import pytest

from tests import test_draft
from tests.test_spectral import RATE
from workbench.chart import Chart, Note, PossibleHit, WrittenBar
from workbench.chart.meter import TimeMap
from workbench.commands.cli import main
from workbench.commands.draft import doubts
from workbench.files.audio import Audio, save_audio
from workbench.files.chartfile import read_chart
from workbench.listening.draft import draft_files

recording = test_draft.recording

pytestmark = pytest.mark.slow


def test_command(recording, tmp_path, capsys):
    args = ["draft", str(recording), "--out", str(tmp_path)]
    assert main([*args, "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert facts["meters"] == ["4/4"] and facts["tempo_bpm"] == pytest.approx(120, abs=1)
    assert draft_files(recording, tmp_path).chart.is_file()
    assert main(args) == 2
    assert "--overwrite" in capsys.readouterr().err
    assert main([*args, "--overwrite"]) == 0
    said = capsys.readouterr().out
    assert "120 beats a minute" in said and f"workbench lab {draft_files(recording, tmp_path).chart}" in said


def test_the_commands_that_are_told_can_be_typed(recording, tmp_path, capsys):
    """A folder's name may hold a space: a shell takes the file for one word all the same."""
    folder = tmp_path / "my drafts"
    folder.mkdir()
    assert main(["draft", str(recording), "--out", str(folder)]) == 0
    told = re.findall(r"workbench (?:bars|lab) (.+?)(?: takes another\.)?$", capsys.readouterr().out, re.MULTILINE)
    chart = str(draft_files(recording, folder).chart)
    assert [shlex.split(words) for words in told] == [[chart], [chart]]


def test_title_and_artist_can_be_said(recording, tmp_path):
    assert (
        main(["draft", str(recording), "--out", str(tmp_path), "--title", "Slow Ferry", "--artist", "The Night Trams"])
        == 0
    )
    chart = read_chart(draft_files(recording, tmp_path).chart)
    assert (chart.title, chart.artist) == ("Slow Ferry", "The Night Trams")


def test_how_much_of_a_draft_is_doubtful_is_said():
    notes = [Note(F(k, 8), "closed hi-hat", confidence=0.9) for k in range(8)]
    toms = [Note(F(k, 8), "mid tom", confidence=0.5) for k in range(3)]

    def said(*notes, **more):
        return doubts(Chart(TimeMap.steady(1, 120), (WrittenBar(tuple(notes)),), **more), "song.chart.json")

    assert said(*notes) == []
    (none,) = said()
    assert "No drums were heard" in none
    (one,) = said(*notes, toms[0])
    assert one.startswith("1 of 9 hits is doubtful; in the grid, n ")
    (one,) = said(*notes, toms[0], possible_hits=(PossibleHit(0.5, "crash", 90, 0.3),))
    assert one.startswith("1 of 9 hits is doubtful, 1 more may have been played, 2 questions in all; in the grid")
    assert said(*notes, *toms)[0].startswith("3 of 11 hits are doubtful")
    assert said(*notes, *toms)[1:] == ["Mostly less than 75 % sure: mid tom (3 of 3)."]
    whole, mostly = said(*[replace(n, confidence=0.5) for n in notes], *toms)[1:]
    assert mostly == "Mostly less than 75 % sure: mid tom (3 of 3)."
    assert whole.startswith("In doubt as a whole: closed hi-hat (8 of 8); workbench drums song.chart.json tells where")


@pytest.mark.parametrize(
    "make",
    [
        lambda p: None,
        lambda p: p.write_bytes(b""),
        lambda p: p.write_text("no sound"),
        lambda p: p.mkdir(),
        lambda p: save_audio(p, Audio(np.zeros((RATE * 2, 1)), RATE)),
        lambda p: save_audio(p, Audio(np.full((RATE // 10, 1), 0.1), RATE)),
    ],
)
def test_useless_recordings_end_in_one_sentence(make, tmp_path, capsys):
    path = tmp_path / "song.wav"
    make(path)
    assert main(["draft", str(path), "--out", str(tmp_path / "out")]) == 2
    error = capsys.readouterr().err
    assert "Traceback" not in error and error.strip().splitlines()[-1].startswith("workbench draft: ")


def test_a_file_in_the_place_of_the_folder_is_told_before_the_listening(tmp_path, capsys):
    from workbench.commands.cli import main

    (tmp_path / "taken").write_text("")
    (tmp_path / "song.wav").write_bytes(b"never listened to")
    assert main(["draft", str(tmp_path / "song.wav"), "--out", str(tmp_path / "taken")]) == 2
    assert "taken is a file, not a folder" in capsys.readouterr().err


def test_the_command_drafts_the_bars_that_are_asked_for(recording, tmp_path, capsys):
    lines = tmp_path / "lines.txt"
    lines.write_text("2.02\n5.03 second\n")
    options = ["--meter", "3/4", "--tempo", "110-130", "--bar-lines", str(lines), "--json"]
    assert main(["draft", str(recording), "--out", str(tmp_path), *options]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["meters"] == ["3/4"] and told["probability"] < 0.01
    assert told["readings"][0]["meter"] == "4/4", "what is heard is said, whatever is wished"
    assert 110 <= told["tempo_bpm"] <= 130
    bars = read_chart(told["chart"]).time_map.bars
    assert {bar.beat_times_s[0] for bar in bars if bar.fixed} == {2.02, 5.03}
