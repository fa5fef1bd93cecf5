"""Workers on this machine: as many processes as it has cores, each with a song at a time.

Each worker is a pool of one process from the standard library (``concurrent.futures``), so that a process that dies
(killed, out of memory) takes its own song along and no other.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from types import ModuleType
from typing import Any, TypeVar

try:
    import resource
except ImportError:  # pragma: no cover - Windows
    resource = None  # type: ignore[assignment]

Work = TypeVar("Work")

#: Memory that a worker needs for songs of usual length, bytes (``python -m tests.benchmarks.bench_shelf``).
WORKER_BYTES = 1536 * 2**20
#: A song is begun so often when its workers die.
MOST_TRIES = 2
#: One thread a worker: more of them would wait for each other's cores.
_ONE_THREAD = {f"{name}_NUM_THREADS": "1" for name in ("OMP", "OPENBLAS", "MKL", "NUMBA")}


class WorkerDiedError(Exception):
    """Every worker that began a song died."""


def usual_workers() -> int:
    """As many workers as this machine has cores and memory for."""
    return max(1, min(_cores(), _memory_bytes() // WORKER_BYTES))


def usual_memory_bytes(workers: int) -> int:
    """What each of some workers may take, so that together they leave a tenth of the machine's memory."""
    return max(WORKER_BYTES, int(0.9 * _memory_bytes()) // workers)


def _cores() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _memory_bytes() -> int:
    if "SC_PHYS_PAGES" in getattr(os, "sysconf_names", ()):
        return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    return WORKER_BYTES * _cores()


def work_here(
    act: Callable[[Work], Any], works: Iterable[Work], workers: int, memory_bytes: int
) -> Iterator[tuple[Work, Any]]:
    """Do works in processes of this machine; each with what came of it, in the order they end.

    What came of one whose workers died :data:`MOST_TRIES` times is a :class:`WorkerDiedError`.

    Parameters
    ----------
    act : function of a module
    works : iterable
        The next one is taken when a worker is free.
    workers : int
    memory_bytes : int
        The most a worker may take: an act that needs more ends with :class:`MemoryError`.
    """
    left, again = iter(works), deque[tuple[Work, int]]()
    free = [_Worker(memory_bytes) for _ in range(workers)]
    busy: dict[Future, tuple[_Worker, Work, int]] = {}
    try:
        while True:
            while free and (found := again.popleft() if again else next(((w, 1) for w in left), None)):
                worker = free.pop()
                busy[worker.begin(act, found[0])] = (worker, *found)
            if not busy:
                return
            for future in wait(busy, return_when=FIRST_COMPLETED).done:
                worker, work, tries = busy.pop(future)
                try:
                    result: Any = future.result()
                except BrokenProcessPool:
                    if tries < MOST_TRIES:
                        again.append((work, tries + 1))
                        free.append(worker)
                        continue
                    result = WorkerDiedError()
                except Exception as error:  # of what carries work and result: what work raises, it tells itself
                    result = error
                free.append(worker)
                yield work, result
    finally:
        for worker in (*free, *(w for w, _, _ in busy.values())):
            worker.end()


class _Worker:
    """A pool of one process, begun with its first work."""

    def __init__(self, memory_bytes: int) -> None:
        self.memory_bytes = memory_bytes
        self.pool: ProcessPoolExecutor
        self.pid: Future | None = None

    def begin(self, act: Callable[[Work], Any], work: Work) -> Future:
        with _as_worker_begins():
            with suppress(BrokenProcessPool):  # it may die while it has nothing to do
                if self.pid is not None:
                    return self.pool.submit(act, work)
            context = multiprocessing.get_context("spawn")
            self.pool = ProcessPoolExecutor(1, context, initializer=_settle, initargs=(self.memory_bytes,))
            self.pid = self.pool.submit(os.getpid)
            return self.pool.submit(act, work)

    def end(self) -> None:
        if self.pid is None:
            return
        if self.pid.done() and not self.pid.cancelled() and not self.pid.exception():
            with suppress(OSError):
                os.kill(self.pid.result(), getattr(signal, "SIGKILL", signal.SIGTERM))
        self.pool.shutdown(wait=False, cancel_futures=True)


@contextmanager
def _as_worker_begins() -> Iterator[None]:
    """One thread for a process that begins now, no ear for Ctrl-C, and an empty main module: a user's script is not run
    again in it."""
    in_main = threading.current_thread() is threading.main_thread()
    interrupt = signal.signal(signal.SIGINT, signal.SIG_IGN) if in_main else None
    main, before = sys.modules["__main__"], {name: os.environ.get(name) for name in _ONE_THREAD}
    sys.modules["__main__"] = ModuleType("__main__")
    os.environ.update(_ONE_THREAD)
    try:
        yield
    finally:
        if interrupt is not None:
            signal.signal(signal.SIGINT, interrupt)
        sys.modules["__main__"] = main
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def _settle(memory_bytes: int) -> None:
    """What a worker does first: bound its memory, leave Ctrl-C to whoever began it, and end when that has ended."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if resource is not None:
        hard = resource.getrlimit(resource.RLIMIT_DATA)[1]
        with suppress(ValueError, OSError):
            resource.setrlimit(resource.RLIMIT_DATA, (memory_bytes, hard))
    giver = multiprocessing.parent_process()
    assert giver is not None

    def wait_for_end() -> None:
        giver.join()
        os._exit(1)

    threading.Thread(target=wait_for_end, daemon=True).start()
