"""Options of the suite, the rig that is tried, and how a broken promise is told."""

from __future__ import annotations

import inspect
from collections.abc import Generator, Iterator
from dataclasses import replace
from typing import Final

import pytest

from drivers.contract.bench import Bench
from drivers.contract.place import Broken, Place
from rig.commands.rig_alone import load_rig_alone
from rig.errors import RigError
from rig.protocol.plan import Plan

ORDER: Final = ("opening", "samples", "devices", "actuator", "limits", "stopping", "closing")
"""The parts of the suite in their order: what is asked first, what moves after it."""
_PLACE: Final = pytest.StashKey[Place]()


def pytest_addoption(parser: pytest.Parser) -> None:
    """Say which driver is tried, on which rig."""
    group = parser.getgroup("nightrig", "a driver of nightrig")
    group.addoption("--rig", metavar="FILE", help="rig file; without it the packaged one")
    group.addoption("--driver", metavar="NAME", help="driver, where not the one of the rig file")


def pytest_configure(config: pytest.Config) -> None:
    """Read the rig file before anything else: one line where it cannot be."""
    try:
        config.stash[_PLACE] = Place(_plan(config.getoption("--rig"), config.getoption("--driver")))
    except (RigError, OSError) as error:
        raise pytest.UsageError(str(error)) from error


def _plan(rig: str | None, driver: str | None) -> Plan:
    plan = load_rig_alone(rig)
    return replace(plan, rig=replace(plan.rig, driver=driver)) if driver else plan


def pytest_unconfigure(config: pytest.Config) -> None:
    """End the event loop after the last test."""
    if (place := config.stash.get(_PLACE, None)) is not None:
        place.end()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the tests into their order; within a file they keep theirs."""
    items.sort(key=lambda item: ORDER.index(item.path.stem.removeprefix("test_")))


@pytest.hookimpl(tryfirst=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> bool | None:
    """Run the tests on the one event loop in which the rig lives."""
    test = pyfuncitem.obj
    if not inspect.iscoroutinefunction(test):
        return None
    names = inspect.signature(test).parameters
    pyfuncitem.config.stash[_PLACE].run(test(**{n: pyfuncitem.funcargs[n] for n in names}))
    return True


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Tell a broken promise, and what a device refused, in its sentence alone."""
    report = yield
    error = call.excinfo.value if call.excinfo is not None else None
    if isinstance(error, Broken | RigError):
        promised = inspect.getdoc(getattr(item, "obj", None)) or item.name
        report.longrepr = f"promised: {promised}\nbut:      {error}"
    return report


@pytest.fixture(scope="session")
def place(pytestconfig: pytest.Config) -> Place:
    """Return where the driver is tried."""
    return pytestconfig.stash[_PLACE]


@pytest.fixture(scope="session")
def bench(place: Place) -> Iterator[Bench]:
    """Return the rig, open from its first test to the last one, at rest behind it."""
    bench = Bench(place)
    try:
        place.run(bench.begin())
    except RigError as error:
        pytest.exit(f"the rig cannot be opened: {error}", error.exit_code)
    yield bench
    place.run(bench.end())


@pytest.fixture
def moving(bench: Bench) -> Bench:
    """Return the rig where it may be moved: where it answers as emulated."""
    if not bench.rig.emulated:
        pytest.skip("moves only a rig that answers as emulated; this one does not")
    return bench
