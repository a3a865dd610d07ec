"""Slips in what puts a load in doubt: second measure, ends of the range, jumps, what it follows."""

from __future__ import annotations

from tests.mutants.mutant import Mutant

SECOND = ("tests/guards/test_second_measure.py",)
FOLLOWING = ("tests/guards/test_following.py",)
NAMING = ("tests/judging/test_naming.py",)
SENTRY = ("tests/control/test_sentry.py",)

FOLLOW = "rig/guards/following.py"
JUMP = "rig/guards/jump.py"
LIMITS = "rig/guards/limits.py"
NAMED = "rig/judging/naming.py"

MUTANTS = (
    Mutant(
        "only a load above the second measure is apart",
        LIMITS,
        "np.abs(difference) > setup.apart",
        "difference > setup.apart",
        "a cell that shows too little is pushed against",
        SECOND,
    ),
    Mutant(
        "two measures overlooked at a glance",
        LIMITS,
        "if -surely <= float(near.min()) and float(near.max()) <= surely:",
        "if float(near.max()) <= surely:",
        "a cell that shows too little is pushed against",
        SECOND,
    ),
    Mutant(
        "saturated only beyond its range",
        LIMITS,
        "(wide >= _as_sampled(setup.ends[1]))",
        "(wide > _as_sampled(setup.ends[1]))",
        "a converter that stands at its end is believed",
        SECOND,
    ),
    Mutant(
        "a load at the end of its range is only a limit",
        LIMITS,
        "if beyond and ends is not None:",
        "if beyond and ends is None:",
        "a broken wire is put down to the specimen",
        SECOND,
    ),
    Mutant(
        "the sentry compares nothing",
        "rig/control/sentry.py",
        "if self.pair is not None and not self._together(values, *self.pair):",
        "if self.pair is None and not self._together(values, *self.pair or (0, 0)):",
        "a valve closed a block later",
        SENTRY,
    ),
    Mutant(
        "flat although it lives",
        FOLLOW,
        "if run >= need and way > setup.still_bend:",
        "if way > setup.still_bend:",
        "a healthy cell stops the rig",
        FOLLOWING,
    ),
    Mutant(
        "flat though nothing moved",
        FOLLOW,
        "if run >= need and way > setup.still_bend:",
        "if run >= need:",
        "a load that is held stops the rig",
        FOLLOWING,
    ),
    Mutant(
        "creep is taken for a load that does not rise",
        FOLLOW,
        "lonely[new] |= without & (load[at:] < setup.contact)",
        "lonely[new] |= without",
        "a specimen that yields stops the rig",
        FOLLOWING,
    ),
    Mutant(
        "a breaking specimen is taken for a jump of its load",
        JUMP,
        "goes_on = np.abs(bent[:, 0]) <= allowed",
        "goes_on = np.abs(bent[:, 0]) >= 0",
        "a failure is named a fault",
        FOLLOWING,
    ),
    Mutant(
        "a spike is a jump",
        JUMP,
        "stays = (gone * np.sign(gone[:, :1]) > size[:, None] / 2).all(axis=1)",
        "stays = size > 0",
        "a welder stops the rig",
        FOLLOWING,
    ),
    Mutant(
        "the last samples of a block tell of no jump",
        JUMP,
        "after = JumpState(np.hstack((tail, newest))[:, -keep:])",
        "after = JumpState(newest)",
        "a jump between two blocks is overlooked",
        FOLLOWING,
    ),
    Mutant(
        "a broken specimen is a stuck cell",
        NAMED,
        "pressed = float(load[end - 1]) > known.contact",
        "pressed = True",
        "a failure is named a fault",
        NAMING,
    ),
    Mutant(
        "what hangs on a cell is its wrong sign",
        NAMED,
        "if not (low < -known.load and low < lowest and most < known.contact):",
        "if not (low < -known.load and low < lowest):",
        "a failure is named a fault",
        NAMING,
    ),
)
