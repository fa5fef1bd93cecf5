"""Workers on this machine."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from workbench.shelving.crew import MOST_TRIES, WorkerDiedError, usual_memory_bytes, usual_workers, work_here

GIB = 2**30


def square(x):
    return x * x


def die_once(path):
    """Leaves a mark and dies; where the mark is, ends well."""
    if not Path(path).exists():
        Path(path).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return "done"


def die(_):
    os.kill(os.getpid(), signal.SIGKILL)


def take(mib):
    try:
        return len(bytearray(mib * 2**20))
    except MemoryError:
        return "refused"


def threads(name):
    return os.environ.get(name)


def test_every_work_is_done_once():
    assert sorted(work_here(square, range(7), 2, GIB)) == [(k, k * k) for k in range(7)]


@pytest.mark.slow
def test_a_worker_killed_takes_its_own_work_along_which_is_begun_again(tmp_path):
    works = [str(tmp_path / name) for name in "abc"]
    assert dict(work_here(die_once, works, 2, GIB)) == dict.fromkeys(works, "done")


@pytest.mark.slow
def test_what_kills_every_worker_is_given_up_and_the_rest_done():
    found = dict(work_here(die, [1], 1, GIB))
    assert isinstance(found[1], WorkerDiedError) and MOST_TRIES == 2


def test_memory_is_bounded_and_a_worker_has_one_thread():
    assert dict(work_here(take, [10, 900], 1, GIB // 2)) == {10: 10 * 2**20, 900: "refused"}
    assert dict(work_here(threads, ["OMP_NUM_THREADS"], 1, GIB)) == {"OMP_NUM_THREADS": "1"}


def test_as_many_as_there_are_cores_and_memory_for(monkeypatch):
    monkeypatch.setattr("workbench.shelving.crew._cores", lambda: 8)
    monkeypatch.setattr("workbench.shelving.crew._memory_bytes", lambda: 6 * GIB)
    assert usual_workers() == 4 and usual_memory_bytes(4) == 1.5 * GIB
    monkeypatch.setattr("workbench.shelving.crew._memory_bytes", lambda: 100 * GIB)
    assert usual_workers() == 8 and usual_memory_bytes(2) == 45 * GIB


SCRIPT = """
from tests.test_crew import square, sleepy
from workbench.shelving.crew import work_here
print("script")
print(sorted(work_here(square, [1, 2, 3], 2, 2**30)))
"""


def sleepy(path):
    Path(path).write_text(str(os.getpid()))
    time.sleep(60)


@pytest.mark.slow
def test_a_script_without_a_guard_runs_once(tmp_path):
    """Python's own guidelines for multiprocessing ask scripts for a guard; a teacher's script has none."""
    script = tmp_path / "mine.py"
    script.write_text(SCRIPT)
    root = str(Path(__file__).parents[1])
    done = subprocess.run(
        [sys.executable, str(script)], capture_output=True, text=True, env={**os.environ, "PYTHONPATH": root}
    )
    assert done.stdout == "script\n[(1, 1), (2, 4), (3, 9)]\n", done.stderr


@pytest.mark.slow
@pytest.mark.parametrize("after_s", [0.3, 2.0])
def test_an_interrupt_ends_the_work_and_its_workers_say_nothing(tmp_path, after_s):
    code = f"from tests.test_crew import *; list(work_here(sleepy, [{str(tmp_path / 'pid')!r}], 1, 2**30))"
    code = f"import signal; signal.signal(signal.SIGINT, signal.default_int_handler)\n{code}"
    giver = subprocess.Popen(
        [sys.executable, "-c", f"try:\n exec({code!r})\nexcept KeyboardInterrupt: print('stopped')"],
        cwd=Path(__file__).parents[1],
        start_new_session=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    _wait_for(lambda: len(Path(f"/proc/{giver.pid}/task/{giver.pid}/children").read_text().split()) >= 2)
    time.sleep(after_s)
    os.killpg(giver.pid, signal.SIGINT)
    assert giver.communicate()[0] == "stopped\n"
    assert not (tmp_path / "pid").exists() or not _runs(int((tmp_path / "pid").read_text()))


def test_workers_end_with_whoever_began_them(tmp_path):
    code = f"from tests.test_crew import *; list(work_here(sleepy, [{str(tmp_path / 'pid')!r}], 1, 2**30))"
    giver = subprocess.Popen([sys.executable, "-c", code], cwd=Path(__file__).parents[1])
    pid = _wait_for(lambda: (tmp_path / "pid").read_text() if (tmp_path / "pid").exists() else "")
    giver.kill()
    giver.wait()
    _wait_for(lambda: not _runs(int(pid)))


def _runs(pid):
    try:
        return "Z" not in Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1][:3]
    except OSError:
        return False


def _wait_for(found, patience_s=60):
    end = time.monotonic() + patience_s
    while not (result := found()):
        assert time.monotonic() < end
        time.sleep(0.05)
    return result
