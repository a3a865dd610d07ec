"""Slips in how channels are held against each other, and in what warmth is allowed for."""

from tests.mutants.mutant import Mutant

AGREE = ("tests/criteria/test_agreement.py", "tests/criteria/test_in_doubt.py")
WARM = ("tests/criteria/test_warmth.py",)

SAYS = "rig/criteria/confirming.py"
TOGETHER = "rig/criteria/agreement.py"
MOVED = "rig/criteria/displaced.py"
WARMTH = "rig/criteria/warmth.py"

DOUBTS = "rig/criteria/in_doubt.py"

MUTANTS = (
    Mutant(
        "a softening taken for a settlement",
        DOUBTS,
        "np.asarray(gone - change(base, groups, channel) / 2)",
        "np.asarray(gone)",
        "a slipping sensor sends somebody to look at the bearing",
        AGREE,
    ),
    Mutant(
        "a dead rod that says where mid-span stands",
        DOUBTS,
        "far = far & ~dead(base, groups, channel)",
        "far = far & (dead(base, groups, channel) | True)",
        "a rod that does not follow blamed on the post of mid-span",
        AGREE,
    ),
    Mutant(
        "a rod that must go as far as mid-span",
        SAYS,
        "FOLLOWS: Final = 0.5",
        "FOLLOWS: Final = 0.9",
        "a hinge at mid-span is not confirmed by the rod",
        AGREE,
    ),
    Mutant(
        "a rod that stands is not asked",
        SAYS,
        "(stands, CONTRADICTED, OF_MIDSPAN),",
        "(stands, OPEN, NOBODY),",
        "a test ended as a failure by a transducer of another gain",
        AGREE,
    ),
    Mutant(
        "a second cell that is not heard",
        SAYS,
        'in_step & ~(np.abs(change(base, groups, "load_2")) < SECOND_APART * span)',
        "in_step",
        "a sound load cell called a fault",
        AGREE,
    ),
    Mutant(
        "changes at any load",
        TOGETHER,
        "groups.range(channel) * share - settled.range(channel)",
        "groups.range(channel) - settled.range(channel)",
        "a load cell that reads too little is taken for a specimen that fails",
        AGREE,
    ),
    Mutant(
        "waiting cycles forgotten",
        TOGETHER,
        "pending=waiting.shape[1] - count * size,",
        "pending=0,",
        "what is found depends on how samples were cut",
        AGREE,
    ),
    Mutant(
        "channels forgotten by a resume",
        "rig/criteria/findings.py",
        'AgreementState.from_plain(plain.get("agreement"))',
        "AgreementState()",
        "a baseline of channels taken anew from a specimen that is half worn",
        AGREE,
    ),
    Mutant(
        "a conflict that ends all conflicts",
        "rig/criteria/loss.py",
        "reported=state.reported - {DISPUTED}",
        "reported=state.reported",
        "the second slip of a sensor ends a test as a failure, or never",
        AGREE,
    ),
    Mutant(
        "moved for a moment",
        MOVED,
        "up, down = least[later:] - most[:-later], most[later:] - least[:-later]",
        "up, down = most[later:] - least[:-later], least[later:] - most[:-later]",
        "a pause for everybody who leans on the frame",
        AGREE,
    ),
    Mutant(
        "water that moves sensors",
        MOVED,
        "result[KEPT - 1 :] = same & ~stood",
        "result[KEPT - 1 :] = ~stood",
        "a pause for each shower",
        AGREE,
    ),
    Mutant(
        "gaps in the groups",
        "rig/criteria/groups.py",
        "int(Flag.GAP | Flag.LONG_GAP | Flag.SPIKE | Flag.SHORT | Flag.AFTER_END)",
        "int(Flag.LONG_GAP | Flag.SHORT | Flag.AFTER_END)",
        "a spiking cable puts a sound sensor in doubt",
        AGREE,
    ),
    Mutant(
        "warmth of the wrong sign",
        WARMTH,
        "return state, -slopes * warmer",
        "return state, slopes * warmer",
        "a warm afternoon counted twice",
        WARM,
    ),
    Mutant(
        "warmth without a cap",
        WARMTH,
        "return float(np.clip(slope, -most, most))",
        "return slope",
        "a failure that hides behind a warm day",
        WARM,
    ),
    Mutant(
        "warmth learned from a morning",
        WARMTH,
        "LEAST_SWING: Final = 2.0",
        "LEAST_SWING: Final = 0.2",
        "noise taken for what warmth does",
        WARM,
    ),
)
