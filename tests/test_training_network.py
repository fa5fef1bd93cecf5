"""A wider network answers as the narrower one that it goes on from (Net2Net, T. Chen et al., ICLR 2016)."""

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from workbench.listening.features import BANDS, WINDOWS  # noqa: E402
from workbench.training import widening  # noqa: E402
from workbench.training.network import SLOW, Network  # noqa: E402


@pytest.fixture(scope="module")
def narrow():
    torch.manual_seed(1)
    network = Network((4, 6, 8), 12, 10, 6).eval()
    for module in network.modules():
        if isinstance(module, torch.nn.BatchNorm2d):
            module.running_mean.normal_()
            module.running_var.uniform_(0.5, 2)
    return network


def answers(network, frames):
    with torch.no_grad():
        return network.eval()(frames).numpy()


def frames():
    torch.manual_seed(2)
    return torch.randn(2, 8 * SLOW, len(WINDOWS), BANDS) - 3


@pytest.mark.parametrize("sizes", [((4, 6, 8), 12, 10, 6), ((5, 9, 11), 17, 23, 6)])
def test_it_answers_alike(narrow, sizes, monkeypatch):
    monkeypatch.setattr(widening, "OFF", 0.0)
    wide = Network(*sizes)
    wide.load_state_dict(widening.widen(narrow.state_dict(), wide))
    np.testing.assert_allclose(answers(wide, frames()), answers(narrow, frames()), atol=1e-5)


def test_copies_are_a_little_off_so_that_they_learn_apart(narrow):
    wide = Network((5, 9, 11), 17, 23, 6)
    wide.load_state_dict(widening.widen(narrow.state_dict(), wide))
    off = np.abs(answers(wide, frames()) - answers(narrow, frames())).max()
    assert 0 < off < 0.2
