"""``workbench lesson``: a plan in the terminal, a page in the folder."""

import json

import pytest

from tests.parts import FILL, ROCK, part
from tests.sentences import says
from workbench.chart import Recording
from workbench.commands.cli import main
from workbench.files.chartfile import write_chart
from workbench.shipped import demo_song


@pytest.mark.slow
def test_a_session_of_a_long_lesson_has_a_page_of_its_own(tmp_path, capsys):
    chart = demo_song(tmp_path, "chart")
    assert main(["lesson", str(chart), "--no-recording"]) == 0
    said = capsys.readouterr().out.splitlines()
    assert says(said[0], "13 items, 101 minutes in all", "3 sessions (items 1–4, 5–8, 9–13)")
    assert any("--items 1-4 writes" in line for line in said)
    assert main(["lesson", str(chart), "--no-recording", "--items", "2-3, 13", "--json"]) == 0
    plan = json.loads(capsys.readouterr().out)
    assert [i["title"] for i in plan["items"]] == [said[k].split(". ")[1].split(" (")[0] for k in (2, 3, 13)]
    pages = sorted(p.name for p in tmp_path.glob("*.lesson.html"))
    assert len(pages) == 2 and plan["page"].endswith("2-3, 13.lesson.html"), "the whole lesson's stays"
    heads = [p.read_text("utf-8") for p in sorted(tmp_path.glob("*.lesson.html"))]
    assert sum("101 minutes in all" in text for text in heads) == 1
    for wrong in ("0", "14", "3-1", "a", ""):
        assert main(["lesson", str(chart), "--items", wrong]) == (2 if wrong else 0)


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
