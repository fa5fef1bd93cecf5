"""Processes that work through inputs: forked with everything loaded, limited in time, memory and network.

A worker that a limit ends takes only its input with it; another goes on with the next.
"""

from __future__ import annotations

import importlib
import json
import os
import pkgutil
import resource
import select
import shutil
import signal
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterable
from pathlib import Path

import workbench
from tests.fuzz.inputs import Verdict
from tests.offline import OPENED_A_SOCKET, POSSIBLE, forbid_sockets

#: Processor time an input may take, and time by the clock (for waiting, on a machine that does other work), seconds.
CPU_LIMIT_S, CLOCK_LIMIT_S = 20, 240
MEMORY_LIMIT = 3 * 2**30
#: A worker is renewed after so many inputs.
RENEWED_AFTER = 400


class Worker:
    """A forked process that judges one name after another."""

    def __init__(self, judge: Callable[[str, Path], Verdict]) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="fuzz-"))
        to_child, self._to = os.pipe()
        self.answers, from_child = os.pipe()
        self.name, self.since, self.done = "", 0.0, 0
        self.pid = os.fork()
        if self.pid == 0:
            os.close(self._to)
            os.close(self.answers)
            try:
                _work(judge, self.folder, os.fdopen(to_child), from_child)
            finally:
                os._exit(0)
        os.close(to_child)
        os.close(from_child)

    def begin(self, name: str) -> None:
        self.name, self.since = name, time.monotonic()
        os.write(self._to, f"{name}\n".encode())

    def answer(self) -> tuple[Verdict, int]:
        """The verdict, and the most memory (bytes) it ever took; waits no longer than is allowed."""
        data = b""
        while not data.endswith(b"\n"):
            left = self.since + CLOCK_LIMIT_S - time.monotonic()
            if not select.select([self.answers], [], [], max(left, 0))[0]:
                self.end()
                return Verdict("hang", f"{CLOCK_LIMIT_S} s by the clock"), 0
            piece = os.read(self.answers, 65536)
            if not piece:
                return self._death(), 0
            data += piece
        self.done += 1
        outcome, why, memory = json.loads(data)
        return Verdict(outcome, why), memory

    def _death(self) -> Verdict:
        status = self.end()
        number = os.WTERMSIG(status) if os.WIFSIGNALED(status) else 0
        if number == signal.SIGPROF:
            return Verdict("hang", f"{CPU_LIMIT_S} s of processor time")
        if number == OPENED_A_SOCKET:
            return Verdict("socket")
        return Verdict("traceback", f"the process died: status {status}, signal {number}")

    def end(self) -> int:
        """End the process, if it has not ended by itself; returns its wait status."""
        os.kill(self.pid, signal.SIGKILL)
        os.close(self._to)
        os.close(self.answers)
        status = os.waitpid(self.pid, 0)[1]
        shutil.rmtree(self.folder, ignore_errors=True)
        return status


def _work(judge, folder: Path, names, answers: int) -> None:
    devnull = os.open(os.devnull, os.O_RDWR)
    os.dup2(devnull, 0)
    os.dup2(devnull, 1)
    noise = folder / "noise"
    os.dup2(os.open(noise, os.O_RDWR | os.O_CREAT), 2)
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_LIMIT, MEMORY_LIMIT))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    signal.signal(signal.SIGPROF, signal.SIG_DFL)
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    if POSSIBLE:
        forbid_sockets()
    place = folder / "place"
    for name in names:
        shutil.rmtree(place, ignore_errors=True)
        place.mkdir()
        os.chdir(place)
        heard = noise.stat().st_size
        signal.setitimer(signal.ITIMER_PROF, CPU_LIMIT_S)
        verdict = judge(name.strip(), place)
        signal.setitimer(signal.ITIMER_PROF, 0)
        if verdict.outcome in ("clean", "refused") and noise.stat().st_size > heard:
            verdict = Verdict("badly said", f"on standard error: {noise.read_bytes()[heard:][:500]!r}")
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
        os.write(answers, (json.dumps([verdict.outcome, verdict.why[-6000:], memory]) + "\n").encode())


def load_everything() -> None:
    """Import what any command imports, so that no forked process has to."""
    for module in pkgutil.walk_packages(workbench.__path__, "workbench."):
        if not module.name.startswith(("workbench.training", "workbench.__main__")):
            importlib.import_module(module.name)


def run_all(
    names: Iterable[str], judge: Callable[[str, Path], Verdict], processes: int, told: Callable[[str, Verdict], None]
) -> tuple[Counter, int]:
    """Judge all names; counts of (kind, outcome), and the most memory a worker took, bytes.  Failures are told."""
    counts: Counter = Counter()
    most, waiting = 0, iter(names)
    workers: list[Worker] = []
    free = processes
    while True:
        while free and (name := next(waiting, None)) is not None:
            worker = Worker(judge)
            worker.begin(name)
            workers.append(worker)
            free -= 1
        if not workers:
            return counts, most
        ready = select.select([w.answers for w in workers], [], [], 5)[0]
        late = time.monotonic() - CLOCK_LIMIT_S
        for worker in [w for w in workers if w.answers in ready or w.since < late]:
            verdict, memory = worker.answer()
            counts[worker.name.split("/")[0], verdict.outcome] += 1
            most = max(most, memory)
            if verdict.outcome not in ("clean", "refused"):
                told(worker.name, verdict)
            alive = memory > 0
            if alive and worker.done < RENEWED_AFTER and (name := next(waiting, None)) is not None:
                worker.begin(name)
                continue
            if alive:
                worker.end()
            workers.remove(worker)
            free += 1
