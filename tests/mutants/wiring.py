"""Slips in reading what is at the other end of which line: units, bits, commands, addresses."""

from __future__ import annotations

from tests.mutants.mutant import Mutant

READ = ("tests/protocol/test_wire_file.py",)
DRIVERS = ("tests/protocol/test_wire_file_drivers.py",)
DEMANDS = ("tests/protocol/test_wire_file_warnings.py",)
SHEET = ("tests/protocol/test_wire_file_sheet.py",)
ROUNDS = ("tests/protocol/test_wire_file_rounds.py",)

VALUES = "rig/protocol/wire_values.py"
POINTS = "rig/protocol/wire_points.py"
FIELDS = "rig/protocol/wire_fields.py"
PORTS = "rig/protocol/wire_ports.py"
COMMANDS = "rig/protocol/wire_controller.py"

MUTANTS = (
    Mutant(
        "samples divided by their scale",
        VALUES,
        "unit.factor * table.scale",
        "unit.factor / table.scale",
        "a deflection that is four times what it is",
        READ,
    ),
    Mutant(
        "a zero taken away",
        VALUES,
        "unit.offset + zero",
        "unit.offset - zero",
        "a sensor whose zero is off by twice what was measured",
        READ,
    ),
    Mutant(
        "degrees Fahrenheit without their zero",
        "rig/units.py",
        'return known[unit], _OFFSETS.get(unit, 0.0) if dimension == "temperature" else 0.0',
        "return known[unit], 0.0",
        "oil at 50 C that is taken for ice",
        READ,
    ),
    Mutant(
        "bits that are always true where they read 1",
        POINTS,
        "true_is=table.true_is == 1,",
        "true_is=True,",
        "a pressed emergency stop that counts as well",
        READ,
    ),
    Mutant(
        "low word for high word",
        POINTS,
        "high_first=table.high_first,",
        "high_first=True,",
        "a tank that holds nonsense",
        READ,
    ),
    Mutant(
        "registers that overlap by one",
        POINTS,
        'if low <= last and first <= high), "")',
        'if low < last and first < high), "")',
        "a flow made of half of the tank",
        SHEET,
    ),
    Mutant(
        "a pump in an input",
        POINTS,
        'if table.name in WRITTEN and table.table not in ("", "coil"):',
        "if False:",
        "a pump that never starts",
        SHEET,
    ),
    Mutant(
        "a return inside a command",
        FIELDS,
        'if "\\r" in text or "\\n" in text:',
        'if "\\n" in text:',
        "a second command hidden in the first",
        SHEET,
    ),
    Mutant(
        "one path written in two ways",
        PORTS,
        "path = posixpath.normpath(table.path)",
        "path = table.path",
        "two drivers that read one line, each half of it",
        SHEET,
    ),
    Mutant(
        "ramps without a speed",
        COMMANDS,
        'if "over" in missing:',
        'if missing:\n        missing = ["over"]\n    if "over" in missing:',
        "a rod that moves at whatever speed the controller had",
        SHEET,
    ),
    Mutant(
        "a watchdog that nobody feeds",
        COMMANDS,
        'optional = {"deflection"} if own else',
        'optional = {"deflection", "heartbeat"} if own else',
        "a rig that goes on when the program is gone",
        SHEET,
    ),
    Mutant(
        "the controller's scale forgotten",
        COMMANDS,
        "scaling.factor * scales.get(kind, 1.0)",
        "scaling.factor",
        "a load ten times what was meant",
        READ,
    ),
    Mutant(
        "lines of a simulated rig taken for granted",
        "rig/protocol/wired_rig.py",
        'if driver not in ("", SERIAL):',
        'if driver not in ("", SERIAL, SIMULATED):',
        "somebody who believes that his hardware is at work",
        DRIVERS,
    ),
    Mutant(
        "a command that a protocol needs and nobody has",
        "rig/protocol/wire_demands.py",
        'if by_deflection and "deflection" not in controller.actions:',
        "if False:",
        "a test that ends at its second stage, at night",
        DEMANDS,
    ),
    Mutant(
        "an unreadable number that takes its table with it",
        FIELDS,
        "Whole = SkipValidation[int]",
        "Whole = int",
        "a second round of problems, and a third",
        ROUNDS,
    ),
)
