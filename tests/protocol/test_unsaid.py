"""What holds between the lines of a file: words for loads, counts that follow, persistence."""

import pytest

from rig.protocol.alerting import alert_only_told
from rig.protocol.plan import Hold, Inspections
from tests.protocol.broken import HOLD, LIMITS_LOAD, PRE_CRACK
from tests.protocol.texts import RIG, WET, WHOLE, load_edited, shipped


@pytest.mark.parametrize(
    ("word", "load"), [("upper", 92.4e3), ("lower", 9.24e3), ("mean", 50.82e3)]
)
def test_a_hold_stands_at_the_load_its_word_names(word, load):
    rest = '\nhold = "2 min"\nrepeats = 3\n'
    assert PRE_CRACK + rest in WHOLE
    text = WHOLE.replace(PRE_CRACK + rest, HOLD.replace("1 kN", word))
    stage = load_edited({WET: text}).stages[1]
    assert isinstance(stage, Hold)
    assert stage.at == pytest.approx(load)


def quiet(*names: str) -> str:
    """Return the whole protocol with criteria that are alert only."""
    listed = ", ".join(f'"{name}"' for name in names)
    return WHOLE.replace("[failure]", f"[failure]\nalert_only = [{listed}]")


@pytest.mark.parametrize(
    ("names", "warned"),
    [
        ((), False),
        (("stiffness_step", "residual_growth"), False),
        (("stiffness_loss",), False),
        (("stiffness_loss", "load_short"), True),
        (("stiffness_loss", "stiffness_step", "residual_growth", "load_short"), True),
    ],
)
def test_a_test_that_only_limits_can_end_is_warned_of_and_allowed(names, warned):
    plan = load_edited({WET: quiet(*names)})
    assert plan.failure.alert_only == frozenset(names)
    said = [w for w in plan.warnings if "no criterion that ends the test" in w]
    assert bool(said) == warned
    ending = " or ".join(name for name in ("stiffness_loss", "load_short") if name in names)
    assert all(f"take {ending} off the list" in w for w in said)
    told = alert_only_told(plan.failure)
    assert all(name in told for name in names)
    assert bool(told) == bool(names)


def test_inspections_come_at_the_written_counts_and_then_at_multiples_whatever_came_before():
    counts = Inspections((10, 100), 500, None, map_cracks=False, go_on_after=None)
    # One that was pulled forward, to 450 in the place of 500, moves none of the others.
    asked = [0, 9, 10, 99, 100, 450, 499, 500, 999, 1000]
    assert [counts.next_after(c) for c in asked] == [
        *[10, 10, 100, 100],
        *[500, 500, 500, 1000, 1000, 1500],
    ]


@pytest.mark.parametrize(
    ("rate", "persist", "samples"),
    [
        ("1 kHz", "", 3),
        ("200 Hz", "", 3),
        ("1 kHz", '\npersist = "5 ms"', 5),
        ("200 Hz", '\npersist = "20 ms"', 4),
        ("200 Hz", '\npersist = "1 ms"', 1),
    ],
)
def test_persistence_is_three_samples_or_as_many_as_the_time_holds_at_the_rigs_rate(
    rate, persist, samples
):
    texts = {
        WET: WHOLE.replace(LIMITS_LOAD, LIMITS_LOAD + persist),
        RIG: shipped(RIG).replace('"1 kHz"', f'"{rate}"'),
    }
    assert load_edited(texts).limits.persist == samples
