"""``workbench lesson``: a plan in the terminal, a page in the folder."""

import json

import pytest

from tests.parts import FILL, ROCK, part
from workbench.chart import Recording
from workbench.commands.cli import main
from workbench.files.chartfile import write_chart


@pytest.mark.slow
def test_the_command(tmp_path, capsys):
    chart = tmp_path / "song.chart.json"
    write_chart(part(*[ROCK] * 7, FILL, title="Copper Weather"), chart)
    assert main(["lesson", str(chart), "--out", str(tmp_path / "out"), "--student", "Ana", "--json"]) == 0
    plan = json.loads(capsys.readouterr().out)
    # Another student's lesson of the same song takes nobody's place.
    page = tmp_path / "out/song - Ana.lesson.html"
    assert plan["page"] == str(page) and "Ana" in page.read_text("utf-8")
    assert plan["recording"] is None and plan["film"] is None
    assert main(["lesson", str(chart)]) == 0
    assert "1. The form" in capsys.readouterr().out
    assert main(["lesson", str(chart), "--language", "de", "--counts", "1 ta te ta"]) == 0
    assert "1. Die Form" in capsys.readouterr().out and ">te</tspan>" in (tmp_path / "song.lesson.html").read_text(
        "utf-8"
    )
    write_chart(part(*[ROCK] * 7, FILL, recording=Recording("gone.wav", "0" * 64, 20.0)), tmp_path / "b.chart.json")
    assert main(["lesson", str(tmp_path / "b.chart.json")]) == 0
    assert "gone.wav is not where the chart says" in capsys.readouterr().out
    assert not list(tmp_path.rglob("*.webm"))
    assert main(["lesson", str(chart), "--film", "one"]) == 2
    assert main(["lesson", str(chart), "--film", "99"]) == 2 and not list(tmp_path.rglob("*.webm"))
