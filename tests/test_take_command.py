"""``workbench take`` on the demo song."""

import json

import pytest

from tests.test_check_command import SONG, TRUTH
from workbench.commands.cli import main


@pytest.mark.slow
def test_take_of_the_demo(tmp_path, capsys):
    assert main(["take", str(TRUTH), str(SONG), "--out", str(tmp_path), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["against"] == "your own tempo" and data["agreement"] > 0.8
    kick = next(i for i in data["instruments"] if i["instrument"] == "kick")
    assert kick["played"] > 0.85 * kick["written"]
    assert {p.suffix for p in tmp_path.iterdir()} == {".html", ".pdf", ".json"}
