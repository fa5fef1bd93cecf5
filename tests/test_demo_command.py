"""``workbench demo``: what it leaves and says."""

import pytest

from workbench.commands.cli import main
from workbench.files.chartfile import read_chart


@pytest.mark.slow
def test_the_command_leaves_everything_and_says_where(tmp_path, capsys):
    assert main(["demo", "--out", str(tmp_path / "demo")]) == 0
    said = capsys.readouterr().out
    for ending in ("chart.json", "hits.csv", "beats.csv", "musicxml", "mid", "pdf", "reading.md"):
        path = tmp_path / "demo" / f"copper-weather.{ending}"
        assert path.stat().st_size > 0 and str(path) in said
    assert f"workbench lab {tmp_path / 'demo' / 'copper-weather.chart.json'}" in said
    chart = read_chart(tmp_path / "demo" / "copper-weather.chart.json")
    assert chart.title == "Copper Weather" and chart.instruments_used()
    assert main(["demo", "--out", str(tmp_path / "demo")]) == 0, "a second run replaces the first"


def test_without_the_demo_song_it_says_so(monkeypatch, tmp_path, capsys):
    monkeypatch.setattr("workbench.shipped._PACKAGE", tmp_path / "workbench")
    assert main(["demo", "--out", str(tmp_path / "demo")]) == 2
    assert "did not come with this copy" in capsys.readouterr().err
