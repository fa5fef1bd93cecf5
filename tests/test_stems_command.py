"""``workbench stems``: two files, and where they are."""

import json
from pathlib import Path

import numpy as np
import soundfile

from workbench.commands.cli import main


def test_command(tmp_path, capsys):
    sound = np.random.default_rng(1).normal(0, 0.05, (44100, 1))
    soundfile.write(tmp_path / "song.wav", sound, 44100, "PCM_16")
    assert main(["stems", str(tmp_path / "song.wav"), "--out", str(tmp_path / "out"), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [Path(told[k]).name for k in ("drums", "rest")] == ["song.drums.flac", "song.rest.flac"]
    drums, rest = (soundfile.read(told[k])[0] for k in ("drums", "rest"))
    assert np.abs(drums + rest - soundfile.read(tmp_path / "song.wav")[0]).max() < 2**-20
    assert main(["stems", str(tmp_path / "song.wav"), "--out", str(tmp_path / "out")]) == 0
    assert "song.rest.flac" in capsys.readouterr().out
