"""Recordings judged again by processes on the cores of this computer."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
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
                with _held():
                    futures = [pool.submit(replay_one, task) for task in left]
                for future in futures:
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
            with _held():
                future = pool.submit(replay_one, task)
            return future.result()
        except BrokenProcessPool:
            words = "the process that read it died; keep a copy of it before anything else"
            return failed(task.run, StorageError(words))


def _pool(workers: int) -> ProcessPoolExecutor:
    # A fork of a process with threads may hang.
    return ProcessPoolExecutor(workers, get_context("spawn"), _ended_by_ctrl_c)


@contextmanager
def _held() -> Iterator[None]:
    """Keep Ctrl-C waiting while processes are started: they inherit that until they can end."""
    came: list[int] = []
    here = threading.current_thread() is threading.main_thread()
    # Threads of libraries take signals too, and hand them to the main one.
    handler = signal.signal(signal.SIGINT, lambda number, _: came.append(number)) if here else None
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
        if here:
            signal.signal(signal.SIGINT, handler)
    if came:
        raise KeyboardInterrupt


def _ended_by_ctrl_c() -> None:
    """Let Ctrl-C end this process at once, without a word."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
