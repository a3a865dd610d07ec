"""What goes along with the groups is said: batch, age, bed, frame, wet time."""

import pytest

from rig.lives.confounding import confounded
from tests.lives.series import DRY_AND_WET, life, load, series

DAY, HOUR = 86_400.0, 3_600.0
UNTOLD = "lives: nobody told {}: whether groups differ in that is not known"


def lives(dry, wet):
    """Return lives with what is told of each in two groups."""
    return series([*(life("dry", 1e6, **d) for d in dry), *(life("wet", 1e5, **w) for w in wet)])


def about(told, word):
    return [line for line in confounded(told) if word in line and "nobody told" not in line]


def test_no_batch_in_both_groups():
    (line,) = about(lives([{"batch": "A"}] * 2, [{"batch": "B"}] * 3), "batch")
    assert line == (
        "dry and wet, lives: no batch is in both (2 of A against 3 of B): group and batch are not "
        "told apart"
    )


def test_batches_dealt_alike_are_no_matter():
    both = [{"batch": "A"}, {"batch": "B"}]
    assert about(lives(both, both), "batch") == []
    assert about(lives([{"batch": "A"}] * 2, [{"batch": "A"}] * 2), "batch") == []


def test_a_cast_for_each_specimen_varies_within_the_groups_too():
    told = lives([{"cast": "1"}, {"cast": "2"}], [{"cast": "3"}, {"cast": "4"}])
    assert about(told, "cast") == []


def test_batches_dealt_unevenly():
    dry = [{"batch": "A"}] * 3 + [{"batch": "B"}]
    wet = [{"batch": "A"}] + [{"batch": "B"}] * 3
    (line,) = about(lives(dry, wet), "batch")
    assert "dealt unevenly (3 of A, 1 of B against 1 of A, 3 of B)" in line


@pytest.mark.parametrize("factor", ["cast", "bed", "frame"])
def test_each_factor_is_looked_at(factor):
    (line,) = about(lives([{factor: "1"}], [{factor: "2"}]), f"no {factor} is in both")
    assert line.startswith("dry and wet, lives")


def test_a_factor_of_the_group_holds_for_its_specimens():
    groups = {name: {**told, "frame": name} for name, told in DRY_AND_WET.items()}
    told = series([life("dry", 1e6), life("wet", 1e5)], groups=groups)
    assert about(told, "no frame is in both (1 of dry against 1 of wet)")


def test_ages_that_do_not_overlap():
    told = lives([{"age": 28 * DAY}, {"age": 30 * DAY}], [{"age": 90 * DAY}, {"age": 95 * DAY}])
    (line,) = about(told, "ages")
    assert "ages do not overlap (28 to 30 d against 90 to 95 d)" in line


def test_ages_that_overlap_or_hardly_differ_are_no_matter():
    overlapping = lives([{"age": 28 * DAY}, {"age": 60 * DAY}], [{"age": 50 * DAY}])
    near = lives([{"age": 90 * DAY}], [{"age": 91 * DAY}])
    assert about(overlapping, "ages") == about(near, "ages") == []


def test_wet_time_is_what_dry_and_wet_groups_are_for():
    told = lives([{"wet": 0.0}] * 2, [{"wet": 20 * HOUR}] * 2)
    assert about(told, "wet times") == []


def test_wet_times_of_two_wet_groups_are_told():
    groups = {"spray": {"exposure": "spray"}, "submerged": {"exposure": "submerged"}}
    told = series(
        [life("spray", 1e5, wet=20 * HOUR), life("submerged", 1e5, wet=80 * HOUR)], groups=groups
    )
    (line,) = about(told, "wet times")
    assert "(20 h against 80 h)" in line


def test_a_dry_specimen_that_got_wet():
    (line,) = about(lives([{"wet": 3 * HOUR}], [{"wet": 9 * HOUR}]), "was wet")
    assert line == "dry: L-1 was wet for 3 h, its group is dry"


def test_what_nobody_told_cannot_be_looked_for():
    (line,) = confounded(lives([{"batch": "A"}], [{"batch": "A"}]))
    assert line == UNTOLD.format("cast, bed, frame, age")
    assert confounded(lives([{}], [])) == ()


def test_what_one_group_does_not_tell():
    (line,) = about(lives([{"batch": "A"}], [{}]), "batch")
    assert "batch of wet is not told" in line


def test_void_lives_do_not_count():
    told = lives([{"batch": "A"}, {"batch": "C", "valid": False}], [{"batch": "A"}])
    assert about(told, "batch") == []


def test_residual_loads_are_no_companions():
    told = series(
        ultimates=[
            load("dry", 130e3, batch="A"),
            load("wet", 128e3, batch="A"),
            *(load("wet", 120e3, batch="B", residual=True) for _ in range(3)),
        ]
    )
    assert about(told, "batch") == []


def test_ultimate_loads_by_themselves_and_beside_the_lives():
    told = series(
        lives=[life("dry", 1e6, age=90 * DAY, batch="A"), life("wet", 1e5, age=90 * DAY)],
        ultimates=[
            load("dry", 130e3, age=28 * DAY, batch="B"),
            load("wet", 130e3, age=90 * DAY, batch="B"),
            load("wet", 130e3, age=90 * DAY, batch="B", residual=True),
        ],
    )
    lines = confounded(told)
    assert any(line.startswith("dry and wet, ultimate loads: ages do not") for line in lines)
    beside = [line for line in lines if "against companions" in line]
    assert len(beside) == 2
    assert "ages do not overlap (90 d against 28 d)" in beside[0]
    assert beside[1] == (
        "dry, lives against companions: no batch is in both (1 of A against 1 of B): load levels "
        "rest on capacities of another batch"
    )
