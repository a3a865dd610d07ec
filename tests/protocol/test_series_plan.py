"""`[plan]` of a series file: what it becomes, and one line for each mistake."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.errors import InputError
from rig.protocol.load import load_series
from rig.protocol.series_plan import SeriesPlan

HEAD = """title = "invented"
[groups.dry]
exposure = "dry"
[groups.wet]
exposure = "spray"
[plan]
"""


def plan(text):
    return load_series("s.toml", {"s.toml": HEAD + text}.__getitem__).plan


def problems(text):
    with pytest.raises(InputError) as found:
        plan(text)
    return [str(problem) for problem in found.value.problems]


def test_a_series_without_the_table_has_no_plan():
    read = {"s.toml": HEAD.replace("[plan]", "")}.__getitem__
    assert load_series("s.toml", read).plan is None


def test_an_empty_table_leaves_all_to_what_was_tested():
    assert plan("") == SeriesPlan()


def test_quantities_are_read_into_si():
    found = plan(
        """
groups = ["wet", "dry"]
sizes = [2, 3]
run_outs = ["2e6 cycles", "11e6 cycles"]
ratios = [2, 5.5]
strengths = [1.1]
life = "200000 cycles"
scatter = 0.6
level = "70 %"
companions = [4]
variation = "6 %"
slope = 14
significance = "10 %"
frequency = "5 Hz"
stations = 2
set_up = "2 d"
dismantling = "12 h"
exposure_change = "1 d"
static_test = "4 h"
flow = "60 L/min"
spraying = "5 %"
tank = "80 L"
seed = 7
"""
    )
    assert found == SeriesPlan(
        groups=("wet", "dry"),
        sizes=(2, 3),
        run_outs=(2e6, 11e6),
        ratios=(2.0, 5.5),
        strengths=(1.1,),
        life=2e5,
        scatter=0.6,
        level=pytest.approx(0.7),
        companions=(4,),
        variation=pytest.approx(0.06),
        slope=14.0,
        significance=pytest.approx(0.1),
        frequency=5.0,
        stations=2,
        set_up=2 * 86400.0,
        dismantling=43200.0,
        exposure_change=86400.0,
        static_test=14400.0,
        flow=pytest.approx(1e-3),
        spraying=pytest.approx(0.05),
        tank=pytest.approx(0.08),
        seed=7,
    )


MISTAKES = {
    'groups = ["dry", "wett"]': (
        's.toml:7: plan.groups[2]: "wett" is no group here; did you mean "wet"?'
    ),
    'groups = ["dry", "dry"]': (
        's.toml:7: plan.groups: "dry" is named twice; name two groups, the one expected to last '
        "longer first"
    ),
    "size = [2]": 's.toml:7: plan.size: is not known here; did you mean "sizes"?',
    "sizes = [0]": "s.toml:7: plan.sizes[1]: 0 is out of range; give 1 to 50",
    "sizes = [2.5]": (
        "s.toml:7: plan.sizes[1]: 2.5 is not a whole number; give a whole number from 1 to 50, "
        "without quotes"
    ),
    "ratios = [0.5]": "s.toml:7: plan.ratios[1]: 0.5 is out of range; give 1 to 10000",
    'run_outs = ["2e6"]': (
        's.toml:7: plan.run_outs[1]: "2e6" has no unit; give a number of cycles such as '
        '"1000 cycles"'
    ),
    'variation = "60 %"': 's.toml:7: plan.variation: "60 %" is out of range; give 0.1 to 50 %',
    "stations = 0": "s.toml:7: plan.stations: 0 is out of range; give 1 to 20",
}


@pytest.mark.parametrize("line", MISTAKES)
def test_each_mistake_is_one_line(line):
    assert problems(line) == [MISTAKES[line]]


def test_two_mistakes_are_told_at_once():
    assert len(problems('sizes = [0]\nlife = "long"')) == 2


VALUES = st.recursive(
    st.none() | st.integers() | st.floats() | st.text(max_size=5) | st.booleans(),
    lambda inner: st.lists(inner, max_size=3),
    max_leaves=5,
)
KEYS = st.sampled_from([*SeriesPlan.__dataclass_fields__, "other"])


def toml(value):
    if value is None:
        return '""'
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + "".join(c if c.isalnum() else "?" for c in value) + '"'
    return str(value) if not isinstance(value, list) else f"[{', '.join(map(toml, value))}]"


@given(st.dictionaries(KEYS, VALUES, max_size=4))
def test_whatever_stands_there_is_a_plan_or_lines(table):
    text = "\n".join(f"{key} = {toml(value)}" for key, value in table.items())
    found = plan_or_lines(text)
    assert found
    assert isinstance(found, SeriesPlan) or all(
        line.startswith("s.toml:") and "\n" not in line for line in found
    )


def plan_or_lines(text):
    try:
        return plan(text)
    except InputError as error:
        return [str(problem) for problem in error.problems]
