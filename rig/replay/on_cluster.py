"""Recordings judged again by the workers of a Dask cluster, which read the same folders."""

from __future__ import annotations

import re
import shlex
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from rig import __version__
from rig.errors import InputError, StorageError
from rig.replay.one_of_many import Compared, Task, failed, replay_one
from rig.units import shown

PATIENCE: Final = 10.0
"""How long [s] a cluster may take to answer, and to show a worker."""
_ADDRESS: Final = re.compile(r"(?:(?:tcp|tls)://)?[\w.:\[\]-]+:[0-9]+")


def on_cluster(tasks: Sequence[Task], address: str) -> Iterator[Compared]:
    """Yield what is found, in the order of `tasks`.

    Raises InputError without Dask or without an answer from `address`, and where a worker has
    another version of nightrig or does not see the folders.
    """
    with _client(address) as client:
        _refuse_unlike(client, address, tasks)
        futures = [client.submit(replay_one, task, pure=False) for task in tasks]
        for task, future in zip(tasks, futures, strict=True):
            yield _result(task, future)


def _client(address: str) -> Any:
    # What it cannot read keeps Dask waiting, and makes it complain at the very end.
    if not _ADDRESS.fullmatch(address):
        raise InputError(_no_answer(address))
    try:
        # An extra, and slow to import.
        from distributed import Client
    except ImportError as error:
        raise InputError(
            "--cluster: Dask is not installed here; install it with: "
            f'pip --python {shlex.quote(sys.executable)} install "distributed>=2025.1", '
            "or leave --cluster out: then the cores of this computer do the work"
        ) from error
    connect: Any = Client  # without types
    try:
        return connect(address, timeout=PATIENCE, set_as_default=False)
    except OSError as error:
        raise InputError(_no_answer(address)) from error


def _no_answer(address: str) -> str:
    return (
        f"--cluster: no Dask scheduler answers at {shown(address)}; "
        "give the address that it prints, such as tcp://HOST:8786"
    )


def _refuse_unlike(client: Any, address: str, tasks: Sequence[Task]) -> None:
    """Raise InputError for a cluster that would not give the results of this computer."""
    try:
        client.wait_for_workers(1, timeout=PATIENCE)
        looks = client.run(_look, [task.run for task in tasks[:1]])
    except TimeoutError as error:
        raise InputError(f"--cluster: {address} has no worker; start one") from error
    except Exception as error:  # what a worker raised comes as any class
        raise InputError(
            f"--cluster: a worker of {address} cannot run nightrig ({_one_line(error)}); install "
            f"nightrig {__version__} there"
        ) from error
    for worker, (version, unseen) in looks.items():
        if version != __version__:
            raise InputError(
                f"--cluster: {worker} has nightrig {version}, this is {__version__}; install the "
                "same on all"
            )
        if unseen:
            raise InputError(
                f"--cluster: {worker} does not see {unseen[0]}; all workers must read the same "
                "file system as this computer"
            )


def _look(runs: list[str]) -> tuple[str, list[str]]:
    """Return a worker's version of nightrig, and which runs it does not see."""
    return __version__, [run for run in runs if not Path(run).is_dir()]


def _result(task: Task, future: Any) -> Compared:
    try:
        found: Compared = future.result()
    except Exception as error:  # noqa: BLE001 - a worker that dies of one must not end the others
        return failed(task.run, StorageError(f"the cluster could not judge it: {_one_line(error)}"))
    return found


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split()) or type(error).__name__
