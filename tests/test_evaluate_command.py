"""``workbench evaluate``: scores as a table or as JSON."""

import json

import pytest

from tests.test_evaluate import write_data_set
from workbench.commands.cli import main

pytestmark = pytest.mark.slow


def test_command(tmp_path, capsys):
    write_data_set(tmp_path)
    assert main(["evaluate", str(tmp_path), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["audio"]["drum"]["classes"]["SD"]["recall"] > 0.9
    assert main(["evaluate", str(tmp_path), "--audio", "drum"]) == 0
    assert "Drums alone" in capsys.readouterr().out
