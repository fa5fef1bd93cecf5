"""``workbench setlist``."""

import json

from tests.shelves import chart_of, shelve
from workbench.commands.cli import main


def test_the_command_writes_booklet_and_page(tmp_path, capsys):
    charts = [str(shelve(tmp_path, name, chart_of(title=name))) for name in ("kettle", "roof")]
    assert main(["setlist", *charts, "--out", str(tmp_path / "gig"), "--json"]) == 0
    made = json.loads(capsys.readouterr().out)
    assert set(made) == {"booklet", "page"} and (tmp_path / "gig" / "set-list.pdf").read_bytes()[:5] == b"%PDF-"
    assert main(["setlist", str(tmp_path / "none.chart.json"), "--out", str(tmp_path / "gig")]) == 2
