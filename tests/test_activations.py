"""What a detector says of every moment: its shapes hold together."""

import numpy as np
import pytest

from workbench.errors import AnalysisError, ChartError
from workbench.listening.activations import Activations


def made(frames=200, names=("kick", "snare"), **other):
    table, line = np.zeros((frames, len(names)), np.float32), np.zeros(frames, np.float32)
    return Activations(100.0, **{"instruments": names, "onset": table, "velocity": table, "beat": line} | other)


def test_length_and_columns():
    found = made(downbeat=np.zeros(200, np.float32))
    assert found.duration_s == 2.0 and found.column("snare") == 1


@pytest.mark.parametrize("name", ["onset", "velocity", "beat", "downbeat"])
def test_shapes_that_do_not_fit(name):
    short = np.zeros(199, np.float32) if "beat" in name else np.zeros((200, 3), np.float32)
    with pytest.raises(AnalysisError, match="shape"):
        made(**{"downbeat": np.zeros(200, np.float32)} | {name: short})


def test_instruments_are_those_of_the_drum_key():
    with pytest.raises(ChartError, match="no instrument"):
        made(names=("kick", "spoons"), downbeat=np.zeros(200, np.float32))
