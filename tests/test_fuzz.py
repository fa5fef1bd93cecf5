"""Slices of ``make fuzz``: damaged files and kills; none may crash, hang, lose an edit or open a socket."""

import ast
import subprocess
import sys

import pytest

from tests.offline import POSSIBLE


@pytest.mark.parametrize(
    "inputs, kills", [pytest.param(80, 8, marks=pytest.mark.slow), pytest.param(2000, 100, marks=pytest.mark.soak)]
)
def test_damaged_files_and_kills(tmp_path, inputs, kills):
    command = [sys.executable, "-m", "tests.fuzz", f"--inputs={inputs}", f"--kills={kills}", f"--out={tmp_path}"]
    result = subprocess.run(command, capture_output=True, text=True)
    assert result.returncode == 0, result.stdout + result.stderr


WORKERS = """
import os, socket
from tests.fuzz import workers
from tests.fuzz.inputs import Verdict
workers.CPU_LIMIT_S = 1
def judge(name, folder):
    if name == "endless":
        while True: pass
    if name == "socket":
        socket.socket(socket.AF_INET)
    if name == "death":
        os.abort()
    if name == "memory":
        try: bytes(4 * 2**30)
        except MemoryError: return Verdict("over memory")
    return Verdict("clean")
names = ["clean", "endless", "socket", "death", "memory", "clean"]
counts, _ = workers.run_all(names, judge, 2, lambda name, verdict: None)
print(sorted((name, outcome, n) for (name, outcome), n in counts.items()))
"""


@pytest.mark.slow
@pytest.mark.skipif(not POSSIBLE, reason="sockets can be forbidden on Linux only (x86-64, ARM)")
def test_workers_notice_what_must_not_be():
    result = subprocess.run([sys.executable, "-c", WORKERS], capture_output=True, text=True)
    assert ast.literal_eval(result.stdout) == [
        ("clean", "clean", 2),
        ("death", "traceback", 1),
        ("endless", "hang", 1),
        ("memory", "over memory", 1),
        ("socket", "socket", 1),
    ]
