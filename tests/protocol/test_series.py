"""What a series file says becomes a series: every key, in SI, with what its groups add."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.protocol.series import Hypothesis, Life, Observation, Ultimate
from tests.protocol.series_texts import EVERYTHING, changed, line_of, series_of
from tests.protocol.texts import SERIES, shipped

KIP = 4448.2216152605  # [N], NIST SP 811 (2008), Appendix B.8
DAY, HOUR = 86400.0, 3600.0


def test_every_key_of_a_life_is_read():
    _, life, void = series_of(EVERYTHING).lives
    assert life == Life(
        specimen="P-02",
        group="spray",
        level=pytest.approx(0.725),
        cycles=16250.5,
        outcome="failure",
        run=None,
        concrete_max=pytest.approx(0.69),
        concrete_min=pytest.approx(0.06),
        tendon_range=pytest.approx(150e6),
        mode="bond or anchorage slip",
        overloaded=True,
        batch="B",
        cast="2025-03-05",
        bed="3",
        frame="2",
        member="M-4",
        age=90 * DAY,
        wet=12 * HOUR,
        interruptions=30 * HOUR,
        unloaded=2 * HOUR,
    )
    assert void == Life(
        "P-03", "spray", None, None, None, "runs/p-03", valid=False, void_reason="a sensor fell off"
    )


def test_every_key_of_an_ultimate_load_is_read():
    load, residual = series_of(EVERYTHING).ultimates
    assert load == Ultimate(
        specimen="P-11",
        group="dry",
        load=pytest.approx(30 * KIP),
        run=None,
        frame="2",
        member="M-5",
        age=91 * DAY,
        wet=0.0,
        mode="concrete crushing",
    )
    assert residual == Ultimate("P-01", "dry", None, "runs/p-01", residual=True)


def test_hypotheses_name_one_group_or_several():
    assert series_of(changed('lower = ["spray"]', 'lower = "spray"')).hypotheses == (
        Hypothesis("Water shortens the life", "life", ("spray",), ("dry",)),
        Hypothesis("Wet wires rust", "observation", ("dry",), ("spray",), "rust"),
    )


@pytest.mark.parametrize(
    ("seen", "told"),
    [
        ('["wire slip"]', (False, True)),
        ("[]", (False, False)),
        ("true", (True, True)),
        ("false", (False, False)),
        ('["wire slip", "rust"]', (True, True)),
    ],
)
def test_what_was_seen_of_what_was_looked_for_is_told_one_by_one(seen, told):
    found = series_of(changed('seen = ["wire slip"]', f"seen = {seen}")).observations
    assert found == (
        Observation("P-01", "rust", told[0]),
        Observation("P-01", "wire slip", told[1]),
        Observation("P-02", "rust", True),
    )


def test_other_things_than_the_usual_may_be_looked_for():
    text = EVERYTHING.replace('"wire slip"', '"salt on the strand"')
    assert series_of(text).observations[1] == Observation("P-01", "salt on the strand", True)


def test_a_factor_that_an_entry_does_not_tell_is_its_groups():
    series = series_of(EVERYTHING)
    told = [series.factor(life, "batch") for life in series.lives]
    assert told == ["A", "B", None]
    assert series.factor(series.ultimates[0], "frame") == "2"
    assert series.factor(series.ultimates[1], "frame") == "1"
    assert series.groups["dry"]["aggregate"] == "quartz"


def test_groups_keep_the_order_of_the_file():
    text = EVERYTHING.replace("[groups.spray]", "[groups.zinc]\n[groups.arid]\n[groups.spray]")
    assert list(series_of(text).groups) == ["dry", "zinc", "arid", "spray"]


@given(
    cycles=st.floats(0.1, 1e12),
    level=st.floats(1.0, 150.0),
    failed=st.booleans(),
    age=st.floats(0.0, 36525.0),
)
def test_numbers_come_back_as_they_were_written(cycles, level, failed, age):
    life = (
        f'[groups.a]\n[[life]]\nspecimen = "S"\ngroup = "a"\nlevel = "{level!r} %"\n'
        f'cycles = "{cycles:.17e} cycles"\noutcome = "{"failure" if failed else "run-out"}"\n'
        f'age = "{age!r} d"\n'
    )
    (found,) = series_of(life).lives
    assert found.cycles == cycles
    assert found.level == pytest.approx(level / 100, rel=1e-12)
    assert found.age == pytest.approx(age * DAY, rel=1e-12)
    assert found.outcome == ("failure" if failed else "run-out")


def test_void_lives_and_loads_are_no_companions():
    text = shipped(SERIES)
    void = 'valid = false\nvoid_reason = "a support had settled"\n'
    series = series_of(text.replace('load = "130 kN"\n', f'load = "130 kN"\n{void}'))
    assert series.ultimate_loads("spray") == (135e3, 128e3, 135e3)
    series = series_of(text.replace('cycles = "162000 cycles"\n', f'cycles = "1 cycles"\n{void}'))
    assert 1.0 not in series.lives_like("spray", 0.7, "P-99")
    assert len(series.lives_like("spray", 0.7, "P-99")) == 3


# What is doubtful.

MORE = """
[[life]]
specimen = "P-{number}"
group = "{group}"
level = "70 %"
cycles = "{number}000 cycles"
outcome = "failure"
{rest}
"""


def more(number: int, group: str = "spray", rest: str = "") -> str:
    return MORE.format(number=number, group=group, rest=rest)


def test_a_whole_file_has_nothing_doubtful():
    assert series_of(EVERYTHING).warnings == ()
    assert series_of(shipped(SERIES)).warnings == ()


def test_prisms_sawn_from_one_member_are_one_replicate_unless_declared():
    sawn = more(21, rest='member = "M-4"')
    assert series_of(EVERYTHING + sawn).warnings == ()
    text = changed("independent = true", "independent = false") + sawn
    (warning,) = series_of(text).warnings
    assert warning == (
        f'series.toml:{line_of("member", sawn) + EVERYTHING.count(chr(10))}: life[4].member: "P-21"'
        ' and "P-02" are of one member: one replicate and not two; keep one of them, or declare '
        "independent = true in [groups.spray]"
    )
    # Of another group, or void: nothing is counted twice.
    other = more(21, "dry", 'member = "M-4"')
    void = more(21, rest='member = "M-4"\nvalid = false\nvoid_reason = "fell"')
    for text in (other, void):
        assert series_of(changed("independent = true", "") + text).warnings == ()


@pytest.mark.parametrize(("hours", "told"), [(24, False), (25, True)])
def test_a_day_without_load_is_told(hours, told):
    text = changed('interruptions = "30 h"\nunloaded = "2 h"', f'unloaded = "{hours} h"')
    assert [f"{hours} h without load is over 24 h" in w for w in series_of(text).warnings] == (
        [True] if told else []
    )


def test_lives_that_do_not_tell_the_stress_asked_for_are_told():
    text = changed('quantity = "life"', 'quantity = "life at equal concrete level"')
    (warning,) = series_of(text).warnings
    assert f"series.toml:{line_of('quantity')}: hypothesis[1].quantity: " in warning
    assert '1 of 2 lives do not tell the stress of their concrete, the first of them "P-01"' in (
        warning
    )


def test_a_sign_that_nobody_looked_for_in_a_group_is_told():
    text = changed('specimen = "P-02"\nlooked_for = "rust"', 'specimen = "P-02"\nlooked_for = "x"')
    (warning,) = series_of(text).warnings
    assert 'nobody has looked for "rust" in group "spray"' in warning


def test_a_residual_load_without_its_run_out_or_of_another_group_is_told():
    load = 'specimen = "P-01"\ngroup = "dry"\nrun'
    (warning,) = series_of(changed(load, load.replace("P-01", "P-09"))).warnings
    assert '"P-09" has no life here' in warning
    (warning,) = series_of(changed(load, load.replace("dry", "spray"))).warnings
    assert '"spray" is not the group of its life, "dry"' in warning
