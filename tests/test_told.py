"""What commands say alike: what was not understood of a part."""

from tests.parts import ROCK, part
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
