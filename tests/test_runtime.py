"""Nothing leaves the machine: no socket is opened, and nothing is written but what the user asked for."""

import ast
import os
import subprocess
import sys
from pathlib import Path

import pytest
import soundfile

import workbench
from tests.offline import OPENED_A_SOCKET, POSSIBLE
from workbench.sound.runtime import threads_given

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[1]

WORK = """
from tests.offline import forbid_sockets
forbid_sockets()
from workbench.commands.cli import main
assert main(["draft", "song.wav", "--out", "out"]) == 0
assert main(["check", "out/song.chart.json", "song.wav", "--out", "out"]) < 2
assert main(["take", "out/song.chart.json", "song.wav", "--out", "out"]) == 0
assert main(["shelf", ".", "--out", "shelf", "--do", "draft,check,read,lesson", "--workers", "1"]) == 0
from workbench.files.document import ChartDocument
from workbench.grid import HitGrid
with ChartDocument.open("out/song.chart.json") as document:
    grid = HitGrid(document)
    assert grid._audio.result()
    grid.close()
"""

SOCKETS = {
    "Python's": "import socket; socket.socket(socket.AF_INET)",
    "a look-up": "import socket; socket.getaddrinfo('example.org', 80)",
    "a child's": "import subprocess, sys; c = 'import socket; socket.socket(socket.AF_INET6)'\n"
    "if subprocess.run([sys.executable, '-c', c]).returncode == -31: import os; os.kill(os.getpid(), 31)",
}


def run(code, folder):
    names = ("HOME", "XDG_CACHE_HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME", "TMPDIR")
    home = {name: str(folder / name) for name in names}
    for place in home.values():
        Path(place).mkdir()
    (folder / "work").mkdir(exist_ok=True)
    environment = {k: v for k, v in os.environ.items() if not k.startswith(("ORT_", "MPL", "JUPYTER", "IPYTHON"))}
    result = subprocess.run(
        [sys.executable, "-c", code],
        cwd=folder / "work",
        env=environment | home | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
    )
    return result, [p for place in home.values() for p in Path(place).rglob("*")]


def test_one_module_imports_onnxruntime():
    """Elsewhere it could be loaded before it is told to be silent."""
    importers = set()
    for path in Path(workbench.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            if any(name.split(".")[0] == "onnxruntime" for name in names):
                importers.add(path.relative_to(ROOT).as_posix())
    assert importers == {"workbench/sound/runtime.py"}


@pytest.mark.skipif(not POSSIBLE, reason="sockets can be forbidden on Linux only (x86-64, ARM)")
@pytest.mark.parametrize("code", SOCKETS.values(), ids=SOCKETS.keys())
def test_the_guard_sees_sockets(code, tmp_path):
    result, _ = run(f"from tests.offline import forbid_sockets\nforbid_sockets()\n{code}", tmp_path)
    assert result.returncode == -OPENED_A_SOCKET


@pytest.mark.skipif(not POSSIBLE, reason="sockets can be forbidden on Linux only (x86-64, ARM)")
def test_listening_and_the_grid_open_no_socket_and_write_only_what_was_asked(tmp_path):
    samples, rate = soundfile.read(ROOT / "data/demo/copper-weather.ogg", frames=10 * 44100)
    (tmp_path / "work").mkdir()
    soundfile.write(tmp_path / "work" / "song.wav", samples, rate)
    result, elsewhere = run(WORK, tmp_path)
    assert result.returncode == 0, result.stderr
    assert not elsewhere
    hidden = {".workbench-bars", ".workbench-shelf"}  # as README says
    written = {p for p in (tmp_path / "work").rglob("*") if p.parent.name not in hidden}
    assert {p.name.split(".")[0] or p.name for p in written} == {"song", "out", "shelf", "catalogue", *hidden}


def test_a_process_takes_as_many_threads_as_it_is_given(monkeypatch):
    monkeypatch.setenv("OMP_NUM_THREADS", "1")
    assert threads_given() == 1
    for nothing in ("as many as there are", "0", ""):
        monkeypatch.setenv("OMP_NUM_THREADS", nothing)
        assert threads_given() == os.cpu_count()
