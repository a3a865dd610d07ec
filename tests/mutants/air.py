"""Slips in what an air run leaves out, and in what a dummy beam tells of the load in motion."""

from __future__ import annotations

from tests.mutants.mutant import Mutant

AIR = ("tests/protocol/test_in_the_air.py",)
VERIFIED = ("tests/acquire/test_verification.py",)

CUT = "rig/protocol/in_the_air.py"
BEAM = "rig/acquire/verification.py"

MUTANTS = (
    Mutant(
        "air run under the specimen's own name",
        CUT,
        'specimen_id=f"none (air run for {plan.specimen_id})"',
        "specimen_id=plan.specimen_id",
        "a comparison takes ten minutes in the air for a life of the specimen",
        AIR,
    ),
    Mutant(
        "air run that is judged",
        CUT,
        "failure=Failure(),",
        "failure=plan.failure,",
        "a rig without a specimen is told as a failure",
        AIR,
    ),
    Mutant(
        "air run that runs into the weight of its spreader",
        CUT,
        "return -air.touch - plan.rig.trust.frame.dead_load, air.touch",
        "return -air.touch, air.touch",
        "a hanging spreader of a cell that was zeroed with it resting stops the air run",
        AIR,
    ),
    Mutant(
        "contact in the air that noise makes",
        CUT,
        "max(approach.contact if approach is not None else usual, NOISE * noise)",
        "approach.contact if approach is not None else usual",
        "the noise of a load cell stops the air run",
        AIR,
    ),
    Mutant(
        "inspection in the air that goes on among people",
        CUT,
        "wait = None if wait is None else min(wait, LONGEST_WAIT)",
        "wait = min(wait or LONGEST_WAIT, LONGEST_WAIT)",
        "an inspection that waits for people moves the rod after five seconds",
        AIR,
    ),
    Mutant(
        "air run of a slow actuator at full speed",
        CUT,
        "min(QUICK, speed)",
        "QUICK",
        "a rod is commanded faster than the rig file allows",
        AIR,
    ),
    Mutant(
        "air run without limits on the oil",
        CUT,
        "if name not in ours}",
        "if name in ours}",
        "ten minutes with oil that nobody stops for, and the specimen's limits armed",
        AIR,
    ),
    Mutant(
        "verification by a gauge that slips",
        BEAM,
        "Polynomial.fit(x, rest, 3)",
        "Polynomial.fit(x, rest, 0)",
        "a gauge that shows less the further it goes agrees with a cell that is wrong",
        VERIFIED,
    ),
    Mutant(
        "verification with cycles of the way to rest",
        BEAM,
        "Flag.LONG_GAP | Flag.AFTER_END | Flag.SPIKE",
        "Flag.LONG_GAP | Flag.SPIKE",
        "cycles of a falling amplitude are taken for those of the test",
        VERIFIED,
    ),
    Mutant(
        "verification of a gauge in compression",
        BEAM,
        "by_beam = abs(line.slope) *",
        "by_beam = line.slope *",
        "a gauge on top of the dummy beam finds a difference of 200 %",
        VERIFIED,
    ),
    Mutant(
        "verification the wrong way round",
        BEAM,
        "difference=cell_mean / beam_mean - 1,",
        "difference=beam_mean / cell_mean - 1,",
        "a cell that shows too much is told to show too little",
        VERIFIED,
    ),
    Mutant(
        "verification without a coverage factor",
        BEAM,
        "uncertainty = 2 * math.hypot(",
        "uncertainty = math.hypot(",
        "a third of all differences lies outside of what is told",
        VERIFIED,
    ),
)
