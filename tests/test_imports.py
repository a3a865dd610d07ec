"""The import rule holds, and each rule sees what breaks it."""

import subprocess
import sys
from pathlib import Path

import pytest

from tests import import_rules as rules
from tests.import_rules import Module, parse

pytestmark = pytest.mark.xdist_group("imports")  # they share what was read

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def modules() -> dict[str, Module]:
    return rules.read_modules(ROOT)


def planted(**sources: str) -> dict[str, Module]:
    """Return modules by dotted names written with double underscores; `pkg` marks a package."""
    named = {}
    for key, source in sources.items():
        is_package = key.endswith("__pkg")
        name = key.removesuffix("__pkg").replace("__", ".")
        named[name] = parse(name, source, is_package=is_package)
    return named


@pytest.mark.parametrize("rule", rules.RULES, ids=lambda rule: rule.__name__)
def test_the_project_keeps_the_rule(rule, modules):
    assert {"rig.clock", "drivers", "simulators"} <= modules.keys()
    violations = rule(modules)
    assert not violations, "\n".join(violations)


BAD = {
    "a room outside the table": ("unknown_rooms", {"rig__surprise": ""}),
    "layer 1 imports layer 2": ("uphill_imports", {"rig__guards__a": "import rig.record.journal"}),
    "layer 0 imports layer 1": ("uphill_imports", {"rig__units": "from rig import mechanics"}),
    "neighbours in layer 1": ("uphill_imports", {"rig__guards__a": "from rig.criteria import x"}),
    "neighbours in layer 4": ("uphill_imports", {"rig__report__a": "import rig.assembly"}),
    "the reader from a neighbour": (
        "uphill_imports",
        {"rig__guards__a": "from rig.protocol import read"},
    ),
    "mechanics imports protocol": (
        "uphill_imports",
        {"rig__mechanics__a": "import rig.protocol.read"},
    ),
    "inside a function": (
        "uphill_imports",
        {"rig__guards__a": "def f():\n    import rig.commands.main"},
    ),
    "for types only": (
        "uphill_imports",
        {
            "rig__acquire__a": "from typing import TYPE_CHECKING\n"
            "if TYPE_CHECKING:\n    from rig.control import x"
        },
    ),
    "relative": (
        "uphill_imports",
        {"rig__guards__a": "from ..record import journal", "rig__record__journal": ""},
    ),
    "relative in a package": ("uphill_imports", {"rig__guards__pkg": "from ..control import x"}),
    "control imports a driver": ("crossed_borders", {"rig__control__a": "import drivers.serial"}),
    "report imports a simulator": ("crossed_borders", {"rig__report__a": "import simulators"}),
    "driver imports mechanics": (
        "crossed_borders",
        {"drivers__a": "from rig.mechanics import section"},
    ),
    "driver imports simulator": ("crossed_borders", {"drivers__a": "import simulators.pump"}),
    "driver imports assembly": ("crossed_borders", {"drivers__a": "import rig.assembly.devices"}),
    "contract imports simulator": (
        "crossed_borders",
        {"drivers__contract__a": "import simulators"},
    ),
    "simulator imports driver": ("crossed_borders", {"simulators__a": "from drivers import pump"}),
    "simulator imports guards": ("crossed_borders", {"simulators__a": "import rig.guards.a"}),
    "event loop in layer 1": ("impure_layers", {"rig__guards__a": "import asyncio"}),
    "path in layer 0": ("impure_layers", {"rig__units": "from pathlib import Path"}),
    "os.path in layer 1": ("impure_layers", {"rig__protocol__a": "import os.path"}),
    "package files in layer 1": (
        "impure_layers",
        {"rig__protocol__a": "from importlib import resources"},
    ),
    "log in layer 1": ("impure_layers", {"rig__lives__a": "from logging import getLogger"}),
    "open in layer 1": ("impure_layers", {"rig__protocol__a": "def f(p):\n    return open(p)"}),
    "print in layer 1": ("impure_layers", {"rig__criteria__a": "print(1)"}),
    "clock elsewhere": ("foreign_libraries", {"rig__control__a": "import time"}),
    "clock in a driver": ("foreign_libraries", {"drivers__a": "from time import monotonic"}),
    "h5py elsewhere": ("foreign_libraries", {"rig__report__a": "import h5py"}),
    "sqlite3 elsewhere": ("foreign_libraries", {"rig__monitor__a": "import sqlite3"}),
    "broker elsewhere": ("foreign_libraries", {"rig__control__a": "import aiomqtt"}),
    "serial line in rig": ("foreign_libraries", {"rig__assembly": "import serial.tools"}),
    "pymodbus in rig": (
        "foreign_libraries",
        {"rig__commands__a": "def f():\n    import pymodbus.client"},
    ),
    "date of today": (
        "calendar_calls",
        {"rig__record__a": "import datetime as d\nfrom datetime import datetime\ndatetime.now()"},
    ),
    "date of the module": (
        "calendar_calls",
        {"drivers__a": "import datetime\ndatetime.datetime.now(datetime.UTC)"},
    ),
    "print in control": ("prints", {"rig__control__a": "print('moving')"}),
    "print in a simulator": ("prints", {"simulators__a": "print('moving')"}),
    "scipy at the top": ("early_imports", {"rig__lives__a": "from scipy import stats"}),
    "matplotlib at the top": (
        "early_imports",
        {"rig__report__a": "try:\n    import matplotlib.pyplot\nexcept ImportError:\n    raise"},
    ),
    "numpy in protocol": ("numpy_in_words", {"rig__protocol__a": "import numpy as np"}),
    "numpy in units": ("numpy_in_words", {"rig__units": "from numpy.typing import NDArray"}),
    "401 lines": ("too_long", {"rig__guards__a": "x = 1\n" * 401}),
    "utils": ("grab_bags", {"rig__guards__utils": ""}),
    "a manager": ("grab_bags", {"rig__control__run_manager": ""}),
    "helpers as a folder": ("grab_bags", {"drivers__helpers__a": ""}),
    "a cycle of two": (
        "cycles",
        {"rig__guards__a": "from rig.guards import b", "rig__guards__b": "import rig.guards.a"},
    ),
    "a cycle over a package": (
        "cycles",
        {
            "rig__lives__pkg": "from rig.lives.fit import fit",
            "rig__lives__fit": "from rig.lives import Fit",
        },
    ),
    "a cycle over another package": (
        "cycles",
        {
            "rig__protocol__pkg": "from rig.protocol.read import read",
            "rig__protocol__read": "import rig.mechanics.section",
            "rig__protocol__plan": "",
            "rig__mechanics__section": "from rig.protocol.plan import Plan",
        },
    ),
    "a cycle hidden in a function": (
        "cycles",
        {"drivers__a": "import drivers.b", "drivers__b": "def f():\n    import drivers.a"},
    ),
}


