"""``workbench check`` and ``workbench take`` on the demo song, and what they say when they cannot."""

import json
from pathlib import Path

import pytest

from workbench.chart import Note
from workbench.chart.edits import AddNote
from workbench.commands.cli import main
from workbench.files.chartfile import read_chart, write_chart

DEMO = Path(__file__).parent.parent / "data/demo"
SONG, TRUTH = DEMO / "copper-weather.ogg", DEMO / "copper-weather.truth.chart.json"


@pytest.mark.slow
def test_check_writes_three_reports(tmp_path, capsys):
    chart = read_chart(TRUTH)
    draft = tmp_path / "hurried.chart.json"
    for k in range(14, 20):
        chart = AddNote(k, Note(chart.grid_positions(k)[3], "snare", 110)).apply(chart)
    write_chart(chart, draft)
    assert main(["check", str(draft), str(SONG), "--out", str(tmp_path / "out")]) == 1
    said = capsys.readouterr().out
    assert "of the written notes are heard" in said and "snare is written" in said
    names = sorted(p.name for p in (tmp_path / "out").iterdir())
    assert names == ["hurried.check.html", "hurried.check.json", "hurried.check.pdf"]
    data = json.loads((tmp_path / "out/hurried.check.json").read_text())
    added = [f for f in data["findings"] if f["instrument"] == "snare" and 14 <= f["bar"] <= 19]
    assert len({f["bar"] for f in added}) >= 5
    page = (tmp_path / "out/hurried.check.html").read_text()
    assert "<audio" in page and page.count("<svg") > 3 and "85 dBA over 8 hours" in page


@pytest.mark.parametrize(
    "arguments, message",
    [
        (["check", "gone.chart.json", str(SONG)], "There is no file"),
        (["check", str(TRUTH), "gone.wav"], "There is no file"),
        (["check", str(SONG), str(SONG)], "draft its chart first"),
        (["take", str(TRUTH), str(TRUTH)], "not a recording"),
        (["take", str(TRUTH), str(SONG), "--click-start", "1.0"], "with its tempo"),
    ],
)
def test_what_cannot_be_done_is_one_sentence(arguments, message, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(arguments) == 2
    said = capsys.readouterr().err.strip().splitlines()
    assert message in said[-1] and said[-1].startswith("workbench ") and "Traceback" not in "".join(said)
