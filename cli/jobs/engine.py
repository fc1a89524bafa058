"""Where photos are checked: processes of this machine, or a Dask cluster.  Both are `concurrent.futures`
executors; this file is the only one that knows which.

A bounded number of tasks is under way at any time, so memory doesn't grow with the job.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from itertools import islice
from typing import Any, Protocol, TypeVar

from cli.jobs.errors import EngineError

T = TypeVar("T")
R = TypeVar("R")
_MOST_ON_WINDOWS = 61  # Python's own docs of ProcessPoolExecutor


class Engine(Protocol):
    """Something that makes executors and knows how many tasks keep it busy."""

    def start(self) -> Executor:
        """A fresh executor."""

    def stop(self, executor: Executor) -> None:
        """End it now; what is under way is given up."""

    def in_flight(self) -> int:
        """How many tasks to have under way."""


class Processes:
    """A pool of processes on this machine, one OpenCV thread each."""

    def __init__(self, workers: int | None = None) -> None:
        asked = workers or usable_cores()
        self.workers = min(asked, _MOST_ON_WINDOWS) if sys.platform == "win32" else asked

    def start(self) -> Executor:
        """A fresh pool; the processes start at once, deaf to Ctrl-C, which is the parent's to answer."""
        pool = ProcessPoolExecutor(self.workers, multiprocessing.get_context("spawn"), begin_worker)
        with _deaf_to_interrupts():
            pool.submit(int)
        return pool

    def stop(self, executor: Executor) -> None:
        """End the processes without waiting for the photos they are at."""
        children = list((getattr(executor, "_processes", None) or {}).values())
        executor.shutdown(wait=False, cancel_futures=True)
        for child in children:
            child.terminate()
        for child in children:
            child.join(5)

    def in_flight(self) -> int:
        """Two tasks a process: one at work, one ready."""
        return 2 * self.workers + 1


class Cluster:
    """A Dask cluster.  Its workers read the photos themselves, so paths must be the same everywhere."""

    def __init__(self, address: str) -> None:
        try:
            from distributed import Client
        except ImportError as error:
            raise EngineError(
                "--cluster needs Dask. Install it here and on the workers: pip install 'collargap[cluster]'"
            ) from error
        try:
            self._client: Any = Client(  # type: ignore[no-untyped-call]
                address, timeout="5s", set_as_default=False
            )
        except (OSError, ValueError) as error:
            raise EngineError(
                f"No Dask scheduler answers at {address} ({error}). Start one with `dask scheduler` and "
                "workers with `dask worker ADDRESS`, and give the address that the scheduler prints."
            ) from error

    def start(self) -> Executor:
        """An executor on the cluster.  A task whose worker dies is given to another."""
        executor: Executor = self._client.get_executor(pure=False, retries=2)
        return executor

    def stop(self, executor: Executor) -> None:
        """Take back what hasn't begun and leave the cluster to others."""
        executor.shutdown(wait=False)
        self._client.close(timeout=5)

    def in_flight(self) -> int:
        """Two tasks a thread of the cluster as it is now; workers may come and go."""
        return 2 * max(2, int(sum(self._client.nthreads().values()))) + 1


def stream(engine: Engine, work: Callable[[T], R], tasks: Iterable[T]) -> Iterator[tuple[T, R | Exception]]:
    """Do the work and yield each task with its result, or with the exception that it ended in, as they come.

    A task that takes its process down with it is found by trying the suspects one at a time; it alone fails.
    Raises EngineError when the engine itself is gone.
    """
    waiting = iter(tasks)
    executor = engine.start()
    try:
        while True:
            suspects = yield from _until_broken(engine, executor, work, waiting)
            if not suspects:
                return
            engine.stop(executor)
            executor = engine.start()
            for task in suspects:
                outcome = _outcome(executor.submit(work, task))
                if isinstance(outcome, BrokenProcessPool):
                    engine.stop(executor)
                    executor = engine.start()
                    outcome = _died()
                yield task, outcome
    finally:
        engine.stop(executor)


def _until_broken(
    engine: Engine, executor: Executor, work: Callable[[T], R], waiting: Iterator[T]
) -> Generator[tuple[T, R | Exception], None, list[T]]:
    """Yields outcomes; returns the tasks that were under way when the pool broke, or none at the end."""
    under_way: dict[Future[R], T] = {}
    while True:
        for task in islice(waiting, max(0, engine.in_flight() - len(under_way))):
            try:
                under_way[executor.submit(work, task)] = task
            except BrokenProcessPool:
                return [*_rescued(under_way), task]
        if not under_way:
            return []
        for future in wait(under_way, return_when=FIRST_COMPLETED).done:
            outcome = _outcome(future)
            if isinstance(outcome, BrokenProcessPool):
                wait(under_way)
                return _rescued(under_way)
            yield under_way.pop(future), outcome


def _rescued(under_way: dict[Future[Any], T]) -> list[T]:
    return list(under_way.values())


def _outcome(future: Future[R]) -> R | Exception:
    try:
        return future.result()
    except Exception as error:
        if type(error).__name__ in ("FutureCancelledError", "CancelledError", "CommClosedError"):
            raise EngineError("The cluster is gone: its scheduler doesn't answer any more. "
                              "What was done is kept; run the same command again.") from error  # fmt: skip
        return error


def _died() -> Exception:
    return RuntimeError("The check ended this photo's process; the photo may be damaged on purpose.")


def usable_cores() -> int:
    """The cores that this process may run on."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def begin_worker() -> None:
    """First thing in each process: Ctrl-C is the parent's business, and no process outlives its parent."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


@contextlib.contextmanager
def _deaf_to_interrupts() -> Iterator[None]:
    """Children inherit that Ctrl-C is ignored while they start, before they can say so themselves."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
