"""Slips in load correction and in what is alert only."""

from __future__ import annotations

from tests.mutants.mutant import Mutant

CORRECTION = ("tests/judging/test_correction.py",)
SHADOW = ("tests/judging/test_shadow.py",)

STEPS = "rig/judging/correction.py"
SEEN = "rig/judging/corrected.py"
ALERTS = "rig/judging/shadow.py"

MUTANTS = (
    Mutant(
        "corrected on cycles with gaps",
        SEEN,
        "_UNUSABLE: Final = int(Flag.GAP | Flag.LONG_GAP",
        "_UNUSABLE: Final = int(Flag.LONG_GAP",
        "a load that follows a flickering cable",
        CORRECTION,
    ),
    Mutant(
        "raised from short cycles",
        SEEN,
        "_LOWERS: Final = int(Flag.SHORT | Flag.OVERLOAD)",
        "_LOWERS: Final = int(Flag.OVERLOAD)",
        "an overload of 5 % once the neighbour's pump stops",
        CORRECTION,
    ),
    Mutant(
        "overloads count for nothing",
        SEEN,
        "usable = ((flags & _UNUSABLE) == 0) & finite",
        "usable = ((flags & (_UNUSABLE | int(Flag.OVERLOAD))) == 0) & finite",
        "cycles at 103 % until somebody looks",
        CORRECTION,
    ),
    Mutant(
        "softening over twenty cycles",
        SEEN,
        "GROWTH_CYCLES: Final = 50",
        "GROWTH_CYCLES: Final = 20",
        "a failing specimen is chased",
        CORRECTION,
    ),
    Mutant(
        "softening by deflection alone",
        SEEN,
        "np.divide(opening, high - low, out",
        "np.divide(opening, np.ones(len(rows)), out",
        "a load that falls short hides a failing specimen, which is chased",
        CORRECTION,
    ),
    Mutant(
        "unknown deflection taken for a still specimen",
        SEEN,
        "return not (was > 0 and 0 < now <= was * (1 + GROWTH))",
        "return now > was * (1 + GROWTH)",
        "a specimen that nobody sees is chased",
        CORRECTION,
    ),
    Mutant(
        "a step of two hundredths",
        STEPS,
        "UPWARD_STEP: Final = 0.002",
        "UPWARD_STEP: Final = 0.02",
        "a load that jumps",
        CORRECTION,
    ),
    Mutant(
        "a rise without end",
        STEPS,
        "ONE_RISE: Final = 0.01",
        "ONE_RISE: Final = 0.10",
        "an overload after each start of the neighbour's pump",
        CORRECTION,
    ),
    Mutant(
        "a rise that looks at nothing",
        STEPS,
        "if look.spoils_rise(0) or frozen(look, 0):",
        "if look.spoils_rise(0):",
        "a specimen is chased that begins to fail as the load rises",
        CORRECTION,
    ),
    Mutant(
        "authority about the target",
        STEPS,
        "        settled_mean=state.mean,\n        settled_amplitude=state.amplitude,\n",
        "",
        "no authority is left for the night",
        CORRECTION,
    ),
    Mutant(
        "authority of the upper load alone",
        STEPS,
        "off - min(max(off, -limit), limit) for off in (upper, lower)",
        "off - min(max(off, -limit), limit) for off in (upper, min(max(lower, -limit), limit))",
        "a lower load that loses contact",
        CORRECTION,
    ),
    Mutant(
        "softness forgotten by a build-up",
        STEPS,
        "return replace(state, pairs=(), rise=(0.0, 0.0), short=0, skip=skip)",
        "return replace(state, pairs=(), softness=(), rise=(0.0, 0.0), short=0, skip=skip)",
        "a specimen that softened over an inspection is chased",
        CORRECTION,
    ),
    Mutant(
        "a run-out that is alert only",
        ALERTS,
        '    "load-short": "load_short",\n}',
        '    "load-short": "load_short",\n    "run-out": "load_short",\n}',
        "a test beyond the agreed count",
        SHADOW,
    ),
    Mutant(
        "warnings turned into alerts",
        ALERTS,
        '    "pause": "paused the test",\n}',
        '    "pause": "paused the test",\n    "warn": "warned",\n}',
        "a log of things that would have been, and were",
        SHADOW,
    ),
    Mutant(
        "faults act although alert only",
        ALERTS,
        '    "fault": "stopped the test as fault",\n',
        "",
        "a night's test ended by a criterion that was to be tried",
        SHADOW,
    ),
)
