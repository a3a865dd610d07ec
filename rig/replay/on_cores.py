"""Recordings judged again by processes on the cores of this computer."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context

from rig.errors import StorageError
from rig.replay.one_of_many import Compared, Task, failed, replay_one


def cores() -> int:
    """Return the cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def on_cores(tasks: Sequence[Task], workers: int) -> Iterator[Compared]:
    """Yield what is found, in the order of `tasks`, by at most so many processes at a time.

    A process that dies (a damaged file can end a library, a full memory anything) takes those
    that work beside it along; what had no result is then begun again, the first of it alone.
    """
    left = list(tasks)
    while left:
        with _pool(min(workers, len(left))) as pool:
            try:
                for future in [pool.submit(replay_one, task) for task in left]:
                    yield future.result()
                    del left[0]
            except BrokenProcessPool:
                pass  # of which recording is not told
            finally:
                pool.shutdown(cancel_futures=True)
        if left:
            yield _alone(left.pop(0))


def _alone(task: Task) -> Compared:
    """Judge a recording in a process of its own, so that one that ends its process is known."""
    with _pool(1) as pool:
        try:
            return pool.submit(replay_one, task).result()
        except BrokenProcessPool:
            words = "the process that read it died; keep a copy of it before anything else"
            return failed(task.run, StorageError(words))


def _pool(workers: int) -> ProcessPoolExecutor:
    # A fork of a process with threads may hang. Ctrl-C ends the workers at once, without a word.
    default = (signal.SIGINT, signal.SIG_DFL)
    return ProcessPoolExecutor(workers, get_context("spawn"), signal.signal, default)
