"""Workers of a Dask cluster: a real scheduler and real worker processes on this machine."""

import os
import platform
import resource
import signal
import sys
import time
from pathlib import Path

import numpy as np
import pytest

import workbench as wb
from tests.shelves import chart_of, record, shelve
from workbench.errors import WorkbenchError
from workbench.files.chartfile import read_chart
from workbench.shelving import cluster
from workbench.shelving.cluster import Cluster
from workbench.shelving.crew import WorkerDiedError

#: The ways of Dask's own threads and sockets are not ours.
pytestmark = [pytest.mark.slow, pytest.mark.filterwarnings("ignore")]
distributed = pytest.importorskip("distributed")


@pytest.fixture(scope="module")
def started():
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, memory_limit="1.5GiB", dashboard_address=None, processes=True
    ) as local:
        yield local


@pytest.fixture
def local(started):
    """Two workers; those that a test killed are back."""
    started.wait_for_workers(2, timeout=60)
    return started


def double(x):
    return 2 * x


def faults_of_large_blocks(_):
    """Pages that the system had to find for a megabyte, taken and given back a hundred times."""
    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    for _ in range(100):
        np.ones(2**17)
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before


def die_once(path):
    if not Path(path).exists():
        Path(path).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return "done"


def die(_):
    os.kill(os.getpid(), signal.SIGKILL)


def test_every_work_is_done_and_what_a_dead_worker_had_is_begun_again(local, tmp_path):
    with Cluster.at(local.scheduler_address) as there:
        assert sorted(there.work(double, range(9))) == [(k, 2 * k) for k in range(9)]
        works = [str(tmp_path / name) for name in "abc"]
        assert dict(there.work(die_once, works)) == dict.fromkeys(works, "done")


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="another C library")
def test_a_worker_keeps_its_memory_from_song_to_song(local):
    with Cluster.at(local.scheduler_address) as there:
        ((_, faults),) = there.work(faults_of_large_blocks, [0])
    assert faults < 25 * 2**20 / resource.getpagesize(), "a quarter of what would be taken anew each time"


def test_what_kills_every_worker_is_given_up(local):
    import dask

    with dask.config.set({"distributed.scheduler.allowed-failures": 1}), Cluster.at(local.scheduler_address) as there:
        (found,) = there.work(die, [1])
    assert isinstance(found[1], WorkerDiedError)


@pytest.mark.parametrize("shared", [True, False])
def test_a_shelf_is_filled_by_a_cluster_one_worker_killed(local, tmp_path, monkeypatch, shared):
    for k in range(4):
        record(tmp_path / "set" / f"{k}.wav", 4, seed=k)
    shelve(tmp_path, "kettle", chart_of())
    monkeypatch.setattr(Cluster, "shares", (lambda self, *folders: shared) if not shared else Cluster.shares)
    pids = list(local.workers.values())
    killed = []

    def kill_one(done, what):
        if what.startswith("1 of") and not killed:
            killed.append(next(iter(pids)).process.process.pid)
            os.kill(killed[0], signal.SIGKILL)

    shelf = wb.shelf(tmp_path, scheduler=local.scheduler_address, progress=kill_one)
    assert killed and not shelf.failures and len(shelf.worked) == 5
    for k in range(4):
        chart = read_chart(tmp_path / "set" / f"{k}.chart.json")
        assert chart.recording.path == f"{k}.wav" and chart.title == str(k)


def test_a_cluster_that_will_not_do_is_refused(started, monkeypatch):
    with pytest.raises(WorkbenchError, match="No Dask scheduler"), Cluster.at("tcp://127.0.0.1:9"):
        pass
    monkeypatch.setattr(cluster, "__version__", "99.0")
    with pytest.raises(WorkbenchError, match="99.0"), Cluster.at(started.scheduler_address):
        pass
    monkeypatch.undo()
    with (
        distributed.LocalCluster(1, processes=False, memory_limit=0, dashboard_address=None) as unbounded,
        pytest.raises(WorkbenchError, match="memory-limit"),
        Cluster.at(unbounded.scheduler_address),
    ):
        pass
    with distributed.LocalCluster(1, processes=False, dashboard_address=None) as empty:
        empty.scale(0)
        end = time.monotonic() + 60
        while empty.scheduler.workers:
            assert time.monotonic() < end
            time.sleep(0.1)
        with pytest.raises(WorkbenchError, match="no workers"), Cluster.at(empty.scheduler_address):
            pass


def test_without_dask_one_sentence_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(WorkbenchError, match="cluster"), Cluster.at("tcp://127.0.0.1:1"):
        pass
