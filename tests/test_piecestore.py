"""Found drums are kept, and found anew where they cannot be."""

import os

import numpy as np

from tests import test_stemfiles
from tests.test_separation import RATE
from tests.test_stemfiles import noise
from workbench.sound import piecestore
from workbench.sound.piecestore import PieceStore
from workbench.sound.separation import Separation, store_beside

counted = test_stemfiles.counted


def test_what_was_found_is_kept_beside_the_chart(tmp_path, counted):
    audio = noise(25)
    for _ in range(2):
        found = Separation.of(audio, store_beside(tmp_path, audio, RATE)).drums(0, 25 * RATE)
        assert np.allclose(found, audio.samples / 2, atol=1e-6)
    assert counted == [0, 1, 2]
    other = noise(5, seed=2)
    Separation.of(other, store_beside(tmp_path, other, RATE)).drums(0, RATE)
    assert counted == [0, 1, 2, 0]


def test_a_damaged_piece_is_found_anew(tmp_path, counted):
    audio = noise(5)
    store = store_beside(tmp_path, audio, RATE)
    Separation.of(audio, store).drums(0, RATE)
    (file,) = (tmp_path / piecestore.FOLDER).iterdir()
    file.write_bytes(file.read_bytes()[:2000])
    assert np.allclose(Separation.of(audio, store).drums(0, RATE), audio.samples[:RATE] / 2, atol=1e-6)
    assert counted == [0, 0]


def test_the_store_is_bounded_and_swept(tmp_path, monkeypatch):
    store = PieceStore(tmp_path / piecestore.FOLDER, "song", "network", RATE)
    piece = noise(1).samples
    for k in range(3):
        store.write(k, piece)
        os.utime(store._file(k), (k + 1, k + 1))
    size = store._file(0).stat().st_size
    assert store.read(0) is not None  # used last, so it stays longest
    monkeypatch.setattr(piecestore, "MOST_BYTES", 3.5 * size)
    PieceStore(store.folder, "song", "older", RATE)._file(0).write_bytes(b"")
    store.write(3, piece)
    assert sorted(p.name for p in store.folder.iterdir()) == [store._file(k).name for k in (0, 2, 3)]


def test_where_nothing_can_be_kept_the_work_is_done_again(tmp_path, counted):
    (tmp_path / piecestore.FOLDER).write_text("in the way")
    audio = noise(5)
    for _ in range(2):
        assert Separation.of(audio, store_beside(tmp_path, audio, RATE)).drums(0, RATE).any()
    assert counted == [0, 0]
