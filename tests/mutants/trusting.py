"""Slips in reading why a rig's figures can be trusted, and in doubting them on a day."""

from __future__ import annotations

from tests.mutants.mutant import Mutant

SHEET = ("tests/protocol/test_trust_sheet.py",)
READ = ("tests/protocol/test_trust_tables.py",)
DOUBTS = ("tests/protocol/test_doubts.py",)

CALIBRATIONS = "rig/protocol/calibration_tables.py"
TABLES = "rig/protocol/trust_tables.py"
DOUBTED = "rig/protocol/doubts.py"

ANEW = "rig/control/anew.py"

MUTANTS = (
    Mutant(
        "a controller that counts on taken for one that began anew",
        ANEW,
        "and await self._count() == 0:",
        "and await self._count() is not None:",
        "a cell that fails is blamed on the controller",
        ("tests/control/test_anew.py",),
    ),
    Mutant(
        "a failure blamed on a controller that began anew",
        ANEW,
        'if not self._words or named.outcome == "failure":',
        "if not self._words:",
        "a specimen that broke as the controller lost its supply goes on as whole",
        ("tests/control/test_anew.py",),
    ),
    Mutant(
        "a load that jumps as its cell moves in the loop",
        "simulators/loop.py",
        "np.where(n > fault.frame, fault.by, 0.0)",
        "np.where(n >= fault.frame, fault.by, 0.0)",
        "verdicts are held against a load that no rod can bring about",
        ("tests/simulators/test_shifted_cell.py",),
    ),
    Mutant(
        "a loop that forgets what a sound one does",
        "simulators/loop.py",
        "step = float(sound.load[index + 1] - sound.load[index] + nearer * missing)",
        "step = float(nearer * missing)",
        "a cell at fault brings its load down by more than it lies",
        ("tests/simulators/test_shifted_cell.py",),
    ),
    Mutant(
        "a calibration that ends as it begins",
        CALIBRATIONS,
        "last <= first",
        "last < first",
        "a calibration that holds for no day, in no doubt",
        SHEET,
    ),
    Mutant(
        "an uncertainty with a temperature's zero",
        CALIBRATIONS,
        "return parse(value, difference_dimension(channel.name))",
        "return parse(value, channel_dimension(channel.name))",
        "0.3 degrees of uncertainty that are 273",
        SHEET,
    ),
    Mutant(
        "points turned round",
        CALIBRATIONS,
        "return read[0], read[1]",
        "return read[1], read[0]",
        "errors of the load cell doubled where they should be taken out",
        READ,
    ),
    Mutant(
        "true values that may fall",
        CALIBRATIONS,
        'enumerate(("showed", "was true"))',
        'enumerate(("showed",))',
        "a load that rises while its reading falls, and a controller that pushes on",
        SHEET,
    ),
    Mutant(
        "points off by any amount",
        CALIBRATIONS,
        "_FAR_OFF: Final = 0.10",
        "_FAR_OFF: Final = 10.0",
        "a point in newtons among kilonewtons, and all loads a hundredth of what they are",
        SHEET,
    ),
    Mutant(
        "a range used beyond what is shown",
        CALIBRATIONS,
        "used[0] < channel.low or used[1] > channel.high",
        "used[0] < channel.low and used[1] > channel.high",
        "a certificate of another sensor believed",
        SHEET,
    ),
    Mutant(
        "others on the pump that take all",
        TABLES,
        "table.others >= table.flow",
        "table.others > table.flow",
        "a rig without oil that passes",
        SHEET,
    ),
    Mutant(
        "hours for days",
        TABLES,
        "return int(seconds // _A_DAY)",
        "return int(seconds // 3600)",
        "stops that need not be proven for six years",
        READ,
    ),
    Mutant(
        "a proof whose time and travel change places",
        TABLES,
        "ProvenStop(row.cause, row.time, row.travel, row.repeats)",
        "ProvenStop(row.cause, row.travel, row.time, row.repeats)",
        "12 ms kept as 12 mm",
        READ,
    ),
    Mutant(
        "expired on its last day",
        DOUBTED,
        "elif made.until < today:",
        "elif made.until <= today:",
        "a night refused with a calibration that holds",
        DOUBTS,
    ),
    Mutant(
        "slow channels that need no calibration",
        DOUBTED,
        "for c in rig.channels if c.name not in calibrations]",
        "for c in rig.sampled if c.name not in calibrations]",
        "a flow meter that nobody ever checked confirms the water",
        DOUBTS,
    ),
    Mutant(
        "points forgotten beside what is used",
        DOUBTED,
        "low, high = max(low, made.points[0][0]), min(high, made.points[-1][0])",
        "low, high = min(low, made.points[0][0]), max(high, made.points[-1][0])",
        "an upper load beyond the last point that was ever compared",
        DOUBTS,
    ),
    Mutant(
        "the lower load forgotten",
        DOUBTED,
        "if needed[0] < low * (1 - _ROUNDING) or needed[1]",
        "if needed[1]",
        "a lower load where the cell is of no class",
        DOUBTS,
    ),
    Mutant(
        "fast tests without a verification",
        DOUBTED,
        "if mass == 0 and frequency <= SLOW_ENOUGH:",
        "if mass == 0 or frequency <= SLOW_ENOUGH:",
        "a load range that is several per cent off in motion, and nobody is told",
        DOUBTS,
    ),
    Mutant(
        "a verification at any frequency",
        DOUBTED,
        "elif frequency > made.frequency:",
        "elif frequency < made.frequency:",
        "verified at 2 Hz, run at 8",
        DOUBTS,
    ),
    Mutant(
        "stops proven for ever",
        DOUBTED,
        "elif (age := (today - proven.date).days) > proven.renew_after:",
        "elif (age := (proven.date - today).days) > proven.renew_after:",
        "a proof of two years ago that stands",
        DOUBTS,
    ),
    Mutant(
        "the end of the test forgotten",
        DOUBTED,
        "if made.date <= today <= made.until < end:",
        "if made.date <= today <= made.until < today:",
        "a calibration that ends in the middle of a month of cycling",
        DOUBTS,
    ),
)
