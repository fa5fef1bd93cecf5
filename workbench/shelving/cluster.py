"""Workers of a Dask cluster: on this machine, over SSH, or in a job queue (see the README of this folder)."""

from __future__ import annotations

import ctypes
import os
import secrets
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, TypeVar

from workbench import __version__
from workbench.errors import WorkbenchError
from workbench.shelving.crew import WorkerDiedError

Work = TypeVar("Work")

#: How long a scheduler may take to answer, seconds.
PATIENCE = "10s"
#: Works given out for each worker, so that none waits for the next.
GIVEN_A_WORKER = 2
#: Parameters of the GNU C library and the values that they come to by themselves in a process that uses large blocks
#: (mallopt(3), M_TRIM_THRESHOLD and M_MMAP_THRESHOLD), bytes.
_KEPT = {-1: 64 * 2**20, -3: 32 * 2**20}


class Cluster:
    """A Dask scheduler and its workers.

    Parameters
    ----------
    client : distributed.Client
    """

    def __init__(self, client: Any) -> None:
        self._client = client

    @classmethod
    @contextmanager
    def at(cls, address: str) -> Iterator[Cluster]:
        """The cluster of a scheduler, as "tcp://192.168.0.4:8786"; its workers have this workbench and bounded memory.

        Raises
        ------
        WorkbenchError
            If Dask is not installed, no scheduler answers, no worker is there, or one is not as it must be.
        """
        try:
            from distributed import Client
        except ImportError:
            raise WorkbenchError(
                'A cluster needs Dask; install it with pip install "drumchart-workbench[cluster]".'
            ) from None
        try:
            client = Client(address, timeout=PATIENCE, set_as_default=False)
        except (OSError, ValueError) as error:
            raise WorkbenchError(
                f"No Dask scheduler answers at {address}; start one ({type(error).__name__})."
            ) from None
        with client:
            _check(client)
            yield cls(client)

    def shares(self, folder: Path, *others: Path) -> bool:
        """Whether every worker sees a folder, by a file that is put there for the moment, and others by their names."""
        token = folder / f"seen-{secrets.token_hex(8)}"
        token.touch()
        try:
            paths = (token, *others)
            return all(all(self._client.run(os.path.exists, str(path.resolve())).values()) for path in paths)
        finally:
            token.unlink()

    def work(self, act: Callable[[Work], Any], works: Iterable[Work]) -> Iterator[tuple[Work, Any]]:
        """As :func:`workbench.shelving.crew.work_here`: what workers that die had begun, the scheduler begins again."""
        from distributed import KilledWorker, as_completed

        left = iter(works)
        given: dict[str, Work] = {}
        running = as_completed(loop=self._client.loop)

        def give() -> None:
            most = GIVEN_A_WORKER * max(1, sum(self._client.nthreads().values()))
            while len(given) < most and (work := next(left, None)) is not None:
                future = self._client.submit(_keeping_memory, act, work, pure=False)
                given[future.key] = work
                running.add(future)

        give()
        for future in running:
            work = given.pop(future.key)
            try:
                result = future.result()
            except KilledWorker:
                result = WorkerDiedError()
            except Exception as error:  # of what carries work and result: what work raises, it tells itself
                result = error
            future.release()
            give()
            yield work, result


def _keeping_memory(act: Callable[[Work], Any], work: Work) -> Any:
    """Do a work with the memory of the one before.

    Dask starts workers with MALLOC_TRIM_THRESHOLD_, so that they give memory back at once, and fetch it again page by
    page (README of this folder).
    """
    if "MALLOC_TRIM_THRESHOLD_" in os.environ:
        with suppress(OSError, AttributeError, TypeError):  # another C library
            for parameter, value in _KEPT.items():
                ctypes.CDLL(None).mallopt(parameter, value)
    return act(work)


def _check(client: Any) -> None:
    """Refuse workers that would do other work, or take a machine's memory."""
    workers = client.scheduler_info(n_workers=-1)["workers"]
    if not workers:
        raise WorkbenchError("The Dask scheduler has no workers; start some, and begin again.")
    try:
        client.get_versions(check=True)
        versions = client.run(_version)
    except Exception as error:
        raise WorkbenchError(
            f"The Dask workers are not as this program ({type(error).__name__}): install drumchart-workbench "
            f"{__version__}, the same Python and the same Dask on every machine."
        ) from None
    for name, version in versions.items():
        if version != __version__:
            raise WorkbenchError(f"The worker {name} has the workbench {version}, not {__version__}; install the same.")
    for name, worker in workers.items():
        if not worker["memory_limit"]:
            raise WorkbenchError(f"The worker {name} may take all memory; start it with --memory-limit 1.5GiB.")


def _version() -> str:
    return __version__
