"""The network of the whole song learns, and what is exported answers alike.  Needs PyTorch (and, to export, onnx)."""

import json

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from tests.test_song_pictures import example  # noqa: E402
from workbench.listening.song_pulse import PICTURE_ROWS  # noqa: E402
from workbench.training import song_pulse as learning  # noqa: E402
from workbench.training.song_network import MeanOfSongNetworks, SongNetwork  # noqa: E402
from workbench.training.song_pulse import Drawn, learn, loss_of  # noqa: E402


def test_it_hears_farther_than_a_minute():
    """What is struck 60 s away changes what it says: the dilations 1 … 256 twice at 12.5 frames a second reach 82 s."""
    torch.manual_seed(1)
    network = SongNetwork().eval()
    shown = torch.rand(1, PICTURE_ROWS, 8000)
    other = shown.clone()
    other[0, :, 7000:] = 0.0
    with torch.no_grad():
        far = (network(shown) - network(other)).abs().amax(dim=1)[0]
    assert far[7000 - 60 * 50] > 0.0 and far[7000 - 90 * 50] == 0.0


def test_it_learns_a_plain_song(monkeypatch):
    monkeypatch.setattr(learning, "SONG_BATCH", 4)
    monkeypatch.setattr(learning, "SONG_WARM_UP", 5)
    drawn = Drawn([example()], [], seed=1)
    batch = next(iter(drawn))
    torch.manual_seed(1)
    before = loss_of(SongNetwork()(batch[0]), *batch[1:]).item()
    network = SongNetwork().eval()
    network.load_state_dict(learn(drawn, 1.0, 0, "cpu", most_steps=40))
    with torch.no_grad():
        assert loss_of(network(batch[0]), *batch[1:]).item() < 0.7 * before


def test_where_bars_are_unknown_nothing_counts():
    logits, target = torch.randn(2, 2, 100), torch.rand(2, 2, 100)
    known = torch.zeros(2, 100)
    known[:, :50] = 1.0
    other = target.clone()
    other[:, :, 50:] = 1.0 - other[:, :, 50:]
    assert loss_of(logits, target, known) == loss_of(logits, other, known)


def test_exported_networks_answer_as_their_mean(tmp_path):
    pytest.importorskip("onnx")
    from workbench.sound.runtime import open_session
    from workbench.training.export import export_song_pulse

    torch.manual_seed(2)
    networks = [SongNetwork().eval() for _ in range(2)]
    model = tmp_path / "pulse.onnx"
    assert export_song_pulse([n.state_dict() for n in networks], model) < 1e-3
    assert set(json.loads((tmp_path / "pulse.json").read_text())) == {"sha256", "before", "beats", "lines"}
    shown = torch.rand(1, PICTURE_ROWS, 404)
    with torch.no_grad():
        expected = MeanOfSongNetworks(networks)(shown).numpy()
    answer = open_session(str(model)).run(None, {"picture": shown.numpy()})[0]
    # Weights are stored in half precision.
    np.testing.assert_allclose(answer, expected, atol=0.02)