@pytest.mark.parametrize(("rule", "sources"), BAD.values(), ids=BAD.keys())
def test_a_rule_sees_what_breaks_it(rule, sources):
    assert getattr(rules, rule)(planted(**sources))


GOOD = {
    "downhill": {"rig__control__a": "from rig.guards import x\nimport rig.record.journal"},
    "layer 0 among itself": {"rig__ports": "from rig.samples import SampleBlock"},
    "the plan in any room": {"rig__guards__a": "from rig.protocol.plan import Limits"},
    "protocol uses mechanics": {"rig__protocol__a": "from rig.mechanics import section"},
    "lives use mechanics": {"rig__lives__a": "import rig.mechanics.bond"},
    "the clock reads time": {
        "rig__clock": "import asyncio, time\nfrom datetime import datetime\ndatetime.now()"
    },
    "driver with its wire": {"drivers__a": "import serial\nfrom rig.ports import Pump"},
    "simulator with mechanics": {"simulators__a": "import rig.mechanics.section, pymodbus"},
    "assembly knows both": {"rig__assembly": "import drivers.a\nfrom simulators import b"},
    "contract opens a rig": {"drivers__contract__a": "from rig.assembly.devices import open_rig"},
    "scipy inside a function": {"rig__lives__a": "def f():\n    from scipy import stats"},
    "numpy in samples": {"rig__samples": "import numpy"},
    "400 lines": {"rig__guards__a": "x = 1\n" * 400},
    "a package that gathers its modules": {
        "rig__lives__pkg": "from rig.lives.fit import fit",
        "rig__lives__fit": "from rig.lives import curve",
        "rig__lives__curve": "",
    },
}


@pytest.mark.parametrize("sources", GOOD.values(), ids=GOOD.keys())
def test_no_rule_forbids_what_is_allowed(sources):
    assert [line for rule in rules.RULES for line in rule(planted(**sources))] == []


def test_a_violation_names_file_and_line():
    found = rules.prints(planted(rig__control__a="x = 1\nprint(x)"))
    assert found == ["rig/control/a.py:2: print() outside commands and terminal"]


NEEDS_NO_NUMPY = """
import importlib, pkgutil, sys
import rig.errors, rig.protocol, rig.units
for module in pkgutil.walk_packages(rig.protocol.__path__, "rig.protocol."):
    importlib.import_module(module.name)
print(sorted({"numpy", "scipy", "h5py"} & sys.modules.keys()))
"""


def test_reading_protocols_loads_no_numpy():
    done = subprocess.run(
        [sys.executable, "-P", "-c", NEEDS_NO_NUMPY],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        env={"PYTHONPATH": str(ROOT)},
    )
    assert (done.stdout.strip(), done.stderr) == ("[]", "")
