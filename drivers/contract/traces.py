"""What an open rig leaves in its process: threads, ports, tasks."""

from __future__ import annotations

import asyncio
import os
import threading
from dataclasses import dataclass
from typing import Final

from drivers.contract.place import promise

ENDS_WITHIN: Final = 0.5
"""Time [s] in which a thread that was told to end must have ended."""


@dataclass(frozen=True, slots=True)
class Traces:
    """What was there at one moment."""

    threads: frozenset[threading.Thread]
    ports: frozenset[str]
    tasks: frozenset[asyncio.Task[object]]


def traces() -> Traces:
    """Return what is there now."""
    return Traces(
        frozenset(threading.enumerate()), frozenset(_ports()), frozenset(asyncio.all_tasks())
    )


async def nothing_left(before: Traces) -> None:
    """Look for what is there that was not there before; raises Broken."""
    await asyncio.sleep(0)  # a task that was just cancelled ends here
    running = [task.get_name() for task in asyncio.all_tasks() - before.tasks - {_own()}]
    promise(not running, f"tasks still run after closing: {', '.join(sorted(running))}")
    # The event loop keeps threads of its own, which end with it.
    new = [
        thread
        for thread in threading.enumerate()
        if thread not in before.threads and not thread.name.startswith("asyncio_")
    ]
    for thread in new:
        thread.join(ENDS_WITHIN)
    alive = sorted(thread.name for thread in new if thread.is_alive())
    promise(not alive, f"threads still run after closing: {', '.join(alive)}")
    ports = sorted(_ports() - before.ports)
    promise(not ports, f"ports are still open after closing: {', '.join(ports)}")


def _own() -> asyncio.Task[object] | None:
    return asyncio.current_task()


def _ports() -> set[str]:
    """Return the devices that this process has open, with the file's number (Linux; else none)."""
    found = set()
    for number in _open_files():
        try:
            target = os.readlink(f"/proc/self/fd/{number}")
        except OSError:  # the one that listed the others
            continue
        if target.startswith("/dev/") and target not in ("/dev/null", "/dev/urandom"):
            found.add(f"{target} (file {number})")
    return found


def _open_files() -> list[str]:
    try:
        return os.listdir("/proc/self/fd")
    except OSError:
        return []
