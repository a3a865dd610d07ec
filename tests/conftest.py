"""What every test gets: its event loop, and a look at what it left behind."""

import asyncio
import contextlib
import importlib
import inspect
import os
import shutil
import signal
import sys
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from rig.clock import VirtualLoop

# The same examples every time: a red test is red for everybody, and slow machines stay green.
settings.register_profile(
    "nightrig", derandomize=True, deadline=None, database=None, max_examples=12
)
settings.register_profile("endurance", settings.get_profile("nightrig"), max_examples=400)
settings.load_profile(os.environ.get("NIGHTRIG_EXAMPLES", "nightrig"))

# Who starts the tests in the background may have these ignored, and children would inherit it.
for _number in (signal.SIGINT, signal.SIGHUP):
    if signal.getsignal(_number) is signal.SIG_IGN:
        signal.signal(
            _number,
            signal.default_int_handler if _number == signal.SIGINT else signal.SIG_DFL,
        )

GRACE = 1.0
"""How long [s] a thread or child process that was told to end may take."""


def pytest_asyncio_loop_factories(
    config: pytest.Config, item: pytest.Item
) -> dict[str, Callable[[], asyncio.AbstractEventLoop]]:
    """Give tests marked `virtual` an event loop in virtual time."""
    del config
    if item.get_closest_marker("virtual"):
        return {"virtual": VirtualLoop}
    return {"real": asyncio.new_event_loop}


@pytest.hookimpl(tryfirst=True)
def pytest_collection(session: pytest.Session) -> None:
    """Let each of several processes compile a share of the tests before all collect all.

    A fresh copy has no test compiled yet. In one order each process would compile every file
    beside the others, for pytest's rewriting of assertions costs more than all other imports.
    """
    told = getattr(session.config, "workerinput", None)
    whole = session.config.args == session.config.getini("testpaths")
    if told is None or not whole or sys.dont_write_bytecode:
        return
    files = sorted(Path(__file__).parent.rglob("test_*.py"))
    for file in files[int(told["workerid"].removeprefix("gw")) :: told["workercount"]]:
        name = ".".join(file.relative_to(session.config.rootpath).with_suffix("").parts)
        # What fails here fails in the collection too, which tells it.
        with contextlib.suppress(Exception, pytest.skip.Exception):
            importlib.import_module(name)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Watch the tasks of every asynchronous test."""
    for item in items:
        if isinstance(item, pytest.Function) and inspect.iscoroutinefunction(item.function):
            # Set up last, so that tasks of the test's own fixtures are not taken for leaks.
            item.fixturenames.append("no_leaked_tasks")


@pytest.fixture
async def no_leaked_tasks() -> AsyncIterator[None]:
    """Fail a test that returns while a task it started still runs."""
    before = asyncio.all_tasks()
    yield
    await asyncio.sleep(0)  # a task that was just cancelled ends here
    left = asyncio.all_tasks() - before - {asyncio.current_task()}
    assert not left, f"tasks still run: {sorted(str(task) for task in left)}"


@pytest.fixture(autouse=True)
def no_leaked_threads() -> Iterator[None]:
    """Fail a test that leaves a thread running."""
    before = set(threading.enumerate())
    yield
    left = set(threading.enumerate()) - before
    for thread in left:
        thread.join(GRACE)
    alive = sorted(thread.name for thread in left if thread.is_alive())
    assert not alive, f"threads still run: {alive}"


def child_processes() -> dict[int, str]:
    """Return the command lines of this process's children by process id (Linux; else empty)."""
    children = {}
    for listing in Path("/proc/self/task").glob("*/children"):
        with contextlib.suppress(OSError):  # a thread or process that ends while we look
            for number in listing.read_text(encoding="ascii").split():
                command = Path("/proc", number, "cmdline").read_bytes()
                children[int(number)] = command.replace(b"\0", b" ").decode(errors="replace")
    # The standard library keeps this one for the whole session.
    return {
        n: text for n, text in children.items() if "multiprocessing.resource_tracker" not in text
    }


@pytest.fixture(autouse=True)
def no_leaked_processes() -> Iterator[None]:
    """Fail a test that leaves a child process, running or not waited for."""
    before = child_processes().keys()
    yield
    patience = time.monotonic() + GRACE
    while (left := child_processes().keys() - before) and time.monotonic() < patience:
        time.sleep(0.01)
    assert not left, f"child processes left: {[child_processes().get(n) for n in sorted(left)]}"


@pytest.fixture
def system_program() -> Callable[[str], str]:
    """Return a function that gives the path of a system program, for tests marked `system`.

    Without the program the test is skipped, or fails where NIGHTRIG_SYSTEM=required.
    """

    def find(name: str) -> str:
        path = shutil.which(name)
        if path is not None:
            return path
        if os.environ.get("NIGHTRIG_SYSTEM") == "required":
            pytest.fail(f"{name} is not installed, and NIGHTRIG_SYSTEM=required")
        pytest.skip(f"{name} is not installed")

    return find
