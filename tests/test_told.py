"""What commands say alike: what was not understood of a part, and files named the wrong way round."""

import pytest

from tests.parts import ROCK, part
from workbench.commands.cli import main
from workbench.commands.told import read_told
from workbench.notation.musicxml import write_musicxml

#: One note, and neither tempo nor instruments.
BARE = """<score-partwise version="4.0"><part-list><score-part id="P1"><part-name>Drums</part-name></score-part>
</part-list><part id="P1"><measure number="1"><attributes><divisions>1</divisions>
<time><beats>4</beats><beat-type>4</beat-type></time></attributes>
<note><unpitched><display-step>C</display-step><display-octave>5</display-octave></unpitched><duration>1</duration></note>
</measure></part></score-partwise>"""


def test_what_was_not_understood_is_said_with_the_commands_name(tmp_path, capsys):
    file = tmp_path / "part.musicxml"
    write_musicxml(part(ROCK), file)
    assert read_told(file, "score").chart.bars[0].pattern == ROCK.pattern
    assert capsys.readouterr().err == ""
    file.write_text(BARE)
    problems = read_told(file, "score").problems
    assert problems and capsys.readouterr().err.splitlines() == [f"workbench score: {p}" for p in problems]


@pytest.mark.parametrize("command", ["check", "take"])
def test_part_and_recording_named_the_wrong_way_round_are_told(command, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    write_musicxml(part(ROCK), tmp_path / "part.musicxml")
    (tmp_path / "song.wav").touch()
    assert main([command, "song.wav", "part.musicxml"]) == 2
    assert "part.musicxml song.wav" in capsys.readouterr().err
    assert main([command, "part.musicxml", "part.musicxml"]) == 2
    assert "name a recording" in capsys.readouterr().err
