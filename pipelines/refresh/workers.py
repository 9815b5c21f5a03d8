"""Where the parts of a step are computed: in this process, in others of this machine, or on a Dask cluster.

A part depends on what it is given alone, so where it is computed changes no figure. What hands it out is a kept
library; nothing here distributes work by itself.
"""

import contextlib
import multiprocessing
import os
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future, ProcessPoolExecutor
from dataclasses import dataclass, field
from types import ModuleType
from typing import Any, TypeVar

T = TypeVar("T")
#: other processes of this machine are worth their start from so many rows on: two cores halve 4 ms a dive, against 3 s
WORTH_ROWS = 1500
#: so many parts a worker are handed out ahead, which bounds what is held
AHEAD = 4
#: seconds to wait for a cluster
CONNECT_S = 20


class WorkersLost(RuntimeError):
    """Processes that computed parts are gone, or were never reached; nothing was published."""


@dataclass
class Workers:
    """Where a run's parts are computed; starts nothing before it is needed.

    Parameters
    ----------
    processes : int
        Of this machine; 0 for one a core, 1 for none beside this one.
    scheduler : str
        Address of a Dask scheduler (`tcp://host:8786`), `local` for a cluster of processes that is started for the
        run, or empty.
    version : callable
        What must be the same on every worker of a cluster, so that figures are.
    """

    processes: int = 0
    scheduler: str = ""
    version: Callable[[], str] = str
    worth_rows: int = WORTH_ROWS
    _executor: Executor | None = None
    _of_cluster: int = 0
    _open: contextlib.ExitStack = field(default_factory=contextlib.ExitStack)

    def for_rows(self, parts: int, rows: int) -> Executor | None:
        """Where to compute so many parts of so many rows; None: here."""
        if not rows or (not self.scheduler and (parts < 2 or rows < self.worth_rows or self._count() < 2)):
            return None
        if self._executor is None:
            self._executor = self._dask() if self.scheduler else self._pool()
        return self._executor

    @property
    def ahead(self) -> int:
        """How many parts to hand out ahead."""
        return AHEAD * (self._of_cluster or self._count())

    def _count(self) -> int:
        usable = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
        return self.processes or usable

    def _pool(self) -> Executor:
        # a process of its own from the start: a fork would take over threads and open files half done
        context = multiprocessing.get_context("spawn")
        return self._open.enter_context(_Pool(self._count(), mp_context=context, initializer=_end_with_run))

    def _dask(self) -> Executor:
        try:
            from distributed import Client, LocalCluster
        except ImportError:
            raise WorkersLost(
                "[scale] scheduler asks for Dask, which is not installed. Install it: pip install 'coldfill[dask]'"
            ) from None
        try:
            if self.scheduler == "local":
                cluster: Any = self._open.enter_context(
                    LocalCluster(
                        n_workers=self._count(), threads_per_worker=1, dashboard_address=None, host="127.0.0.1"
                    )
                )
            else:
                cluster = self.scheduler
            client = self._open.enter_context(Client(cluster, timeout=CONNECT_S, set_as_default=False))
            client.wait_for_workers(1, timeout=CONNECT_S)
            theirs = set(client.run(self.version).values())
            self._of_cluster = sum(client.nthreads().values())
        except (OSError, TimeoutError, ImportError) as error:
            raise WorkersLost(
                f"[scale] scheduler = {self.scheduler!r} cannot be used: {error or type(error).__name__}. Start it, or "
                "take the line out of station.toml to compute on this machine. Nothing was published."
            ) from error
        if theirs != {self.version()}:
            raise WorkersLost(
                "Workers of the cluster have another version of coldfill, and would compute other figures. Install the "
                "same version there. Nothing was published."
            )
        return client.get_executor(pure=False)

    def close(self) -> None:
        """End what was started."""
        self._executor = None
        self._open.close()


def _end_with_run() -> None:
    """Let this process end where the run that started it was killed: it would wait for work for ever."""
    run = multiprocessing.parent_process()
    assert run is not None

    def wait() -> None:
        run.join()
        os._exit(1)

    threading.Thread(target=wait, daemon=True).start()


class _Pool(ProcessPoolExecutor):
    """Processes that need nothing of the script which was started: it would be run once more in each."""

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        script = sys.modules["__main__"]
        sys.modules["__main__"] = ModuleType("__main__")  # processes are started in here
        try:
            return super().submit(fn, *args, **kwargs)
        finally:
            sys.modules["__main__"] = script


def in_order(executor: Executor, jobs: Iterator[Callable[[], T]], ahead: int) -> Iterator[T]:
    """What each job gives, in their order; few are handed out ahead, so that few are held.

    A cluster gives a part whose worker was lost to another one, some times.

    Raises
    ------
    WorkersLost
        A process was ended by the system; of a cluster, again and again, or the scheduler is gone.
    """
    waiting: deque[Future[T]] = deque()
    try:
        while True:
            while len(waiting) < ahead and (job := next(jobs, None)) is not None:
                waiting.append(executor.submit(job))
            if not waiting:
                return
            yield waiting.popleft().result()
    except (Exception, CancelledError) as error:
        if isinstance(error, BrokenExecutor):
            raise WorkersLost(
                "A process that computed a part was ended by the system, mostly for want of memory. Nothing was "
                "published, the last snapshot stands. `[scale] processes = 1` in station.toml computes one part at a "
                "time."
            ) from error
        if isinstance(error, CancelledError) or type(error).__module__.startswith("distributed"):
            raise WorkersLost(
                f"The cluster gave up a part ({type(error).__name__}): its workers ended again and again, mostly for "
                "want of memory, or its scheduler is gone. Nothing was published, the last snapshot stands. Without "
                "`[scale] scheduler` in station.toml this machine computes."
            ) from error
        raise
    finally:
        for future in waiting:
            future.cancel()
