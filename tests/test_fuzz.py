"""A slice of ``make fuzz``: 400 damaged files and 30 kills; none may crash, hang, lose an edit or open a socket."""

import subprocess
import sys

import pytest


@pytest.mark.slow
def test_damaged_files_and_kills(tmp_path):
    command = [sys.executable, "-m", "tests.fuzz", "--inputs", "400", "--kills", "30", "--out", tmp_path / "failures"]
    result = subprocess.run(command, capture_output=True, text=True)
    assert result.returncode == 0, result.stdout + result.stderr
