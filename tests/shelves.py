"""Small shelves for tests: recordings of noise bursts, and charts of the parts in :mod:`tests.parts`."""

from dataclasses import replace

import numpy as np

from tests.parts import FILL, ROCK, part
from workbench.files.audio import Audio, save_audio
from workbench.files.chartfile import write_chart

RATE_HZ = 22050


def record(path, seconds=6, seed=5):
    """A recording of drum-like bursts, two a second."""
    rng = np.random.default_rng(seed)
    sound = np.zeros((RATE_HZ * seconds, 1), np.float32)
    for k in range(2 * seconds - 1):
        at = round((0.3 + 0.5 * k) * RATE_HZ)
        sound[at : at + 3000, 0] += rng.uniform(-0.7, 0.7, 3000) * np.exp(-np.arange(3000) / 500)
    path.parent.mkdir(parents=True, exist_ok=True)
    save_audio(path, Audio(sound, RATE_HZ))
    return path


def chart_of(*bars, title="Enamel Kettle", **more):
    """A drafted chart: nothing in it is confirmed."""
    return replace(part(*(bars or (ROCK,) * 7 + (FILL,)), title=title), **more)


def shelve(folder, name, chart):
    """A chart by itself on a shelf."""
    path = folder / f"{name}.chart.json"
    path.parent.mkdir(parents=True, exist_ok=True)
    write_chart(chart, path)
    return path
