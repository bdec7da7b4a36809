"""Where the work on parts is done: here, in processes of this machine, or on a cluster.

This is the only place that knows. A piece of work is a function of one picklable argument whose
result does not depend on where or when it runs, so the choice changes no number.
"""

from __future__ import annotations

import os
import sys
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import forkserver, get_context
from pathlib import Path
from types import ModuleType
from typing import Any

from analytics.errors import OutputError, SettingsError, WorkError

ENGINES = ("auto", "serial", "processes", "dask")

#: What every worker has to import; done once, before workers are made.
PRELOADED = "analytics.courses.pieces"

#: Bytes of text that make a part: enough to outweigh what a part costs by itself, few enough for
#: a small machine (a part of 60 thousand visits takes about 100 MB while it is settled).
PART_BYTES = 6_000_000

#: Bytes of exports from which on a part has twice as many: what it costs by itself is a seventh of
#: the time, and there are still several for each of the cores that a machine usually has.
MANY_BYTES = 200_000_000

#: Pieces for each worker that are handed out before the first of them is done; more would only
#: wait, in the memory of whoever holds them.
WAITING = 8

#: Workers that a cluster is taken to have at least; it may have been asked to grow with the work.
FEWEST_WORKERS = 32

#: How long a scheduler may take to answer.
ANSWER_WITHIN = "20s"

#: Bytes of exports from which on parts and other processes are worth their start.
WORTH_PROCESSES = 10_000_000


@dataclass(frozen=True)
class Engine:
    """How the work on parts is done.

    Parameters
    ----------
    kind
        One of ``ENGINES``; "auto" takes processes when there is work enough for them.
    processes
        How many; 0 takes one for each core.
    scheduler
        Address of a Dask scheduler, such as "tcp://host:8786". Its workers need this package and
        the folders of exports and cache under the same paths.
    cache
        Folder in which settled parts are kept between runs; nothing keeps none.
    part_bytes
        Bytes of text that make a part; twice as many where there are many.
    """

    kind: str = "auto"
    processes: int = 0
    scheduler: str = ""
    cache: Path | None = None
    part_bytes: int = PART_BYTES

    @property
    def n_workers(self) -> int:
        """Return how many pieces of work run at the same time on this machine."""
        if self.kind == "serial":
            return 1
        is_told = hasattr(os, "sched_getaffinity")
        return self.processes or (len(os.sched_getaffinity(0)) if is_told else os.cpu_count() or 1)

    def choose(self, n_bytes: int) -> str:
        """Return the kind of engine for exports of that size."""
        if self.kind != "auto":
            return self.kind
        is_worth = n_bytes >= WORTH_PROCESSES and self.n_workers > 1
        return "processes" if is_worth else "serial"

    def size_parts(self, n_bytes: int) -> int:
        """Return the bytes of a part of exports of that size.

        It depends on little, or one more export would make all parts anew.
        """
        return self.part_bytes * (2 if n_bytes >= MANY_BYTES else 1)


Mapper = Callable[[Callable[[Any], Any], Sequence[Any]], Iterator[Any]]


@contextmanager
def working(engine: Engine, kind: str) -> Iterator[Mapper]:
    """Give a function that maps another over pieces of work, results in the order of the pieces.

    Parameters
    ----------
    engine
        How the work is done.
    kind
        What ``Engine.choose`` said.

    Raises
    ------
    WorkError
        When a process dies, or the scheduler cannot be reached.
    OutputError
        When the disk is full or the folder of the parts cannot be written.
    """
    try:
        with telling_disk(engine.cache):
            if kind == "serial":
                yield lambda function, pieces: map(function, pieces)
                return
            opened = _open_cluster(engine) if kind == "dask" else _open_pool(engine)
            with opened as (executor, n_workers):
                yield lambda function, pieces: _map(executor, n_workers, function, pieces)
    except BrokenProcessPool as error:
        raise WorkError(
            "a process of the work was ended from outside",
            allowed="processes that live until their part is done",
            todo="look for too little memory; lower 'processes' under [work] in the settings, and"
            " run again: parts that were done are not done again",
        ) from error


@contextmanager
def telling_disk(folder: Path | None) -> Iterator[None]:
    """Turn a disk that is full or closed into an error that a person can act on."""
    try:
        yield
    except OSError as error:
        raise OutputError(
            f"the work could not be written: {error.strerror or error}",
            where=str(error.filename or folder or ""),
            allowed="a folder with room for about the size of the exports",
            todo="make room and run again: parts that were done are not done again",
        ) from error


def _map(
    executor: Executor, n_workers: int, function: Callable[[Any], Any], pieces: Sequence[Any]
) -> Iterator[Any]:
    waiting: deque[Future[Any]] = deque()
    try:
        for piece in pieces:
            with _without_main():
                waiting.append(executor.submit(function, piece))
            if len(waiting) >= WAITING * n_workers:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        for future in waiting:
            future.cancel()


@contextmanager
def _without_main() -> Iterator[None]:
    """Start processes that do not run the program of the user again.

    A new process imports the program that started it, which fails for one typed in or piped, and
    begins the whole work anew in a script without a guard. Pieces of work are in this package, so
    nothing of that program is needed.
    """
    main = sys.modules["__main__"]
    sys.modules["__main__"] = ModuleType("__main__")
    try:
        yield
    finally:
        sys.modules["__main__"] = main


@contextmanager
def _open_pool(engine: Engine) -> Iterator[tuple[Executor, int]]:
    context = get_context("forkserver")
    context.set_forkserver_preload([PRELOADED])
    with _without_main():
        forkserver.ensure_running()  # it imports what workers need while this process goes on
    n_workers = engine.n_workers
    with ProcessPoolExecutor(n_workers, mp_context=context, initializer=_work_small) as executor:
        yield executor, n_workers


def _work_small() -> None:
    """Use one core, and let one allocator serve Arrow and all others: what one frees, all have."""
    import pyarrow as pa

    pa.set_cpu_count(1)
    pa.set_memory_pool(pa.system_memory_pool())


@contextmanager
def _open_cluster(engine: Engine) -> Iterator[tuple[Executor, int]]:
    try:
        from distributed import Client
    except ImportError as error:
        raise SettingsError(
            "the engine 'dask' is not installed",
            where="settings, [work]",
            todo="pip install 'talipes-outcomes[dask]', here and on the cluster",
        ) from error
    try:
        client = Client(engine.scheduler, timeout=ANSWER_WITHIN, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise WorkError(
            "the scheduler of the cluster does not answer",
            where=engine.scheduler,
            allowed="an address such as tcp://host:8786 that this machine can reach",
            todo="start the scheduler, or choose another engine under [work]",
        ) from error
    with client:
        n_workers = max(sum(client.nthreads().values()), FEWEST_WORKERS)
        yield client.get_executor(pure=False), n_workers
